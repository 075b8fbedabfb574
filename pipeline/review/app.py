"""The application: its routes, who may use which, and the server round it."""

from __future__ import annotations

import hashlib
import ipaddress
import logging
import secrets
import socket
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.responses import HTMLResponse, RedirectResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from pipeline.alerts import cautions
from pipeline.errors import UsageError, WoundwoodError
from pipeline.review import asked, networks, office, pages
from pipeline.review.accounts import Passwords, Role
from pipeline.review.queue import Queue
from pipeline.review.security import (
    BodyTooLarge,
    Door,
    FormRefused,
    FormUsed,
    Guard,
    Limit,
    Sessions,
    form_token,
    release_form,
)
from pipeline.review.visits import Visit, read_form, read_query

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

    from starlette.background import BackgroundTask
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import ASGIApp

    from pipeline.review.desk import Desk

    Page = Callable[["Rooms", Visit], Response]
    Endpoint = Callable[[Request], Awaitable[Response]]

_log = logging.getLogger(__name__)
PORT = 8321
STATIC = Path(__file__).parent / "static"
WORDS = {
    400: ("This request cannot be read.", "Go back and try again."),
    403: ("This may not be done from here.", "Load the page again, then send the form."),
    404: ("There is nothing here.", "The site may have no readable photo yet, or the address is wrong."),
    405: ("This cannot be done here.", "Go back and try again."),
    413: ("This form is too large.", "Shorten the note or draw the rim with fewer corners."),
    409: ("This form was sent already.", "Nothing was done twice. Load the page again to see how it stands."),
    500: ("Something went wrong in the program.", "Nothing was recorded. It is noted in the program's log."),
}


