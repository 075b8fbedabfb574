"""How fast a wound closes within one episode, with intervals from the readings' own uncertainties.

Percent area closure compares with the episode's first reading.  Rim advance is Gilman's: change of area over mean
perimeter (Gilman 1990, Wounds 2:95; formula as in Kecelj Leskovec et al. 2008).  It under-reads a slot whose ends stand
still, so the width closure rate (both sides together) is given beside it, and the advance of sides and of ends, each
measured where they are on the same bark (``pipeline.rimfield``).  What stretches all visits of a site alike
(girth, standoff, shared bark) cancels in a change ``d`` but for its share ``d`` times the stretch.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from pipeline.advance import (
    COVERAGE,
    advance_line,
    area_own_sd,
    interval,
    open_visits,
    shift_line,
    sizes_with_rim,
    width_line,
)
from pipeline.lines import mann_kendall, normal_quantile
from pipeline.records import Interval, Trend
from pipeline.seasons import DAYS_A_MONTH, DAYS_A_YEAR, growing_months

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import Visit
    from pipeline.settings import TimeSettings


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
    # what is common to the visits cancels as far as it is the same share of both areas
    uneven = ratio * (last.area_common_rel_sd - first.area_common_rel_sd)
    sd = math.hypot(area_own_sd(last) / a0, ratio * area_own_sd(first) / a0, uneven)
    half = normal_quantile(0.5 + COVERAGE / 2) * 100.0 * sd
    value = 100.0 * (1.0 - ratio)
    return Interval(value, value - half, min(100.0, value + half))


def rim_advance_rate(visits: Sequence[Visit], settings: TimeSettings) -> Interval | None:
    """Rim advance of one episode in mm a month; ``None`` where there are fewer visits than a rate needs."""
    day = np.array([v.visit_on.toordinal() for v in visits], dtype=np.int64)
    return rim_advance_rate_of(day, *sizes_with_rim(visits), settings)


def rim_advance_rate_of(
    day: NDArray[np.int64],
    area: NDArray[np.float64],
    perimeter: NDArray[np.float64],
    area_own_sd_mm2: NDArray[np.float64],
    common_rel_sd: NDArray[np.float64],
    settings: TimeSettings,
) -> Interval | None:
    """:func:`rim_advance_rate` of visits given as columns, shape (N,) each; ``nan`` is not measured."""
    need = settings.min_visits_for_rate
    measured = np.flatnonzero(~(np.isnan(area) | np.isnan(perimeter)))
    is_open = np.flatnonzero(area[measured])
    kept = measured[: is_open[-1] + 1] if is_open.size else measured[:0]
    if is_open.size and kept.size < need:
        kept = measured[: is_open[-1] + 2]
    if kept.size < need:
        return None
    months = (day[kept] - day[kept[0]]) / DAYS_A_MONTH
    return interval(advance_line(area[kept], perimeter[kept], area_own_sd_mm2[kept], common_rel_sd[kept], months))


def _days_since_first(visits: Sequence[Visit]) -> NDArray[np.float64]:
    begin = visits[0].visit_on
    return np.array([(v.visit_on - begin).days for v in visits], dtype=np.float64)


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
    advance = width = height = grown = sides = ends = None
    direction_p = None
    if len(carrying) >= need:
        begin = carrying[0].visit_on
        days = _days_since_first(carrying)
        seasons = np.array([growing_months(begin, v.visit_on, growing) for v in carrying])
        advance = rim_advance_rate(visits, settings)
        width = interval(width_line(carrying, days / DAYS_A_YEAR))
        height = interval(width_line(carrying, days / DAYS_A_YEAR, "aperture_height_mm"))
        sides = interval(shift_line(carrying, days / DAYS_A_MONTH, "sides", need))
        ends = interval(shift_line(carrying, days / DAYS_A_MONTH, "ends", need))
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
        side_advance_rate_mm_per_month=sides,
        end_advance_rate_mm_per_month=ends,
    )
