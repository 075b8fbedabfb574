"""Change between visits of one site, and robust lines through many, with standard uncertainties.

What stretches all visits of a site alike (girth, standoff, shared bark: ``Visit.area_common_rel_sd``) cancels in a
change ``d`` but for its share, ``d`` times the stretch; the rest is independent between visits.
"""

from __future__ import annotations

import math
from operator import attrgetter
from typing import TYPE_CHECKING

import numpy as np

from pipeline.lines import Line, line_through, median, pairs_of
from pipeline.records import Interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import Visit

COVERAGE = 0.95


def gilman_advance_mm(area_1_mm2: float, area_2_mm2: float, perimeter_1_mm: float, perimeter_2_mm: float) -> float:
    """Linear advance of the rim between two visits: ``(A1 - A2) / ((p1 + p2) / 2)``; above 0 where the wound closes.

    A closed wound has area and perimeter 0; with no rim at either visit the advance is 0.
    """
    mean_perimeter = 0.5 * (perimeter_1_mm + perimeter_2_mm)
    return (area_1_mm2 - area_2_mm2) / mean_perimeter if mean_perimeter > 0 else 0.0


def own_sd(value: float | None, sd: float | None, common_rel_sd: float) -> float:
    """The part of a standard uncertainty that is independent between visits of a site."""
    if value is None or sd is None:
        return math.inf
    own, least, common = sd * sd, 0.05 * sd, value * common_rel_sd
    own -= common * common
    return math.sqrt(own) if own > least * least else least


def own_sds(
    values: NDArray[np.float64], sds: NDArray[np.float64], common_rel_sds: NDArray[np.float64]
) -> NDArray[np.float64]:
    """:func:`own_sd` of many, all of one shape; ``nan`` stands for ``None``."""
    own, least = sds**2 - (values * common_rel_sds) ** 2, 0.05 * sds
    found = np.where(own > least**2, np.sqrt(np.maximum(own, 0.0)), least)
    return np.where(np.isnan(values) | np.isnan(sds), math.inf, found)


def area_own_sd(visit: Visit) -> float:
    """Independent part of the area's standard uncertainty."""
    return own_sd(visit.aperture_area_mm2, visit.aperture_area_mm2_sd, visit.area_common_rel_sd)


def width_own_sd(visit: Visit) -> float:
    """Independent part of the width's standard uncertainty; a stretch of the area by ``e`` is ``e / 2`` in width."""
    return own_sd(visit.aperture_width_mm, visit.aperture_width_mm_sd, 0.5 * visit.area_common_rel_sd)


def advance_between(first: Visit, second: Visit) -> tuple[float, float] | None:
    """Rim advance in mm between two visits, and its standard uncertainty; ``None`` where a size is missing."""
    a1, a2, p1, p2 = (
        first.aperture_area_mm2,
        second.aperture_area_mm2,
        first.aperture_perimeter_mm,
        second.aperture_perimeter_mm,
    )
    if a1 is None or a2 is None or p1 is None or p2 is None or p1 + p2 <= 0:
        return None
    mean_perimeter = 0.5 * (p1 + p2)
    advance = gilman_advance_mm(a1, a2, p1, p2)
    common = 0.5 * max(first.area_common_rel_sd, second.area_common_rel_sd)
    area_var = area_own_sd(first) ** 2 + area_own_sd(second) ** 2
    perimeter_var = 0.0
    if first.aperture_perimeter_mm_sd is not None:
        perimeter_var += own_sd(p1, first.aperture_perimeter_mm_sd, 0.5 * first.area_common_rel_sd) ** 2
    if second.aperture_perimeter_mm_sd is not None:
        perimeter_var += own_sd(p2, second.aperture_perimeter_mm_sd, 0.5 * second.area_common_rel_sd) ** 2
    variance = (area_var + advance**2 * perimeter_var / 4.0) / mean_perimeter**2 + (advance * common) ** 2
    return advance, math.sqrt(variance)


def width_change_between(first: Visit, second: Visit) -> tuple[float, float] | None:
    """Change of width in mm (below 0 where it closes) and its standard uncertainty."""
    w1, w2 = first.aperture_width_mm, second.aperture_width_mm
    if w1 is None or w2 is None:
        return None
    common = 0.5 * max(first.area_common_rel_sd, second.area_common_rel_sd)
    change = w2 - w1
    return change, math.sqrt(width_own_sd(first) ** 2 + width_own_sd(second) ** 2 + (change * common) ** 2)


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


