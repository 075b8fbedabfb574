"""What was read in the photos: recomputable, keyed by photo, reader and settings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, exists, func, insert, select, tuple_, update
from sqlalchemy.dialects.sqlite import insert as upsert

from pipeline.records import Reading, Refusal
from pipeline.store.bark import forget
from pipeline.store.connected import CHUNK, Connected
from pipeline.store.hand_tables import refusal_details, stated_times
from pipeline.store.rows import not_finite, outlines_json, reading_of, reading_row, refusal_of, storable
from pipeline.store.tables import outlines, reader_uses, readings, refusals, results, standing

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date, datetime

    from sqlalchemy import Connection, Row, Select


@dataclass(frozen=True, slots=True)
class ResultBasis:
    """Enough of a stored result to see whether it would come out the same today."""

    sha256: str
    site: int | None
    visit_on: date | None
    refused_at: str
    basis: str


class Results(Connected):
    """Readings and refusals, one of them for each photo, reader and settings."""

    def use_reader(self, model: str, settings: str, since: datetime) -> bool:
        """Make this reader and these settings the ones whose results count; true if they were not already.

        Photos that they have not read yet keep their older result until they have.
        """
        with self._writing() as connection:
            if _in_use(connection) == (model, settings):
                return False
            connection.execute(insert(reader_uses).values(model=model, settings=settings, since=since))
            theirs = (
                select(results.c.id)
                .where(results.c.sha256 == standing.c.sha256)
                .where(results.c.model == model, results.c.settings == settings)
                .correlate(standing)
            )
            connection.execute(update(standing).values(result=theirs.scalar_subquery()).where(exists(theirs)))
            return True

    def reader_in_use(self) -> tuple[str, str] | None:
        """Model and settings hash whose results count, or ``None`` before the first run."""
        with self._reading() as connection:
            return _in_use(connection)

    def save_results(
        self,
        found: Sequence[Reading | Refusal],
        *,
        model: str,
        settings: str,
        read_at: datetime,
        program: str,
        bases: Mapping[str, str] | None = None,
    ) -> None:
        """Save what was read, in one transaction; an earlier result of the same photo, reader and settings gives way.

        Parameters
        ----------
        found
            At most one for each photo.
        model, settings
            The reader's name and the settings hash.
        read_at, program
            When, and by which version of the program.
        bases
            For each photo a text that changes when its result should be made again (see ``batch``).

        Raises
        ------
        ValueError
            If a reading carries another reader's name or a figure that is not a number.
        """
        rows = [
            _result_row(item, model, settings, read_at, program, (bases or {}).get(item.sha256, "")) for item in found
        ]
        if not rows:
            return
        with self._writing() as connection:
            counts = _in_use(connection) == (model, settings)
            _remove(connection, [row["sha256"] for row in rows], model, settings)
            forget(connection, [row["sha256"] for row in rows])
            connection.execute(insert(results), rows)
            numbers = _numbers(connection, [row["sha256"] for row in rows], model, settings)
            _insert_details(connection, found, numbers)
            place = upsert(standing)
            place = (
                place.on_conflict_do_update(index_elements=["sha256"], set_={"result": place.excluded.result})
                if counts
                else place.on_conflict_do_nothing()
            )
            connection.execute(place, [{"sha256": sha256, "result": number} for sha256, number in numbers.items()])

    def readings_of(self, sites: Iterable[int], *, with_outlines: bool = True) -> list[Reading]:
        """Readings that count of some sites, in order of site, time and hash.

        ``with_outlines=False`` leaves :attr:`Reading.outlines` empty, which is much quicker for many.
        """
        wanted, found = sorted(set(sites)), []
        for start in range(0, len(wanted), CHUNK):
            query = _readings(with_outlines).where(results.c.site.in_(wanted[start : start + CHUNK]))
            with self._reading() as connection:
                found += [reading_of(row) for row in connection.execute(query).mappings()]
        return sorted(found, key=_order)

    def readings(self, *, with_outlines: bool = True) -> Iterator[Reading]:
        """All readings that count, a site after the other, each site in order of time and hash."""
        with self._reading() as connection:
            sites = (
                connection.execute(
                    select(results.c.site)
                    .join(standing, standing.c.result == results.c.id)
                    .where(results.c.kind == "reading")
                    .distinct()
                    .order_by(results.c.site)
                )
                .scalars()
                .all()
            )
        for start in range(0, len(sites), CHUNK):
            yield from self.readings_of(sites[start : start + CHUNK], with_outlines=with_outlines)

    def days_of_devices(self, devices: Iterable[str]) -> dict[str, list[tuple[str, date]]]:
        """For each phone its photos that were read, as hash and day of the visit, in order of day."""
        found: dict[str, list[tuple[str, date]]] = {device: [] for device in devices}
        query = (
            select(readings.c.device, results.c.sha256, results.c.visit_on)
            .select_from(results.join(standing, standing.c.result == results.c.id).join(readings))
            .where(readings.c.device.in_(sorted(found)))
            .order_by(results.c.visit_on, results.c.sha256)
        )
        with self._reading() as connection:
            for row in connection.execute(query):
                found[row.device].append((row.sha256, row.visit_on))
        return found

    def result_of(self, sha256: str) -> Reading | Refusal | None:
        """The result that counts of one photo."""
        with self._reading() as connection:
            row = connection.execute(_readings(True).where(results.c.sha256 == sha256)).mappings().first()
            if row is not None:
                return reading_of(row)
            row = connection.execute(refusals_query().where(results.c.sha256 == sha256)).mappings().first()
            return None if row is None else refusal_of(row)

    def refusals(self) -> list[Refusal]:
        """All refusals that count, in order of hash."""
        with self._reading() as connection:
            rows = connection.execute(refusals_query().order_by(results.c.sha256)).mappings()
            return [refusal_of(row) for row in rows]

    def bases(self, model: str, settings: str) -> Iterator[ResultBasis]:
        """What each result of a reader rests on, page by page."""
        query = (
            select(
                results.c.id, results.c.sha256, results.c.site, results.c.visit_on, results.c.basis, refusals.c.stage
            )
            .outerjoin(refusals, refusals.c.result == results.c.id)
            .where(results.c.model == model, results.c.settings == settings)
        )
        for row in self._in_chunks(query):
            yield ResultBasis(row.sha256, row.site, row.visit_on, row.stage or "", row.basis)

    def bases_of_others(self, model: str) -> Iterator[ResultBasis]:
        """The same of readings that count and were made by another reader."""
        query = (
            select(results.c.id, results.c.sha256, results.c.site, results.c.visit_on, results.c.basis)
            .join(standing, standing.c.result == results.c.id)
            .where(results.c.kind == "reading", results.c.model != model)
        )
        for row in self._in_chunks(query):
            yield ResultBasis(row.sha256, row.site, row.visit_on, "", row.basis)

    def _in_chunks(self, query: Select[Any]) -> Iterator[Row[Any]]:
        """Rows of a query on results, a chunk at a time in their order, so that no connection is held in between."""
        last = 0
        ordered = query.order_by(results.c.id).limit(CHUNK)
        while True:
            with self._reading() as connection:
                rows = connection.execute(ordered.where(results.c.id > last)).all()
            yield from rows
            if len(rows) < CHUNK:
                return
            last = rows[-1].id

    def readings_by_reader(self) -> dict[str, int]:
        """How many of the readings that count each reader made, by its name with version."""
        query = (
            select(results.c.model, func.count())
            .select_from(standing.join(results, results.c.id == standing.c.result))
            .where(results.c.kind == "reading")
            .group_by(results.c.model)
            .order_by(results.c.model)
        )
        with self._reading() as connection:
            return {str(model): int(count) for model, count in connection.execute(query)}

    def count_stale(self) -> int:
        """Photos whose result that counts was made by another reader or with other settings than those in use."""
        with self._reading() as connection:
            in_use = _in_use(connection)
            if in_use is None:
                return 0
            query = (
                select(func.count())
                .select_from(standing.join(results, results.c.id == standing.c.result))
                .where(tuple_(results.c.model, results.c.settings) != in_use)
            )
            return int(connection.execute(query).scalar_one())

    def prune(self) -> int:
        """Remove results that no longer count; returns how many."""
        with self._writing() as connection:
            return connection.execute(delete(results).where(results.c.id.not_in(select(standing.c.result)))).rowcount


def _in_use(connection: Connection) -> tuple[str, str] | None:
    query = select(reader_uses.c.model, reader_uses.c.settings).order_by(reader_uses.c.id.desc()).limit(1)
    row = connection.execute(query).first()
    return None if row is None else (row.model, row.settings)


def _result_row(
    item: Reading | Refusal, model: str, settings: str, read_at: datetime, program: str, basis: str
) -> dict[str, Any]:
    row: dict[str, Any] = {
        "sha256": item.sha256,
        "model": model,
        "settings": settings,
        "kind": "refusal",
        "file": storable(item.file),
        "site": None if item.site is None else int(item.site),
        "taken_at": item.taken_at,
        "visit_on": None,
        "basis": basis,
        "program": program,
        "read_at": read_at,
    }
    if isinstance(item, Reading):
        if (item.model, item.settings) != (model, settings):
            raise ValueError(f"reading of {item.model}/{item.settings} saved as one of {model}/{settings}")
        bad = not_finite(item)
        if bad is not None:
            raise ValueError(f"{bad} of {item.file} is not a finite number")
        row |= {"kind": "reading", "visit_on": item.visit_on}
    return row


def _remove(connection: Connection, hashes: Sequence[str], model: str, settings: str) -> None:
    for start in range(0, len(hashes), CHUNK):
        connection.execute(
            delete(results).where(
                results.c.sha256.in_(hashes[start : start + CHUNK]),
                results.c.model == model,
                results.c.settings == settings,
            )
        )


def _numbers(connection: Connection, hashes: Sequence[str], model: str, settings: str) -> dict[str, int]:
    numbers: dict[str, int] = {}
    for start in range(0, len(hashes), CHUNK):
        query = select(results.c.sha256, results.c.id).where(
            results.c.sha256.in_(hashes[start : start + CHUNK]),
            results.c.model == model,
            results.c.settings == settings,
        )
        numbers |= {row.sha256: row.id for row in connection.execute(query)}
    return numbers


def _insert_details(connection: Connection, found: Sequence[Reading | Refusal], numbers: Mapping[str, int]) -> None:
    read = [item for item in found if isinstance(item, Reading)]
    refused = [item for item in found if isinstance(item, Refusal)]
    if read:
        connection.execute(insert(readings), [{"result": numbers[item.sha256], **reading_row(item)} for item in read])
        connection.execute(
            insert(outlines),
            [{"result": numbers[item.sha256], "outlines": outlines_json(item.outlines)} for item in read],
        )
    stated = [
        {"result": numbers[item.sha256], "stated_at": item.stated_at} for item in found if item.stated_at is not None
    ]
    if stated:
        connection.execute(insert(stated_times), stated)
    if refused:
        connection.execute(
            insert(refusals),
            [
                {
                    "result": numbers[item.sha256],
                    "stage": item.stage.value,
                    "reason": storable(item.reason),
                    "remedy": storable(item.remedy),
                    "fault": int(item.fault),
                }
                for item in refused
            ],
        )
        connection.execute(
            insert(refusal_details),
            [
                {"result": numbers[item.sha256], "code": item.code.value, "device": storable(item.device)}
                for item in refused
            ],
        )


def _readings(with_outlines: bool) -> Select[Any]:
    source = (
        results.join(standing, standing.c.result == results.c.id)
        .join(readings, readings.c.result == results.c.id)
        .outerjoin(stated_times, stated_times.c.result == results.c.id)
    )
    columns = [c for c in results.c if c.name != "id"] + [c for c in readings.c if c.name != "result"]
    columns.append(stated_times.c.stated_at)
    if not with_outlines:
        return select(*columns).select_from(source)
    return select(*columns, outlines.c.outlines).select_from(
        source.join(outlines, outlines.c.result == readings.c.result)
    )


def refusals_query() -> Select[Any]:
    """Refusals that count."""
    columns = [c for c in results.c if c.name != "id"] + [c for c in refusals.c if c.name != "result"]
    columns += [refusal_details.c.code, refusal_details.c.device, stated_times.c.stated_at]
    return select(*columns).select_from(
        results.join(standing, standing.c.result == results.c.id)
        .join(refusals, refusals.c.result == results.c.id)
        .outerjoin(refusal_details, refusal_details.c.result == results.c.id)
        .outerjoin(stated_times, stated_times.c.result == results.c.id)
    )


def _order(reading: Reading) -> tuple[int, datetime, str]:
    return (reading.site, reading.taken_at, reading.sha256)
