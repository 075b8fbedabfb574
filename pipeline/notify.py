"""Telling people what is new among the alerts: a text, a file written whole, an e-mail.

Nothing here decides whether something leaves the machine, and nothing here remembers what was sent:
``pipeline/outbox.py`` does.  ``docs/outbox.md`` says how it is set up.
"""

from __future__ import annotations

import hashlib
import os
import smtplib
import ssl
import textwrap
from email.message import EmailMessage
from email.utils import format_datetime
from typing import TYPE_CHECKING

from pipeline.errors import NotSent, SettingsError
from pipeline.records import AlertState, Digest, Severity

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from pipeline.records import Alert
    from pipeline.settings import OutboxSettings

URGENCY = (Severity.ACT, Severity.LOOK, Severity.NOTE)
HEADINGS = {
    Severity.ACT: "ACT: a person must decide",
    Severity.LOOK: "LOOK: a person should go and look this week",
    Severity.NOTE: "NOTE: worth knowing",
}
LINE = 76
CAUTION = (
    "Photos show signs, never causes: a person decides, and only a laboratory names a disease. A sick or hollow stem "
    "can fail without warning: keep clear, and do not climb or cut it alone. That nothing is listed for a tree is no "
    "proof that nothing is wrong with it."
)
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})


def news_of(alert: Alert, openings: Mapping[int, int]) -> str:
    """What makes an alert news: its number, how urgent it is, how often it was opened."""
    return f"{alert.id}/{alert.finding.severity.value}/{openings.get(alert.id, 1)}"


def digest_of(
    grove: str,
    alerts: Sequence[Alert],
    openings: Mapping[int, int],
    told: Collection[str],
    now: datetime,
    least: Severity,
) -> Digest | None:
    """A digest of the alerts that no digest told yet; ``None`` where there is no news.

    Parameters
    ----------
    alerts
        Any; those that are open and at least as urgent as ``least`` count.  One that a person has seen is no news.
    openings
        How often each alert was opened, by number.
    told
        News in earlier digests (:func:`news_of`).
    now
        In the grove's time zone.
    """
    urgent = URGENCY[: URGENCY.index(least) + 1]
    counted = [a for a in alerts if a.state is not AlertState.CLOSED and a.finding.severity in urgent]
    new = [a for a in counted if a.state is AlertState.OPEN and news_of(a, openings) not in told]
    if not new:
        return None
    news = tuple(sorted(news_of(alert, openings) for alert in new))
    key = hashlib.sha256("\n".join(news).encode()).hexdigest()
    day, name = now.date().isoformat(), " ".join(grove.split())
    counts = [(severity, sum(a.finding.severity is severity for a in new)) for severity in urgent]
    shown = ", ".join(f"{count} {severity.value}" for severity, count in counts if count)
    return Digest(
        key,
        now,
        f"{day}-{key[:8]}.txt",
        f"{name}: {len(new)} new alert{'' if len(new) == 1 else 's'} ({shown})",
        _body(name, day, new, len(counted) - len(new), urgent),
        news,
    )


def _body(grove: str, day: str, new: Sequence[Alert], known: int, urgent: Sequence[Severity]) -> str:
    parts = [f"{grove}, {day}", ""]
    for severity in urgent:
        own = sorted((a for a in new if a.finding.severity is severity), key=lambda a: (a.finding.tree, a.id))
        if own:
            parts += [HEADINGS[severity], "-" * len(HEADINGS[severity]), ""]
        for alert in own:
            finding = alert.finding
            site = "" if finding.site is None else f", site {finding.site}"
            parts += [f"Tree {finding.tree}{site}: {finding.rule} (alert {alert.id}, opened {alert.opened_on})"]
            parts += [_indented(finding.why), _indented(f"Next step: {finding.next_step}")]
            parts += [_indented(f"Caution: {finding.caution}")] if finding.caution else []
            parts.append("")
    if known:
        parts += [f"Told before and still open: {known}. All of them: woundwood alerts GROVE", ""]
    parts += [textwrap.fill(CAUTION, LINE), "", "More about one: woundwood alerts GROVE --why NUMBER", ""]
    return "\n".join(parts)


def _indented(text: str) -> str:
    return textwrap.fill(" ".join(text.split()), LINE, initial_indent="  ", subsequent_indent="  ")


