"""Alerts and statuses of many trees at once, from columns of readings; :func:`pipeline.flow.assess_tree` in numbers.

Every rule, the status and the stage filter are the same functions as for one tree.  What makes a hundred thousand sites
quick is what is left out: a record is made only of visits that a rule looks at (``alerts.screen``), and a rate only
where the status asks for one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from pipeline import alerts, timeline
from pipeline.advance import own_sds
from pipeline.alerts.closure import ENLARGED, STALLED, weigh_openings, weigh_standstills
from pipeline.alerts.screen import LAST_VISITS, LOOK_BACK, SCREENS, SeenSites, seem_larger
from pipeline.alerts.signs import SUSPECTED
from pipeline.alerts.status import UNKNOWN
from pipeline.alerts.view import SEEMS_LARGER
from pipeline.records import SiteHistory, Trend, WoundKind
from pipeline.timeline.table import AREA, HEIGHT, PERIMETER, WIDTH, VisitRecords, day_of, visits_in

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pipeline.records import Event, Finding, Question, Refusal, Register, Review, Site, Tree
    from pipeline.settings import Settings
    from pipeline.timeline import RegisterIndex
    from pipeline.timeline.table import ReadingTable, VisitTable


@dataclass(frozen=True, slots=True)
class TreeSurvey:
    """What the rules see in one tree, what only a person knows of it, and its status with the reasons."""

    tree: str
    findings: tuple[Finding, ...]
    questions: tuple[Question, ...]
    status: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Grove:
    """What is the same for all trees of a survey."""

    register: Register
    settings: Settings
    today: date
    reviews: Mapping[str, Sequence[Review]]
    refusals: Mapping[str, Sequence[Refusal]]


@dataclass(frozen=True, slots=True, eq=False)
class _Followed:
    """Sites, and their visits with episodes and filtered stages.

    Attributes
    ----------
    sites, events
        S entries of the register, each with the events that concern it.
    begin, end
        Shape (S,): rows of a site's visits.
    episode, posterior, flags
        Shape (V,), (V, 6), (V,): a visit.
    records
        Makes records of them.
    """

    sites: Sequence[Site]
    events: Sequence[tuple[Event, ...]]
    visits: VisitTable
    begin: NDArray[np.int64]
    end: NDArray[np.int64]
    episode: NDArray[np.int64]
    posterior: NDArray[np.float64]
    flags: NDArray[np.int64]
    records: VisitRecords

    def history(self, k: int, first: int, *, with_signs: bool) -> SiteHistory:
        """A site with its visits from row ``first`` on, without rates."""
        visits = self.records.of(range(first, int(self.end[k])), with_signs=with_signs)
        return SiteHistory(self.sites[k], tuple(visits), (), self.events[k])


def survey_trees(
    trees: Sequence[Tree],
    register: Register,
    readings: ReadingTable,
    settings: Settings,
    today: date,
    *,
    reviews: Mapping[str, Sequence[Review]] | None = None,
    refusals: Mapping[str, Sequence[Refusal]] | None = None,
    index: RegisterIndex | None = None,
) -> list[TreeSurvey]:
    """Findings, questions and status of trees, in their order.

    Parameters
    ----------
    readings
        Of these trees' sites; those of others are left out.
    reviews, refusals
        By tree (:func:`pipeline.flow.by_tree`).
    index
        The register's sites and events by tree; give it where many lots of trees of one register are surveyed.
    """
    index = timeline.index_register(register) if index is None else index
    grove = _Grove(register, settings, today, reviews or {}, refusals or {})
    sites = sorted((s for tree in trees for s in index.sites.get(tree.tree, ())), key=lambda site: site.site)
    events = [timeline.events_of_site(site, index.events.get(site.tree, ())) for site in sites]
    followed = _follow(sites, events, readings, settings)
    screened = _Screened.of(followed, grove)
    by_tree: dict[str, list[int]] = {}
    for k, site in enumerate(sites):
        by_tree.setdefault(site.tree, []).append(k)
    looks = [_Look.at(tree.tree, by_tree.get(tree.tree, []), followed, screened, grove) for tree in trees]
    weigh_standstills([look.view.only(look.passing[STALLED]) for look in looks if look.passing.get(STALLED)])
    weigh_openings([look.view.only(look.passing[ENLARGED]) for look in looks if look.passing.get(ENLARGED)])
    return [_judged(look, followed, screened, grove) for look in looks]


def _follow(
    sites: Sequence[Site], events: Sequence[tuple[Event, ...]], readings: ReadingTable, settings: Settings
) -> _Followed:
    numbers = np.array([site.site for site in sites], dtype=np.int64)
    visits = visits_in(readings.of_sites(numbers), settings.time)
    begin, end = np.searchsorted(visits.site, numbers, "left"), np.searchsorted(visits.site, numbers, "right")
    episode, posterior, flags = timeline.follow(sites, events, visits, begin, end, settings.time)
    records = VisitRecords(visits, episode, posterior, flags)
    return _Followed(sites, events, visits, begin, end, episode, posterior, flags, records)


@dataclass(frozen=True, slots=True, eq=False)
class _Screened:
    """Which sites which rule looks at, and from which row on visits are needed.

    Attributes
    ----------
    passing
        By rule, shape (S,).
    rules_of
        The rules that look at a site.
    any_rule
        Shape (S,): whether one does.
    first
        Shape (S,): row of the first visit that a rule may look at; ``current`` is where the current episode begins.
    signs
        Shape (S,): whether a rule looks at signs.
    area_own_sd_mm2
        Shape (V,): of the visits.
    larger
        Rows of visits that seem larger than the one before, rising.
    """

    passing: Mapping[str, NDArray[np.bool_]]
    rules_of: Sequence[Sequence[str]]
    any_rule: NDArray[np.bool_]
    first: NDArray[np.int64]
    current: NDArray[np.int64]
    signs: NDArray[np.bool_]
    area_own_sd_mm2: NDArray[np.float64]
    larger: NDArray[np.int64]

    @classmethod
    def of(cls, followed: _Followed, grove: _Grove) -> _Screened:
        seen = _columns(followed, grove)
        count = len(followed.sites)
        if not seen.day.size:  # nothing was ever seen: the rules look at every site
            every = np.ones(count, dtype=bool)
            return cls(
                {}, [()] * count, every, followed.begin, seen.current, every, seen.area_own_sd_mm2, seen.current[:0]
            )
        passing = {rule: screen(seen, grove.settings, grove.today) for rule, screen in SCREENS.items()}
        whole = seen.told.copy()
        for rule in LOOK_BACK:
            whole |= passing[rule]
        first = np.where(whole, seen.current, seen.enough(LAST_VISITS))
        # an answer about a photo may be of an earlier episode
        first = np.where(seen.told, followed.begin, first)
        unscreened = {rule.name for rule in alerts.RULES} - set(SCREENS)
        if unscreened:
            first = followed.begin
        any_rule = np.logical_or.reduce([*passing.values(), np.full(count, bool(unscreened))])
        names = list(passing)
        rules_of: list[list[str]] = [[] for _ in range(count)]
        for k, number in np.argwhere(np.column_stack(list(passing.values()))).tolist():
            rules_of[k].append(names[number])
        signs = passing[SUSPECTED] | bool(unscreened)
        return cls(
            passing,
            rules_of,
            any_rule,
            first,
            seen.current,
            signs,
            seen.area_own_sd_mm2,
            seem_larger(seen, grove.settings),
        )

    def days_larger(self, followed: _Followed, k: int) -> set[date]:
        """Days of a site's visits that seem larger than the one before."""
        first, stop = np.searchsorted(self.larger, (followed.begin[k], followed.end[k]))
        return {day_of(day) for day in followed.visits.day[self.larger[first:stop]].tolist()}


