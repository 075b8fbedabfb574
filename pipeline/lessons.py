"""What a grove teaches: closing rates compared between groups of wounds, and wood taken beside how the tree answered.

The unit is one episode of one site (for seasons: one growing year of it): the advance of each side in mm a growing
month, with its own uncertainty.  Groups are pooled with random effects (DerSimonian & Laird 1986); sites of one tree
are not independent, so the standard error is the larger one of the model's and the cluster-robust one by tree (Hedges,
Tipton & Johnson 2010), with Student's t over trees.  Pure functions; ``docs/lessons.md`` says how to read them.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from pipeline import timeline
from pipeline.lines import chi_square_quantile, normal_quantile, student_quantile
from pipeline.records import EventKind, Interval
from pipeline.seasons import DAYS_A_YEAR

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from pipeline.records import Register, SiteHistory, Trend
    from pipeline.settings import Settings

MIN_SITES, MIN_TREES = 5, 3
"""Sites and trees that a group needs before it is pooled; own choice."""
MIN_SITES_A_YEAR = 3
"""Sites of one tree that a year's mean needs; own choice."""
LEVEL = 0.05
COVERAGE, NEW_SITE_COVERAGE = 0.95, 0.80
FIRST_WIDTHS_MM, HEIGHTS_CM, AGES_YEARS, WOOD_G = (10, 20, 40), (50, 100, 150), (5, 10, 15), (100, 200)
QUARTERS = ("north", "east", "south", "west")
GRAMS = {"g": 1.0, "kg": 1000.0}


@dataclass(frozen=True, slots=True)
class Lesson:
    """One unit: how fast one site closed within one episode, or within one growing year of it.

    ``rate`` is the advance of each side, mm a growing month (95 %); ``groups`` names its group in each comparison.
    """

    site: int
    tree: str
    year: int
    rate: Interval
    groups: dict[str, str]


@dataclass(frozen=True, slots=True)
class Group:
    """A group of a comparison.

    Attributes
    ----------
    mean
        Side advance, mm a growing month, 95 %; ``None`` where the data do not carry it.
    new_site
        What a new site of this group would do, 80 %.
    why_not
        What is missing, in words; empty where nothing is.
    """

    label: str
    sites: int
    trees: int
    mean: Interval | None
    new_site: Interval | None
    why_not: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Groups beside each other; ``differ`` is ``None`` where fewer than two can be pooled."""

    name: str
    groups: tuple[Group, ...]
    unknown: int
    differ: bool | None


@dataclass(frozen=True, slots=True)
class TreeYear:
    """Wood taken from a tree in a calendar year, and how fast its wounds closed that year and the next."""

    tree: str
    year: int
    cuts: int
    wood_g: float | None
    rate: Interval | None
    rate_next_year: Interval | None
    sites: int


@dataclass(frozen=True, slots=True)
class Lessons:
    """Everything that a grove teaches so far.

    ``season_mm`` is the width, both sides together, that closes in one growing season; ``window_mm`` the widest opening
    that nine of ten new sites of a kind would close in one.
    """

    overall: Group
    comparisons: tuple[Comparison, ...]
    tree_years: tuple[TreeYear, ...]
    growing_months: int
    episodes_without_rate: int
    window_mm: dict[str, float]
    words: str

    def season_mm(self, rate: float) -> float:
        """Width in mm that a side's advance a growing month closes in one growing season."""
        return 2.0 * rate * self.growing_months


@dataclass(frozen=True, slots=True)
class Pooled:
    """Random-effects mean, its standard error, the standard deviation between units, and degrees of freedom."""

    mean: float
    se: float
    between: float
    degrees: int


def pool(values: Sequence[float], sds: Sequence[float], clusters: Sequence[str]) -> Pooled:
    """Pool values with known standard uncertainties that come in clusters.

    Parameters
    ----------
    values, sds, clusters
        One a unit; two or more units from two or more clusters.
    """
    y, variances = np.array(values), np.square(np.maximum(np.array(sds), 1e-4))
    fixed = 1.0 / variances
    excess = float(fixed @ np.square(y - (fixed @ y) / fixed.sum())) - (y.size - 1)
    scale = float(fixed.sum() - np.square(fixed).sum() / fixed.sum())
    between = max(0.0, excess / scale) if scale > 0 else 0.0
    weights = 1.0 / (variances + between)
    total = float(weights.sum())
    mean = float(weights @ y) / total
    pulls: dict[str, float] = defaultdict(float)
    for cluster, pull in zip(clusters, (weights * (y - mean)).tolist(), strict=True):
        pulls[cluster] += pull
    count = len(pulls)
    robust = sum(pull * pull for pull in pulls.values()) / total**2 * count / (count - 1)
    return Pooled(mean, math.sqrt(max(1.0 / total, robust)), math.sqrt(between), count - 1)


