"""What the rules, the stage filter and the closing dates got right in one simulated grove, as counts.

Every visit of every site is judged as it would have been on that day, from that visit and those before it.  Readings
go through the columns (``timeline.table``, ``timeline.follow``), the rules through their screens (``alerts.screen``),
the standstills of many visits at once: the same findings as one by one (``tests/unit/test_bench_alerts.py``), in a
tenth of the time.  Alerts about a whole stem are not counted: each needs two alerts about sites, and those are.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from pipeline import alerts, timeline
from pipeline.advance import own_sds
from pipeline.alerts.closure import ENLARGED, IMPLAUSIBLE, REOPENED, STALLED, weigh_openings, weigh_standstills
from pipeline.alerts.screen import SCREENS, SeenSites
from pipeline.alerts.signs import SPREADING, SUSPECTED
from pipeline.alerts.visiting import AGAINST, PLACE
from pipeline.records import Severity, SiteHistory
from pipeline.seasons import growing_days
from pipeline.simulate import GrovePlan, SimulatedGrove, SiteTruth, simulate_grove
from pipeline.timeline.table import AREA, HEIGHT, PERIMETER, WIDTH, VisitRecords, table_of, visits_in

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from numpy.typing import NDArray

    from pipeline.records import Reading, Visit
    from pipeline.settings import Settings
    from pipeline.timeline.table import VisitTable

RULES = (SUSPECTED, SPREADING, ENLARGED, STALLED, REOPENED, PLACE, AGAINST, IMPLAUSIBLE)
"""Rules that may ask for a look at one site because of its photos; a visit overdue is the visitor's doing."""
JUDGED = tuple(next(rule for rule in alerts.RULES if rule.name == name) for name in RULES)
URGENT = (Severity.LOOK, Severity.ACT)
VISIBLE_MM2 = 500.0
SITES_A_LOT = 60
NEVER_DAYS = 10_000
STAGE, STAGE_ALONE = "stage right, filtered", "stage right, single photo"
SIGN_0, SIGN_1, SIGN_2 = (
    "infection: alert at the first visit that shows 5 cm2",
    "infection: within one visit more",
    "infection: within two visits more",
)
FALSE, OF_THESE = "false alerts (look, act) opened a healthy site-visit", "of these: "
STALL_90, STALL_120 = "stall found within 90 growing days", "stall found within 120 growing days"
FALSE_STALL, FALSE_STALL_SITES = "false stalls opened a site-visit", "sites falsely called stalled at least once"
FALSE_STALL_SLOW = "false stalls opened a visit of a slow site"
OPENED = "enlargement of 3 mm or more found at the next visit"
DATE_GIVEN = "closing date given, from the fourth visit on"
DATE_HOLDS, DATE_HOLDS_3 = "closing date: 80 % interval holds", "the same three visits before closing"
DATE_ERROR_3 = "closing date: median error three visits before, days"
OTHER_WOUND = "photo of another wound pointed out at its visit"
ROWS = (SIGN_0, SIGN_1, SIGN_2, FALSE, *[OF_THESE + rule for rule in RULES], STALL_90, STALL_120, FALSE_STALL,
        FALSE_STALL_SLOW, FALSE_STALL_SITES, OPENED, STAGE, STAGE_ALONE, DATE_GIVEN, DATE_HOLDS, DATE_HOLDS_3,
        DATE_ERROR_3, OTHER_WOUND)  # fmt: skip


@dataclass(slots=True)
class Score:
    """Counts of one grove: by figure the right ones and the cases, or the values of which a median is wanted."""

    counts: dict[str, list[int]] = field(default_factory=dict)
    values: dict[str, list[float]] = field(default_factory=dict)

    def add(self, name: str, *outcomes: bool) -> None:
        """Count cases."""
        count = self.counts.setdefault(name, [0, 0])
        count[0] += sum(bool(outcome) for outcome in outcomes)
        count[1] += len(outcomes)


def score_grove(plan: GrovePlan, settings: Settings) -> Score:
    """All figures of one simulated grove."""
    grove, score = simulate_grove(plan), Score()
    readings: dict[int, list[Reading]] = defaultdict(list)
    for reading in grove.readings:
        readings[reading.site].append(reading)
    numbers = sorted(grove.register.sites)
    for first in range(0, len(numbers), SITES_A_LOT):
        for history, judged in judge_sites(grove, numbers[first : first + SITES_A_LOT], readings, settings):
            own = readings[history.site.site]
            _score_site(grove.truths[history.site.site], history, judged, own, settings, score)
    return score


