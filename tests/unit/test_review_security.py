"""The door of the review page: hosts, headers, sign-in, forms, roles, paths, hostile requests."""

from __future__ import annotations

import random
import re
import sqlite3
from typing import TYPE_CHECKING

import pytest
from argon2 import PasswordHasher
from starlette.testclient import TestClient

from pipeline.errors import UsageError
from pipeline.records import AlertState
from pipeline.review.accounts import Passwords, Role, checked_name, checked_password, make_account
from pipeline.review.app import Rooms, build_app, hosts_for
from pipeline.review.security import FormRefused, FormUsed, Limit, Session, Sessions, check_form, form_token, host_of
from tests.review_grove import NO_DRAWS, build

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from httpx2 import Response

    from pipeline.review import Desk

QUICK = {"time_cost": 1, "memory_cost": 8, "parallelism": 1}
WORD = "four unrelated words"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    made = build(tmp_path_factory.mktemp("grove"), trees=2, options=NO_DRAWS)
    passwords = Passwords(PasswordHasher(**QUICK))
    for name, role in (("Rin", Role.READER), ("Lek", Role.REVIEWER), ("Mali", Role.STEWARD)):
        make_account(made.store, passwords, name, role, WORD, 12, "test", made.now())
    yield made
    made.store.close()


@pytest.fixture
def rooms(desk: Desk) -> Rooms:
    return Rooms(desk, passwords=Passwords(PasswordHasher(**QUICK)))


def client(rooms: Rooms, **more: object) -> TestClient:
    return TestClient(build_app(rooms, ["testserver"]), raise_server_exceptions=False, **more)  # type: ignore[arg-type]


def field(html: str, name: str) -> str:
    found = re.search(rf'name="{name}" value="([^"]*)"', html)
    assert found, f"no field {name}"
    return found.group(1)


def signed_in(rooms: Rooms, name: str) -> TestClient:
    browser = client(rooms)
    page = browser.get("/sign-in")
    sent = browser.post("/sign-in", data={"name": name, "password": WORD, "form": field(page.text, "form")})
    assert sent.status_code == 200 and "Cases that need a person" in sent.text
    return browser


def sign_in(browser: TestClient, name: str, password: str) -> Response:
    form = field(browser.get("/sign-in").text, "form")
    return browser.post("/sign-in", data={"name": name, "password": password, "form": form}, follow_redirects=False)


# ---------------------------------------------------------------- headers


OWASP = {
    # names and values of the OWASP Secure Headers Project, headers_add.json of 2024-07-19
    "cross-origin-embedder-policy": "require-corp",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "deny",
    "x-permitted-cross-domain-policies": "none",
    "cache-control": "no-store, max-age=0",
}


