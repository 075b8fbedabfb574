"""What photos of one site share: recomputable, forgotten when one of them is read again."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from sqlalchemy import delete, insert, or_, select

from pipeline.records import BarkScale, Comparison
from pipeline.store.bark_tables import SCALE, bark_scales, comparisons
from pipeline.store.connected import CHUNK, Connected
from pipeline.store.tables import results, standing

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from sqlalchemy import Connection


@dataclass(frozen=True, slots=True)
class Tie:
    """What a photo's site says of it: how surely it is the same place, and its scale (``None``: its own)."""

    same_place: float | None
    scale: BarkScale | None


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
        found: dict[tuple[str, str], Comparison] = {}
        for start in range(0, len(hashes), CHUNK):
            query = select(comparisons).where(
                comparisons.c.later.in_(hashes[start : start + CHUNK]), comparisons.c.basis == basis
            )
            with self._reading() as connection:
                for row in connection.execute(query):
                    places = tuple((a, b, c, d, sd) for a, b, c, d, sd in row.places)
                    found[row.earlier, row.later] = Comparison(
                        row.earlier, row.later, row.same_place, row.blocks, row.agreeing, row.scatter_mm, places
                    )
        return found

    def save_ties(self, found: Iterable[Comparison], ties: Mapping[str, Tie], basis: str) -> None:
        """Save comparisons and what they give, of one site, at once; earlier ones of these photos give way."""
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

    def ties_of(self, hashes: Iterable[str]) -> dict[str, Tie]:
        """What is known of photos, by hash."""
        wanted, found = sorted(set(hashes)), {}
        for start in range(0, len(wanted), CHUNK):
            query = select(bark_scales).where(bark_scales.c.sha256.in_(wanted[start : start + CHUNK]))
            with self._reading() as connection:
                for row in connection.execute(query).mappings():
                    scale = None if row["area"] is None else BarkScale(**{name: row[name] for name in SCALE})
                    found[row["sha256"]] = Tie(row["same_place"], scale)
        return found


def forget(connection: Connection, hashes: Sequence[str]) -> None:
    """Remove what rests on these photos' patches and outlines."""
    for start in range(0, len(hashes), CHUNK):
        some = hashes[start : start + CHUNK]
        connection.execute(
            delete(comparisons).where(or_(comparisons.c.later.in_(some), comparisons.c.earlier.in_(some)))
        )
        connection.execute(delete(bark_scales).where(bark_scales.c.sha256.in_(some)))
