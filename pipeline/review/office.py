"""The pages round the cases: signing in and out, accounts, the log, agreement, labels, help."""

from __future__ import annotations

import hmac
import secrets
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from pipeline.errors import UsageError
from pipeline.records import Sign
from pipeline.review.accounts import MAX_PASSWORD, Role, checked_password, make_account
from pipeline.review.agreement import agreement
from pipeline.review.security import check_form
from pipeline.review.verdicts import standing_given
from pipeline.store.audit import LogEntry

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from starlette.requests import Request
    from starlette.responses import Response

    from pipeline.review.app import Rooms
    from pipeline.review.visits import Visit

LOOPBACK = ("127.0.0.1", "::1", "testclient")
CLEARED = '"cache","cookies","storage"'
"""As the OWASP list has it for signing out: nothing of the grove stays in a shared tablet's browser."""


def door(rooms: Rooms, request: Request, problem: str = "", status: int = 200) -> Response:
    """The sign-in form."""
    cookie = request.cookies.get(rooms.door_cookie, "")
    if not 20 <= len(cookie) <= 60:
        cookie = secrets.token_urlsafe(24)
    people = bool(rooms.desk.store.accounts())
    token = rooms.door.token(cookie)
    response = rooms.plain_page("sign_in.html", status, problem=problem, token=token, people=people)
    rooms.set_cookie(response, rooms.door_cookie, cookie)
    return response