@pytest.mark.parametrize("path", ["/sign-in", "/", "/nothing/here", "/case/10"])
def test_every_answer_carries_the_headers_of_the_owasp_list(rooms: Rooms, path: str) -> None:
    headers = client(rooms).get(path, follow_redirects=False).headers
    for name, value in OWASP.items():
        assert headers[name] == value, name
    for feature in ("camera", "geolocation", "microphone", "payment", "usb"):
        assert f"{feature}=()" in headers["permissions-policy"]
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'" and policy["object-src"] == "'none'"
    assert policy["form-action"] == "'self'" and policy["frame-ancestors"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"] and "http" not in headers["content-security-policy"]
    assert "server" not in headers and "x-powered-by" not in headers  # headers_remove.json of the same project
    assert "strict-transport-security" not in headers  # RFC 6797, 7.2: never over plain HTTP


def test_pages_hold_nothing_that_the_policy_forbids_or_that_lies_elsewhere(rooms: Rooms) -> None:
    browser = signed_in(rooms, "Mali")
    for path in (
        "/",
        "/case/10",
        "/case/10/print",
        "/agreement",
        "/people",
        "/log",
        "/help",
        "/round",
        "/questions",
        "/labels",
        "/me",
    ):
        html = browser.get(path).text
        assert not re.search(r"<[^>]+\s(style|on[a-z]+)=", html), path
        assert not re.search(r"<(style|script)>", html), path
        assert not re.findall(r'(?:src|href|action)="(?!/|#)[^"]*"', html), path


def test_files_of_ours_are_kept_by_the_browser_under_an_address_that_changes_with_them(rooms: Rooms) -> None:
    browser = client(rooms)
    address = re.search(r'href="(/static/review.css\?v=[0-9a-f]{12})"', browser.get("/sign-in").text)
    assert address
    sent = browser.get(address.group(1))
    assert sent.status_code == 200 and "immutable" in sent.headers["cache-control"]
    assert sent.headers["x-content-type-options"] == "nosniff" and sent.headers["content-type"].startswith("text/css")


def test_over_tls_cookies_are_bound_to_the_host_and_the_browser_stays_with_tls(desk: Desk) -> None:
    secure = Rooms(desk, tls=True, passwords=Passwords(PasswordHasher(**QUICK)))
    browser = client(secure, base_url="https://testserver")
    page = browser.get("/sign-in")
    assert page.headers["strict-transport-security"].startswith("max-age=31536000")
    sent = sign_in(browser, "Lek", WORD)
    cookie = sent.headers["set-cookie"]
    assert cookie.startswith("__Host-woundwood=")
    assert {"HttpOnly", "Secure", "SameSite=strict", "Path=/"} <= {part.strip() for part in cookie.split(";")}


def test_signing_out_ends_the_session_and_clears_the_browser(rooms: Rooms) -> None:
    browser = signed_in(rooms, "Lek")
    token = browser.cookies["woundwood"]
    sent = browser.post("/sign-out", data={"form": field(browser.get("/").text, "form")}, follow_redirects=False)
    assert sent.headers["clear-site-data"] == '"cache","cookies","storage"'  # as the OWASP list has it
    again = client(rooms, cookies={"woundwood": token}).get("/", follow_redirects=False)
    assert again.headers["location"] == "/sign-in"


# ---------------------------------------------------------------- hosts, origins, sizes


@pytest.mark.parametrize(
    "host", ["evil.example", "testserver.evil.example", "", "testserver@evil.example", "[::1", "testserver:80:80\x00"]
)
def test_a_strange_host_is_refused(rooms: Rooms, host: str) -> None:
    assert client(rooms).get("/sign-in", headers={"host": host}).status_code == 421


def test_hosts_without_their_port() -> None:
    assert host_of("127.0.0.1:8321") == "127.0.0.1"
    assert host_of("[::1]:8321") == "::1"
    assert host_of("LOCALHOST") == "localhost"
    assert {"127.0.0.1", "localhost", "::1"} == set(hosts_for(lan=False))


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"origin": "http://evil.example"}, 403),
        ({"sec-fetch-site": "cross-site"}, 403),
        ({"content-type": "multipart/form-data; boundary=x"}, 415),
        ({"content-type": "application/json"}, 415),
        ({"content-length": "99999999"}, 413),
        ({"content-length": "-1"}, 400),
    ],
)
def test_forms_come_from_our_pages_in_one_encoding(rooms: Rooms, headers: dict[str, str], status: int) -> None:
    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert client(rooms).post("/sign-in", content=b"a=b", headers=kind | headers).status_code == status


def test_a_long_body_without_a_length_is_cut_off(rooms: Rooms) -> None:
    def stream() -> Iterator[bytes]:
        for _ in range(40):
            yield b"x" * 8192

    kind = {"content-type": "application/x-www-form-urlencoded"}
    assert client(rooms).post("/sign-in", content=stream(), headers=kind).status_code == 413


# ---------------------------------------------------------------- passwords


