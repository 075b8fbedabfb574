"""What people said of wrong clocks and of photos without a card, and the times that follow from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, func, insert, or_, select, update

from pipeline import clocks
from pipeline.errors import StoreError
from pipeline.records import ClockShift, PhotoSettled, RefusalCode
from pipeline.store.bark import forget
from pipeline.store.connected import CHUNK, Connected
from pipeline.store.hand_tables import clock_shifts, refusal_details, settled_photos, stated_times
from pipeline.store.people import insert_answer
from pipeline.store.tables import answers, photos, readings, results

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime, tzinfo

    from sqlalchemy import Connection, RowMapping

    from pipeline.records import Answer

WRONG_DATES = (RefusalCode.DATE_IN_FUTURE.value, RefusalCode.DATE_TOO_OLD.value)
"""Refused at the door for their date: a corrected clock may let them in, so they are read again."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What a correction changed: photos whose date is another one now, and the sites that they show."""

    photos: int = 0
    sites: frozenset[int] = frozenset()
    read_again: int = 0
    """Refused photos that the next run reads again."""


class ClockBook(Connected):
    """Corrections of clocks, each with who and when; none is ever removed, any can be taken back."""

    def add_shift(self, shift: ClockShift, zone: tzinfo, answer: Answer | None = None) -> tuple[ClockShift, Moved]:
        """Record a correction and set the dates of the photos concerned right, in one transaction.

        Parameters
        ----------
        shift
            The correction; with ``replaces``, the earlier one holds no more.
        zone
            The grove's, in which a visit's day is counted.
        answer
            The answer to a question that goes with it.

        Raises
        ------
        StoreError
            If a photo, question or earlier correction that it names is not there.
        """
        with self._writing() as connection:
            known = {row.id for row in connection.execute(select(clock_shifts.c.id))}
            if shift.replaces is not None and shift.replaces not in known:
                raise StoreError(f"There is no correction {shift.replaces} to take back.", "List them first.")
            if shift.sha256 and not _has_photo(connection, shift.sha256):
                raise StoreError(f"There is no photo {shift.sha256}.", "Name one that has arrived.")
            if answer is not None:
                insert_answer(connection, answer)
            row = {
                "who": shift.who,
                "at": shift.at,
                "shift_s": shift.shift.total_seconds(),
                "from_at": shift.from_at,
                "to_at": shift.to_at,
                "device": shift.device,
                "folder": shift.folder,
                "sha256": shift.sha256 or None,
                "question": shift.question,
                "note": shift.note,
                "replaces": shift.replaces,
            }
            added = connection.execute(insert(clock_shifts).values(row).returning(*clock_shifts.c)).mappings().one()
            waiting = update(results).where(
                results.c.id.in_(select(refusal_details.c.result).where(refusal_details.c.code.in_(WRONG_DATES)))
            )
            again = connection.execute(waiting.values(basis="")).rowcount
            return _shift_of(added), replace(_set_right(connection, zone), read_again=again)

    def shifts(self, *, standing_only: bool = True) -> list[ClockShift]:
        """Corrections in the order in which they were given; by default without those taken back or replaced."""
        with self._reading() as connection:
            found = _shifts(connection)
        return _standing(found) if standing_only else found

    def set_clocks_right(self, zone: tzinfo) -> Moved:
        """Give every result the time that the corrections say; changes nothing where that was done already."""
        with self._writing() as connection:
            return _set_right(connection, zone)

    def settle(self, word: PhotoSettled) -> None:
        """Record that a refused photo needs no retake any more (or, not standing, that it does after all).

        Raises
        ------
        StoreError
            If there is no such photo.
        """
        with self._writing() as connection:
            if not _has_photo(connection, word.sha256):
                raise StoreError(f"There is no photo {word.sha256}.", "Name one that has arrived.")
            row = {
                "sha256": word.sha256,
                "who": word.who,
                "at": word.at,
                "site": word.site,
                "note": word.note,
                "standing": int(word.standing),
            }
            connection.execute(insert(settled_photos).values(row))

    def settled(self) -> dict[str, PhotoSettled]:
        """The last word on each refused photo that needs no retake any more, by hash."""
        with self._reading() as connection:
            rows = connection.execute(select(settled_photos).order_by(settled_photos.c.id)).mappings()
            words = {row["sha256"]: _settled_of(row) for row in rows}
        return {sha256: word for sha256, word in words.items() if word.standing}

    def newest_words(self) -> tuple[int, ...]:
        """Numbers of the newest answer, correction and word on a photo: unchanged, nothing new was said."""
        with self._reading() as connection:
            newest = [
                int(connection.execute(select(func.coalesce(func.max(table.c.id), 0))).scalar_one())
                for table in (answers, clock_shifts, settled_photos)
            ]
        return tuple(newest)


