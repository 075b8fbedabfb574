"""Stage over time: a hidden Markov model over the ordered stages.

The wound passes forward through the stages, at its own pace (a first-order chain with the usual days in each stage); it
goes back only where an event starts a new episode, or, rarely, where it was opened and nobody wrote it down.  What is
seen of it: the photos' stage probabilities, and whether and how far the aperture has shrunk since the episode began.

An odd photo moves little, because any photo may be misread (``odd_photo_p``) and a whole visit may belong to another
wound (``odd_visit_p``); three in a row outweigh that.
Rabiner 1989 (Proc. IEEE 77:257) gives the filter and the smoother.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from pipeline.records import Flag, Stage
from pipeline.timeline.opening import contradicts, likelihoods_of_openings, of_another_wound, reach_of_closing

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from numpy.typing import NDArray

    from pipeline.records import Visit
    from pipeline.settings import TimeSettings

Probabilities = tuple[float, ...]
STAGES = len(Stage)
AT_START: Probabilities = (0.72, 0.16, 0.06, 0.04, 0.01, 0.01)
"""Stage at the first visit after a wounding on the same day; own choice."""
OTHER_WOUND = 0.99
"""Chance that a visit shows another wound where its bark is not that of the site."""
UNKNOWN: Probabilities = (1 / 6,) * STAGES


@dataclass(frozen=True, slots=True)
class Step:
    """One visit as the chain sees it.

    ``days`` since the visit before (``None`` at the first); ``opened`` where an event lies between the two;
    ``days_since_wounding`` where that day is known.
    """

    days: int | None
    opened: bool
    days_since_wounding: int | None
    seen: Probabilities


@lru_cache(maxsize=4096)
def transition(days: int, mean_days: tuple[float, ...]) -> tuple[Probabilities, ...]:
    """Transition probabilities over a number of days; rows: from, columns: to.

    Exact for a chain that each day leaves stage ``i`` for the next with probability ``1 - exp(-1 / mean_days[i])``.
    """
    daily = np.eye(STAGES)
    for i, mean in enumerate(mean_days):
        leave = -np.expm1(-1.0 / mean)
        daily[i, i], daily[i, i + 1] = 1.0 - leave, leave
    power = np.linalg.matrix_power(daily, max(0, days))
    return tuple(tuple(float(p) for p in row) for row in power)


def filter_stages(steps: Sequence[Step], settings: TimeSettings) -> list[Probabilities]:
    """Probability of each stage at each visit, from that visit and those before it.

    Returns
    -------
    list
        One tuple of 6 a visit, each summing to 1.
    """
    posteriors: list[Probabilities] = []
    for step in steps:
        prior = _prior(posteriors[-1] if posteriors else None, step, settings)
        posteriors.append(_normalised(_product(prior, step.seen), prior))
    return posteriors


def smooth_stages(
    steps: Sequence[Step], settings: TimeSettings, filtered: Sequence[Probabilities] | None = None
) -> list[Probabilities]:
    """The same from all visits, also later ones (forward-backward); ``filtered`` spares the first pass."""
    if not steps:
        return []
    filtered = filter_stages(steps, settings) if filtered is None else filtered
    backward: Probabilities = (1.0,) * STAGES
    smoothed = [filtered[-1]]
    for i in range(len(steps) - 1, 0, -1):
        backward = _normalised(_back(_product(backward, steps[i].seen), steps[i], settings), UNKNOWN)
        smoothed.append(_normalised(_product(filtered[i - 1], backward), filtered[i - 1]))
    return smoothed[::-1]


def first_prior(step: Step, settings: TimeSettings) -> Probabilities:
    """Stage before anything is seen: from the day of wounding where known (half weight), else unknown."""
    if step.days_since_wounding is None:
        return UNKNOWN
    aged = _propagate(AT_START, transition(step.days_since_wounding, settings.stage_mean_days))
    return tuple(0.5 * a + 0.5 * u for a, u in zip(aged, UNKNOWN, strict=True))


def step_matrix(step: Step, settings: TimeSettings) -> tuple[Probabilities, ...]:
    """Transition matrix from the visit before to this one, with the chance of an opening nobody wrote down."""
    if step.opened:
        start = _after_opening(step, settings)
        return (start,) * STAGES
    forward = transition(step.days or 0, settings.stage_mean_days)
    rho = settings.unrecorded_opening_p
    return tuple(tuple((1 - rho) * p + rho * u for p, u in zip(row, UNKNOWN, strict=True)) for row in forward)


def _after_opening(step: Step, settings: TimeSettings) -> Probabilities:
    aged = _propagate(AT_START, transition(step.days_since_wounding or 0, settings.stage_mean_days))
    return tuple(0.8 * a + 0.2 * u for a, u in zip(aged, UNKNOWN, strict=True))


def prior_at_start(days_since_wounding: int | None, is_first: bool, settings: TimeSettings) -> Probabilities:
    """Stage before anything is seen of a site (``is_first``), or of a new episode."""
    step = Step(None if is_first else 0, not is_first, days_since_wounding, ())
    return first_prior(step, settings) if is_first else _after_opening(step, settings)


def _prior(before: Probabilities | None, step: Step, settings: TimeSettings) -> Probabilities:
    if before is None:
        return first_prior(step, settings)
    if step.opened:
        return _after_opening(step, settings)
    rho = settings.unrecorded_opening_p
    a, b, c, d, e, f = _propagate(before, transition(step.days or 0, settings.stage_mean_days))
    keep, other = 1 - rho, rho / STAGES
    return (keep * a + other, keep * b + other, keep * c + other, keep * d + other, keep * e + other, keep * f + other)


# The sums over six stages are written out: they run several times a visit, and loops take most of their time.


def _propagate(before: Probabilities, matrix: tuple[Probabilities, ...]) -> Probabilities:
    """Row vector times an upper triangular matrix."""
    a, b, c, d, e, f = before
    ma, mb, mc, md, me, mf = matrix
    return (
        a * ma[0],
        a * ma[1] + b * mb[1],
        a * ma[2] + b * mb[2] + c * mc[2],
        a * ma[3] + b * mb[3] + c * mc[3] + d * md[3],
        a * ma[4] + b * mb[4] + c * mc[4] + d * md[4] + e * me[4],
        a * ma[5] + b * mb[5] + c * mc[5] + d * md[5] + e * me[5] + f * mf[5],
    )


def _back(ahead: Probabilities, step: Step, settings: TimeSettings) -> Probabilities:
    """``step_matrix`` times a column vector."""
    a, b, c, d, e, f = ahead
    if step.opened:
        return (sum(_product(_after_opening(step, settings), ahead)),) * STAGES
    ma, mb, mc, md, me, mf = transition(step.days or 0, settings.stage_mean_days)
    keep = 1 - settings.unrecorded_opening_p
    other = settings.unrecorded_opening_p * (a + b + c + d + e + f) / STAGES
    return (
        keep * (a * ma[0] + b * ma[1] + c * ma[2] + d * ma[3] + e * ma[4] + f * ma[5]) + other,
        keep * (b * mb[1] + c * mb[2] + d * mb[3] + e * mb[4] + f * mb[5]) + other,
        keep * (c * mc[2] + d * mc[3] + e * mc[4] + f * mc[5]) + other,
        keep * (d * md[3] + e * md[4] + f * md[5]) + other,
        keep * (e * me[4] + f * me[5]) + other,
        keep * (f * mf[5]) + other,
    )


def _product(one: Probabilities, other: Probabilities) -> Probabilities:
    a, b, c, d, e, f = one
    u, v, w, x, y, z = other
    return a * u, b * v, c * w, d * x, e * y, f * z


def _normalised(values: Probabilities, fallback: Probabilities) -> Probabilities:
    a, b, c, d, e, f = values
    total = a + b + c + d + e + f
    return (a / total, b / total, c / total, d / total, e / total, f / total) if total > 0 else fallback


def likelihood_of_photos(stage_p: NDArray[np.float64], settings: TimeSettings) -> NDArray[np.float64]:
    """What the photos say, given that any photo may be misread: ``(1 - odd) p + odd / 6``."""
    odd = settings.odd_photo_p
    return (1.0 - odd) * stage_p + odd / STAGES


def seen_at_visits(
    day: NDArray[np.int64],
    width_mm: NDArray[np.float64],
    width_sd_mm: NDArray[np.float64],
    stage_p: NDArray[np.float64],
    begins: NDArray[np.bool_],
    opened: NDArray[np.bool_],
    same_place: NDArray[np.float64],
    settings: TimeSettings,
) -> NDArray[np.float64]:
    """What the chain sees of each visit, shape (N, 6): photos and opening, unless the visit shows another wound.

    Parameters
    ----------
    day, width_mm, width_sd_mm
        Shape (N,): visits of one or many sites, one after the other, each in order of day; ``nan``: not measured.
    stage_p
        Shape (N, 6): the photos' probabilities.
    begins, opened
        Shape (N,): the visit is its site's first; an event lies between it and the visit before.
    same_place
        Shape (N,): how surely the bark is that of the site; ``nan``: not compared.
    """
    rows, count = np.arange(day.size), day.size
    starts = np.flatnonzero(begins | opened)
    if not starts.size:
        return np.empty((0, STAGES))
    episode = np.cumsum(begins | opened) - 1
    is_open = width_mm > 0
    first_open = np.minimum.reduceat(np.where(is_open, rows, count), starts)[episode]
    known = first_open < rows
    first = np.where(known, first_open, 0)
    first_mm = np.where(known, width_mm[first], np.nan)
    first_sd_mm = np.where(width_sd_mm[first] > 0, width_sd_mm[first], 1.0)
    seen = likelihood_of_photos(stage_p, settings)
    seen *= likelihoods_of_openings(width_mm, width_sd_mm, first_mm, first_sd_mm, settings)
    before = np.maximum(rows - 1, 0)
    w, since = width_mm[before], day[before] - day[first]
    paced = known & (w > 0) & (since > 0)
    pace = np.where(paced, (first_mm - w) / np.where(paced, since, 1), 0.0)
    reach = reach_of_closing(w, width_sd_mm[before], (day - day[before]).astype(np.float64), pace, settings)
    seen[:, Stage.CLOSED :] *= np.where(begins | opened, 1.0, reach)[:, None]
    odd = np.where(same_place < settings.other_place_score, OTHER_WOUND, settings.odd_visit_p)
    return (1.0 - odd)[:, None] * seen + (odd / STAGES * of_another_wound(width_mm))[:, None]


def steps_of(
    visits: Sequence[Visit],
    numbers: Sequence[int],
    starts: Sequence[date],
    made_on: date | None,
    settings: TimeSettings,
) -> list[Step]:
    """What the chain sees of each visit; ``numbers`` are the visits' episodes."""
    count = len(visits)
    opened = [i > 0 and numbers[i] != numbers[i - 1] for i in range(count)]
    seen = seen_at_visits(
        np.array([v.visit_on.toordinal() for v in visits], dtype=np.int64),
        np.array([v.aperture_width_mm for v in visits], dtype=np.float64),
        np.array([v.aperture_width_mm_sd for v in visits], dtype=np.float64),
        np.array([v.stage_p for v in visits], dtype=np.float64).reshape(-1, STAGES),
        np.arange(count) == 0,
        np.array(opened, dtype=bool),
        np.array([v.same_place for v in visits], dtype=np.float64),
        settings,
    )
    steps: list[Step] = []
    for i, (visit, row) in enumerate(zip(visits, seen.tolist(), strict=True)):
        since = wounded_days(visit.visit_on, starts, made_on)
        steps.append(Step((visit.visit_on - visits[i - 1].visit_on).days if i else None, opened[i], since, tuple(row)))
    return steps


