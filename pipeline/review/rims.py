"""Outlines for pages and back: fewer corners to drag, checks of what comes back, and text for SVG.

Pages draw in millimetres of the site frame with y turned over, for SVG counts downwards.
"""

from __future__ import annotations

import json
import math
from typing import TYPE_CHECKING

import numpy as np

from pipeline.errors import UsageError
from pipeline.records import Sign

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import Polygon, Window

MAX_CORNERS = 400
MAX_PATCHES = 12
"""Separate patches of one sign that a person may draw."""
HANDLES = 20
MARGIN_MM = 30.0


def area_mm2(polygon: Sequence[tuple[float, float]]) -> float:
    """Signed area, above 0 counter-clockwise with y up (the shoelace formula; of a person's polygon, not of a map)."""
    x, y = np.asarray(polygon, dtype=np.float64).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def largest(polygons: Sequence[Polygon]) -> Polygon | None:
    """The outline with the largest area."""
    return max(polygons, key=lambda polygon: abs(area_mm2(polygon)), default=None)


def fewer_corners(polygon: Polygon, corners: int = HANDLES) -> Polygon:
    """Take away the corner that changes the outline least, until few enough are left (Visvalingam & Whyatt 1993).

    What is left is drawn apart about its middle so that the area stays: a rim that a person accepts after a small
    correction must not be smaller for having been thinned.
    """
    points = [np.array(point) for point in polygon]
    while len(points) > max(3, corners):
        count = len(points)
        losses = [_triangle(points[i - 1], points[i], points[(i + 1) % count]) for i in range(count)]
        del points[int(np.argmin(losses))]
    kept = np.array(points)
    before, after = abs(area_mm2(polygon)), abs(area_mm2(kept.tolist()))
    middle = kept.mean(axis=0)
    if after > 0:
        kept = middle + (kept - middle) * math.sqrt(before / after)
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in kept)


def _triangle(a: NDArray[np.float64], b: NDArray[np.float64], c: NDArray[np.float64]) -> float:
    return 0.5 * abs(float((b[0] - a[0]) * (c[1] - a[1]) - (c[0] - a[0]) * (b[1] - a[1])))


def svg_points(polygon: Polygon) -> str:
    """The outline as SVG writes it, y downwards."""
    return " ".join(f"{x:.2f},{-y:.2f}" for x, y in polygon)


def parse_rim(text: str, window: Window) -> Polygon:
    """A rim as the page sends it: JSON ``[[x, y], ...]`` in mm, y up.

    Raises
    ------
    UsageError
        If it is no outline: not numbers, too few or too many corners, outside the patch, crossing itself, no area.
    """
    try:
        content = json.loads(text)
    except (ValueError, RecursionError):
        raise UsageError("The rim cannot be read.", "Draw it again.") from None
    return checked(content, window, "rim")


def parse_extents(text: str, window: Window) -> dict[Sign, tuple[Polygon, ...]]:
    """How far signs reach, as the page sends it: JSON ``{"conk": [[[x, y], ...], ...]}`` in mm, y up.

    Raises
    ------
    UsageError
        If it cannot be read, names something that is no sign, holds too many patches, or one that is no outline.
    """
    try:
        content = json.loads(text)
        named = {Sign(name): list(patches) for name, patches in content.items()}
    except (ValueError, TypeError, AttributeError, RecursionError):
        raise UsageError("The drawn signs cannot be read.", "Draw them again.") from None
    if any(len(patches) > MAX_PATCHES for patches in named.values()):
        raise UsageError(f"A sign has at most {MAX_PATCHES} patches.", "Draw those that lie together as one.")
    return {
        sign: tuple(checked(patch, window, f"outline of {sign.words}") for patch in patches)
        for sign, patches in named.items()
        if patches
    }


def checked(content: object, window: Window, what: str) -> Polygon:
    """An outline out of plain JSON, counter-clockwise, rounded to 0.01 mm.

    Raises
    ------
    UsageError
        If it is no outline; ``what`` names it in the sentence.
    """
    try:
        polygon = tuple((float(x), float(y)) for x, y in content)  # type: ignore[attr-defined]
    except (ValueError, TypeError, OverflowError):
        raise UsageError(f"The {what} cannot be read.", "Draw it again.") from None
    if not 3 <= len(polygon) <= MAX_CORNERS:
        raise UsageError(f"The {what} has {len(polygon)} corners instead of 3 to {MAX_CORNERS}.", "Draw it again.")
    for x, y in polygon:
        inside_x = window.left_mm - MARGIN_MM <= x <= window.right_mm + MARGIN_MM
        inside_y = window.bottom_mm - MARGIN_MM <= y <= window.top_mm + MARGIN_MM
        if not (math.isfinite(x) and math.isfinite(y) and inside_x and inside_y):
            raise UsageError(f"A corner of the {what} lies outside the patch.", "Drag it back onto the bark.")
    if crosses_itself(polygon):
        raise UsageError(f"The {what} crosses itself.", "Drag its corners so that it goes round once.")
    if abs(area_mm2(polygon)) < 0.5:
        raise UsageError(f"The {what} encloses hardly anything.", "Drag its corners apart.")
    rounded = tuple((round(x, 2), round(y, 2)) for x, y in polygon)
    return rounded if area_mm2(rounded) > 0 else rounded[::-1]


def crosses_itself(polygon: Sequence[tuple[float, float]]) -> bool:
    """Whether two edges that are not neighbours meet (orientation test, all pairs at once)."""
    a = np.asarray(polygon, dtype=np.float64)
    b = np.roll(a, -1, axis=0)
    count = len(a)

    def side(p: NDArray[np.float64], q: NDArray[np.float64], r: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.sign(
            (q[..., 0] - p[..., 0]) * (r[..., 1] - p[..., 1]) - (q[..., 1] - p[..., 1]) * (r[..., 0] - p[..., 0])
        )

    a1, b1, a2, b2 = a[:, None], b[:, None], a[None], b[None]
    meet = (side(a1, b1, a2) * side(a1, b1, b2) <= 0) & (side(a2, b2, a1) * side(a2, b2, b1) <= 0)
    near = np.abs(np.subtract.outer(np.arange(count), np.arange(count)))
    apart = (near > 1) & (near < count - 1)
    # collinear edges far apart pass the side test; their boxes must meet too
    low1, high1, low2, high2 = np.minimum(a1, b1), np.maximum(a1, b1), np.minimum(a2, b2), np.maximum(a2, b2)
    boxes = np.all((low1 <= high2) & (low2 <= high1), axis=-1)
    return bool(np.any(meet & apart & boxes))
