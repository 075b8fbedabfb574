"""Which sites today's walk visits and why; pure, from assessed trees."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

from pipeline.advice import ADVICE_FOR, Advice
from pipeline.alerts import TreeView
from pipeline.alerts.asked import ASKED
from pipeline.alerts.visiting import due_on, interval_days
from pipeline.records import Severity
from pipeline.rounds.settled import answered_by_the_walk, sent_again
from pipeline.rounds.walk import in_walking_order

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence
    from datetime import date

    from pipeline.alerts.view import SiteView
    from pipeline.records import Finding, PhotoFacts, Refusal, Register, Site, Tree, TreeHealth
    from pipeline.settings import Settings


class Kind(StrEnum):
    """Why a site is on the walk, most pressing first."""

    RETAKE = "retake"
    ASKED = "asked"
    """A person who could not tell from the last photo asked for another one."""
    OVERDUE = "overdue"
    DUE = "due"
    FIRST = "first"
    """Never photographed, and the register does not say when it was made."""


@dataclass(frozen=True, slots=True)
class Stop:
    """One site of the walk.

    Attributes
    ----------
    site
        Its register entry.
    tree
        The register entry of its tree.
    kind
        Why it is visited.
    stage
        Word of the closure stage last seen, or ``suspect``; empty where it was never photographed.
    last_on
        Day of the last visit.
    due_on
        Day on which the next one was due.
    refusal
        Of a retake: the photo that could not be read.
    advice
        Of a retake: what to do differently.
    alerts
        What is open at this site or its stem and asks for care, with the caution that belongs to it.
    """

    site: Site
    tree: Tree
    kind: Kind
    stage: str
    last_on: date | None
    due_on: date | None
    refusal: Refusal | None = None
    advice: Advice | None = None
    alerts: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Standing:
    """Where one site stands by its visits: all that the walk needs of an assessed tree, so that the rest may go.

    Attributes
    ----------
    kind
        Why it is visited, refused photos apart; ``None`` if it is not due.
    """

    site: Site
    tree: Tree
    kind: Kind | None
    stage: str
    last_on: date | None
    due_on: date | None
    alerts: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class Unplaced:
    """A refused photo of which nobody knows the site: only its sender can tell."""

    refusal: Refusal
    advice: Advice


@dataclass(frozen=True, slots=True)
class Round:
    """Today's walk; ``stops`` are in walking order, trees with a retake first, all sites of a tree together."""

    today: date
    stops: tuple[Stop, ...]
    unplaced: tuple[Unplaced, ...] = ()

    @property
    def trees(self) -> int:
        """How many trees the walk visits."""
        return len({stop.site.tree for stop in self.stops})

    def count(self, kind: Kind) -> int:
        """How many stops there are of a kind."""
        return sum(stop.kind is kind for stop in self.stops)


_ORDER = tuple(Kind)


def plan_round(
    healths: Iterable[TreeHealth],
    refusals: Sequence[Refusal],
    register: Register,
    settings: Settings,
    today: date,
    *,
    ahead_days: int = 0,
    settled: Collection[str] = (),
    photos: Sequence[PhotoFacts] = (),
) -> Round:
    """Plan a walk.

    Parameters
    ----------
    healths
        Assessed trees of the grove.
    refusals
        Photos that could not be read; those of a site that was photographed well since are left out.
    ahead_days
        Sites that fall due within this many days are taken along.
    settled
        Hashes of refused photos that need no retake, as people said.
    photos
        What arrived in the last days: where nothing is missing any more, a photo without a site is settled too.
    """
    standings = (at for health in healths for at in standings_of_tree(health, register, settings, today, ahead_days))
    stops = stops_of(standings, refusals, settings)
    gap = timedelta(minutes=settings.watch.walk_gap_min)
    done = {*settled, *answered_by_the_walk(photos, {s.site.tree for s in stops}, register, gap), *sent_again(photos)}
    return Round(today, order(stops, register), unplaced(refusals, settings, today, done))