def wounded_days(day: date, starts: Sequence[date], made_on: date | None) -> int | None:
    """Days since the last wounding before a day; ``None`` where it is not known."""
    passed = bisect_right(starts, day)
    begun = starts[passed - 1] if passed else made_on
    return max(0, (day - begun).days) if begun else None


def contradictions(visits: Sequence[Visit], posteriors: Sequence[Probabilities], settings: TimeSettings) -> list[Flag]:
    """Flags of each visit: its bark is another wound's, or its likeliest stage does not go with the opening."""
    most = np.array([p.index(max(p)) for p in posteriors], dtype=np.int64)
    width = np.array([v.aperture_width_mm for v in visits], dtype=np.float64)
    sd = np.array([v.aperture_width_mm_sd for v in visits], dtype=np.float64)
    place = np.array([v.same_place for v in visits], dtype=np.float64)
    bits = doubt_bits(most, width, sd, place, settings)
    return [Flag(doubt) if doubt else Flag.NONE for doubt in bits.tolist()]


def doubt_bits(
    stage: NDArray[np.int64],
    width_mm: NDArray[np.float64],
    width_sd_mm: NDArray[np.float64],
    same_place: NDArray[np.float64],
    settings: TimeSettings,
) -> NDArray[np.int64]:
    """Flags of visits as bits: another wound's bark, or a stage that does not go with the opening; all shape (N,)."""
    other = same_place < settings.other_place_score
    against = contradicts(stage >= Stage.CLOSED, stage <= Stage.CALLUS, width_mm, width_sd_mm, settings) & ~other
    return np.where(other, int(Flag.OTHER_PLACE), np.where(against, int(Flag.STAGE_AGAINST_OPENING), 0))
