"""Whole groves over years as readings with known truth, for benchmarks and tests: numbers, not pixels.

A wound is an ellipse whose sides advance in the growing months, its ends four times slower (oriental beech, 18.4
against 4.5 mm a year: Tavankar, Picchio and co-workers).  Photos err as the reader errs: a stretch common to the site,
one of the visit, the rim's place, a stage misread now and then, signs missed or seen where moss grows.  What happens:
stalls, infections that grow and spread along the stem, cuts with and without an event written down, missed visits.
Deterministic by seed.
"""

from __future__ import annotations

import hashlib
import math
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from pipeline.hands import ellipse, handle
from pipeline.records import (
    Event,
    EventKind,
    Flag,
    GirthMeasure,
    Outlines,
    Reading,
    Register,
    Sign,
    SignReading,
    Site,
    Stage,
    Stem,
    Tree,
    WoundKind,
)
from pipeline.seasons import DAYS_A_MONTH, growing_days

if TYPE_CHECKING:
    from numpy.typing import NDArray

END_SHARE = 18.4 / 4.5
KINDS = (
    (WoundKind.DRILL_HOLE, (10.0, 16.0), (1.0, 1.2), 0.4),
    (WoundKind.NAIL_HOLE, (6.0, 9.0), (1.0, 1.2), 0.1),
    (WoundKind.WINDOW, (30.0, 60.0), (1.2, 2.0), 0.3),
    (WoundKind.STRIP, (20.0, 45.0), (2.5, 4.0), 0.2),
)


@dataclass(frozen=True, slots=True)
class GrovePlan:
    """What is simulated; rates are chances a site unless said otherwise."""

    trees: int = 20
    sites_a_tree: int = 3
    years: float = 3.0
    begin_on: date = date(2023, 3, 1)
    visit_days: int = 30
    growing_months: tuple[int, ...] = (4, 5, 6, 7, 8, 9, 10)
    side_mm_per_growing_month: float = 0.6
    side_spread: float = 0.35
    stalls: float = 0.08
    infections: float = 0.06
    lookalikes: float = 0.1
    cuts: float = 0.15
    unrecorded_openings: float = 0.05
    missed_visits: float = 0.1
    second_photos: float = 0.15
    stage_misread: float = 0.06
    sign_false_alarm: float = 0.01
    careless: float = 0.0
    """Share of visits made by the careless hand, see ``pipeline.hands``."""
    seed: int = 0


@dataclass(frozen=True, slots=True)
class ReaderError:
    """How photos err; standard deviations.

    The rim is seen too far out or in all round by ``rim_mm``, and wanders about that by ``wander_mm``, over lengths of
    5 mm, so that the ends of each chord move on their own too.
    """

    site_area_rel: float = 0.03
    visit_area_rel: float = 0.015
    rim_mm: float = 0.25
    corner_area_rel: float = 0.004
    wander_mm: float = 0.15


@dataclass(slots=True)
class SiteTruth:
    """What really happened at a site; lists run with ``days``."""

    site: int
    side_mm_per_growing_month: float
    days: list[date] = field(default_factory=list)
    width_mm: list[float] = field(default_factory=list)
    area_mm2: list[float] = field(default_factory=list)
    stage: list[Stage] = field(default_factory=list)
    sign_area_mm2: list[float] = field(default_factory=list)
    stalled_from: date | None = None
    infected_from: date | None = None
    sign: Sign | None = None
    opened_on: list[date] = field(default_factory=list)
    opened_by_mm: list[float] = field(default_factory=list)
    cut_on: list[date] = field(default_factory=list)
    closed_on: date | None = None
    lookalike: bool = False
    spoiled: list[date] = field(default_factory=list)
    """Days on which a photo of another wound, or a blurred one, counts as of this site."""


@dataclass(frozen=True, slots=True)
class SimulatedGrove:
    """A register, readings in order of site and day, and the truth by site."""

    register: Register
    readings: tuple[Reading, ...]
    truths: dict[int, SiteTruth]