def _columns(followed: _Followed, grove: _Grove) -> SeenSites:
    visits, begin, end = followed.visits, followed.begin, followed.end
    some = end > begin
    last_episode = np.zeros(len(followed.sites), dtype=np.int64)
    last_episode[some] = followed.episode[end[some] - 1]
    current = end.copy()
    for k in np.flatnonzero(some).tolist():
        current[k] = begin[k] + np.searchsorted(followed.episode[begin[k] : end[k]], last_episode[k])
    area, width = visits.size[:, AREA], visits.size[:, WIDTH]
    area_sd, width_sd = visits.size_sd[:, AREA], visits.size_sd[:, WIDTH]
    told = [
        bool(grove.reviews.get(site.tree)) or any(r.site == site.site for r in grove.refusals.get(site.tree, ()))
        for site in followed.sites
    ]
    return SeenSites(
        end=end,
        current=current,
        day=visits.day,
        flags=followed.flags,
        stage=followed.posterior.argmax(axis=1),
        area_mm2=area,
        width_mm=width,
        height_mm=visits.size[:, HEIGHT],
        perimeter_mm=visits.size[:, PERIMETER],
        area_own_sd_mm2=own_sds(area, area_sd, visits.common_rel_sd),
        width_own_sd_mm=own_sds(width, width_sd, 0.5 * visits.common_rel_sd),
        same_place=visits.same_place,
        sign_p=visits.sign_p,
        begun=np.array([_begun(s, e) for s, e in zip(followed.sites, followed.events, strict=True)], dtype=np.int64),
        told=np.array(told, dtype=bool),
    )


