"""The true course of one site: how its wound closes, what is done to it, what befalls it."""

from __future__ import annotations

import math
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from pipeline.hands import ellipse
from pipeline.records import Event, EventKind, Sign, Site, Stage, WoundKind
from pipeline.seasons import DAYS_A_MONTH, growing_days
from pipeline.simulate.plan import SiteTruth

if TYPE_CHECKING:
    from pipeline.simulate.plan import GrovePlan

END_SHARE = 18.4 / 4.5
KINDS = (
    (WoundKind.DRILL_HOLE, (10.0, 16.0), (1.0, 1.2), 0.4),
    (WoundKind.NAIL_HOLE, (6.0, 9.0), (1.0, 1.2), 0.1),
    (WoundKind.WINDOW, (30.0, 60.0), (1.2, 2.0), 0.3),
    (WoundKind.STRIP, (20.0, 45.0), (2.5, 4.0), 0.2),
)


def new_site(
    number: int, tree: str, k: int, plan: GrovePlan, rng: np.random.Generator
) -> tuple[Site, tuple[float, float]]:
    """A site of a tree, and the width and height of its wound when made, mm."""
    shares = np.array([share for *_, share in KINDS])
    kind, widths, ratios, _ = KINDS[int(rng.choice(len(KINDS), p=shares / shares.sum()))]
    width = float(rng.uniform(*widths))
    height = width * float(rng.uniform(*ratios))
    made = plan.begin_on + timedelta(days=int(rng.integers(0, 120)))
    site = Site(
        number,
        tree,
        kind,
        "1",
        made,
        height_cm=60.0 + 35.0 * k,
        bearing_deg=float(rng.uniform(0, 360)),
        first_width_mm=width,
        first_height_mm=height,
    )
    return site, (width, height)


def live(
    site: Site,
    first: tuple[float, float],
    vigour: float,
    sick_from: date | None,
    plan: GrovePlan,
    rng: np.random.Generator,
) -> tuple[SiteTruth, list[Event]]:
    """The wound's true course at its visits, and the events that are written down."""
    assert site.made_on is not None
    rate = plan.side_mm_per_growing_month * vigour * float(np.exp(rng.normal(0.0, 0.8 * plan.side_spread)))
    truth = SiteTruth(site.site, rate)
    begin, end = site.made_on, plan.begin_on + timedelta(days=round(365.25 * plan.years))
    span = (end - begin).days
    if rng.random() < plan.stalls:
        truth.stalled_from = begin + timedelta(days=int(rng.uniform(0.2, 0.7) * span))
    infected = rng.random() < plan.infections
    spread = sick_from is not None and rng.random() < 0.4
    if infected or spread:
        earliest = sick_from if spread and sick_from is not None else begin + timedelta(days=60)
        truth.infected_from = earliest + timedelta(days=int(rng.uniform(30, 0.6 * span)))
        truth.sign = Sign(rng.choice([s.value for s in Sign]))
    truth.lookalike = bool(rng.random() < plan.lookalikes)
    cut_on = begin + timedelta(days=int(rng.uniform(0.4, 0.8) * span)) if rng.random() < plan.cuts else None
    opening_on = (
        begin + timedelta(days=int(rng.uniform(0.3, 0.8) * span)) if rng.random() < plan.unrecorded_openings else None
    )
    events = [
        Event(begin, EventKind.DRILLED if "hole" in site.kind.value else EventKind.CUT, site.tree, "1", site.site)
    ]
    width, height = first
    area_first = ellipse(width, height)[0]
    since, closed_on, day = begin, None, begin + timedelta(days=int(rng.integers(1, 12)))
    last = begin
    lag = float(rng.normal(35.0, 8.0))
    season = float(np.exp(rng.normal(0.0, 0.15)))
    while day <= end:
        if cut_on is not None and last < cut_on <= day:
            events.append(Event(cut_on, EventKind.CUT, site.tree, "1", site.site, float(rng.integers(50, 300)), "g"))
            width, height = width + float(rng.uniform(8, 25)), height + float(rng.uniform(8, 25))
            area_first, since, closed_on, lag = ellipse(width, height)[0], cut_on, None, 30.0
            truth.cut_on.append(cut_on)
        if opening_on is not None and last < opening_on <= day and width > 0:
            by = float(rng.uniform(3.0, 9.0))
            width, height = width + by, height + by
            truth.opened_on.append(opening_on)
            truth.opened_by_mm.append(by)
            area_first, closed_on = max(area_first, ellipse(width, height)[0]), None
        if day.year != last.year:
            season = float(np.exp(rng.normal(0.0, 0.15)))
        way = _way(
            max(last, since + timedelta(days=round(max(lag, 0.0)))), day, truth.stalled_from, rate * season, plan
        )
        if width > 0:
            width_before = width
            width -= 2.0 * way
            height = max(0.5, height - 2.0 * way / END_SHARE)
            if width <= 0:
                share = width_before / (2.0 * way) if way > 0 else 1.0
                width, closed_on = 0.0, _on_the_way(last, day, share, plan)
        area = ellipse(width, height)[0]
        truth.days.append(day)
        truth.width_mm.append(width)
        truth.area_mm2.append(area)
        truth.stage.append(_stage((day - since).days, lag, area / area_first, closed_on, day))
        truth.sign_area_mm2.append(_sign_area(truth, day))
        last = day
        day += timedelta(days=max(3, round(plan.visit_days + rng.normal(0, 3))))
        while rng.random() < plan.missed_visits:
            day += timedelta(days=plan.visit_days)
    truth.closed_on = closed_on
    return truth, events


def _way(start: date, stop: date, stalled_from: date | None, rate: float, plan: GrovePlan) -> float:
    """Advance of a side between two days."""
    if stalled_from is not None:
        stop = min(stop, stalled_from)
    return rate * max(0, growing_days(start, stop, plan.growing_months)) / DAYS_A_MONTH if stop > start else 0.0


def _on_the_way(last: date, day: date, share: float, plan: GrovePlan) -> date:
    """Day between two visits by which a share of the growing days between them has passed."""
    wanted = share * growing_days(last, day, plan.growing_months)
    reached = last + timedelta(days=1)
    while reached < day and growing_days(last, reached, plan.growing_months) < wanted:
        reached += timedelta(days=1)
    return reached


def _sign_area(truth: SiteTruth, day: date) -> float:
    if truth.infected_from is None or day < truth.infected_from:
        return 0.0
    return min(6000.0, 150.0 * math.exp((day - truth.infected_from).days / 35.0))


def _stage(days: int, lag: float, ratio: float, closed_on: date | None, day: date) -> Stage:
    if closed_on is not None:
        return Stage.REBARKED if (day - closed_on).days > 200 else Stage.CLOSED
    if days < 0.6 * lag:
        return Stage.FRESH
    if days < lag + 15:
        return Stage.RESINOUS
    return Stage.CLOSING if ratio < 0.8 else Stage.CALLUS
