"""Facts about files: what arrived, what left the inbox, what waits to be read."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, case, func, insert, literal, or_, select

from pipeline.records import Flag, Outcome, PhotoFacts, RecordedArrival, StoredPhoto
from pipeline.store.connected import CHUNK, Connected
from pipeline.store.hand_tables import refusal_details
from pipeline.store.rows import code_of, storable
from pipeline.store.tables import arrivals, photos, readings, refusals, releases, results, standing

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

    from sqlalchemy import ColumnElement, Connection, Join, Row, Select

    from pipeline.records import Arrival

_WORDS: dict[str, Outcome | None] = {"first": None, "duplicate": Outcome.DUPLICATE, "known": Outcome.KNOWN}


class Arrivals(Connected):
    """Files that came, each counted once and for good."""

    def record_arrivals(self, batch: Sequence[Arrival]) -> list[RecordedArrival]:
        """Record files whose copies are safe on disk; all of them or none.

        A file is *known* if the same bytes came under the same name before, a *duplicate* if they came
        under another one.  A file that is recorded but has not yet left the inbox is the same arrival,
        not another one, so a run that was cut off may be repeated.

        Returns
        -------
        In the order of ``batch``.
        """
        with self._writing() as connection:
            return [_record(connection, arrival) for arrival in batch]

    def mark_released(self, ids: Iterable[int], at: datetime) -> None:
        """Note that the inbox files of these arrivals are gone."""
        rows = [{"arrival": number, "released_at": at} for number in ids]
        if rows:
            with self._writing() as connection:
                connection.execute(insert(releases).prefix_with("OR IGNORE"), rows)

    def unreleased(self) -> Iterator[RecordedArrival]:
        """Arrivals whose inbox files were still there when last heard of."""
        query = (
            select(arrivals.c.id, arrivals.c.file, arrivals.c.sha256, arrivals.c.arrived_as)
            .outerjoin(releases, releases.c.arrival == arrivals.c.id)
            .where(releases.c.arrival.is_(None))
            .order_by(arrivals.c.id)
        )
        with self._reading() as connection:
            rows = connection.execute(query).all()
        for row in rows:
            yield RecordedArrival(row.id, row.file, row.sha256, _WORDS[row.arrived_as], again=True)

    def stored_photo(self, sha256: str) -> StoredPhoto | None:
        """Where a photo is kept."""
        query = _stored().where(photos.c.sha256 == sha256)
        with self._reading() as connection:
            row = connection.execute(query).first()
        return None if row is None else StoredPhoto(row.sha256, row.file, row.stored, row.size_bytes, row.id)

    def stored_photos(self) -> Iterator[StoredPhoto]:
        """Every photo, in the order of arrival."""
        return self._walk(_stored())

    def photos_without_result(
        self, model: str, settings: str, program: str = "", *, after: int = 0, keep_others: bool = False
    ) -> Iterator[StoredPhoto]:
        """Photos that this reader with these settings has not read, in the order of arrival.

        Photos on which another version of the program failed count as not read if ``program`` is given; those whose
        reading that counts was made by another reader are left out with ``keep_others``.
        Results may be saved, and photos may arrive, while this is being walked through; ``after`` begins
        behind an arrival.
        """
        return self._walk(_without_result(model, settings, program, keep_others), after)

    def count_without_result(self, model: str, settings: str, program: str = "", *, keep_others: bool = False) -> int:
        """How many :meth:`photos_without_result` gives."""
        query = select(func.count()).select_from(_without_result(model, settings, program, keep_others).subquery())
        with self._reading() as connection:
            return int(connection.execute(query).scalar_one())

    def _walk(self, query: Select[Any], last: int = 0) -> Iterator[StoredPhoto]:
        """Page by page after the last one seen: no open transaction while the caller works."""
        while True:
            with self._reading() as connection:
                rows = connection.execute(query.where(arrivals.c.id > last).limit(CHUNK)).all()
            for row in rows:
                yield StoredPhoto(row.sha256, row.file, row.stored, row.size_bytes, row.id)
            if len(rows) < CHUNK:
                return
            last = rows[-1].id

    def photo_facts(self) -> Iterator[PhotoFacts]:
        """One record for every file that ever arrived, in the order of arrival, with what became of it.

        Every arrival has exactly one outcome; :meth:`counts` adds them up in the database itself.
        """
        last = 0
        query = _facts()
        while True:
            with self._reading() as connection:
                rows = connection.execute(query.where(arrivals.c.id > last).limit(CHUNK)).all()
            for row in rows:
                yield _facts_of(row)
            if len(rows) < CHUNK:
                return
            last = rows[-1].id

    def recent_facts(self, since: datetime) -> list[PhotoFacts]:
        """The same for files that arrived since a moment, latest first.

        Looks back page by page until a whole page is older, so that a clock that was set back for a while hides little.
        """
        found: list[PhotoFacts] = []
        query, before = _facts().order_by(None).order_by(arrivals.c.id.desc()).limit(CHUNK), None
        while True:
            with self._reading() as connection:
                rows = connection.execute(query if before is None else query.where(arrivals.c.id < before)).all()
            recent = [_facts_of(row) for row in rows if row.arrived_at >= since]
            found += recent
            if len(rows) < CHUNK or not recent:
                return found
            before = rows[-1].id

    def counts(self) -> dict[Outcome, int]:
        """Number of arrivals with each outcome."""
        query = select(_outcome().label("outcome"), func.count()).select_from(_joined()).group_by("outcome")
        with self._reading() as connection:
            found = {Outcome(word): number for word, number in connection.execute(query)}
        return {outcome: found.get(outcome, 0) for outcome in Outcome}


_UNFINISHED = (
    select(arrivals.c.id, arrivals.c.arrived_as)
    .outerjoin(releases, releases.c.arrival == arrivals.c.id)
    .where(arrivals.c.sha256 == bindparam("sha"), arrivals.c.file == bindparam("name"))
    .where(releases.c.arrival.is_(None))
    .limit(1)
)
_EARLIER = select(
    func.count().label("times"), func.coalesce(func.sum(arrivals.c.file == bindparam("name")), 0).label("same_name")
).where(arrivals.c.sha256 == bindparam("sha"))
_ADD = insert(arrivals).returning(arrivals.c.id)


def _record(connection: Connection, arrival: Arrival) -> RecordedArrival:
    file = storable(arrival.file)
    unfinished = connection.execute(_UNFINISHED, {"sha": arrival.sha256, "name": file}).first()
    if unfinished is not None:
        return RecordedArrival(unfinished.id, file, arrival.sha256, _WORDS[unfinished.arrived_as], again=True)
    earlier = connection.execute(_EARLIER, {"sha": arrival.sha256, "name": file}).one()
    arrived_as = "first" if earlier.times == 0 else "known" if earlier.same_name else "duplicate"
    if arrived_as == "first":
        photo = {
            "sha256": arrival.sha256,
            "size_bytes": arrival.size_bytes,
            "stored": arrival.stored,
            "received_at": arrival.arrived_at,
        }
        connection.execute(insert(photos), photo)
    row = {"file": file, "sha256": arrival.sha256, "arrived_at": arrival.arrived_at, "arrived_as": arrived_as}
    number = connection.execute(_ADD, row).scalar_one()
    return RecordedArrival(number, file, arrival.sha256, _WORDS[arrived_as], again=False)


def _stored() -> Select[Any]:
    return (
        select(arrivals.c.id, photos.c.sha256, arrivals.c.file, photos.c.stored, photos.c.size_bytes)
        .join(photos, photos.c.sha256 == arrivals.c.sha256)
        .where(arrivals.c.arrived_as == "first")
        .order_by(arrivals.c.id)
    )


def _without_result(model: str, settings: str, program: str, keep_others: bool = False) -> Select[Any]:
    done = (
        select(literal(1))
        .select_from(results.outerjoin(refusals, refusals.c.result == results.c.id))
        .where(results.c.sha256 == photos.c.sha256, results.c.model == model, results.c.settings == settings)
    )
    if program:
        done = done.where(or_(func.coalesce(refusals.c.fault, 0) == 0, results.c.program == program))
    missing = _stored().where(~done.correlate(photos).exists())
    if not keep_others:
        return missing
    by_another = (
        select(literal(1))
        .select_from(standing.join(results, results.c.id == standing.c.result))
        .where(standing.c.sha256 == photos.c.sha256, results.c.kind == "reading", results.c.model != model)
    )
    return missing.where(~by_another.correlate(photos).exists())


def _outcome() -> ColumnElement[str]:
    return case(
        (arrivals.c.arrived_as != "first", arrivals.c.arrived_as),
        (results.c.id.is_(None), Outcome.WAITING.value),
        else_=results.c.kind,
    )


def _joined() -> Join:
    return (
        arrivals.join(photos, photos.c.sha256 == arrivals.c.sha256)
        .outerjoin(standing, standing.c.sha256 == arrivals.c.sha256)
        .outerjoin(results, results.c.id == standing.c.result)
        .outerjoin(refusals, refusals.c.result == results.c.id)
        .outerjoin(refusal_details, refusal_details.c.result == results.c.id)
        .outerjoin(readings, readings.c.result == results.c.id)
    )


def _facts_of(row: Row[Any]) -> PhotoFacts:
    return PhotoFacts(
        file=row.file,
        sha256=row.sha256,
        size_bytes=row.size_bytes,
        arrived_at=row.arrived_at,
        outcome=Outcome(row.outcome),
        taken_at=row.taken_at,
        site=row.site,
        stage_of_refusal=row.stage or "",
        reason=row.reason or "",
        remedy=row.remedy or "",
        flags=Flag(row.flags or 0),
        device=row.device or "",
        code=code_of(row.code),
    )


def _facts() -> Select[Any]:
    return (
        select(
            arrivals.c.id,
            arrivals.c.file,
            arrivals.c.sha256,
            photos.c.size_bytes,
            arrivals.c.arrived_at,
            _outcome().label("outcome"),
            results.c.taken_at,
            results.c.site,
            refusals.c.stage,
            refusals.c.reason,
            refusals.c.remedy,
            readings.c.flags,
            func.coalesce(readings.c.device, refusal_details.c.device).label("device"),
            refusal_details.c.code,
        )
        .select_from(_joined())
        .order_by(arrivals.c.id)
    )
