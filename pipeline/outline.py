"""Sizes of closed outlines: polygons whose corners lie on the rim, never in pixel centres.

An opening may have several outlines: rings with the inside on their left count as area, islands (the other way round)
take it away.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import Polygon


LEVELS = 200
"""Heights at which the chords of an outline with many corners are first looked at."""


@dataclass(frozen=True, slots=True)
class Sizes:
    """Area, width (round the trunk), height (along it) and perimeter, mm."""

    area_mm2: float
    width_mm: float
    height_mm: float
    perimeter_mm: float


def ring_length(points: NDArray[np.float64]) -> float:
    """Length of a closed polygon, in the unit of its corners."""
    return float(np.hypot(*(np.roll(points, -1, axis=0) - points).T).sum())


def polygon_area(polygon: Polygon | NDArray[np.float64]) -> float:
    """Signed area of a polygon (shoelace formula): positive when counter-clockwise with y up."""
    x, y = np.asarray(polygon, dtype=np.float64).T
    return float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() / 2)


def sizes_of(outlines: Sequence[Polygon | NDArray[np.float64]]) -> Sizes:
    """Sizes of an opening: area, longest level and upright chord that nothing breaks, length of all edges.

    Parameters
    ----------
    outlines
        Each (N, 2), mm, y up.  A single outline may run either way round; of several, islands run clockwise.
    """
    rings = [np.asarray(ring, dtype=np.float64) for ring in outlines]
    first = np.concatenate(rings)
    second = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    return Sizes(
        abs(sum(polygon_area(ring) for ring in rings)),
        _longest_chord(first, second),
        _longest_chord(first[:, ::-1], second[:, ::-1]),
        sum(ring_length(ring) for ring in rings),
    )


def _longest_chord(a: NDArray[np.float64], b: NDArray[np.float64]) -> float:
    """Longest stretch inside along the first axis, of edges from ``a`` to ``b``.

    Between two corners a chord's length is linear in its height, so the longest one lies at a corner's height: just
    above or just below it, where the outline may jump.  Of an outline with many corners some hundred heights are looked
    at, then all those between the neighbours of the longest.
    """
    heights = np.unique(a[:, 1])
    step = 1e-9 * max(1.0, float(np.ptp(heights)))
    stride = max(heights.size // LEVELS, 1)
    coarse = [_chord_at(level, a, b, step) for level in heights[::stride]]
    if stride == 1:
        return max(coarse)
    best = int(np.argmax(coarse)) * stride
    return max(_chord_at(level, a, b, step) for level in heights[max(best - stride, 0) : best + stride + 1])


def _chord_at(height: float, a: NDArray[np.float64], b: NDArray[np.float64], step: float) -> float:
    longest = 0.0
    for level in (height - step, height + step):
        cross = (a[:, 1] <= level) != (b[:, 1] <= level)
        if cross.any():
            p, q = a[cross], b[cross]
            at = np.sort(p[:, 0] + (level - p[:, 1]) / (q[:, 1] - p[:, 1]) * (q[:, 0] - p[:, 0]))
            longest = max(longest, float((at[1::2] - at[::2]).max()))
    return longest
