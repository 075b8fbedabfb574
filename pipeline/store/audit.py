"""The log of what people did: only added to, each line chained to the one before by its digest.

The database refuses a change or a removal (triggers); whoever gets round them breaks the chain, which
:meth:`AuditLog.check_log` finds.  Lines cut off at the end are found against a digest written down elsewhere.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from sqlalchemy import func, insert, select

from pipeline.store.connected import CHUNK, Connected
from pipeline.store.review_tables import audit_log
from pipeline.store.rows import storable

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from sqlalchemy import Connection

BEFORE_THE_FIRST = "0" * 64


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One line of the log; ``id`` and ``digest`` are empty until it is written."""

    at: datetime
    who: str
    act: str
    about: str = ""
    detail: dict[str, object] = field(default_factory=dict)
    id: int = 0
    digest: str = ""


@dataclass(frozen=True, slots=True)
class LogCheck:
    """What checking the chain gave; ``broken_at`` is the number of the first line that does not fit."""

    lines: int
    head: str
    broken_at: int | None = None
    found_expected: bool = True

    @property
    def whole(self) -> bool:
        """Whether nothing was changed, removed or cut off as far as can be seen."""
        return self.broken_at is None and self.found_expected


def digest_of(previous: str, number: int, entry: LogEntry) -> str:
    """SHA-256 (FIPS 180-4) over the digest before and the line itself, as compact JSON in a fixed order."""
    content = [previous, number, entry.at.isoformat(), entry.who, entry.act, entry.about, entry.detail]
    text = json.dumps(content, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def append(connection: Connection, entry: LogEntry) -> None:
    """Add a line inside a transaction that writes, so that it stands or falls with what it reports."""
    last = connection.execute(
        select(audit_log.c.id, audit_log.c.digest).order_by(audit_log.c.id.desc()).limit(1)
    ).first()
    number, previous = (last.id + 1, last.digest) if last is not None else (1, BEFORE_THE_FIRST)
    entry = LogEntry(entry.at, storable(entry.who), entry.act, storable(entry.about), entry.detail)
    connection.execute(
        insert(audit_log).values(
            id=number,
            at=entry.at,
            who=entry.who,
            act=entry.act,
            about=entry.about,
            detail=entry.detail,
            previous=previous,
            digest=digest_of(previous, number, entry),
        )
    )


class AuditLog(Connected):
    """What people did, in order."""

    def log(self, entry: LogEntry) -> None:
        """Add one line."""
        with self._writing() as connection:
            append(connection, entry)

    def log_entries(self, *, newest: int = 200) -> list[LogEntry]:
        """The newest lines, newest first."""
        query = select(audit_log).order_by(audit_log.c.id.desc()).limit(newest)
        with self._reading() as connection:
            return [
                LogEntry(row["at"], row["who"], row["act"], row["about"], row["detail"], row["id"], row["digest"])
                for row in connection.execute(query).mappings()
            ]

    def log_of(self, acts: Sequence[str]) -> list[LogEntry]:
        """Every line about some acts, oldest first."""
        query = select(audit_log).where(audit_log.c.act.in_(acts)).order_by(audit_log.c.id)
        with self._reading() as connection:
            return [
                LogEntry(row["at"], row["who"], row["act"], row["about"], row["detail"], row["id"], row["digest"])
                for row in connection.execute(query).mappings()
            ]

    def check_log(self, expected: str = "") -> LogCheck:
        """Follow the chain from its first line.

        Parameters
        ----------
        expected
            A digest noted earlier; the log must still hold it.
        """
        previous, number, found = BEFORE_THE_FIRST, 0, not expected
        with self._reading() as connection:
            rows = connection.execution_options(yield_per=CHUNK).execute(select(audit_log).order_by(audit_log.c.id))
            for row in rows.mappings():
                entry = LogEntry(row["at"], row["who"], row["act"], row["about"], row["detail"])
                fits = row["id"] == number + 1 and row["previous"] == previous
                if not fits or row["digest"] != digest_of(previous, row["id"], entry):
                    return LogCheck(number, previous, broken_at=row["id"], found_expected=found)
                number, previous = row["id"], row["digest"]
                found = found or previous == expected
        return LogCheck(number, previous, found_expected=found)

    def log_length(self) -> int:
        """How many lines there are."""
        with self._reading() as connection:
            return int(connection.execute(select(func.count()).select_from(audit_log)).scalar_one())
