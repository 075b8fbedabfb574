"""What the review page asks of the store: the last look at each site, and answers that cannot overwrite one another."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import func, select

from pipeline.errors import StoreError
from pipeline.records import Flag, Sign, Stage
from pipeline.store import audit
from pipeline.store.connected import CHUNK, Connected
from pipeline.store.hand_tables import clock_shifts
from pipeline.store.people import insert_review, review_of
from pipeline.store.results import refusals_query
from pipeline.store.rows import refusal_of
from pipeline.store.tables import alert_events, alerts, reader_uses, readings, results, reviews, standing

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from pipeline.records import Refusal, Review
    from pipeline.store.audit import LogEntry


class StaleAnswer(StoreError):
    """Somebody else answered this case in the meantime; nothing was recorded.

    Parameters
    ----------
    newer
        The answers that came after the one the page had seen.
    """

    def __init__(self, newer: Sequence[Review]) -> None:
        super().__init__("This case was answered by somebody else in the meantime.", "Look at what changed.")
        self.newer = tuple(newer)


@dataclass(frozen=True, slots=True)
class Look:
    """One photo of the last visit of a site, as far as a queue needs it."""

    site: int
    visit_on: date
    sha256: str
    stage_p: tuple[float, ...]
    sign_p: dict[Sign, float]
    sign_area_mm2: dict[Sign, float | None]
    flags: Flag


class Stamp(NamedTuple):
    """What is newest in the store; an unchanged stamp means unchanged cases."""

    review: int
    alert_event: int
    result: int
    reader: int
    shift: int = 0


_NEWEST = select(
    *(
        select(func.coalesce(func.max(table.c.id), 0)).scalar_subquery()
        for table in (reviews, alert_events, results, reader_uses, clock_shifts)
    )
)
"""Asked several times a page, so it is one statement and built once."""


class Casebook(Connected):
    """Cases for people, and their answers."""

    def stamp(self) -> Stamp:
        """Numbers of the newest answer, step of an alert, result, change of reader and correction of a clock."""
        with self._reading() as connection:
            return Stamp(*(int(number) for number in connection.execute(_NEWEST).one()))

    def changed_since(self, before: Stamp) -> tuple[set[int], set[str]] | None:
        """Sites with newer answers or results, trees with newer steps of alerts; ``None`` if reader or clock is new."""
        now = self.stamp()
        if (now.reader, now.shift) != (before.reader, before.shift):
            return None
        with self._reading() as connection:
            sites: set[int] = set()
            for table, newest in ((reviews, before.review), (results, before.result)):
                query = select(table.c.site).where(table.c.id > newest, table.c.site.is_not(None)).distinct()
                sites |= set(connection.execute(query).scalars())
            moved = select(alert_events.c.alert).where(alert_events.c.id > before.alert_event)
            trees = connection.execute(select(alerts.c.tree).where(alerts.c.id.in_(moved)).distinct()).scalars()
            return sites, set(trees)

    def last_looks(self, sites: Iterable[int] | None = None) -> list[Look]:
        """Photos of the last visit of each site, in order of site and time."""
        source = results.join(standing, standing.c.result == results.c.id)
        last = (
            select(results.c.site, func.max(results.c.visit_on).label("visit_on"))
            .select_from(source)
            .where(results.c.kind == "reading")
            .group_by(results.c.site)
        )
        wanted = None if sites is None else sorted(set(sites))
        if wanted is not None:
            last = last.where(results.c.site.in_(wanted))
        newest = last.subquery()
        query = (
            select(results.c.site, results.c.visit_on, results.c.sha256, readings)
            .select_from(
                source.join(readings, readings.c.result == results.c.id).join(
                    newest, (newest.c.site == results.c.site) & (newest.c.visit_on == results.c.visit_on)
                )
            )
            .order_by(results.c.site, results.c.taken_at, results.c.sha256)
        )
        with self._reading() as connection:
            rows = connection.execute(query).mappings().all()
        return [
            Look(
                row["site"],
                row["visit_on"],
                row["sha256"],
                tuple(row[f"p_{stage.word}"] for stage in Stage),
                {sign: row[f"p_{sign.value}"] for sign in Sign if row[f"p_{sign.value}"] is not None},
                {sign: row[f"{sign.value}_area_mm2"] for sign in Sign},
                Flag(row["flags"]),
            )
            for row in rows
        ]

    def refusals_of(self, sites: Iterable[int]) -> list[Refusal]:
        """Refused photos of some sites, in order of hash."""
        wanted, found = sorted(set(sites)), []
        for start in range(0, len(wanted), CHUNK):
            query = refusals_query().where(results.c.site.in_(wanted[start : start + CHUNK]))
            with self._reading() as connection:
                found += [refusal_of(row) for row in connection.execute(query).mappings()]
        return sorted(found, key=lambda refusal: refusal.sha256)

    def last_review(self, site: int) -> int:
        """Number of the newest answer about a site, 0 without any: the version of a case."""
        with self._reading() as connection:
            query = select(func.coalesce(func.max(reviews.c.id), 0)).where(reviews.c.site == site)
            return int(connection.execute(query).scalar_one())

    def answer_case(self, given: Sequence[Review], site: int, seen: int, entry: LogEntry) -> list[Review]:
        """Keep the answers to one case together with a line of the log; all of them or nothing.

        Parameters
        ----------
        given
            Answers about ``site``.
        seen
            Number of the newest answer about the site that the person had before their eyes.

        Returns
        -------
        The answers with their numbers.

        Raises
        ------
        StaleAnswer
            If there is a newer answer.
        StoreError
            If a photo or a replaced answer is not there.
        """
        if any(review.site != site for review in given):
            raise ValueError(f"every answer must be about site {site}")
        with self._writing() as connection:
            newer = connection.execute(
                select(reviews).where(reviews.c.site == site, reviews.c.id > seen).order_by(reviews.c.id)
            ).mappings()
            if later := [review_of(row) for row in newer]:
                raise StaleAnswer(later)
            kept = [insert_review(connection, review) for review in given]
            audit.append(connection, replace(entry, detail={**entry.detail, "answers": [r.id for r in kept]}))
        return kept
