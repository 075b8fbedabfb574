"""What photos of one site share: recomputable, forgotten when one of them is read again."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import delete, insert, or_, select

from pipeline.records import BarkScale, Comparison, Flag, RimArc, RimField, RimMove, RimPart, RimShift
from pipeline.store.bark_tables import SCALE, SHIFT, TOGETHER, bark_scales, comparisons, rim_fields
from pipeline.store.connected import CHUNK, Connected
from pipeline.store.tables import readings, results, standing

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from sqlalchemy import ColumnElement, Connection, RowMapping


DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Tie:
    """What a photo's site says of it: how surely it is the same place, and its scale (``None``: its own).

    ``field`` is the rim's advance since an earlier photo, as far as pieces of the rim go: without arcs and rims.
    """

    same_place: float | None
    scale: BarkScale | None
    field: RimField | None = None


class Near(NamedTuple):
    """A photo that a phone took near a time: when, of which site, its hash, and when it was read."""

    taken_at: datetime
    site: int
    sha256: str
    read_at: datetime


class Bark(Connected):
    """Comparisons of two photos, and what they give to each photo."""

    def sites_to_tie(self, basis: str) -> list[int]:
        """Sites of which a reading that counts was not compared, or on another basis, in order."""
        query = (
            select(results.c.site)
            .select_from(
                results.join(standing, standing.c.result == results.c.id).outerjoin(
                    bark_scales, (bark_scales.c.sha256 == results.c.sha256) & (bark_scales.c.basis == basis)
                )
            )
            .where(results.c.kind == "reading", bark_scales.c.sha256.is_(None), results.c.site.is_not(None))
            .distinct()
            .order_by(results.c.site)
        )
        with self._reading() as connection:
            return list(connection.execute(query).scalars())

    def comparisons_of(self, hashes: Sequence[str], basis: str) -> dict[tuple[str, str], Comparison]:
        """Comparisons whose later photo is one of these, by (earlier, later)."""
        return {
            (found.earlier, found.later): found for found in self._comparisons(hashes, comparisons.c.basis == basis)
        }

    def comparisons_among(self, hashes: Sequence[str]) -> list[Comparison]:
        """Comparisons whose later photo is one of these, on whatever basis they were made."""
        return list(self._comparisons(hashes))

    def _comparisons(self, hashes: Sequence[str], *wanted: ColumnElement[bool]) -> Iterator[Comparison]:
        for start in range(0, len(hashes), CHUNK):
            query = select(comparisons).where(comparisons.c.later.in_(hashes[start : start + CHUNK]), *wanted)
            with self._reading() as connection:
                rows = connection.execute(query).all()
            for row in rows:
                places = tuple((a, b, c, d, sd) for a, b, c, d, sd in row.places)
                yield Comparison(
                    row.earlier, row.later, row.same_place, row.blocks, row.agreeing, row.scatter_mm, places
                )

    def save_ties(
        self, found: Iterable[Comparison], ties: Mapping[str, Tie], basis: str, fields: Iterable[RimField] = ()
    ) -> None:
        """Save comparisons and what they give, of one site, at once; earlier ones of these photos give way.

        Parameters
        ----------
        fields
            At most one for each later photo.
        """
        kept = [asdict(c) | {"basis": basis, "places": [list(place) for place in c.places]} for c in found]
        rows = []
        for sha256, tie in ties.items():
            scale = dict.fromkeys(SCALE) if tie.scale is None else asdict(tie.scale)
            rows.append({"sha256": sha256, "basis": basis, "same_place": tie.same_place} | scale)
        with self._writing() as connection:
            forget(connection, list(ties))
            if kept:
                connection.execute(insert(comparisons), kept)
            if rows:
                connection.execute(insert(bark_scales), rows)
            moved = [_field_row(each) for each in fields]
            if moved:
                connection.execute(insert(rim_fields), moved)

    def ties_of(self, hashes: Iterable[str]) -> dict[str, Tie]:
        """What is known of photos, by hash."""
        wanted, found = sorted(set(hashes)), {}
        for start in range(0, len(wanted), CHUNK):
            query = (
                select(bark_scales, *_PIECES)
                .outerjoin(rim_fields, rim_fields.c.later == bark_scales.c.sha256)
                .where(bark_scales.c.sha256.in_(wanted[start : start + CHUNK]))
            )
            with self._reading() as connection:
                for row in connection.execute(query).mappings():
                    scale = None if row["area"] is None else BarkScale(**{name: row[name] for name in SCALE})
                    field = None if row["earlier"] is None else _field_of(row)
                    found[row["sha256"]] = Tie(row["same_place"], scale, field)
        return found

    def read_at(self, sha256: str) -> datetime | None:
        """When the result that counts of a photo was made."""
        query = select(results.c.read_at).join(standing, standing.c.result == results.c.id)
        with self._reading() as connection:
            return connection.execute(query.where(results.c.sha256 == sha256)).scalar_one_or_none()

    def photos_near(self, device: str, at: datetime, within: timedelta) -> list[Near]:
        """Photos that a phone took near a time and that were read, in order of time."""
        query = (
            select(results.c.taken_at, results.c.site, results.c.sha256, results.c.read_at)
            .select_from(results.join(standing, standing.c.result == results.c.id).join(readings))
            .where(readings.c.device == device, results.c.site.is_not(None))
            .where(results.c.visit_on.between((at - within).date() - DAY, (at + within).date() + DAY))
            .where(readings.c.flags.bitwise_and(int(Flag.SCALE_FROM_BARK)) == 0)
        )
        with self._reading() as connection:
            rows = [Near(*row) for row in connection.execute(query)]
        return sorted(row for row in rows if abs(row.taken_at - at) <= within)

    def rim_fields_of(self, hashes: Iterable[str]) -> dict[str, RimField]:
        """Whole fields of the rim's advance, with arcs and rims, by the later photo."""
        wanted, found = sorted(set(hashes)), {}
        for start in range(0, len(wanted), CHUNK):
            query = select(rim_fields).where(rim_fields.c.later.in_(wanted[start : start + CHUNK]))
            with self._reading() as connection:
                for row in connection.execute(query).mappings():
                    found[row["later"]] = _field_of(row, row["detail"])
        return found