def judge_sites(
    grove: SimulatedGrove, numbers: list[int], readings: dict[int, list[Reading]], settings: Settings
) -> Iterator[tuple[SiteHistory, list[set[str]]]]:
    """Sites with all their visits, and for each visit the rules that asked for a look or an act on that day."""
    sites = [grove.register.sites[number] for number in numbers]
    events = [timeline.events_of_site(site, grove.register.events_of(site.site)) for site in sites]
    table = visits_in(table_of(r for number in numbers for r in readings[number]), settings.time)
    begin, end = (np.searchsorted(table.site, numbers, side) for side in ("left", "right"))
    episode, posterior, flags = timeline.follow(sites, events, table, begin, end, settings.time)
    records = VisitRecords(table, episode, posterior, flags)
    histories = [
        SiteHistory(site, tuple(records.of(range(int(first), int(stop)))), (), concerning)
        for site, concerning, first, stop in zip(sites, events, begin, end, strict=True)
    ]
    seen = _prefixes(table, episode, posterior, flags)
    passing = np.column_stack(
        [SCREENS[rule](seen, settings, grove.register.sites[numbers[0]].made_on) for rule in RULES]
    )
    views: list[list[alerts.TreeView | None]] = []
    for history, first in zip(histories, begin.tolist(), strict=True):
        asked = passing[first : first + len(history.visits)].any(axis=1)
        views.append([_on_day(grove, history, i, settings) if asks else None for i, asks in enumerate(asked)])
    stalled = passing[:, RULES.index(STALLED)]
    flat = [view for own in views for view in own]
    weigh_standstills([view for view, asks in zip(flat, stalled, strict=True) if asks and view is not None])
    grown = passing[:, RULES.index(ENLARGED)]
    weigh_openings([view for view, asks in zip(flat, grown, strict=True) if asks and view is not None])
    for history, own, first in zip(histories, views, begin.tolist(), strict=True):
        judged = []
        for i, view in enumerate(own):
            site = history.site.site
            found = (
                (f for rule, passes in zip(JUDGED, passing[first + i], strict=True) if passes for f in rule.sees(view))
                if view is not None
                else ()
            )
            judged.append({f.rule for f in found if f.site == site and f.severity in URGENT})
        yield history, judged


def _on_day(grove: SimulatedGrove, history: SiteHistory, i: int, settings: Settings) -> alerts.TreeView:
    """A site as known on the day of its visit ``i``; rules look at visits and events only."""
    day = history.visits[i].visit_on
    known = SiteHistory(history.site, history.visits[: i + 1], (), tuple(e for e in history.events if e.on <= day))
    return alerts.TreeView((known,), grove.register, settings, day)


def _prefixes(
    table: VisitTable, episode: NDArray[np.int64], posterior: NDArray[np.float64], flags: NDArray[np.int64]
) -> SeenSites:
    """Each visit as the last one of a site of its own, which has the visits of that episode up to it."""
    count = table.day.size
    new = np.r_[True, (table.site[1:] != table.site[:-1]) | (episode[1:] != episode[:-1])][:count]
    head = np.maximum.accumulate(np.where(new, np.arange(count), 0))
    length = np.arange(count) - head + 1
    end = np.cumsum(length)
    rows = np.arange(int(end[-1]) if count else 0) - np.repeat(end - length, length) + np.repeat(head, length)
    area, width = table.size[rows, AREA], table.size[rows, WIDTH]
    common = table.common_rel_sd[rows]
    return SeenSites(
        end=end,
        current=end - length,
        day=table.day[rows],
        flags=flags[rows],
        stage=posterior.argmax(axis=1)[rows],
        area_mm2=area,
        width_mm=width,
        height_mm=table.size[rows, HEIGHT],
        perimeter_mm=table.size[rows, PERIMETER],
        area_own_sd_mm2=own_sds(area, table.size_sd[rows, AREA], common),
        width_own_sd_mm=own_sds(width, table.size_sd[rows, WIDTH], 0.5 * common),
        same_place=table.same_place[rows],
        sign_p=table.sign_p[rows],
        begun=np.zeros(count, dtype=np.int64),
        told=np.zeros(count, dtype=bool),
    )