def test_hashes_are_those_of_the_reference_library() -> None:
    # test.c of the reference implementation (phc-winner-argon2), argon2id, version 19: known from memory,
    # and confirmed by the library here, which shares no code with us
    known = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
    passwords = Passwords()
    assert passwords.fits(known, "password")
    assert not passwords.fits(known, "Password")
    made = passwords.hash("four unrelated words")
    # RFC 9106, section 4: the second recommended option is t = 3, m = 64 MiB, p = 4
    assert made.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert passwords.is_old(known) and not passwords.is_old(made)


def test_the_library_gives_the_tag_of_the_standard() -> None:
    # RFC 9106, section 5.3 (Argon2id): password 32 x 01, salt 16 x 02, secret 8 x 03, associated data 12 x 04, t = 3,
    # m = 32 KiB, p = 4, 32 bytes out.  From memory; 256 bits do not agree by chance.
    from argon2.low_level import ARGON2_VERSION, Type, core, ffi

    given = {name: ffi.new(f"uint8_t[{count}]", bytes([value]) * count)
             for name, value, count in (("pwd", 1, 32), ("salt", 2, 16), ("secret", 3, 8), ("ad", 4, 12))}  # fmt: skip
    out = ffi.new("uint8_t[]", 32)
    context = ffi.new("argon2_context *", {
        "out": out, "outlen": 32, "version": ARGON2_VERSION, "t_cost": 3, "m_cost": 32, "lanes": 4, "threads": 1,
        "allocate_cbk": ffi.NULL, "free_cbk": ffi.NULL, "flags": 0, **given,
        **{f"{name}len": len(value) for name, value in given.items()},
    })  # fmt: skip
    assert core(context, Type.ID.value) == 0
    tag = "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"
    assert bytes(ffi.buffer(out)).hex() == tag


def test_no_hash_and_a_broken_hash_never_fit() -> None:
    passwords = Passwords(PasswordHasher(**QUICK))
    assert not passwords.fits(None, "the password of nobody")
    assert not passwords.fits("not a hash", "anything")


@pytest.mark.parametrize("password", ["short", "x" * 300, "Lek Somchai 1", "aaaaaaaaaaaaaaaa"])
def test_weak_passwords_are_refused(password: str) -> None:
    with pytest.raises(UsageError):
        checked_password(password, "lek somchai 1", 12)


@pytest.mark.parametrize("name", ["", "  ", "x" * 41, "two\nlines", "data", "a\x00b"])
def test_names_that_cannot_be(name: str) -> None:
    with pytest.raises(UsageError):
        checked_name(name)


def test_one_name_however_it_is_typed() -> None:
    assert checked_name(" Nguye\u0302\u0303n ") == "Nguy\u1ec5n"


def test_wrong_passwords_are_counted_and_leave_the_database_alone(desk: Desk) -> None:
    strict = Rooms(desk, passwords=Passwords(PasswordHasher(**QUICK)))
    strict.limit = Limit(3, 600.0)
    before = contents(desk)
    browser = client(strict)
    assert [sign_in(browser, "Lek", "wrong words here").status_code for _ in range(3)] == [401, 401, 401]
    waiting = sign_in(browser, "Lek", WORD)
    assert waiting.status_code == 429 and 0 < int(waiting.headers["retry-after"]) <= 601
    assert contents(desk) == before


def test_the_limit_lets_go_after_its_window() -> None:
    now = [0.0]
    limit = Limit(2, 60.0, clock=lambda: now[0])
    limit.failed("a")
    now[0] = 30.0
    limit.failed("a")
    assert limit.wait_s("a", "b") == pytest.approx(30.0)
    now[0] = 60.5
    assert limit.wait_s("a") == 0.0


def test_an_unknown_name_and_a_wrong_password_look_alike(rooms: Rooms) -> None:
    browser = client(rooms)
    strip = re.compile(r'value="[^"]*"')
    known, unknown = (sign_in(browser, name, "wrong words here") for name in ("Rin", "Nobody"))
    assert (known.status_code, strip.sub("", known.text)) == (unknown.status_code, strip.sub("", unknown.text))