def _has_photo(connection: Connection, sha256: str) -> bool:
    return connection.execute(select(photos.c.sha256).where(photos.c.sha256 == sha256)).first() is not None


def _shifts(connection: Connection) -> list[ClockShift]:
    return [_shift_of(row) for row in connection.execute(select(clock_shifts).order_by(clock_shifts.c.id)).mappings()]


def _standing(found: Sequence[ClockShift]) -> list[ClockShift]:
    replaced = {shift.replaces for shift in found}
    return [shift for shift in found if shift.id not in replaced and shift.shift]


def _set_right(connection: Connection, zone: tzinfo) -> Moved:
    """Times of all results of the phones and photos that any correction, standing or not, names."""
    every = _shifts(connection)
    if not every:
        return Moved()
    standing = _standing(every)
    changed: list[str] = []
    sites: set[int] = set()
    for row in _concerned(connection, {s.device for s in every if s.device}, {s.sha256 for s in every if s.sha256}):
        stated_at: datetime = row.stated_at or row.taken_at
        true_at = clocks.true_time(standing, row.device, row.file, row.sha256, stated_at)
        taken_at = true_at or stated_at
        if taken_at == row.taken_at and (true_at is None) == (row.stated_at is None):
            continue
        values: dict[str, Any] = {"taken_at": taken_at}
        if row.kind == "reading":
            values["visit_on"] = taken_at.astimezone(zone).date()
        if true_at is None:
            values["basis"] = ""  # the door looks again whether the date that the photo states can be right
        connection.execute(update(results).where(results.c.id == row.id).values(values))
        connection.execute(delete(stated_times).where(stated_times.c.result == row.id))
        if true_at is not None:
            connection.execute(insert(stated_times).values(result=row.id, stated_at=stated_at))
        changed.append(row.sha256)
        if row.site is not None:
            sites.add(row.site)
    forget(connection, changed)
    return Moved(len(set(changed)), frozenset(sites))


def _concerned(connection: Connection, devices: set[str], hashes: set[str]) -> Iterator[Any]:
    device = func.coalesce(readings.c.device, refusal_details.c.device, "").label("device")
    query = (
        select(
            results.c.id, results.c.sha256, results.c.file, results.c.kind, results.c.site, results.c.taken_at,
            stated_times.c.stated_at, device,
        )
        .select_from(
            results.outerjoin(readings, readings.c.result == results.c.id)
            .outerjoin(refusal_details, refusal_details.c.result == results.c.id)
            .outerjoin(stated_times, stated_times.c.result == results.c.id)
        )
        .where(results.c.taken_at.is_not(None), or_(device.in_(sorted(devices)), results.c.sha256.in_(sorted(hashes))))
        .order_by(results.c.id)
        .limit(CHUNK)
    )  # fmt: skip
    last = 0
    while True:
        rows = connection.execute(query.where(results.c.id > last)).all()
        yield from rows
        if len(rows) < CHUNK:
            return
        last = rows[-1].id


def _shift_of(row: RowMapping) -> ClockShift:
    return ClockShift(
        who=row["who"],
        at=row["at"],
        shift=timedelta(seconds=row["shift_s"]),
        from_at=row["from_at"],
        to_at=row["to_at"],
        device=row["device"],
        folder=row["folder"],
        sha256=row["sha256"] or "",
        question=row["question"],
        note=row["note"],
        replaces=row["replaces"],
        id=row["id"],
    )


def _settled_of(row: RowMapping) -> PhotoSettled:
    return PhotoSettled(
        row["sha256"], row["who"], row["at"], row["site"], row["note"], bool(row["standing"]), row["id"]
    )