def simulate_grove(plan: GrovePlan, error: ReaderError | None = None) -> SimulatedGrove:
    """A grove with its readings and truth; the same plan gives the same grove."""
    rng = np.random.default_rng(plan.seed)
    errors = error or ReaderError()
    trees: dict[str, Tree] = {}
    stems: dict[tuple[str, str], Stem] = {}
    sites: dict[int, Site] = {}
    events: list[Event] = []
    readings: list[Reading] = []
    truths: dict[int, SiteTruth] = {}
    for i in range(plan.trees):
        name = f"{'ABCDEFGH'[i // 100 % 8]}-{i % 100 + 1:03d}"
        trees[name] = Tree(
            name,
            "Aquilaria crassna",
            plan.begin_on - timedelta(days=2200),
            block="ABCDEFGH"[i // 100 % 8],
            row=str(i % 100 // 10 + 1),
            position=str(i % 10 + 1),
            x_m=3.0 * (i % 10),
            y_m=4.0 * (i // 10),
        )
        girth = float(rng.normal(520.0, 60.0))
        stems[name, "1"] = Stem(name, "1", (GirthMeasure(plan.begin_on, girth),))
        vigour = float(np.exp(rng.normal(0.0, 0.6 * plan.side_spread)))
        sick_from = None
        for k in range(plan.sites_a_tree):
            number = 1 + i * plan.sites_a_tree + k
            site, first = _new_site(number, name, k, plan, rng)
            sites[number] = site
            truth, happened = _live(site, first, vigour, sick_from, plan, rng)
            sick_from = truth.infected_from or sick_from
            events += happened
            truths[number] = truth
            readings += _photograph(site, first, truth, plan, errors, rng)
    if plan.careless > 0:
        stood = {number: site.tree for number, site in sites.items()}
        readings, spoiled = handle(readings, stood, plan.careless, np.random.default_rng((plan.seed, 1)))
        for number, days in spoiled.items():
            truths[number].spoiled += days
    register = Register(trees, stems, sites, tuple(sorted(events, key=lambda e: (e.on, e.site or 0))))
    return SimulatedGrove(register, tuple(readings), truths)


def _new_site(
    number: int, tree: str, k: int, plan: GrovePlan, rng: np.random.Generator
) -> tuple[Site, tuple[float, float]]:
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


def _live(
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


def _photograph(
    site: Site,
    first: tuple[float, float],
    truth: SiteTruth,
    plan: GrovePlan,
    errors: ReaderError,
    rng: np.random.Generator,
) -> list[Reading]:
    stretch_site = float(rng.normal(0.0, errors.site_area_rel))
    readings = []
    ratio = first[1] / first[0]
    for i, day in enumerate(truth.days):
        stretch = stretch_site + float(rng.normal(0.0, errors.visit_area_rel))
        rim = float(rng.normal(0.0, errors.rim_mm))
        height = 4.0 * truth.area_mm2[i] / (math.pi * truth.width_mm[i]) if truth.width_mm[i] > 0 else 0.0
        shape = (truth.width_mm[i], height or truth.width_mm[i] * ratio)
        for k in range(2 if rng.random() < plan.second_photos else 1):
            again = stretch + float(rng.normal(0.0, errors.corner_area_rel))
            chords = math.sqrt(2.0) * errors.wander_mm * rng.standard_normal(2)
            seen = _sizes(shape, again, rim + float(rng.normal(0.0, 0.3 * errors.rim_mm)), chords)
            readings.append(_reading(site, day, k, seen, truth, i, plan, errors, rng))
    return readings


def _sizes(
    shape: tuple[float, float], stretch: float, rim_mm: float, chords_mm: NDArray[np.float64]
) -> tuple[float, float, float, float]:
    """Width, height, area, perimeter as a photo gives them; all 0 where the opening is lost."""
    width = shape[0] * (1 + stretch / 2) + 2 * rim_mm + float(chords_mm[0]) if shape[0] > 0 else 0.0
    height = shape[1] * (1 + stretch / 2) + 2 * rim_mm + float(chords_mm[1]) if shape[0] > 0 else 0.0
    area, perimeter = ellipse(width, height)
    return (width, height, area, perimeter) if area >= 4.0 else (0.0, 0.0, 0.0, 0.0)


def _reading(
    site: Site,
    day: date,
    k: int,
    sizes: tuple[float, float, float, float],
    truth: SiteTruth,
    i: int,
    plan: GrovePlan,
    errors: ReaderError,
    rng: np.random.Generator,
) -> Reading:
    width, height, area, perimeter = sizes
    name = f"{site.site:06d}_{day.isoformat()}_{k}.jpg"
    parts = {
        "girth": 0.5 * errors.site_area_rel * area,
        "shared bark": 0.8660254 * errors.site_area_rel * area,
        "focal length": errors.visit_area_rel * area,
        "rim": 1.044 * errors.rim_mm * perimeter,
        "corner noise": errors.corner_area_rel * area,
        "softness": errors.wander_mm * math.sqrt(perimeter * min(perimeter, 5.0)),
    }
    chord_sd = math.hypot(2.088 * errors.rim_mm, math.sqrt(2.0) * errors.wander_mm)
    rel = math.sqrt(errors.site_area_rel**2 + errors.visit_area_rel**2) / 2
    closed = area <= 0
    return Reading(
        file=name,
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        site=site.site,
        taken_at=datetime.combine(day, time(3, k), UTC),
        visit_on=day,
        stage_p=_stage_p(truth.stage[i], plan, rng),
        signs=_signs(truth, i, plan, rng),
        not_a_site_p=0.02,
        aperture_area_mm2=area,
        aperture_area_mm2_sd=None if closed else math.sqrt(sum(part**2 for part in parts.values())),
        aperture_width_mm=width,
        aperture_width_mm_sd=None if closed else math.hypot(rel * width, chord_sd),
        aperture_height_mm=height,
        aperture_height_mm_sd=None if closed else math.hypot(rel * height, chord_sd),
        aperture_perimeter_mm=perimeter,
        aperture_perimeter_mm_sd=None if closed else math.hypot(rel * perimeter, 6.56 * errors.rim_mm),
        new_tissue_width_mm=None,
        wood_lab=None,
        wood_lab_sd=None,
        scale_px_per_mm=6.0,
        view_angle_deg=float(abs(rng.normal(0.0, 8.0))),
        sharpness_mm=float(rng.uniform(0.2, 0.8)),
        flags=Flag.NO_APERTURE if closed else Flag.NONE,
        outlines=Outlines(),
        model="simulated",
        settings="simulated",
        area_sd_parts={} if closed else parts,
    )


def _stage_p(truth: Stage, plan: GrovePlan, rng: np.random.Generator) -> tuple[float, ...]:
    """Probabilities of a reader that is right but for misread photos, mostly by one stage."""
    shown = int(truth)
    if rng.random() < plan.stage_misread:
        shown = int(np.clip(shown + rng.choice([-2, -1, 1, 2], p=[0.1, 0.4, 0.4, 0.1]), 0, 5))
    sure = float(rng.beta(12, 1.5))
    p = np.full(6, 0.0)
    p[shown] = sure
    for neighbour in (shown - 1, shown + 1):
        if 0 <= neighbour <= 5:
            p[neighbour] += (1 - sure) * 0.4
    p += (1 - p.sum()) / 6
    return tuple(float(v) for v in p / p.sum())


def _signs(truth: SiteTruth, i: int, plan: GrovePlan, rng: np.random.Generator) -> dict[Sign, SignReading]:
    area = truth.sign_area_mm2[i]
    signs: dict[Sign, SignReading] = {}
    for sign in Sign:
        p, seen = float(rng.beta(1.0, 25.0)), 0.0
        chance = plan.sign_false_alarm / len(Sign)
        if truth.lookalike and sign is Sign.GREEN_FILM:
            p, chance = float(rng.beta(2.0, 12.0)), 0.04
        if rng.random() < chance:
            p, seen = float(rng.uniform(0.5, 0.9)), float(rng.uniform(20, 300))
        if sign is truth.sign and area > 0:
            found = 1.0 / (1.0 + math.exp(-(math.log(area) - math.log(180.0)) / 0.35))
            if rng.random() < 0.97 * found:
                p, seen = float(rng.beta(12, 1.2)), area * float(np.exp(rng.normal(0.0, 0.2)))
        signs[sign] = SignReading(p, seen or None, None)
    return signs
