"""Cumulative evidence that a wound has stopped closing, against its own pace before.

A generalised likelihood ratio (Lorden 1971, Ann. Math. Stat. 42:1897): for each visit after which the sides may have
stopped, the widths seen since are compared under *still* and under *going on at its own pace*, the pace being that of
the visits up to then, with its uncertainty and what a season may change of it.  The largest ratio counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.advance import width_line, width_own_sd
from pipeline.seasons import DAYS_A_MONTH, growing_days

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import Visit

BEFORE_LEAST, BEFORE_MOST, AFTER_LEAST = 3, 8, 2
LEAST_DAYS, MOST_DAYS = 40, 150
"""Growing days since the visit after which the sides may have stopped."""
PACE_REL_SD = 0.35
"""How much a site's pace may differ from the one before, as a share; own choice."""


@dataclass(frozen=True, slots=True)
class Standstill:
    """The strongest case for a standstill: since which visit, its evidence, and the advance of a side since.

    ``evidence`` is the natural logarithm of the likelihood ratio; ``pace`` and ``advance`` are mm a growing month.
    """

    since: Visit
    evidence: float
    pace: float
    advance: float
    growing_days: int


def standstill(
    visits: Sequence[Visit], growing: tuple[int, ...], young_until: int = 0, least_pace: float = 0.0
) -> Standstill | None:
    """The strongest case that the sides have stopped after one of the visits; ``None`` where none can be made.

    Parameters
    ----------
    visits
        Visits of the episode with a width, in order; the last one is today's.
    young_until
        Index of the first visit that is old enough for an advance to be expected.
    least_pace
        Advance of a side, mm a growing month, that the site must have shown before; a slower one is no pace.
    """
    last = len(visits) - 1
    begin = visits[0].visit_on if visits else None
    if begin is None or last < BEFORE_LEAST:
        return None
    days = [growing_days(begin, v.visit_on, growing) for v in visits]
    best: Standstill | None = None
    for stop in range(last - AFTER_LEAST, max(young_until, 0) + BEFORE_LEAST - 2, -1):
        since = days[last] - days[stop]
        if since > MOST_DAYS:
            break
        first = max(young_until, stop - BEFORE_MOST + 1)
        if since < LEAST_DAYS or days[stop] - days[first] < DAYS_A_MONTH:
            continue
        found = _case(visits[first : stop + 1], visits[stop + 1 :], np.array(days[first:]) / DAYS_A_MONTH, since)
        if found is not None and found.pace > least_pace and (best is None or found.evidence > best.evidence):
            best = found
    return best


def _case(
    before: Sequence[Visit], after: Sequence[Visit], months: NDArray[np.float64], since: int
) -> Standstill | None:
    """The case that the sides stopped at the last visit of ``before``; ``months`` are of all the visits."""
    line = width_line(before, months[: len(before)])
    if line is None or line.slope <= 0:
        return None
    ahead = months[len(before) :] - months[len(before) - 1]
    lost = np.array([-line.level - (v.aperture_width_mm or 0.0) for v in after])
    own = np.array([width_own_sd(v) for v in after])
    if not np.isfinite(own).all():
        return None
    noise = np.diag(own**2) + line.level_sd**2
    pace_var = line.slope_sd**2 + (PACE_REL_SD * line.slope) ** 2
    still = _log_likelihood(lost, noise)
    going_on = _log_likelihood(lost - line.slope * ahead, noise + pace_var * np.outer(ahead, ahead))
    weighted = np.linalg.solve(noise, ahead)
    advance = float(weighted @ lost) / float(weighted @ ahead) if ahead[-1] > 0 else 0.0
    return Standstill(before[-1], still - going_on, 0.5 * line.slope, 0.5 * advance, since)


def _log_likelihood(residuals: NDArray[np.float64], covariance: NDArray[np.float64]) -> float:
    sign, log_determinant = np.linalg.slogdet(covariance)
    if sign <= 0:
        return -math.inf
    return -0.5 * float(residuals @ np.linalg.solve(covariance, residuals) + log_determinant)
