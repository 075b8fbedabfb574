"""The outbox against a real mail server on this machine: what is told, when it leaves, and that it leaves once."""

from __future__ import annotations

import json
import shutil
import ssl
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from email import message_from_bytes
from email.policy import default
from pathlib import Path

import pytest
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session
from click.testing import CliRunner, Result

from pipeline import notify, outbox, store
from pipeline.cli import cli
from pipeline.errors import NotSent, SettingsError
from pipeline.grove import Grove
from pipeline.records import Alert, AlertState, Finding, Severity
from pipeline.settings import OutboxSettings, Settings
from pipeline.store import Store
from tests.mail_server import Post, free_port, serving

NOW = datetime(2026, 5, 4, 8, 0, tzinfo=UTC)
SECRET = "three dry leaves"


def finding(number: int = 205, severity: Severity = Severity.LOOK, why: str = "The opening grew.") -> Finding:
    return Finding(
        key=f"rule/site {number}", rule="aperture enlarged without an event", severity=severity, tree="A-012", stem="1",
        site=number, since=date(2026, 5, 3), why=why, figures={}, threshold="2 mm", source="own choice",
        next_step="Look at the rim.", caution="Look before reaching in.", photos=(),
    )  # fmt: skip


@pytest.fixture
def post() -> Iterator[tuple[Post, int]]:
    with serving() as server:
        yield server


def mail(port: int, **more: object) -> OutboxSettings:
    values = {"enabled": True, "host": "127.0.0.1", "port": port, "security": "none", "sender": "grove@example.org",
              "recipients": ("a@example.org", "b@example.org"), "timeout_s": 5.0} | more  # fmt: skip
    return OutboxSettings.model_validate(values)


def grove_at(folder: Path, settings: OutboxSettings | None = None) -> Grove:
    return Grove(folder, Settings(outbox=settings or OutboxSettings()))


@pytest.fixture
def memory(tmp_path: Path) -> Iterator[Store]:
    with store.open_store(tmp_path / "woundwood.db") as opened:
        opened.apply_findings([finding()], NOW.date())
        yield opened