def learn(histories: Sequence[SiteHistory], register: Register, settings: Settings) -> Lessons:
    """Compare the closing rates of a grove's sites.

    Parameters
    ----------
    histories
        All sites over time, also those without visits.
    register
        For the trees' age and the events.
    """
    growing = settings.grove.growing_months
    lessons = [lesson for history in histories for lesson in _of_episodes(history, register)]
    yearly = [lesson for history in histories for lesson in _of_years(history, settings)]
    comparisons = [_compare(name, lessons) for name in BY if name != "season"]
    comparisons.append(_compare("season", yearly))
    level = LEVEL / len(comparisons)
    compared = tuple(replace(c, differ=_differ(c.groups, level)) for c in comparisons)
    overall = _group("all wounds", lessons)
    episodes = sum(len(history.trends) for history in histories)
    result = Lessons(
        overall,
        compared,
        _tree_years(histories, yearly),
        len(growing),
        episodes - len(lessons),
        _windows(compared, len(growing)),
        "",
    )
    return replace(result, words=_words(result))


def _of_episodes(history: SiteHistory, register: Register) -> Iterable[Lesson]:
    for trend in history.trends:
        if trend.side_advance_mm_per_growing_month is not None:
            groups = {name: by(history, trend, register) for name, by in BY.items()}
            year = trend.from_on.year
            yield Lesson(history.site.site, history.site.tree, year, trend.side_advance_mm_per_growing_month, groups)


def _of_years(history: SiteHistory, settings: Settings) -> Iterable[Lesson]:
    """Rates within each calendar year of an episode; a growing season that spans New Year counts in two parts."""
    if not history.trends:
        return
    site = history.site
    for (year, episode), group in groupby(history.visits, key=lambda v: (v.visit_on.year, v.episode)):
        within = list(group)
        trend = timeline.trend_of(site.site, episode, within, settings.time, settings.grove.growing_months)
        if trend.side_advance_mm_per_growing_month is not None:
            rate = trend.side_advance_mm_per_growing_month
            yield Lesson(site.site, site.tree, year, rate, {"season": str(year)})


def _class(value: float | None, bounds: Sequence[int], unit: str) -> str:
    """``under 10 mm``, ``10 to 20 mm``, ``40 mm and more``; empty where the value is not known."""
    if value is None:
        return ""
    below = [b for b in bounds if value >= b]
    if not below:
        return f"under {bounds[0]} {unit}"
    if len(below) == len(bounds):
        return f"{bounds[-1]} {unit} and more"
    return f"{below[-1]} to {bounds[len(below)]} {unit}"


def _kind(history: SiteHistory, _: Trend, __: Register) -> str:
    return history.site.kind.value


def _first_width(history: SiteHistory, trend: Trend, _: Register) -> str:
    if trend.episode == 1 and history.site.first_width_mm is not None:
        return _class(history.site.first_width_mm, FIRST_WIDTHS_MM, "mm")
    widths = [v.aperture_width_mm for v in history.visits if v.episode == trend.episode]
    return _class(next((w for w in widths if w is not None), None), FIRST_WIDTHS_MM, "mm")


def _height(history: SiteHistory, _: Trend, __: Register) -> str:
    return _class(history.site.height_cm, HEIGHTS_CM, "cm")