# ---------------------------------------------------------------- sessions and forms


def test_a_session_ends_after_its_hours() -> None:
    now = [0.0]
    sessions = Sessions(1.0, clock=lambda: now[0])
    token = sessions.begin("Lek")
    assert sessions.find(token) is not None
    now[0] = 3601.0
    assert sessions.find(token) is None
    assert sessions.find("") is None and sessions.find("x" * 5000) is None


def test_a_form_counts_once_on_its_page_in_its_session() -> None:
    mine, other = Session("Lek", False, 1e12), Session("Rin", False, 1e12)
    token = form_token(mine, "/case/1/answer")
    for session, purpose, sent in (
        (other, "/case/1/answer", token),
        (mine, "/case/2/answer", token),
        (mine, "/case/1/answer", token[:-1] + ("0" if token[-1] != "0" else "1")),
        (mine, "/case/1/answer", ""),
        (mine, "/case/1/answer", "a.99999999999." + "0" * 64),
    ):
        with pytest.raises(FormRefused):
            check_form(session, purpose, sent)
    check_form(mine, "/case/1/answer", token)
    with pytest.raises(FormUsed):
        check_form(mine, "/case/1/answer", token)


def test_the_start_link_works_from_this_machine_only_with_its_key(desk: Desk) -> None:
    alone = Rooms(desk, local_name="Mali")
    assert client(alone).get("/enter?key=wrong", follow_redirects=False).status_code == 404
    far = TestClient(build_app(alone, ["testserver"]), client=("192.0.2.7", 5000))
    assert far.get(f"/enter?key={alone.start_key}", follow_redirects=False).status_code == 404
    assert client(alone).get(f"/enter?key={alone.start_key}").status_code == 200
    with_accounts = Rooms(desk)
    assert client(with_accounts).get(f"/enter?key={with_accounts.start_key}").status_code == 404


# ---------------------------------------------------------------- roles


def test_a_reader_reads_and_a_steward_keeps_accounts(rooms: Rooms) -> None:
    reader, reviewer, steward = (signed_in(rooms, name) for name in ("Rin", "Lek", "Mali"))
    assert 'name="verdict"' not in reader.get("/case/10").text
    assert 'name="verdict"' in reviewer.get("/case/10").text
    assert reader.post("/case/10/answer", data={"verdict": "not"}).status_code == 403
    assert [b.get("/people").status_code for b in (reader, reviewer, steward)] == [403, 403, 200]
    assert [b.get("/log").status_code for b in (reader, reviewer, steward)] == [403, 403, 200]


def test_a_closed_account_is_out_at_once_and_the_last_steward_stays(rooms: Rooms, desk: Desk) -> None:
    steward = signed_in(rooms, "Mali")
    add = {"name": "Ton", "role": "reviewer", "password": WORD}
    page = steward.get("/people").text
    form = re.search(r'action="/people/add"[^>]*>\s*<input[^>]*value="([^"]+)"', page)
    assert form
    assert steward.post("/people/add", data=add | {"form": form.group(1)}).status_code == 200
    ton = signed_in(rooms, "Ton")

    def change(**values: str) -> Response:
        token = field(steward.get("/people").text.partition("/people/change")[2], "form")
        return steward.post("/people/change", data=values | {"form": token})

    assert change(name="Ton", act="close").status_code == 200
    assert ton.get("/", follow_redirects=False).headers["location"] == "/sign-in"
    assert sign_in(client(rooms), "Ton", WORD).status_code == 401
    assert "last steward" in change(name="Mali", act="role", role="reader").text
    assert change(name="Nobody", act="close").status_code == 422
    account = desk.store.account("Mali")
    assert account is not None and account.role == "steward"
    acts = [(e.act, e.about) for e in desk.store.log_entries()]
    assert ("made an account", "Ton") in acts and ("closed an account", "Ton") in acts