def test_by_default_nothing_leaves_the_machine(
    tmp_path: Path, memory: Store, post: tuple[Post, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    def forbidden(*_: object, **__: object) -> None:
        raise AssertionError("a connection was opened")

    monkeypatch.setattr("socket.create_connection", forbidden)
    grove = grove_at(
        tmp_path, OutboxSettings(host="127.0.0.1", port=post[1], sender="a@b.org", recipients=("c@d.org",))
    )
    assert outbox.write_news(grove, memory, NOW) is not None
    assert outbox.deliver(grove, memory, NOW, {}) == outbox.Delivery()
    assert post[0].got == []


def test_a_digest_is_written_and_sent_once(tmp_path: Path, memory: Store, post: tuple[Post, int]) -> None:
    grove = grove_at(tmp_path, mail(post[1]))
    written = outbox.write_news(grove, memory, NOW)
    assert written is not None
    digest, path = written
    text = path.read_text(encoding="utf-8")
    assert text == f"{digest.subject}\n\n{digest.body}"
    for words in (
        "Tree A-012, site 205",
        "The opening grew.",
        "Next step: Look at the rim.",
        "Photos show signs, never causes",
        "LOOK",
    ):
        assert words in text
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    for minute in (0, 60, 120):
        outbox.deliver(grove, memory, NOW + timedelta(minutes=minute), {})
        assert outbox.write_news(grove, memory, NOW + timedelta(minutes=minute)) is None
    assert post[0].subjects == [digest.subject]
    assert post[0].got[0].rcpt_tos == ["a@example.org", "b@example.org"]
    message = message_from_bytes(post[0].got[0].content or b"", policy=default)
    assert str(message.get_content()).replace("\r\n", "\n").strip() == digest.body.strip()


def test_only_news_is_told_and_what_comes_back_is_news(tmp_path: Path, memory: Store) -> None:
    grove = grove_at(tmp_path)
    first = outbox.write_news(grove, memory, NOW)
    memory.apply_findings([finding(), finding(206)], NOW.date())
    second = outbox.write_news(grove, memory, NOW)
    assert first is not None
    assert second is not None
    assert "site 206" in second[0].body
    assert "site 205" not in second[0].body
    assert "Told before and still open: 1" in second[0].body
    memory.apply_findings([], NOW.date())  # closed by the data
    assert outbox.write_news(grove, memory, NOW) is None
    memory.apply_findings([finding()], NOW.date())  # and back again
    third = outbox.write_news(grove, memory, NOW)
    assert third is not None
    assert "site 205" in third[0].body
    memory.apply_findings([finding(severity=Severity.ACT)], NOW.date())  # more urgent
    fourth = outbox.write_news(grove, memory, NOW)
    assert fourth is not None
    assert "(1 act)" in fourth[0].subject


def test_notes_and_what_a_person_has_seen_are_no_news(tmp_path: Path, memory: Store) -> None:
    memory.apply_findings([finding(), finding(206, Severity.NOTE)], NOW.date())
    memory.acknowledge(memory.alerts()[0].id if memory.alerts()[0].finding.site == 205 else 2, "Lan", NOW)
    assert outbox.write_news(grove_at(tmp_path), memory, NOW) is None
    noting = grove_at(tmp_path, OutboxSettings(least_severity="note"))
    told = outbox.write_news(noting, memory, NOW)
    assert told is not None
    assert "site 206" in told[0].body


def test_what_failed_waits_and_is_tried_again(tmp_path: Path, memory: Store, post: tuple[Post, int]) -> None:
    grove = grove_at(tmp_path, mail(post[1]))
    outbox.write_news(grove, memory, NOW)
    post[0].busy = True
    failed = outbox.deliver(grove, memory, NOW, {})
    assert failed.sent == ()
    assert "451" in next(iter((failed.waiting or {}).values()))
    post[0].busy = False
    soon = outbox.deliver(grove, memory, NOW + timedelta(minutes=5), {})
    assert soon.sent == ()
    assert post[0].got == []
    later = outbox.deliver(grove, memory, NOW + timedelta(minutes=16), {})
    assert len(later.sent) == 1
    assert len(post[0].got) == 1
    assert "perhaps" not in post[0].subjects[0]


def test_a_server_that_is_not_there_is_said_plainly(tmp_path: Path, memory: Store, post: tuple[Post, int]) -> None:
    grove = grove_at(tmp_path, mail(1))  # nothing listens on port 1
    outbox.write_news(grove, memory, NOW)
    delivery = outbox.deliver(grove, memory, NOW, {})
    assert "127.0.0.1:1 could not be used" in next(iter((delivery.waiting or {}).values()))


def test_a_sending_that_was_cut_off_is_repeated_and_says_so(
    tmp_path: Path, memory: Store, post: tuple[Post, int]
) -> None:
    grove = grove_at(tmp_path, mail(post[1]))
    outbox.write_news(grove, memory, NOW)
    (waiting,) = memory.waiting_digests()
    assert memory.begin_sending(waiting.digest.id, NOW, outbox.BUSY)  # another process, killed on the way
    assert not memory.begin_sending(waiting.digest.id, NOW + timedelta(minutes=9), outbox.BUSY)
    assert outbox.deliver(grove, memory, NOW + timedelta(minutes=9), {}, at_once=True).sent == ()
    assert len(outbox.deliver(grove, memory, NOW + timedelta(minutes=16), {}).sent) == 1
    assert post[0].subjects == [f"{waiting.digest.subject} (perhaps sent before)"]
    first, second = (notify.message_of(waiting.digest, mail(1), again=again)["Message-ID"] for again in (False, True))
    assert first == second


def test_a_refused_recipient_does_not_keep_the_others_waiting(
    tmp_path: Path, memory: Store, post: tuple[Post, int]
) -> None:
    post[0].unknown = {"b@example.org"}
    grove = grove_at(tmp_path, mail(post[1]))
    outbox.write_news(grove, memory, NOW)
    delivery = outbox.deliver(grove, memory, NOW, {})
    assert len(delivery.sent) == 1
    assert "550 no such person" in (delivery.refused or {})["b@example.org"]
    assert post[0].got[0].rcpt_tos == ["a@example.org"]


def test_old_digests_are_not_sent_when_mail_is_enabled_later(
    tmp_path: Path, memory: Store, post: tuple[Post, int]
) -> None:
    outbox.write_news(grove_at(tmp_path), memory, NOW)
    delivery = outbox.deliver(grove_at(tmp_path, mail(post[1])), memory, NOW + timedelta(days=8), {})
    assert delivery.sent == ()
    assert post[0].got == []


def test_the_outbox_is_only_added_to(tmp_path: Path, memory: Store) -> None:
    import sqlite3
    from contextlib import closing

    outbox.write_news(grove_at(tmp_path), memory, NOW)
    with closing(sqlite3.connect(tmp_path / "woundwood.db")) as raw:
        for act in ("DELETE FROM digests", "UPDATE digests SET body = ''"):
            with pytest.raises(sqlite3.IntegrityError, match="only added to"):
                raw.execute(act)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"host": ""}, "outbox.host is not set"),
        ({"recipients": ()}, "outbox.recipients is not set"),
        ({"host": "mail.example.org"}, "another machine"),
        ({"user": "grove", "password_env": "GROVE_MAIL"}, "no password"),
    ],
)
def test_settings_that_cannot_work_are_refused(more: dict[str, object], words: str) -> None:
    with pytest.raises(SettingsError) as refused:
        notify.check_settings(mail(2525, **more), {})
    assert words in refused.value.what