def _score_site(
    truth: SiteTruth,
    history: SiteHistory,
    judged: list[set[str]],
    readings: list[Reading],
    settings: Settings,
    score: Score,
) -> None:
    """All figures of one site; visits of a day on which nobody was there (another wound's photo) have no truth."""
    rules = dict(zip((v.visit_on for v in history.visits), judged, strict=True))
    stages = dict(zip(truth.days, truth.stage, strict=True))
    for visit in history.visits:
        if visit.visit_on in stages:
            score.add(STAGE, visit.stage == stages[visit.visit_on])
            score.add(STAGE_ALONE, int(np.argmax(visit.stage_p)) == stages[visit.visit_on])
    for reading in readings:
        if int(reading.file.partition("_")[0]) != truth.site:
            score.add(OTHER_WOUND, PLACE in rules[reading.visit_on])
    _score_signs(truth, rules, score)
    _score_openings(truth, rules, score)
    _score_stall(truth, rules, settings, score)
    if truth.infected_from is None and truth.stalled_from is None and not truth.opened_on:
        _score_healthy(truth, rules, score)
    _score_dates(truth, history.visits, settings, score)


def _score_signs(truth: SiteTruth, rules: dict[date, set[str]], score: Score) -> None:
    areas = dict(zip(truth.days, truth.sign_area_mm2, strict=True))
    visible = [day for day in rules if areas.get(day, 0.0) >= VISIBLE_MM2]
    if len(visible) >= 3:
        hit = [bool(rules[day] & {SUSPECTED, SPREADING}) for day in visible[:3]]
        for k, name in enumerate((SIGN_0, SIGN_1, SIGN_2)):
            score.add(name, any(hit[: k + 1]))


def _score_openings(truth: SiteTruth, rules: dict[date, set[str]], score: Score) -> None:
    for opened, by in zip(truth.opened_on, truth.opened_by_mm, strict=True):
        after = [day for day in rules if day >= opened]
        if after and by >= 3.0 and not any(abs((cut - after[0]).days) <= 40 for cut in truth.cut_on):
            score.add(OPENED, bool(rules[after[0]] & {ENLARGED, REOPENED}))


def _score_healthy(truth: SiteTruth, rules: dict[date, set[str]], score: Score) -> None:
    before: set[str] = set()
    for day, found in rules.items():
        standing = found - ({PLACE} if day in truth.spoiled else set())  # it was another wound: rightly said
        opened, before = standing - before, standing
        score.add(FALSE, bool(opened))
        for rule in RULES:
            score.add(OF_THESE + rule, rule in opened)


def _score_stall(truth: SiteTruth, rules: dict[date, set[str]], settings: Settings, score: Score) -> None:
    """Stalls that were found, and stalls that were none."""
    months = settings.grove.growing_months
    called = [day for day, found in rules.items() if STALLED in found]
    if truth.stalled_from is None:
        if not truth.opened_on:
            standing = [STALLED in found for found in rules.values()]
            opened = [now and not was for was, now in zip([False, *standing], standing, strict=False)]
            score.add(FALSE_STALL, *opened)
            score.add(FALSE_STALL_SITES, any(opened))
            if truth.side_mm_per_growing_month < 2 * settings.alerts.stalled_advance_mm_per_month:
                score.add(FALSE_STALL_SLOW, *opened)
        return
    widths = dict(zip(truth.days, truth.width_mm, strict=True))
    after = [day for day in rules if day >= truth.stalled_from and widths.get(day, 0.0) > 3.0]
    disturbed = any(day >= truth.stalled_from for day in (*truth.cut_on, *truth.opened_on))
    if not after or disturbed or growing_days(truth.stalled_from, after[-1], months) < 120:
        return
    found_on = [day for day in called if day in after]
    first = growing_days(truth.stalled_from, found_on[0], months) if found_on else NEVER_DAYS
    score.add(STALL_90, first <= 90)
    score.add(STALL_120, first <= 120)


def _score_dates(truth: SiteTruth, seen: tuple[Visit, ...], settings: Settings, score: Score) -> None:
    """The closing date as given three visits before closing, and at each visit before."""
    if truth.closed_on is None or truth.opened_on or truth.stalled_from is not None or not seen:
        return
    visits = [v for v in seen if v.episode == seen[-1].episode and v.visit_on < truth.closed_on]
    for k in range(4, len(visits) + 1):
        outlook = timeline.forecast_closing(visits[:k], settings.time, settings.grove.growing_months)
        score.add(DATE_GIVEN, outlook.forecast is not None)
        if outlook.forecast is None:
            continue
        held = outlook.forecast.closes_on_lo <= truth.closed_on <= outlook.forecast.closes_on_hi
        score.add(DATE_HOLDS, held)
        if k == len(visits) - 2:
            off = abs((outlook.forecast.closes_on - truth.closed_on).days)
            score.values.setdefault(DATE_ERROR_3, []).append(off)
            score.add(DATE_HOLDS_3, held)
