"""How fast a wound closes within one episode, with intervals from the readings' own uncertainties.

Percent area closure compares with the episode's first reading.  Rim advance is Gilman's: change of area over mean
perimeter (Gilman 1990, Wounds 2:95; formula as in Kecelj Leskovec et al. 2008).  It under-reads a slot whose ends stand
still, so the width closure rate (both sides together) is given beside it.  What stretches all visits of a site alike
(girth, card tilt, standoff) cancels in a change ``d`` but for its share ``d`` times the stretch.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from pipeline.advance import area_own_sd, gilman_advance_mm, own_sd
from pipeline.lines import Line, line_through, mann_kendall, normal_quantile
from pipeline.records import Interval, Trend
from pipeline.seasons import DAYS_A_MONTH, DAYS_A_YEAR, growing_months

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import Visit
    from pipeline.settings import TimeSettings

COVERAGE = 0.95


def area_closure_pct(visits: Sequence[Visit]) -> Interval | None:
    """Percent area closure of the last visit against the first, with a 95 % interval.

    The interval holds 100 at most; below 0 the opening has grown.  ``None`` without two visits or a first opening.
    """
    if len(visits) < 2:
        return None
    first, last = visits[0], visits[-1]
    a0, at = first.aperture_area_mm2, last.aperture_area_mm2
    if a0 is None or at is None or a0 <= 0:
        return None
    ratio = at / a0
    sd = math.hypot(area_own_sd(last), ratio * area_own_sd(first)) / a0
    half = normal_quantile(0.5 + COVERAGE / 2) * 100.0 * sd
    value = 100.0 * (1.0 - ratio)
    return Interval(value, value - half, min(100.0, value + half))


def open_visits(visits: Sequence[Visit], at_least: int) -> list[Visit]:
    """Visits that carry a rate: up to the last one with an opening, and the first closed one where more are needed.

    A surface that stays closed says nothing of a rate.
    """
    measured = [v for v in visits if v.aperture_area_mm2 is not None and v.aperture_perimeter_mm is not None]
    last_open = max((i for i, v in enumerate(measured) if v.aperture_area_mm2), default=-1)
    kept = measured[: last_open + 1]
    if len(kept) < at_least and last_open >= 0:
        kept = measured[: last_open + 2]
    return kept


def advance_line(visits: Sequence[Visit], times: NDArray[np.float64]) -> Line | None:
    """Robust line of rim advance against time: the median over all pairs of Gilman's advance a unit of time.

    Parameters
    ----------
    visits
        Two or more with area and perimeter, in order.
    times
        Shape (N,), rising where time counts (months, growing months).
    """
    if len(visits) < 2:
        return None
    area = np.array([v.aperture_area_mm2 for v in visits], dtype=np.float64)
    perimeter = np.array([v.aperture_perimeter_mm for v in visits], dtype=np.float64)
    first, second = np.triu_indices(len(visits), 1)
    gaps, mean_perimeter = times[second] - times[first], 0.5 * (perimeter[first] + perimeter[second])
    good = (gaps > 0) & (mean_perimeter > 0)
    if not good.any():
        return None
    slope = float(np.median((area[first] - area[second])[good] / mean_perimeter[good] / gaps[good]))
    scale = max(float(np.median(perimeter)), 1e-9)
    position = np.array(
        [0.0] + [gilman_advance_mm(area[0], area[i], perimeter[0], perimeter[i]) for i in range(1, area.size)]
    )
    own = np.array([area_own_sd(v) for v in visits])
    around = np.maximum(0.5 * (perimeter + scale), 0.5 * scale)
    line = line_through(times, position, own / around, slope)
    return _with_common(line, visits)


def width_line(visits: Sequence[Visit], times: NDArray[np.float64], name: str = "aperture_width_mm") -> Line | None:
    """Robust line of the width (or height) lost against time; above 0 where it closes."""
    values = [getattr(v, name) for v in visits]
    kept = [(t, w, v) for t, w, v in zip(times, values, visits, strict=True) if w is not None]
    if len(kept) < 2 or kept[0][0] == kept[-1][0]:
        return None
    x = np.array([t for t, _, _ in kept], dtype=np.float64)
    y = -np.array([w for _, w, _ in kept], dtype=np.float64)
    own = np.array([own_sd(w, getattr(v, f"{name}_sd"), 0.5 * v.area_common_rel_sd) for _, w, v in kept])
    if not np.isfinite(own).all():
        return None
    return _with_common(line_through(x, y, np.maximum(own, 1e-6)), visits)


def _with_common(line: Line, visits: Sequence[Visit]) -> Line:
    common = 0.5 * max(v.area_common_rel_sd for v in visits)
    sd = math.hypot(line.slope_sd, line.slope * common)
    return Line(line.slope, sd, line.level, line.level_sd, line.correlation, line.birge, line.degrees)


def interval(line: Line | None, unit: float = 1.0, coverage: float = COVERAGE) -> Interval | None:
    """Slope of a line with its interval, in other units."""
    if line is None:
        return None
    half = line.factor(coverage) * line.slope_sd
    return Interval(line.slope * unit, (line.slope - half) * unit, (line.slope + half) * unit)


def trend_of(
    site: int, episode: int, visits: Sequence[Visit], settings: TimeSettings, growing: tuple[int, ...]
) -> Trend:
    """Rates of one episode without a forecast; ``None`` where there are fewer visits than a rate needs.

    Parameters
    ----------
    visits
        Visits of this episode, in order.
    growing
        The grove's growing months.
    """
    need = settings.min_visits_for_rate
    carrying = open_visits(visits, need)
    advance = width = height = grown = None
    direction_p = None
    if len(carrying) >= need:
        begin = carrying[0].visit_on
        days = np.array([(v.visit_on - begin).days for v in carrying], dtype=np.float64)
        seasons = np.array([growing_months(begin, v.visit_on, growing) for v in carrying])
        advance = interval(advance_line(carrying, days / DAYS_A_MONTH))
        width = interval(width_line(carrying, days / DAYS_A_YEAR))
        height = interval(width_line(carrying, days / DAYS_A_YEAR, "aperture_height_mm"))
        grown = interval(width_line(carrying, seasons), 0.5) if seasons[-1] >= 1.0 else None
        direction_p = mann_kendall([v.aperture_area_mm2 or 0.0 for v in carrying]).p
    return Trend(
        site=site,
        episode=episode,
        from_on=visits[0].visit_on,
        to_on=visits[-1].visit_on,
        visits=len(visits),
        area_closure_pct=area_closure_pct(visits),
        width_closure_rate_mm_per_year=width,
        rim_advance_rate_mm_per_month=advance,
        forecast=None,
        why_no_forecast="",
        height_closure_rate_mm_per_year=height,
        side_advance_mm_per_growing_month=grown,
        direction_p=direction_p,
    )