@dataclass
class Rooms:
    """What all pages share while the server runs."""

    desk: Desk
    tls: bool = False
    local_name: str = ""
    passwords: Passwords = field(default_factory=Passwords)
    start_key: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    door: Door = field(default_factory=Door)

    def __post_init__(self) -> None:
        """Set up what depends on the settings."""
        review = self.desk.settings.review
        self.queue = Queue(self.desk)
        self.ready = pages.Ready()
        self.sessions = Sessions(review.session_hours)
        self.limit = Limit(review.sign_in_tries, review.sign_in_wait_min * 60)
        prefix = "__Host-" if self.tls else ""
        self.cookie, self.door_cookie = f"{prefix}woundwood", f"{prefix}woundwood-door"
        self._templates = Environment(
            loader=PackageLoader("pipeline.review", "templates"),
            autoescape=select_autoescape(default=True, default_for_string=True),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._templates.globals.update(caution=cautions.SIGN, surface=cautions.SURFACE, reach=cautions.REACH)
        self._templates.globals["static"] = _static_addresses().__getitem__

    def page(
        self, template: str, visit: Visit, *, status: int = 200, background: BackgroundTask | None = None, **values: Any
    ) -> Response:
        """A page for somebody who is signed in."""
        session = visit.session
        with session.lock:
            flash, session.flash = session.flash, []
        undo = self._undo(visit) if flash and session.last_lead else None
        html = self._templates.get_template(template).render(
            visit=visit,
            grove=self.desk.settings.grove.name,
            flash=flash,
            undo=undo,
            form_token=lambda purpose: form_token(session, purpose),
            **values,
        )
        return HTMLResponse(html, status, background=background)

    def _undo(self, visit: Visit) -> dict[str, int]:
        session = visit.session
        return {
            "site": session.last_site,
            "lead": session.last_lead,
            "seen": self.desk.store.last_review(session.last_site),
        }

    def plain_page(self, template: str, status: int = 200, **values: Any) -> Response:
        """A page for nobody in particular."""
        html = self._templates.get_template(template).render(
            visit=None, grove=self.desk.settings.grove.name, flash=[], undo=None, **values
        )
        return HTMLResponse(html, status)

    def message(self, status: int, what: str = "", remedy: str = "") -> Response:
        """A page with one sentence and what to do."""
        words = WORDS.get(status, WORDS[400])
        return self.plain_page("message.html", status, what=what or words[0], remedy=remedy or words[1])

    def set_cookie(self, response: Response, name: str, value: str) -> None:
        """A cookie for this browser session that scripts and other sites never see."""
        response.set_cookie(name, value, path="/", httponly=True, samesite="strict", secure=self.tls)

    def note_failure(self, address: str) -> None:
        """Note a wrong password; without the name, which may be a password typed in the wrong field."""
        _log.warning("Wrong name or password from %s.", address)

    def role_of(self, name: str, local: bool) -> Role | None:
        """The role that a person has now; ``None`` if the account was closed meanwhile."""
        if local:
            return Role.STEWARD
        account = self.desk.store.account(name)
        return Role(account.role) if account is not None and account.active else None


def _static_addresses() -> dict[str, str]:
    """Address of each file of ours with a digest of its content: a new version is fetched at once, the same never."""
    return {
        path.name: f"/static/{path.name}?v={hashlib.sha256(path.read_bytes()).hexdigest()[:12]}"
        for path in STATIC.iterdir()
        if path.is_file()
    }


def build_app(rooms: Rooms, hosts: Sequence[str]) -> ASGIApp:
    """The whole application.

    Parameters
    ----------
    hosts
        Names and addresses under which it may be called (a guard against DNS rebinding).
    """
    routes = [
        *_open_routes(rooms),
        *_case_routes(rooms),
        *_office_routes(rooms),
        Mount("/static", StaticFiles(directory=STATIC)),
    ]
    handlers: dict[Any, Any] = {
        HTTPException: _on(rooms, lambda e: (e.status_code, "", "")),
        FormRefused: _on(rooms, lambda e: (403, "", "")),
        FormUsed: _on(rooms, lambda e: (409, "", "")),
        BodyTooLarge: _on(rooms, lambda e: (413, "", "")),
        WoundwoodError: _on(rooms, lambda e: (422, e.what, e.remedy)),
        Exception: _on(rooms, lambda e: (500, "", "")),
    }
    return Guard(Starlette(routes=routes, exception_handlers=handlers), hosts, rooms.tls)


def _open_routes(rooms: Rooms) -> list[Route]:
    async def door(request: Request) -> Response:
        return await run_in_threadpool(office.door, rooms, request)

    async def sign_in(request: Request) -> Response:
        form = await read_form(request)
        return await run_in_threadpool(office.sign_in, rooms, request, form)

    async def enter(request: Request) -> Response:
        return await run_in_threadpool(office.enter, rooms, request)

    async def sign_out(request: Request) -> Response:
        visit = await _visit(rooms, request, Role.READER)
        if visit is None:
            return RedirectResponse("/sign-in", 303)
        return await run_in_threadpool(office.sign_out, rooms, visit, request.cookies[rooms.cookie])

    return [
        Route("/sign-in", door, methods=["GET"]),
        Route("/sign-in", sign_in, methods=["POST"]),
        Route("/sign-out", sign_out, methods=["POST"]),
        Route("/enter", enter, methods=["GET"]),
    ]


def _case_routes(rooms: Rooms) -> list[Route]:
    def route(path: str, page: Page, role: Role = Role.READER, method: str = "GET") -> Route:
        return Route(path, _endpoint(rooms, page, role), methods=[method])

    return [
        route("/", pages.queue_page),
        route("/case/{site}", pages.case_page),
        route("/case/{site}/answer", pages.answer, Role.REVIEWER, "POST"),
        route("/case/{site}/take-back", pages.take_back, Role.REVIEWER, "POST"),
        route("/case/{site}/print", pages.print_page),
        route("/alert/{alert}/{act}", pages.alert_step, Role.REVIEWER, "POST"),
        route("/picture/{kind}/{sha256}.jpg", pages.picture),
        route("/photo/{sha256}", pages.photo_page),
        route("/photo/{sha256}/original", pages.original),
        route("/round", pages.round_page),
    ]


def _office_routes(rooms: Rooms) -> list[Route]:
    def route(path: str, page: Page, role: Role = Role.READER, method: str = "GET") -> Route:
        return Route(path, _endpoint(rooms, page, role), methods=[method])

    return [
        route("/questions", asked.questions_page),
        route("/questions/photo", asked.settle_photo, Role.REVIEWER, "POST"),
        route("/questions/{question}", asked.answer_question, Role.REVIEWER, "POST"),
        route("/agreement", office.agreement_page),
        route("/labels", office.labels_page),
        route("/help", office.help_page),
        route("/me", office.me_page),
        route("/me/password", office.change_password, method="POST"),
        route("/log", office.log_page, Role.STEWARD),
        route("/networks", networks.networks_page, Role.STEWARD),
        route("/networks/{network}", networks.network_page, Role.STEWARD),
        route("/networks/{network}/{picture}.jpg", networks.comparison_picture, Role.STEWARD),
        route("/people", office.people_page, Role.STEWARD),
        route("/people/add", office.add_person, Role.STEWARD, "POST"),
        route("/people/change", office.change_person, Role.STEWARD, "POST"),
    ]


def _endpoint(rooms: Rooms, page: Page, role: Role) -> Endpoint:
    async def endpoint(request: Request) -> Response:
        visit = await _visit(rooms, request, role)
        if visit is None:
            return RedirectResponse("/sign-in", 303)
        return await run_in_threadpool(_run, page, rooms, visit)

    return endpoint


def _run(page: Page, rooms: Rooms, visit: Visit) -> Response:
    try:
        return page(rooms, visit)
    except WoundwoodError:
        release_form(visit.session, visit.sent("form"))
        raise


async def _visit(rooms: Rooms, request: Request, least: Role) -> Visit | None:
    """Who asks, with what; ``None`` without a session.

    Raises
    ------
    HTTPException
        403 if the role is not enough, 400 if address or form cannot be read.
    """
    session = rooms.sessions.find(request.cookies.get(rooms.cookie, ""))
    if session is None:
        return None
    role = await run_in_threadpool(rooms.role_of, session.name, session.local)
    if role is None:
        return None
    if role.rank < least.rank:
        raise HTTPException(403)
    form = await read_form(request) if request.method == "POST" else {}
    return Visit(session, role, request.url.path, read_query(request), form, dict(request.path_params))


def _on(
    rooms: Rooms, words: Callable[[Any], tuple[int, str, str]]
) -> Callable[[Request, Exception], Awaitable[Response]]:
    async def handler(request: Request, error: Exception) -> Response:
        status, what, remedy = words(error)
        return await run_in_threadpool(rooms.message, status, what, remedy)

    return handler


# ---------------------------------------------------------------- server


def hosts_for(lan: bool) -> list[str]:
    """Names and addresses of this machine under which the pages are served."""
    hosts = ["127.0.0.1", "localhost", "::1"]
    if lan:
        name = socket.gethostname()
        hosts += [name, f"{name}.local", *_addresses(name)]
    return hosts


def _addresses(name: str) -> list[str]:
    found = set()
    try:
        found = {str(info[4][0]) for info in socket.getaddrinfo(name, None)}
    except OSError:
        _log.info("This machine does not know its own name's address.")
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # a documentation address (RFC 5737); nothing is sent
            found.add(probe.getsockname()[0])
        except OSError:
            _log.info("This machine has no network.")
    return sorted(a for a in found if not ipaddress.ip_address(a.partition("%")[0]).is_unspecified)


def serve(
    rooms: Rooms, *, port: int = PORT, lan: bool = False, certificate: Path | None = None, key: Path | None = None
) -> None:
    """Serve until stopped.

    Raises
    ------
    UsageError
        If the local network is asked for without accounts, or the port is taken.
    """
    import uvicorn

    if lan and not rooms.desk.store.accounts():
        raise UsageError("Nobody could sign in: this grove has no accounts.", "Make one with --add-user NAME first.")
    host = "0.0.0.0" if lan else "127.0.0.1"
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            raise UsageError(f"Port {port} is in use on this machine.", "Name another one with --port.") from None
    uvicorn.run(
        build_app(rooms, hosts_for(lan)),
        host=host,
        port=port,
        ssl_certfile=str(certificate) if certificate else None,
        ssl_keyfile=str(key) if key else None,
        server_header=False,
        date_header=True,
        proxy_headers=False,
        access_log=False,
        log_level="warning",
        limit_concurrency=100,
        timeout_keep_alive=15,
        h11_max_incomplete_event_size=32_768,
        ws="none",
        lifespan="off",
    )
