"""What stands between the network and the pages: hosts, sizes, headers, sessions, form tokens, the sign-in limit.

Headers follow the list of the OWASP Secure Headers Project (names and values of its ``headers_add.json``,
2024-07-19), the content security policy is stricter than proposed there: nothing is loaded that is not named.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
import re
import secrets
import threading
import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

_log = logging.getLogger(__name__)

_HOST = re.compile(r"(?:\[([0-9a-f:.]+)\]|([a-z0-9_.-]+))(?::[0-9]{1,5})?")
MAX_BODY_BYTES = 128 * 1024
"""Largest form; a rim of 400 points takes less than a tenth of it."""
MAX_TARGET_BYTES = 4096
METHODS = ("GET", "HEAD", "POST")
FORM_HOURS = 12.0
MAX_SESSIONS = 2000

HEADERS: dict[str, str] = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "form-action 'self'; base-uri 'none'; object-src 'none'; frame-ancestors 'none'"
    ),
    "cross-origin-embedder-policy": "require-corp",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": (
        "accelerometer=(), autoplay=(), camera=(), cross-origin-isolated=(), display-capture=(), "
        "encrypted-media=(), fullscreen=(), geolocation=(), gyroscope=(), keyboard-map=(), magnetometer=(), "
        "microphone=(), midi=(), payment=(), picture-in-picture=(), publickey-credentials-get=(), "
        "screen-wake-lock=(), sync-xhr=(), usb=(), web-share=(), xr-spatial-tracking=(), clipboard-read=(), "
        "clipboard-write=(), gamepad=(), hid=(), idle-detection=(), serial=()"
    ),
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "deny",
    "x-permitted-cross-domain-policies": "none",
}
NEVER_KEPT = "no-store, max-age=0"
FOR_A_YEAR = "private, max-age=31536000, immutable"
"""For what never changes under its address; signing out clears it from the browser."""
OVER_TLS = {"strict-transport-security": "max-age=31536000"}
"""Only over TLS (RFC 6797, 7.2); without includeSubDomains, for a grove's computer does not speak for its domain."""


class BodyTooLarge(Exception):
    """More bytes came than any form of ours needs."""


class Guard:
    """Outermost layer: refuses strange hosts, origins, methods and sizes; puts the headers on every answer."""

    def __init__(self, app: ASGIApp, hosts: Collection[str], tls: bool) -> None:
        self._app, self._hosts, self._tls = app, frozenset(host.lower() for host in hosts), tls

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":  # web sockets are not spoken here
            return
        dressed = self._dressed(send, scope["path"])
        refusal = self._refusal(scope)
        if refusal is not None:
            await refusal(scope, receive, dressed)
        else:
            await self._app(scope, _counted(receive), dressed)

    def _refusal(self, scope: Scope) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or host_of(hosts[0]) not in self._hosts:
            return PlainTextResponse("This address is not served here.", 421)
        if scope["method"] not in METHODS:
            return PlainTextResponse("This method is not allowed.", 405, {"allow": ", ".join(METHODS)})
        if len(scope.get("raw_path") or b"") + len(scope.get("query_string", b"")) > MAX_TARGET_BYTES:
            return PlainTextResponse("This address is too long.", 414)
        if scope["method"] == "POST":
            return _form_refusal(headers, hosts[0])
        return None

    def _dressed(self, send: Send, path: str) -> Send:
        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in (HEADERS | (OVER_TLS if self._tls else {})).items():
                    headers[name] = value
                if path.startswith("/static/") and message["status"] == 200:
                    headers["cache-control"] = FOR_A_YEAR  # their addresses carry a digest of the content
                elif "cache-control" not in headers:
                    headers["cache-control"] = NEVER_KEPT
            await send(message)

        return dressed


def _form_refusal(headers: Headers, host: str) -> PlainTextResponse | None:
    """Forms come from our own pages only (Origin and Fetch Metadata), in one encoding, and are small."""
    origin = headers.get("origin", "null")
    # our referrer policy makes browsers send "null" for our own forms too (Fetch standard, "Origin" header);
    # the form's token, the cookie's SameSite and Sec-Fetch-Site hold the door then
    if origin != "null" and place_of_origin(origin) != host.lower():
        return PlainTextResponse("This form was sent from another page.", 403)
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return PlainTextResponse("This form was sent from another page.", 403)
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        return PlainTextResponse("Forms are taken as application/x-www-form-urlencoded only.", 415)
    length = headers.get("content-length")
    if length is not None and (not length.isascii() or not length.isdigit() or len(length) > 12):
        return PlainTextResponse("The length of this form cannot be read.", 400)
    if length is not None and int(length) > MAX_BODY_BYTES:
        return PlainTextResponse("This form is too large.", 413)
    return None


def _counted(receive: Receive) -> Receive:
    count = 0

    async def counted() -> Message:
        nonlocal count
        message = await receive()
        count += len(message.get("body", b"")) if message["type"] == "http.request" else 0
        if count > MAX_BODY_BYTES:
            raise BodyTooLarge
        return message

    return counted


def host_of(header: str) -> str:
    """Host without its port, lower case; empty where it is no host."""
    found = _HOST.fullmatch(header.lower())
    return found.group(1) or found.group(2) if found else ""