def order(stops: Iterable[Stop], register: Register) -> tuple[Stop, ...]:
    """Trees with a retake first, each group in walking order; at a tree the retakes first, then by number."""
    by_tree: dict[str, list[Stop]] = {}
    for stop in stops:
        by_tree.setdefault(stop.site.tree, []).append(stop)
    first = [t for t, own in by_tree.items() if any(stop.kind is Kind.RETAKE for stop in own)]
    then = [t for t in by_tree if t not in set(first)]
    walk = [*in_walking_order(first, register), *in_walking_order(then, register)]
    return tuple(
        stop
        for tree in walk
        for stop in sorted(by_tree[tree], key=lambda s: (s.kind is not Kind.RETAKE, s.site.stem, s.site.site))
    )


def standings_of_tree(
    health: TreeHealth, register: Register, settings: Settings, today: date, ahead_days: int = 0
) -> tuple[Standing, ...]:
    """Where the sites of one tree stand; retired sites and removed stems are left out."""
    view = TreeView(health.sites, register, settings, today)
    standings = []
    for site in view.sites:
        kind, due = _due(view, site, today, ahead_days)
        if any(f.rule == ASKED and f.site == site.site.site for f in health.findings):
            kind = Kind.ASKED
        word = interval_days(view, site)[1] if site.last else ""
        last_on = site.last.visit_on if site.last else None
        standings.append(Standing(site.site, health.tree, kind, word, last_on, due, _care(health, site.site)))
    return tuple(standings)


def stops_of(standings: Iterable[Standing], refusals: Iterable[Refusal], settings: Settings) -> list[Stop]:
    """Sites that the walk visits: those that are due, and those whose latest photo was refused."""
    own: dict[int, list[Refusal]] = {}
    for refusal in refusals:
        if refusal.site is not None and refusal.taken_at is not None:
            own.setdefault(refusal.site, []).append(refusal)
    stops = []
    for at in standings:
        retake = _retake(at, own.get(at.site.site, ()), settings)
        kind = at.kind if retake is None else Kind.RETAKE
        if kind is not None:
            advice = ADVICE_FOR[retake.code] if retake else None
            stops.append(Stop(at.site, at.tree, kind, at.stage, at.last_on, at.due_on, retake, advice, at.alerts))
    return stops


def _due(view: TreeView, site: SiteView, today: date, ahead_days: int) -> tuple[Kind | None, date | None]:
    since = site.last.visit_on if site.last else site.site.made_on
    if since is None:
        return Kind.FIRST, None
    due = since + timedelta(days=interval_days(view, site)[0]) if site.last else since
    overdue = due_on(view, site)
    if overdue is not None and today > overdue:
        return Kind.OVERDUE, due
    return (Kind.DUE if today + timedelta(days=ahead_days) >= due else None), due


def _retake(at: Standing, refusals: Iterable[Refusal], settings: Settings) -> Refusal | None:
    """The latest refused photo of a site that no readable one of the same day or later follows."""
    latest = max(refusals, key=lambda r: (r.taken_at, r.file), default=None)
    if latest is None or latest.taken_at is None:
        return None
    if at.last_on is not None and at.last_on >= latest.taken_at.astimezone(settings.grove.zone).date():
        return None
    return latest


def _care(health: TreeHealth, site: Site) -> tuple[Finding, ...]:
    """Open matters that a person at the trunk should know of."""
    return tuple(
        f
        for f in health.findings
        if (f.site == site.site or (f.site is None and f.stem in ("", site.stem)))
        and (f.severity is Severity.ACT or f.rule.startswith("sign"))
    )


def unplaced(
    refusals: Sequence[Refusal], settings: Settings, today: date, settled: Collection[str] = ()
) -> tuple[Unplaced, ...]:
    """Refused photos of the last days (``alerts.retake_days``) whose site nobody could read, latest first.

    Those whose hash is in ``settled`` need no retake any more.
    """
    first = today - timedelta(days=settings.alerts.retake_days)
    zone = settings.grove.zone
    recent = [
        r
        for r in refusals
        if r.site is None
        and r.sha256 not in settled
        and r.taken_at is not None
        and first <= r.taken_at.astimezone(zone).date() <= today
    ]
    recent.sort(key=lambda r: (r.taken_at, r.file), reverse=True)
    return tuple(Unplaced(r, ADVICE_FOR[r.code]) for r in recent)
