"""Change between two visits of one site, with its standard uncertainty.

What stretches all visits of a site alike (girth, card tilt, standoff: ``Visit.area_common_rel_sd``) cancels in a change
``d`` but for its share, ``d`` times the stretch; the rest is independent between visits.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.records import Visit


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
    return math.sqrt(max(sd * sd - (value * common_rel_sd) ** 2, (0.05 * sd) ** 2))


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
    perimeter_var = sum(
        own_sd(v.aperture_perimeter_mm, v.aperture_perimeter_mm_sd, 0.5 * v.area_common_rel_sd) ** 2
        for v in (first, second)
        if v.aperture_perimeter_mm_sd is not None
    )
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
