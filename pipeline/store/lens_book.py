"""What was learned of each phone's lenses, and from which photos more could be learned."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING

from sqlalchemy import delete, func, insert, select

from pipeline.records import LensFix
from pipeline.store.connected import Connected
from pipeline.store.lens_tables import VALUES, lenses, phones
from pipeline.store.tables import readings, results, standing

if TYPE_CHECKING:
    from collections.abc import Iterable


class LensBook(Connected):
    """Lenses by phone."""

    def lenses(self) -> dict[str, LensFix]:
        """Every lens of which something was learned, by its label, in order."""
        query = select(lenses).order_by(lenses.c.device, lenses.c.lens)
        with self._reading() as connection:
            return {
                row["lens"]: LensFix(row["lens"], row["device"], row["photos"], *(row[name] for name in VALUES))
                for row in connection.execute(query).mappings()
            }

    def phones_to_learn(self, least: int, growth: float) -> dict[str, int]:
        """Phones with enough new readings to look at their lenses (again), with how many readings they have.

        Parameters
        ----------
        least
            Readings that a phone must have at all.
        growth
            By what factor they must have become more since the last look.
        """
        count = func.count()
        query = (
            select(readings.c.device, count)
            .select_from(standing.join(readings, readings.c.result == standing.c.result))
            .where(readings.c.device != "")
            .group_by(readings.c.device)
            .having(count >= least)
            .order_by(readings.c.device)
        )
        with self._reading() as connection:
            known = {row.device: row.readings for row in connection.execute(select(phones))}
            found = {str(device): int(number) for device, number in connection.execute(query)}
        return {device: number for device, number in found.items() if number >= growth * known.get(device, 0)}

    def photos_of_phone(self, device: str, most: int) -> list[str]:
        """Hashes of the phone's latest readings, oldest first."""
        query = (
            select(results.c.sha256)
            .select_from(
                standing.join(results, results.c.id == standing.c.result).join(
                    readings, readings.c.result == results.c.id
                )
            )
            .where(readings.c.device == device)
            .order_by(results.c.taken_at.desc(), results.c.sha256)
            .limit(most)
        )
        with self._reading() as connection:
            return list(reversed(connection.execute(query).scalars().all()))

    def save_lenses(self, device: str, found: Iterable[LensFix], readings_seen: int) -> None:
        """Keep what a phone's photos say of its lenses, in place of what was known."""
        rows = [asdict(lens) for lens in found]
        with self._writing() as connection:
            for table in (lenses, phones):
                connection.execute(delete(table).where(table.c.device == device))
            connection.execute(insert(phones).values(device=device, readings=readings_seen))
            if rows:
                connection.execute(insert(lenses), rows)