def write_file(digest: Digest, folder: Path) -> Path:
    """Write a digest as a text file, whole or not at all; the same digest written again changes nothing."""
    folder.mkdir(parents=True, exist_ok=True)
    path, part = folder / digest.file, folder / f".{digest.file}.{os.getpid()}.part"
    try:
        with part.open("w", encoding="utf-8", newline="\n") as file:
            file.write(f"{digest.subject}\n\n{digest.body}")
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return path


def message_of(digest: Digest, settings: OutboxSettings, *, again: bool = False) -> EmailMessage:
    """The e-mail of a digest.  Its Message-ID follows from the digest, so that a second copy can be recognised.

    Parameters
    ----------
    again
        Whether an earlier sending was cut off, so that this may be a second copy; the subject then says so.
    """
    message = EmailMessage()
    message["Subject"] = digest.subject + (" (perhaps sent before)" if again else "")
    message["From"] = settings.sender
    message["To"] = ", ".join(settings.recipients)
    message["Date"] = format_datetime(digest.made_at)
    message["Message-ID"] = f"<{digest.key[:32]}@woundwood.invalid>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(digest.body)
    return message


def check_settings(settings: OutboxSettings, environment: Mapping[str, str]) -> str:
    """Whether e-mail can be sent with these settings; gives the password (empty for none).

    Raises
    ------
    SettingsError
        If something is missing, or the password would cross the network unencrypted.
    """
    missing = [name for name in ("host", "sender", "recipients") if not getattr(settings, name)]
    if missing:
        listed = ", ".join(f"outbox.{name}" for name in missing)
        raise SettingsError(f"E-mail is enabled, but {listed} is not set.", "Set it in grove.yaml, section outbox.")
    if settings.security == "none" and settings.host not in LOOPBACK:
        raise SettingsError(
            f"outbox.security is 'none', but the mail server {settings.host} is another machine.",
            "Set it to starttls or tls: alerts and passwords must not cross a network in the open.",
        )
    if not settings.user:
        return ""
    password = environment.get(settings.password_env, "") if settings.password_env else ""
    if not password:
        raise SettingsError(
            "outbox.user is set, but there is no password for it.",
            f"Put it into the environment variable {settings.password_env or '(name it in outbox.password_env)'}.",
        )
    return password


def send(message: EmailMessage, settings: OutboxSettings, password: str) -> dict[str, str]:
    """Hand an e-mail over to the mail server.

    Returns
    -------
    dict
        Recipients that the server refused, each with what it said; the others were accepted.

    Raises
    ------
    NotSent
        If nobody got it.  The sentence never holds the password.
    """
    context = ssl.create_default_context()
    try:
        if settings.security == "tls":
            with smtplib.SMTP_SSL(settings.host, settings.port, timeout=settings.timeout_s, context=context) as server:
                return _hand_over(server, message, settings, password)
        with smtplib.SMTP(settings.host, settings.port, timeout=settings.timeout_s) as server:
            if settings.security == "starttls":
                server.starttls(context=context)
            return _hand_over(server, message, settings, password)
    except smtplib.SMTPAuthenticationError as error:
        raise NotSent(
            f"The mail server {settings.host} did not accept the name or the password (code {error.smtp_code}).",
            f"Check outbox.user and the environment variable {settings.password_env}.",
        ) from None
    except smtplib.SMTPRecipientsRefused as error:
        said = "; ".join(f"{who}: {_said(reply)}" for who, reply in error.recipients.items())
        raise NotSent(f"The mail server refused every recipient ({said}).", "Check outbox.recipients.") from None
    except (smtplib.SMTPException, OSError) as error:
        raise NotSent(
            f"The mail server {settings.host}:{settings.port} could not be used ({type(error).__name__}: {error}).",
            "It will be tried again; check the network and the section outbox of the settings.",
        ) from None


def _hand_over(server: smtplib.SMTP, message: EmailMessage, settings: OutboxSettings, password: str) -> dict[str, str]:
    if settings.user:
        server.login(settings.user, password)
    refused = server.send_message(message, settings.sender, list(settings.recipients))
    return {who: _said(reply) for who, reply in refused.items()}


def _said(reply: tuple[int, bytes]) -> str:
    return f"{reply[0]} {reply[1].decode('utf-8', 'replace')}"