def _bearing(history: SiteHistory, _: Trend, __: Register) -> str:
    bearing = history.site.bearing_deg
    return "" if bearing is None else QUARTERS[int(((bearing + 45.0) % 360.0) // 90.0)]


def _wounded_on(history: SiteHistory, trend: Trend) -> date | None:
    starts = [e.on for e in history.events if e.event.starts_episode and e.on <= trend.from_on]
    made_on = history.site.made_on
    return max([*starts, *([made_on] if made_on else [])], default=None)


def _induction(history: SiteHistory, trend: Trend, _: Register) -> str:
    since = _wounded_on(history, trend) or trend.from_on
    done = {e.event for e in history.events if since <= e.on <= trend.to_on}
    kinds = [kind.value for kind in (EventKind.INOCULATED, EventKind.TREATED) if kind in done]
    return " and ".join(kinds) or "neither inoculated nor treated"


def _stem_age(history: SiteHistory, trend: Trend, register: Register) -> str:
    site = history.site
    stem, tree = register.stems.get((site.tree, site.stem)), register.trees.get(site.tree)
    born = (stem.sprouted_on if stem is not None else None) or (tree.planted_on if tree is not None else None)
    return _class(None if born is None else (trend.from_on - born).days / DAYS_A_YEAR, AGES_YEARS, "years")


def _wood_taken(history: SiteHistory, trend: Trend, _: Register) -> str:
    """Wood taken at the cut that began the episode."""
    begun = _wounded_on(history, trend)
    cuts = [e for e in history.events if e.event is EventKind.CUT and e.on == begun and e.site == history.site.site]
    if not cuts:
        return "no cut"
    weights = [e.amount * GRAMS[e.unit] for e in cuts if e.amount is not None and e.unit in GRAMS]
    return _class(sum(weights), WOOD_G, "g") if weights else ""


BY: dict[str, Callable[[SiteHistory, Trend, Register], str]] = {
    "kind of wound": _kind,
    "first width": _first_width,
    "height above ground": _height,
    "side of the trunk": _bearing,
    "induction": _induction,
    "age of the stem": _stem_age,
    "wood taken at the cut": _wood_taken,
    "season": lambda _, trend, __: str(trend.from_on.year),
}
"""Every comparison, and which group an episode belongs to; an empty word where that is not known."""


def _compare(name: str, lessons: Sequence[Lesson]) -> Comparison:
    by_label: dict[str, list[Lesson]] = defaultdict(list)
    for lesson in lessons:
        by_label[lesson.groups[name]].append(lesson)
    unknown = len(by_label.pop("", []))
    groups = [_group(label, by_label[label]) for label in sorted(by_label, key=_natural)]
    return Comparison(name, tuple(groups), unknown, None)


def _natural(label: str) -> tuple[float, str]:
    """Classes by their lower bound, the compass round the trunk, other words by letter."""
    if label in QUARTERS:
        return QUARTERS.index(label), ""
    if label.startswith("under "):
        return 0.0, label
    first = label.split(" ", 1)[0]
    return (float(first), label) if first.isdigit() else (-1.0, label)


def _group(label: str, lessons: Sequence[Lesson]) -> Group:
    sites, trees = len({lesson.site for lesson in lessons}), len({lesson.tree for lesson in lessons})
    if sites < MIN_SITES or trees < MIN_TREES:
        why = f"not enough yet: {sites} of {MIN_SITES} sites and {trees} of {MIN_TREES} trees with a rate"
        return Group(label, sites, trees, None, None, why)
    found = _pool_lessons(lessons)
    half = student_quantile(0.5 + COVERAGE / 2, found.degrees) * found.se
    new = student_quantile(0.5 + NEW_SITE_COVERAGE / 2, found.degrees) * math.hypot(found.se, found.between)
    return Group(
        label,
        sites,
        trees,
        Interval(found.mean, found.mean - half, found.mean + half),
        Interval(found.mean, found.mean - new, found.mean + new),
        "",
    )


def _pool_lessons(lessons: Sequence[Lesson]) -> Pooled:
    wide = 2.0 * normal_quantile(0.975)
    return pool(
        [lesson.rate.value for lesson in lessons],
        [(lesson.rate.hi - lesson.rate.lo) / wide for lesson in lessons],
        [lesson.tree for lesson in lessons],
    )


def _differ(groups: Sequence[Group], level: float) -> bool | None:
    """Whether the groups' means differ by more than chance (Cochran's Q of the group means against chi-square)."""
    pooled = [(g.mean, g.trees) for g in groups if g.mean is not None]
    if len(pooled) < 2:
        return None
    means = np.array([mean.value for mean, _ in pooled])
    ses = np.array([(m.hi - m.lo) / (2 * normal_quantile(0.5 + COVERAGE / 2)) for m, _ in pooled])
    weights = 1.0 / np.square(ses)
    q = float(weights @ np.square(means - (weights @ means) / weights.sum()))
    return q > chi_square_quantile(1.0 - level, len(pooled) - 1)


def _tree_years(histories: Sequence[SiteHistory], yearly: Sequence[Lesson]) -> tuple[TreeYear, ...]:
    """Years in which wood was taken from a tree, in order of tree and year."""
    rates: dict[tuple[str, int], list[Lesson]] = defaultdict(list)
    for lesson in yearly:
        rates[lesson.tree, lesson.year].append(lesson)
    cuts = {
        (event.on, history.site.tree, event.site, event.amount, event.unit)
        for history in histories
        for event in history.events
        if event.event is EventKind.CUT
    }
    years: dict[tuple[str, int], list[tuple[float | None, str]]] = defaultdict(list)
    for on, tree, _, amount, unit in sorted(cuts, key=lambda c: (c[0], c[1], str(c[2]), c[3] or 0.0)):
        years[tree, on.year].append((amount, unit))
    rows = []
    for (tree, year), taken in sorted(years.items()):
        weights = [amount * GRAMS[unit] for amount, unit in taken if amount is not None and unit in GRAMS]
        now, after = rates.get((tree, year), []), rates.get((tree, year + 1), [])
        rows.append(
            TreeYear(tree, year, len(taken), sum(weights) if weights else None, _mean(now), _mean(after), len(now))
        )
    return tuple(rows)


def _mean(lessons: Sequence[Lesson]) -> Interval | None:
    """Mean rate of a tree's sites in a year; ``None`` with fewer than three sites."""
    if len({lesson.site for lesson in lessons}) < MIN_SITES_A_YEAR:
        return None
    wide = 2.0 * normal_quantile(0.975)
    found = pool(
        [lesson.rate.value for lesson in lessons],
        [(lesson.rate.hi - lesson.rate.lo) / wide for lesson in lessons],
        [str(lesson.site) for lesson in lessons],
    )
    half = student_quantile(0.975, found.degrees) * found.se
    return Interval(found.mean, found.mean - half, found.mean + half)


def _windows(comparisons: Sequence[Comparison], months: int) -> dict[str, float]:
    """By kind of wound: the widest opening, mm, that nine of ten new sites would close in one growing season."""
    kinds = next(c for c in comparisons if c.name == "kind of wound")
    return {g.label: max(0.0, 2.0 * months * g.new_site.lo) for g in kinds.groups if g.new_site is not None}


def _words(found: Lessons) -> str:
    """One paragraph for a person who reads no table."""
    if found.overall.mean is None:
        return (
            f"This grove does not teach anything yet: {found.overall.why_not}. A rate needs three visits with an "
            "opening and a month of growing season; keep photographing."
        )
    mean = found.overall.mean
    lo, middle, hi = (found.season_mm(v) for v in (mean.lo, mean.value, mean.hi))
    whole = (
        f"Over all wounds, the sides of an opening draw together by {middle:.1f} mm in a growing season of "
        f"{found.growing_months} months (mean of {found.overall.sites} sites on {found.overall.trees} trees; "
        f"{lo:.1f} to {hi:.1f}, 95 %)."
    )
    parts = [whole]
    sized = [f"{kind} {width:.0f} mm" for kind, width in found.window_mm.items() if width >= 1.0]
    if sized:
        parts.append(
            "Openings up to this width would be closed on the surface within one season at nine of ten new sites: "
            f"{', '.join(sized)}."
        )
    clear = [c.name for c in found.comparisons if c.differ]
    even = [c.name for c in found.comparisons if c.differ is False]
    thin = [c.name for c in found.comparisons if c.differ is None]
    if clear:
        parts.append(f"Beyond chance, the rate differs by {_list(clear)}; other things may differ along with it.")
    if even:
        parts.append(f"No difference beyond chance is seen by {_list(even)}; that does not prove that there is none.")
    if thin:
        parts.append(f"Not enough visits yet to compare by {_list(thin)}.")
    parts.append(_answer_words(found.tree_years))
    parts.append("A closed surface says nothing of the wood inside.")
    return " ".join(parts)


def _answer_words(rows: Sequence[TreeYear]) -> str:
    known = [(row.rate, row.rate_next_year) for row in rows if row.rate is not None and row.rate_next_year is not None]
    if len(known) < MIN_SITES:
        return (
            f"How trees answer to a cut cannot be said yet: {len(known)} of {MIN_SITES} years with a cut have rates in "
            "that year and the next."
        )
    changes = np.array([after.value - now.value for now, after in known])
    half = student_quantile(0.975, changes.size - 1) * float(changes.std(ddof=1)) / math.sqrt(changes.size)
    mean = float(changes.mean())
    if abs(mean) <= half:
        return (
            f"In the year after a cut the trees' wounds closed neither clearly faster nor slower than in the year of "
            f"the cut ({mean:+.2f} mm a month each side, {mean - half:+.2f} to {mean + half:+.2f}, "
            f"{changes.size} years)."
        )
    word = "faster" if mean > 0 else "slower"
    return (
        f"In the year after a cut the trees' wounds closed {word} than in the year of the cut, by {abs(mean):.2f} mm a "
        f"month each side ({mean - half:+.2f} to {mean + half:+.2f}, {changes.size} years)."
    )


def _list(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