def test_a_changed_password_needs_the_old_one_and_ends_other_sessions(rooms: Rooms, desk: Desk) -> None:
    make_account(desk.store, rooms.passwords, "Pim", Role.READER, WORD, 12, "test", desk.now())
    here, there = signed_in(rooms, "Pim"), signed_in(rooms, "Pim")

    def change(old: str) -> Response:
        form = field(here.get("/me").text.partition("/me/password")[2], "form")
        return here.post("/me/password", data={"old": old, "new": "entirely different words", "form": form})

    assert change("wrong words here").status_code == 422
    assert there.get("/", follow_redirects=False).status_code == 200
    assert "The password was changed" in change(WORD).text
    assert there.get("/", follow_redirects=False).headers["location"] == "/sign-in"
    assert here.get("/", follow_redirects=False).status_code == 200


# ---------------------------------------------------------------- paths and hostile requests


@pytest.mark.parametrize(
    "path",
    [
        "/picture/patch/../../../woundwood.db.jpg",
        "/picture/patch/%2e%2e%2f%2e%2e%2fwoundwood.db.jpg",
        "/picture/patch/" + "0" * 64 + ".jpg",
        "/picture/secret/" + "a" * 64 + ".jpg",
        "/photo/..%2f..%2fgrove.yaml/original",
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%5capp.py",
        "/case/-1",
        "/case/1e3",
        "/case/%D9%A1%D9%A0",
        "/case/99999999999999999999999999",
        "/case/10%00",
    ],
)
def test_paths_lead_nowhere_else(rooms: Rooms, path: str) -> None:
    sent = signed_in(rooms, "Lek").get(path)
    assert sent.status_code == 404
    assert "SQLite" not in sent.text and "import" not in sent.text


def test_an_original_outside_the_photos_folder_is_not_served(rooms: Rooms, desk: Desk, tmp_path: Path) -> None:
    browser = signed_in(rooms, "Lek")
    sha256 = next(iter(desk.store.stored_photos())).sha256
    path = desk.grove.photos / sha256[:2] / f"{sha256}.jpg"
    assert browser.get(f"/photo/{sha256}/original").content == path.read_bytes()
    secret = tmp_path / "secret.txt"
    secret.write_text("secret")
    kept = path.read_bytes()
    path.unlink()
    path.symlink_to(secret)
    try:
        assert browser.get(f"/photo/{sha256}/original").status_code == 404
    finally:
        path.unlink()
        path.write_bytes(kept)


def contents(desk: Desk) -> list[str]:
    """Every row of every table."""
    with sqlite3.connect(desk.store.path) as raw:
        return list(raw.iterdump())