def sign_in(rooms: Rooms, request: Request, form: Mapping[str, Sequence[str]]) -> Response:
    """Check name and password; wrong ones are counted in memory and only named in the program's own log."""
    name, password = (form.get("name") or ("",))[0][:80].strip(), (form.get("password") or ("",))[0]
    if not rooms.door.fits(request.cookies.get(rooms.door_cookie, ""), (form.get("form") or ("",))[0][:200]):
        return door(rooms, request, "The form was too old. Please try again.", 403)
    address = request.client.host if request.client else ""
    keys = (f"name {name.casefold()}", f"address {address}")
    wait_s = rooms.limit.wait_s(*keys)
    if wait_s > 0:
        minutes = int(wait_s // 60) + 1
        response = door(rooms, request, f"Too many wrong passwords. Try again in {minutes} minutes.", 429)
        response.headers["retry-after"] = str(int(wait_s) + 1)
        return response
    account = rooms.desk.store.account(name) if name.isprintable() else None
    usable = account is not None and account.active
    stored = account.password if account is not None and usable else None
    if len(password) > MAX_PASSWORD or not rooms.passwords.fits(stored, password):
        rooms.limit.failed(*keys)
        rooms.note_failure(address)
        return door(rooms, request, "Name and password do not belong together.", 401)
    assert account is not None
    rooms.limit.forget(keys[0])
    if rooms.passwords.is_old(account.password):
        rooms.desk.store.renew_hash(account.name, account.password, rooms.passwords.hash(password))
    rooms.desk.store.log(LogEntry(rooms.desk.now(), account.name, "signed in", address))
    response = RedirectResponse("/", 303)
    rooms.set_cookie(response, rooms.cookie, rooms.sessions.begin(account.name))
    return response


def enter(rooms: Rooms, request: Request) -> Response:
    """The start link that is printed on this machine; only with it, only from it, and only without accounts."""
    key = request.query_params.get("key", "")
    address = request.client.host if request.client else ""
    right = hmac.compare_digest(key.encode("utf-8", "replace"), rooms.start_key.encode())
    if not rooms.local_name or not right or address not in LOOPBACK:
        raise HTTPException(404)
    response = RedirectResponse("/", 303)
    rooms.set_cookie(response, rooms.cookie, rooms.sessions.begin(rooms.local_name, local=True))
    return response


def sign_out(rooms: Rooms, visit: Visit, token: str) -> Response:
    """End the session."""
    check_form(visit.session, visit.path, visit.sent("form"))
    rooms.sessions.end(token)
    response = RedirectResponse("/sign-in", 303)
    response.delete_cookie(rooms.cookie, path="/")
    response.headers["clear-site-data"] = CLEARED
    return response


# ---------------------------------------------------------------- accounts


def me_page(rooms: Rooms, visit: Visit) -> Response:
    """The person's own account."""
    return rooms.page("me.html", visit, least=rooms.desk.settings.review.min_password_length)


def change_password(rooms: Rooms, visit: Visit) -> Response:
    """A new password, against the old one; other sessions of the person end."""
    check_form(visit.session, visit.path, visit.sent("form"))
    account = None if visit.session.local else rooms.desk.store.account(visit.name)
    key = f"name {visit.name.casefold()}"
    if account is None:
        raise UsageError("You use this page without an account.", "A steward can make one.")
    if rooms.limit.wait_s(key) > 0 or not rooms.passwords.fits(account.password, visit.sent("old")[:MAX_PASSWORD]):
        rooms.limit.failed(key)
        raise UsageError("The present password is not right.", "Try again.")
    new = checked_password(visit.sent("new"), visit.name, rooms.desk.settings.review.min_password_length)
    entry = LogEntry(rooms.desk.now(), visit.name, "changed the password", visit.name)
    rooms.desk.store.change_account(visit.name, entry, password=rooms.passwords.hash(new))
    rooms.sessions.end_all_of(visit.name, but=visit.session)
    visit.session.flash.append("The password was changed.")
    return RedirectResponse("/me", 303)


def people_page(rooms: Rooms, visit: Visit) -> Response:
    """All accounts."""
    least = rooms.desk.settings.review.min_password_length
    return rooms.page("people.html", visit, people=rooms.desk.store.accounts(), roles=tuple(Role), least=least)


def add_person(rooms: Rooms, visit: Visit) -> Response:
    """A new account."""
    check_form(visit.session, visit.path, visit.sent("form"))
    least, store = rooms.desk.settings.review.min_password_length, rooms.desk.store
    role = _role(visit.sent("role"))
    made = make_account(
        store, rooms.passwords, visit.sent("name"), role, visit.sent("password"), least, visit.name, rooms.desk.now()
    )
    visit.session.flash.append(f"{made.name} may sign in now, as {made.role}.")
    return RedirectResponse("/people", 303)


def change_person(rooms: Rooms, visit: Visit) -> Response:
    """Another role, another password, or an end; sessions of that person end."""
    check_form(visit.session, visit.path, visit.sent("form"))
    name, act, at = visit.sent("name"), visit.sent("act"), rooms.desk.now()
    store = rooms.desk.store
    if act == "role":
        role = _role(visit.sent("role"))
        store.change_account(name, LogEntry(at, visit.name, "changed a role", name, {"role": role.value}), role=role)
    elif act in ("close", "open"):
        words = "closed an account" if act == "close" else "opened an account again"
        store.change_account(name, LogEntry(at, visit.name, words, name), active=act == "open")
    elif act == "password":
        least = rooms.desk.settings.review.min_password_length
        new = rooms.passwords.hash(checked_password(visit.sent("password"), name, least))
        store.change_account(name, LogEntry(at, visit.name, "set a password", name), password=new)
    else:
        raise HTTPException(400)
    rooms.sessions.end_all_of(name, but=visit.session)
    visit.session.flash.append(f"The account '{name}' was changed.")
    return RedirectResponse("/people", 303)


def _role(text: str) -> Role:
    try:
        return Role(text)
    except ValueError:
        raise UsageError("There is no such role.", "Choose reader, reviewer or steward.") from None


# ---------------------------------------------------------------- log and figures


def log_page(rooms: Rooms, visit: Visit) -> Response:
    """The newest lines of the log, and whether its chain is whole."""
    store = rooms.desk.store
    return rooms.page("log.html", visit, entries=store.log_entries(), check=store.check_log())


def agreement_page(rooms: Rooms, visit: Visit) -> Response:
    """Kappa between people, and between people and the network."""
    settings = rooms.desk.settings
    figures = agreement(rooms.desk.store.reviews(), settings.reading.sign_p)
    return rooms.page("agreement.html", visit, figures=figures, shares=settings.review)


def labels_page(rooms: Rooms, visit: Visit) -> Response:
    """What was answered so far, as the next training would find it."""
    given = standing_given(rooms.desk.store.reviews())
    judged = [g for g in given if g.is_judgement]
    by_sign = {sign: sum(sign in g.signs for g in judged) for sign in Sign}
    trees = {rooms.desk.register.sites[g.site].tree for g in judged if g.site in rooms.desk.register.sites}
    return rooms.page("labels.html", visit, given=given, judged=judged, by_sign=by_sign, trees=trees)


def help_page(rooms: Rooms, visit: Visit) -> Response:
    """What the words and keys mean."""
    return rooms.page("help.html", visit)