def test_a_name_with_line_breaks_cannot_add_headers(memory: Store) -> None:
    digest = notify.digest_of("Hill\nBcc: x@y.org", memory.alerts(), {}, (), NOW, Severity.LOOK)
    assert digest is not None
    assert "Bcc" not in notify.message_of(digest, mail(1)).keys()  # noqa: SIM118
    with pytest.raises(ValueError, match=r"(?i)header|linefeed"):
        notify.message_of(digest, mail(1, sender="a@b.org\nBcc: x@y.org"))


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    if shutil.which("openssl") is None:
        pytest.skip("openssl is not installed")
    folder = tmp_path_factory.mktemp("certificate")
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-keyout", "key.pem", "-out", "cert.pem", "-days",
         "2", "-subj", "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1"],
        cwd=folder, check=True, capture_output=True,
    )  # fmt: skip
    return folder / "cert.pem", folder / "key.pem"


@pytest.fixture
def guarded(certificate: tuple[Path, Path]) -> Iterator[tuple[Post, int]]:
    """A server that wants encryption, then name and password."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate)

    def knows(server: SMTP, session: Session, envelope: Envelope, mechanism: str, data: LoginPassword) -> AuthResult:
        return AuthResult(success=data.login == b"grove" and data.password == SECRET.encode(), handled=False)

    handler = Post()
    controller = Controller(
        handler, hostname="127.0.0.1", port=free_port(), tls_context=context, require_starttls=True,
        authenticator=knows, auth_required=True,
    )  # fmt: skip
    controller.start()
    try:
        yield handler, controller.port
    finally:
        controller.stop()


def test_encrypted_with_a_password_from_the_environment(
    tmp_path: Path, memory: Store, guarded: tuple[Post, int], certificate: tuple[Path, Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    settings = mail(guarded[1], security="starttls", user="grove", password_env="GROVE_MAIL")
    grove = grove_at(tmp_path, settings)
    outbox.write_news(grove, memory, NOW)
    untrusted = outbox.deliver(grove, memory, NOW, {"GROVE_MAIL": SECRET})
    assert "certificate" in next(iter((untrusted.waiting or {}).values())).lower()
    monkeypatch.setenv("SSL_CERT_FILE", str(certificate[0]))
    wrong = outbox.deliver(grove, memory, NOW, {"GROVE_MAIL": "wrong " + SECRET}, at_once=True)
    (why,) = (wrong.waiting or {}).values()
    assert "name or the password" in why
    assert SECRET not in why
    right = outbox.deliver(grove, memory, NOW, {"GROVE_MAIL": SECRET}, at_once=True)
    assert len(right.sent) == 1
    assert len(guarded[0].got) == 1
    assert SECRET not in (tmp_path / "woundwood.db").read_bytes().decode("latin-1")


def test_encryption_is_never_given_up_for_a_server_without(memory: Store, post: tuple[Post, int]) -> None:
    digest = notify.digest_of("Hill", memory.alerts(), {}, (), NOW, Severity.LOOK)
    assert digest is not None
    settings = mail(post[1], security="starttls")
    with pytest.raises(NotSent, match="STARTTLS"):
        notify.send(notify.message_of(digest, settings), settings, "")
    assert post[0].got == []


def test_the_command_writes_then_has_nothing_new(tmp_path: Path) -> None:
    runner, folder = CliRunner(), tmp_path / "g"
    assert runner.invoke(cli, ["init", str(folder)]).exit_code == 0
    with store.open_store(folder / "woundwood.db") as memory:
        memory.apply_findings([finding()], NOW.date())
    first = runner.invoke(cli, ["outbox", str(folder), "--show", "--on", "2026-05-04"])
    assert first.exit_code == 0, first.output
    assert "1 new alert (1 look)" in first.output
    assert "E-mail is off" in first.output
    assert "The opening grew." in first.output
    again = runner.invoke(cli, ["outbox", str(folder), "--on", "2026-05-04"])
    assert "Nothing new to tell" in again.output


def test_a_closed_alert_is_never_news() -> None:
    closed = Alert(1, finding(), AlertState.CLOSED, NOW.date(), NOW.date(), NOW.date(), "data")
    opened = replace(closed, state=AlertState.OPEN)
    assert notify.digest_of("Hill", [closed], {}, (), NOW, Severity.NOTE) is None
    assert notify.digest_of("Hill", [opened], {}, (), NOW, Severity.NOTE) is not None


@pytest.fixture
def overdue(tmp_path: Path) -> Path:
    """A grove whose only site was never photographed, so that a run finds its visit overdue."""
    folder = tmp_path / "g"
    assert CliRunner().invoke(cli, ["init", str(folder)]).exit_code == 0
    for table, row in (("trees", "A-012"), ("stems", "A-012,1"), ("sites", "205,A-012,1,window,2025-11-01")):
        path = folder / "register" / f"{table}.csv"
        header = path.read_text(encoding="utf-8").splitlines()[0]
        path.write_text(f"{header}\n{row}{',' * (header.count(',') - row.count(','))}\n", encoding="utf-8")
    return folder


def run(command: str, folder: Path, port: int | None, *more: str) -> Result:
    """A command with e-mail to a server on this machine, or without e-mail."""
    mails = {"enabled": "true", "host": "127.0.0.1", "port": port, "security": "none", "sender": "grove@example.org",
             "recipients": "[a@example.org]", "timeout_s": 5}  # fmt: skip
    sets = {"least_severity": "note"} | (mails if port is not None else {})
    words = [word for name, value in sets.items() for word in ("--set", f"outbox.{name}={value}")]
    return CliRunner().invoke(cli, [command, str(folder), "--on", "2026-05-04", *words, *more])


def test_a_run_tells_what_is_new_once(overdue: Path, post: tuple[Post, int]) -> None:
    """A real mail server; the run, the run again, and the command by itself: one e-mail."""
    first = run("run", overdue, post[1])
    assert first.exit_code == 0, first.output
    assert "Sent: " in first.output
    again = run("run", overdue, post[1], "--json")
    assert json.loads(again.stdout)["outbox"]["file"] is None
    assert run("outbox", overdue, post[1]).exit_code == 0
    assert len(post[0].subjects) == 1
    assert len(list((overdue / "outbox").glob("*.txt"))) == 1


def test_a_run_without_e_mail_tells_nobody(overdue: Path) -> None:
    done = run("run", overdue, None)
    assert done.exit_code == 0, done.output
    assert not list((overdue / "outbox").glob("*.txt"))


def test_a_post_that_cannot_work_does_not_undo_a_run(overdue: Path) -> None:
    """Settings without a server, and a server that is not there: the run is done either way, the digest waits."""
    unset = run("run", overdue, None, "--set", "outbox.enabled=true")
    assert unset.exit_code == 0, unset.output
    assert "outbox could not be used" in unset.stderr
    gone = run("run", overdue, free_port())
    assert gone.exit_code == 0, gone.output
    assert "Waits: " in gone.output