def _begun(site: Site, events: Sequence[Event]) -> int:
    """Ordinal of the earliest day on which the current episode can have begun; 0 where none is known."""
    days = [event.on for event in events if event.event.starts_episode]
    return min([*days, *([site.made_on] if site.made_on else [])], default=date.min).toordinal() - 1


@dataclass(frozen=True, slots=True)
class _Look:
    """One tree as the rules see it.

    Attributes
    ----------
    own
        Its sites' places in the survey.
    histories
        Those sites with the visits that somebody looks at, without rates.
    view
        The sites that passed a screen.
    passing
        By rule, the numbers of the sites that it looks at; rules that look at none are left out where all have screens.
    """

    tree: str
    own: Sequence[int]
    histories: Sequence[SiteHistory]
    view: alerts.TreeView
    passing: Mapping[str, set[int]]

    @classmethod
    def at(cls, tree: str, own: Sequence[int], followed: _Followed, screened: _Screened, grove: _Grove) -> _Look:
        histories = [followed.history(k, int(screened.first[k]), with_signs=bool(screened.signs[k])) for k in own]
        view = alerts.TreeView(
            tuple(h for h, k in zip(histories, own, strict=True) if screened.any_rule[k]),
            grove.register,
            grove.settings,
            grove.today,
            tuple(grove.reviews.get(tree, ())),
            tuple(grove.refusals.get(tree, ())),
        )
        passing: dict[str, set[int]] = {rule: set() for rule in screened.passing}
        for k in own:
            number = followed.sites[k].site
            for rule in screened.rules_of[k]:
                passing[rule].add(number)
            if number in passing.get(ENLARGED, ()):
                view.memo[SEEMS_LARGER, number] = screened.days_larger(followed, k)
        return cls(tree, own, histories, view, passing)


def _judged(look: _Look, followed: _Followed, screened: _Screened, grove: _Grove) -> TreeSurvey:
    """The rules on what passed their screens, the status on every site's last visit."""
    findings: tuple[Finding, ...] = ()
    asked: tuple[Question, ...] = ()
    if look.view.histories:
        findings = alerts.find_in(look.view, look.passing)
        if any(finding.rule == ENLARGED for finding in findings):
            asked = alerts.questions_in(look.view.only(look.passing[ENLARGED]) if look.passing else look.view)
    status, reasons = alerts.tree_status(look.histories, findings, grove.settings)
    if status == UNKNOWN and any(h.visits for h in look.histories):  # it may know more with the rates
        rated = [
            _with_rate(followed, screened, k, history, grove.settings)
            for k, history in zip(look.own, look.histories, strict=True)
        ]
        status, reasons = alerts.tree_status(rated, findings, grove.settings)
    return TreeSurvey(look.tree, findings, asked, status, reasons)


def _with_rate(
    followed: _Followed, screened: _Screened, k: int, history: SiteHistory, settings: Settings
) -> SiteHistory:
    """A site with the rim's advance in its last episode."""
    if not history.visits or history.site.kind is WoundKind.BARK_PANEL:
        return history
    visits = followed.visits
    rows = slice(int(screened.current[k]), int(followed.end[k]))
    rate = timeline.rim_advance_rate_of(
        visits.day[rows],
        visits.size[rows, AREA],
        visits.size[rows, PERIMETER],
        screened.area_own_sd_mm2[rows],
        visits.common_rel_sd[rows],
        settings.time,
    )
    last, count = history.visits[-1], rows.stop - rows.start
    from_on = day_of(int(visits.day[rows.start]))
    trend = Trend(history.site.site, last.episode, from_on, last.visit_on, count, None, None, rate, None, "")
    return replace(history, trends=(trend,))