_PIECES = [column for column in rim_fields.c if column.name != "detail"]


def _field_row(field: RimField) -> dict[str, Any]:
    row: dict[str, Any] = {"later": field.later, "earlier": field.earlier}
    for piece in TOGETHER:
        shift: RimShift | None = getattr(field, piece)
        row |= {f"{piece}_{name}": None if shift is None else float(getattr(shift, name)) for name in SHIFT}
    row["detail"] = {
        "parts": {part.value: _numbers(shift) for part, shift in field.parts.items()},
        "arcs": [
            [arc.part.value, arc.move.value, *(round(v, 4) for v in (arc.x_mm, arc.y_mm, arc.length_mm)), *_moved(arc)]
            for arc in field.arcs
        ],
        "earlier_rims": [[list(corner) for corner in rim] for rim in field.earlier_rims],
        "later_rims": [[list(corner) for corner in rim] for rim in field.later_rims],
    }
    return row


def _numbers(shift: RimShift) -> list[float]:
    return [round(float(getattr(shift, name)), 5) for name in SHIFT]


def _moved(arc: RimArc) -> tuple[float, float]:
    return round(arc.advance_mm, 5), round(arc.advance_mm_sd, 5)


def _field_of(row: RowMapping, detail: Mapping[str, Any] | None = None) -> RimField:
    pieces: dict[str, Any] = {
        piece: None
        if row[f"{piece}_length_mm"] is None
        else RimShift(**{name: row[f"{piece}_{name}"] for name in SHIFT})
        for piece in TOGETHER
    }
    if detail is None:
        return RimField(row["earlier"], row["later"], **pieces)
    return RimField(
        row["earlier"],
        row["later"],
        **pieces,
        parts={RimPart(name): RimShift(*numbers) for name, numbers in detail["parts"].items()},
        arcs=tuple(
            RimArc(RimPart(part), x, y, length, advance, sd, RimMove(move))
            for part, move, x, y, length, advance, sd in detail["arcs"]
        ),
        earlier_rims=tuple(tuple((x, y) for x, y in rim) for rim in detail["earlier_rims"]),
        later_rims=tuple(tuple((x, y) for x, y in rim) for rim in detail["later_rims"]),
    )


def forget(connection: Connection, hashes: Sequence[str]) -> None:
    """Remove what rests on these photos' patches and outlines."""
    for start in range(0, len(hashes), CHUNK):
        some = hashes[start : start + CHUNK]
        connection.execute(
            delete(comparisons).where(or_(comparisons.c.later.in_(some), comparisons.c.earlier.in_(some)))
        )
        connection.execute(delete(bark_scales).where(bark_scales.c.sha256.in_(some)))
        connection.execute(delete(rim_fields).where(or_(rim_fields.c.later.in_(some), rim_fields.c.earlier.in_(some))))