def hostile_requests(
    count: int, seed: int, cookie: str, token: str
) -> Iterator[tuple[str, str, dict[str, str], bytes]]:
    """Malformed and hostile requests: methods, paths, sizes, encodings, forged tokens, replayed forms."""
    rng = random.Random(seed)
    junk = [
        "'",
        '"><script>',
        "\x00",
        "%ff",
        "../",
        "{{7*7}}",
        "\u202e",
        "1;DROP TABLE reviews",
        "A" * 5000,
        "\ud7ff",
        "-1",
        "1e9",
    ]
    paths = ["/", "/case/10", "/case/10/answer", "/case/10/take-back", "/alert/1/close", "/people/add", "/people/change",  # noqa: E501
             "/me/password", "/photo/x", "/picture/patch/x.jpg", "/sign-in", "/sign-out", "/log", "/enter"]  # fmt: skip
    fields = [
        "form",
        "seen",
        "photo",
        "verdict",
        "sign",
        "rim",
        "extent",
        "extent_right",
        "stage",
        "note",
        "name",
        "password",
        "act",
        "lead",
        "site",
        "role",
    ]
    for _ in range(count):
        method = rng.choice(
            [*["POST"] * 20, *["GET"] * 8, "PUT", "DELETE", "TRACE", "PATCH", "OPTIONS", "HEAD", "BREW"]
        )
        path = rng.choice(paths) + rng.choice(
            ["", "", "", "?from=" + "9" * 30, "?x=%ff%fe", "/%00", "/..%2f", "?block=%00"]
        )
        values = {
            name: rng.choice([*junk, token, "10", "sign"]) for name in rng.sample(fields, rng.randint(0, len(fields)))
        }
        body = "&".join(f"{name}={value}" for name, value in values.items()).encode("utf-8", "surrogatepass")
        body = rng.choice([body, body, body[: rng.randint(0, 20)], b"\xff\xfe" + body, b"&" * 500, b"a=" + b"%" * 300])
        kind = rng.choice(
            ["application/x-www-form-urlencoded"] * 12 + ["application/json", "text/plain", "", "multipart/form-data"]
        )
        headers = {
            "content-type": kind,
            "cookie": rng.choice([f"woundwood={cookie}", f"woundwood={cookie}", "woundwood=forged", ""]),
        }
        if rng.random() < 0.1:
            headers["origin"] = "http://evil.example"
        if rng.random() < 0.05:
            headers["host"] = "evil.example"
        yield method, path, headers, body


def test_hostile_requests_change_nothing_and_show_no_traceback(rooms: Rooms, desk: Desk) -> None:
    reviewer = signed_in(rooms, "Mali")
    page = reviewer.get("/case/10").text
    used = field(page.partition('id="answer"')[2], "form")
    sha256 = field(page, "photo")
    good = {"form": used, "seen": field(page, "seen"), "photo": sha256, "verdict": "not", "instead": "moss"}
    assert reviewer.post("/case/10/answer", data=good).status_code == 200
    before = contents(desk)
    statuses = set()
    for method, path, headers, body in hostile_requests(150, 7, reviewer.cookies["woundwood"], used):
        sent = client(rooms).request(method, path, headers=headers, content=body, follow_redirects=False)
        statuses.add(sent.status_code)
        assert sent.status_code < 500 or sent.status_code == 501, (method, path, sent.status_code)
        assert "Traceback" not in sent.text and "sqlalchemy" not in sent.text.lower()
    assert reviewer.post("/case/10/answer", data=good).status_code == 409  # the same form again
    assert contents(desk) == before
    assert {200, 400, 403, 405} <= statuses


def test_an_error_of_the_program_shows_a_sentence_only(rooms: Rooms, monkeypatch: pytest.MonkeyPatch) -> None:
    browser = signed_in(rooms, "Lek")

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("secret detail")

    monkeypatch.setattr(type(rooms.queue), "tasks", broken)
    sent = browser.get("/")
    assert sent.status_code == 500
    assert "Something went wrong in the program" in sent.text and "secret detail" not in sent.text
    assert sent.headers["x-frame-options"] == "deny"


def test_markup_in_a_note_stays_text(desk: Desk) -> None:
    free = Rooms(desk, passwords=Passwords(PasswordHasher(**QUICK)))
    browser = signed_in(free, "Lek")
    page = browser.get("/case/30").text
    values = {name: field(page.partition('id="answer"')[2], name) for name in ("form", "seen", "photo")}
    note = "<img src=x onerror=alert(1)> & “quoted”"
    browser.post("/case/30/answer", data=values | {"note": note, "verdict": "unsure", "ask": "another photo"})
    shown = browser.get("/case/30").text
    assert "<img src=x" not in shown and "&lt;img src=x onerror=alert(1)&gt; &amp; “quoted”" in shown
    assert "&lt;img" in browser.get("/round").text
    assert desk.store.alerts(states=[AlertState.OPEN])  # "cannot tell" closes nothing