def sizes_with_rim(
    visits: Sequence[Visit],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Area, perimeter, the area's own standard uncertainty, its common share: shape (N,) each; ``nan`` for ``None``."""
    area = np.array([v.aperture_area_mm2 for v in visits], dtype=np.float64)
    area_sd = np.array([v.aperture_area_mm2_sd for v in visits], dtype=np.float64)
    perimeter = np.array([v.aperture_perimeter_mm for v in visits], dtype=np.float64)
    common = np.array([v.area_common_rel_sd for v in visits], dtype=np.float64)
    return area, perimeter, own_sds(area, area_sd, common), common


def advance_line(
    area_mm2: NDArray[np.float64],
    perimeter_mm: NDArray[np.float64],
    area_own_sd_mm2: NDArray[np.float64],
    common_rel_sd: NDArray[np.float64],
    times: NDArray[np.float64],
) -> Line | None:
    """Robust line of rim advance against time: the median over all pairs of Gilman's advance a unit of time.

    Parameters
    ----------
    area_mm2, perimeter_mm, area_own_sd_mm2, common_rel_sd
        Shape (N,): visits in order, all with area and perimeter (:func:`sizes_with_rim`).
    times
        Shape (N,), rising where time counts (months, growing months).
    """
    area, perimeter = area_mm2, perimeter_mm
    if area.size < 2:
        return None
    first, second = pairs_of(area.size)
    gaps, mean_perimeter = times[second] - times[first], 0.5 * (perimeter[first] + perimeter[second])
    lost = area[first] - area[second]
    good = (gaps > 0) & (mean_perimeter > 0)
    if not good.all():
        if not good.any():
            return None
        gaps, mean_perimeter, lost = gaps[good], mean_perimeter[good], lost[good]
    slope = median(lost / mean_perimeter / gaps)
    scale = max(median(perimeter), 1e-9)
    mean = 0.5 * (perimeter[0] + perimeter)
    position = np.where(mean > 0, (area[0] - area) / np.where(mean > 0, mean, 1.0), 0.0)
    around = np.maximum(0.5 * (perimeter + scale), 0.5 * scale)
    line = line_through(times, position, area_own_sd_mm2 / around, slope)
    return _with_common(line, float(common_rel_sd.max()))


def width_line(visits: Sequence[Visit], times: NDArray[np.float64], name: str = "aperture_width_mm") -> Line | None:
    """Robust line of the width (or height) lost against time; above 0 where it closes."""
    size_of, sd_of = attrgetter(name), attrgetter(f"{name}_sd")
    kept = [(t, w, v) for t, w, v in zip(times.tolist(), map(size_of, visits), visits, strict=True) if w is not None]
    if len(kept) < 2 or kept[0][0] == kept[-1][0]:
        return None
    own = np.array([own_sd(w, sd_of(v), 0.5 * v.area_common_rel_sd) for _, w, v in kept])
    if math.inf in own:
        return None
    x = np.array([t for t, _, _ in kept], dtype=np.float64)
    y = -np.array([w for _, w, _ in kept], dtype=np.float64)
    line = line_through(x, y, np.maximum(own, 1e-6))
    return _with_common(line, max(v.area_common_rel_sd for v in visits))


def shift_line(visits: Sequence[Visit], times: NDArray[np.float64], piece: str, at_least: int) -> Line | None:
    """Robust line of how far a piece of rim (``sides`` or ``ends``) has come, against time; above 0 where it closes.

    Advances since the visit before (``Visit.rim_field``) are added up over the longest unbroken run of visits.  Of an
    advance's uncertainty half the variance belongs to each of its two visits, whose rims it compares.

    Parameters
    ----------
    piece
        Attribute of :class:`~pipeline.records.RimField`.
    at_least
        Visits that a rate needs.
    """
    longest: list[tuple[float, float, float]] = []
    run: list[tuple[float, float, float]] = []
    of_piece = attrgetter(piece)
    for before, time, visit in zip((times[0], *times[:-1]), times, visits, strict=True):
        shift = None if visit.rim_field is None else of_piece(visit.rim_field)
        if shift is None:
            run = []
            continue
        sd = max(shift.advance_mm_sd / math.sqrt(2.0), 1e-6)
        run = run or [(float(before), 0.0, sd)]
        run.append((float(time), run[-1][1] + shift.advance_mm, sd))
        longest = run if len(run) >= len(longest) else longest
    if len(longest) < at_least or longest[0][0] == longest[-1][0]:
        return None
    x, y, own = np.array(longest, dtype=np.float64).T
    return line_through(x, y, own)


def _with_common(line: Line, common_rel_sd: float) -> Line:
    sd = math.hypot(line.slope_sd, line.slope * 0.5 * common_rel_sd)
    return Line(line.slope, sd, line.level, line.level_sd, line.correlation, line.birge, line.degrees)


def interval(line: Line | None, unit: float = 1.0, coverage: float = COVERAGE) -> Interval | None:
    """Slope of a line with its interval, in other units."""
    if line is None:
        return None
    half = line.factor(coverage) * line.slope_sd
    return Interval(line.slope * unit, (line.slope - half) * unit, (line.slope + half) * unit)
