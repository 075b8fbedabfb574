"""The outbox: digests of what is new among the alerts, kept as files and, only where enabled, sent by e-mail.

A digest is recorded after its file is written and before it is sent, and each sending is recorded before it begins:
whatever is cut off is finished by the next call, and what was sent is not sent again.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline import notify
from pipeline.errors import NotSent
from pipeline.records import Severity

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from pipeline.grove import Grove
    from pipeline.records import Digest, WaitingDigest
    from pipeline.settings import OutboxSettings
    from pipeline.store import Store

BUSY = timedelta(minutes=10)
"""A sending without an outcome is taken as under way for this long; then it was cut off."""
LEAST_WAIT_S = 30.0
"""A watcher tries a failed sending again no sooner, whatever ``outbox.retry_minutes`` says."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of the digests that waited: files of those sent, and reasons by file of the others."""

    sent: tuple[str, ...] = ()
    waiting: dict[str, str] | None = None
    refused: dict[str, str] | None = None


def tell_while_watching(
    grove: Grove, store: Store, now: datetime, environment: Mapping[str, str]
) -> tuple[Delivery, float | None]:
    """What the watcher does after each turn: write what is new and send what waits, where e-mail is enabled.

    Photos come in one by one, and so do alerts; at most one digest is made in ``outbox.gather_minutes``.

    Returns
    -------
    delivery, again_s
        What became of the digests, and the seconds after which there is something to do again though nothing came in;
        ``None`` where nothing waits.

    Raises
    ------
    SettingsError
        If e-mail is enabled and its settings cannot be used; what is new was written as a text all the same.
    """
    settings = grove.settings.outbox
    if not settings.enabled:
        return Delivery(), None
    last = store.newest_digest_at()
    wait_s = 0.0 if last is None else 60.0 * settings.gather_minutes - (now - last).total_seconds()
    due: list[float] = []
    if wait_s <= 0:
        write_news(grove, store, now)
    elif _news(grove, store, now) is not None:
        due.append(wait_s)
    delivery = deliver(grove, store, now, environment)
    if delivery.waiting:
        due.append(max(60.0 * settings.retry_minutes, LEAST_WAIT_S))
    return delivery, min(due, default=None)


def _news(grove: Grove, store: Store, now: datetime) -> Digest | None:
    least = Severity(grove.settings.outbox.least_severity)
    return notify.digest_of(grove.settings.grove.name, store.alerts(), store.openings(), store.told(), now, least)


def write_news(grove: Grove, store: Store, now: datetime) -> tuple[Digest, Path] | None:
    """Write a digest of what no digest told yet; ``None`` where there is no news."""
    digest = _news(grove, store, now)
    if digest is None:
        return None
    path = notify.write_file(digest, grove.outbox)  # cut off before the next line, the same file is written again
    store.keep_digest(digest)
    return digest, path


def deliver(
    grove: Grove, store: Store, now: datetime, environment: Mapping[str, str], *, at_once: bool = False
) -> Delivery:
    """Send what waits, oldest first; does nothing unless ``outbox.enabled``.

    Digests older than ``outbox.give_up_days`` are not sent any more; they stay as files.

    Parameters
    ----------
    environment
        Where the password is, under the name ``outbox.password_env``.
    at_once
        Whether to try again though the last failure is more recent than ``outbox.retry_minutes``.

    Raises
    ------
    SettingsError
        If e-mail is enabled and its settings cannot be used.
    """
    settings = grove.settings.outbox
    if not settings.enabled:
        return Delivery()
    password = notify.check_settings(settings, environment)
    sent: list[str] = []
    waiting: dict[str, str] = {}
    refused: dict[str, str] = {}
    oldest = now - timedelta(days=settings.give_up_days)
    for entry in store.waiting_digests():
        file = entry.digest.file
        if entry.digest.made_at < oldest:
            continue
        if not at_once and not _due(entry, settings, now):
            waiting[file] = f"tried before, {entry.detail}" if entry.detail else "being sent"
            continue
        try:
            said = _send_one(entry, store, settings, password, now)
        except NotSent as error:
            waiting[file] = error.what
            _log.warning("The digest %s was not sent: %s", file, error.what)
            continue
        if said is None:
            waiting[file] = "another process is sending it"
            continue
        sent.append(file)
        refused |= said
    return Delivery(tuple(sent), waiting, refused)


def _due(entry: WaitingDigest, settings: OutboxSettings, now: datetime) -> bool:
    return entry.last_at is None or now - entry.last_at >= timedelta(minutes=settings.retry_minutes)


def _send_one(
    entry: WaitingDigest, store: Store, settings: OutboxSettings, password: str, now: datetime
) -> dict[str, str] | None:
    number = entry.digest.id
    message = notify.message_of(entry.digest, settings, again=entry.perhaps_sent)
    if not store.begin_sending(number, now, BUSY):
        return None
    try:
        refused = notify.send(message, settings, password)
    except NotSent as error:
        store.end_sending(number, now, sent=False, detail=error.what)
        raise
    told = ", ".join(who for who in settings.recipients if who not in refused)
    failed = "; ".join(f"refused: {who} ({said})" for who, said in refused.items())
    store.end_sending(number, now, sent=True, detail="; ".join(part for part in (told, failed) if part))
    return refused