def place_of_origin(origin: str) -> str:
    """Host and port of an origin such as ``http://127.0.0.1:8321``; empty for ``null``."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


# ---------------------------------------------------------------- sessions


class FormRefused(Exception):
    """A form without a token of this session and this page; nothing was done."""


class FormUsed(Exception):
    """A form that was sent before; nothing was done again."""


@dataclass(slots=True)
class Session:
    """One person in one browser.  Kept in memory: a restart signs everybody out and no token is ever on disk."""

    name: str
    local: bool
    expires_at: float
    key: bytes = field(default_factory=lambda: secrets.token_bytes(32))
    answered: int = 0
    last_lead: int = 0
    last_site: int = 0
    flash: list[str] = field(default_factory=list)
    used: set[str] = field(default_factory=set)
    lock: threading.Lock = field(default_factory=threading.Lock)


class Sessions:
    """Everybody who is signed in."""

    def __init__(self, hours: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._seconds, self._clock = hours * 3600, clock
        self._sessions: dict[str, Session] = {}
        self._lock = threading.Lock()

    def begin(self, name: str, local: bool = False) -> str:
        """Start a session and give its token, which only the browser keeps; here lies its digest."""
        token = secrets.token_urlsafe(32)
        now = self._clock()
        with self._lock:
            for digest in [d for d, session in self._sessions.items() if session.expires_at <= now]:
                del self._sessions[digest]
            for digest in list(self._sessions)[: max(0, len(self._sessions) + 1 - MAX_SESSIONS)]:
                del self._sessions[digest]  # the oldest: insertion order
            self._sessions[_digest(token)] = Session(name, local, now + self._seconds)
        return token

    def find(self, token: str) -> Session | None:
        """The session of a token."""
        session = self._sessions.get(_digest(token)) if 0 < len(token) < 200 else None
        return session if session is not None and session.expires_at > self._clock() else None

    def end(self, token: str) -> None:
        """End one session."""
        with self._lock:
            self._sessions.pop(_digest(token), None)

    def end_all_of(self, name: str, but: Session | None = None) -> None:
        """End every session of a person, as after a change of password."""
        with self._lock:
            for digest in [d for d, s in self._sessions.items() if s.name == name and s is not but]:
                del self._sessions[digest]


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "backslashreplace")).hexdigest()


def form_token(session: Session, purpose: str) -> str:
    """A token that lets one form be sent once, by this session, to this page."""
    nonce = f"{secrets.token_urlsafe(12)}.{int(time.time() + FORM_HOURS * 3600)}"
    return f"{nonce}.{_mac(session.key, nonce, purpose)}"


def check_form(session: Session, purpose: str, token: str) -> None:
    """Check a form's token and use it up.

    Raises
    ------
    FormRefused
        If it is not of this session and page, or too old.
    FormUsed
        If the same form was sent before.
    """
    nonce, _, mac = token.rpartition(".")
    if not hmac.compare_digest(mac.encode("utf-8", "replace"), _mac(session.key, nonce, purpose).encode()):
        raise FormRefused
    if int(nonce.rpartition(".")[2]) < time.time():  # the digits are ours: the code above vouches for them
        raise FormRefused
    with session.lock:
        if nonce in session.used:
            raise FormUsed
        session.used.add(nonce)


def release_form(session: Session, token: str) -> None:
    """Let a form be sent again after it was refused with a sentence and nothing was done."""
    with session.lock:
        session.used.discard(token.rpartition(".")[0])


def _mac(key: bytes, nonce: str, purpose: str) -> str:
    text = f"{nonce}\n{purpose}".encode("utf-8", "backslashreplace")
    return hmac.new(key, text, hashlib.sha256).hexdigest()


class Door:
    """Tokens of the sign-in form, where there is no session yet: bound to a cookie that the same answer sets."""

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)

    def token(self, cookie: str) -> str:
        """The form's token for a cookie."""
        return _mac(self._key, cookie, "sign-in")

    def fits(self, cookie: str, token: str) -> bool:
        """Whether they belong together."""
        return bool(cookie) and hmac.compare_digest(self.token(cookie).encode(), token.encode("utf-8", "replace"))


class Limit:
    """Counts failures by key (a name, an address) over a window; kept in memory, so nobody can fill the disk."""

    def __init__(self, tries: int, window_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._tries, self._window_s, self._clock = tries, window_s, clock
        self._failures: dict[str, deque[float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, *keys: str) -> float:
        """Seconds until another try is taken; 0 if now."""
        now = self._clock()
        with self._lock:
            waits = [0.0]
            for key in keys:
                times = self._recent(key, now)
                if len(times) >= self._tries:
                    waits.append(times[0] + self._window_s - now)
        return max(waits)

    def failed(self, *keys: str) -> None:
        """Count a failure."""
        now = self._clock()
        with self._lock:
            if len(self._failures) > 10_000:
                self._failures = {k: t for k, t in self._failures.items() if t and t[-1] > now - self._window_s}
            for key in keys:
                self._recent(key, now).append(now)

    def forget(self, *keys: str) -> None:
        """Start again after a success."""
        with self._lock:
            for key in keys:
                self._failures.pop(key, None)

    def _recent(self, key: str, now: float) -> deque[float]:
        times = self._failures.setdefault(key, deque(maxlen=self._tries))
        while times and times[0] <= now - self._window_s:
            times.popleft()
        return times
