"""Sub-pixel size and outline of the openings in a soft map.

A soft map holds, for each pixel, how far it is opening (0 to 1).  The rim is its level 0.5.
Area is the sum of the map in a narrow band along the rim, so blur does not change it: blurring
conserves the sum, while the area inside the level 0.5 of a blurred disk is too small.  Outlines
and chords follow the level 0.5 between pixel centres.  Areas of polygons through pixel centres
(``cv2.contourArea``) are too small by half a pixel all round and are never used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple, Protocol

import cv2
import numpy as np

from pipeline.outline import ring_length
from pipeline.records import RimMeasures, Window

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import Floats, Mask

LEVEL = 0.5
_SMOOTH_PX = 0.8
"""Blur before outlines and chords are drawn; without it the outline of a hard 0/1 map runs in
steps of 45 degrees and is up to 8 % too long."""
_RAMP = 0.02
"""The map counts as 0 below this and as 1 above one minus this: symmetric, and small, because the
tails of a blurred rim belong to its sum."""
_RIM_REACH_PX = 4.0
"""How far from the rim :func:`moved_outward` moves what is there in full; at twice that nothing moves."""
_OWN_SD_PX = 0.9
"""Blur that a perfectly hard map shows after ``_SMOOTH_PX`` and linear interpolation."""


class Raster(Protocol):
    """Where the pixels of a map lie and which of them the photo shows, as in ``SitePatch``."""

    @property
    def mm_per_px(self) -> float:
        """Edge of a pixel."""

    @property
    def left_mm(self) -> float:
        """Site-frame x of the outer left edge."""

    @property
    def top_mm(self) -> float:
        """Site-frame y of the outer top edge."""

    @property
    def valid(self) -> Mask:
        """Shape (H, W), False where the photo shows nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A raster without a picture."""

    valid: Mask
    mm_per_px: float = 1.0
    left_mm: float = 0.0
    top_mm: float = 0.0


class Ring(NamedTuple):
    """One closed level line.

    ``points`` has shape (N, 2), x and y in pixels (pixel centres are whole numbers), the higher
    side on the left as seen with y up.  ``steepness`` is the mean slope of the picture across the
    line, per pixel.
    """

    points: NDArray[np.float64]
    steepness: float


def level_lines(field: Floats, level: float = LEVEL) -> list[Ring]:
    """Closed lines on which a picture, linear between pixel centres, takes a level (marching squares).

    Outside the picture counts as the value 0, so every line is closed; a region that reaches the
    border ends on the outer border of its pixels when it is 1 there.  Where four pixels form a
    saddle, their mean decides which pair is joined.

    Parameters
    ----------
    field
        Shape (H, W), values 0 to 1.
    level
        Between 0 and 1, both excluded.
    """
    z = np.pad(np.asarray(field, dtype=np.float64), 1)
    width = z.shape[1]
    above = z >= level
    code = (above[:-1, :-1] * 1 + above[:-1, 1:] * 2 + above[1:, 1:] * 4 + above[1:, :-1] * 8).astype(np.int64)
    rows, cols = np.nonzero((code != 0) & (code != 15))
    if rows.size == 0:
        return []
    starts, ends = _segments(z, level, code, rows, cols)
    # An edge between two pixels: number 2 * pixel for the one to the right, 2 * pixel + 1 for the one below.
    follows = dict(zip(starts.tolist(), ends.tolist(), strict=True))
    edges = np.fromiter(follows, dtype=np.int64, count=len(follows))
    pixel = edges >> 1
    step = np.where(edges & 1, width, 1)
    first, second = z.ravel()[pixel], z.ravel()[pixel + step]
    share = (level - first) / (second - first)
    x = pixel % width + np.where(edges & 1, 0.0, share) - 1.0
    y = pixel // width + np.where(edges & 1, share, 0.0) - 1.0
    drop = np.abs(second - first)
    place = {edge: k for k, edge in enumerate(edges.tolist())}
    rings = []
    while follows:
        start, nxt = follows.popitem()
        order = [place[start]]
        while nxt != start:
            order.append(place[nxt])
            nxt = follows.pop(nxt)
        points = np.stack([x[order], y[order]], axis=1)
        # A straight line with normal (c, s) and slope g crosses c edges a pixel of length with a drop of
        # g c and s edges with a drop of g s, so the drops add up to g times its length.
        rings.append(Ring(points, float(drop[order].sum()) / ring_length(points)))
    return rings


# For each of the 16 patterns of a cell (bits: top left, top right, bottom right, bottom left), the cell
# edges (0 top, 1 right, 2 bottom, 3 left) at which the line comes in and goes out with the high side on
# its left, y up.  Saddles (5 and 10) are listed with the high pixels joined; -1 marks no line.
_NONE = (-1, -1)
_FIRST = np.array(
    [
        _NONE,
        (3, 0),
        (0, 1),
        (3, 1),
        (1, 2),
        (3, 2),
        (0, 2),
        (3, 2),
        (2, 3),
        (2, 0),
        (0, 3),
        (2, 1),
        (1, 3),
        (1, 0),
        (0, 3),
        _NONE,
    ]
)
_SECOND = np.array([_NONE] * 16)
_SECOND[5] = (1, 0)
_SECOND[10] = (2, 1)
_SPLIT = {5: ((3, 0), (1, 2)), 10: ((0, 1), (2, 3))}
"""Saddles with the low pixels joined."""


def _segments(
    z: NDArray[np.float64], level: float, code: NDArray[np.int64], rows: NDArray[np.int64], cols: NDArray[np.int64]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Edge numbers at which the line enters and leaves each cell."""
    width = z.shape[1]
    kind = code[rows, cols]
    first, second = _FIRST[kind].copy(), _SECOND[kind].copy()
    mean = (z[rows, cols] + z[rows, cols + 1] + z[rows + 1, cols] + z[rows + 1, cols + 1]) / 4
    for saddle, (turn, other_turn) in _SPLIT.items():
        split = (kind == saddle) & (mean < level)
        first[split] = turn
        second[split] = other_turn
    corner = rows * width + cols
    numbers = np.stack([2 * corner, 2 * (corner + 1) + 1, 2 * (corner + width), 2 * corner + 1], axis=1)
    double = second[:, 0] >= 0
    one = np.take_along_axis(numbers, first, axis=1)
    two = np.take_along_axis(numbers[double], second[double], axis=1)
    both = np.concatenate([one, two])
    return both[:, 0], both[:, 1]


def longest_runs(field: Floats, level: float = LEVEL) -> tuple[float, float]:
    """Longest unbroken horizontal and vertical stretch at or above a level, in pixels.

    The ends lie between pixel centres, where the linear interpolation meets the level.
    """
    z = np.pad(np.asarray(field, dtype=np.float64), 1)
    return _longest_run(z, level), _longest_run(z.T, level)


def _longest_run(z: NDArray[np.float64], level: float) -> float:
    above = z >= level
    rows, cols = np.nonzero(above[:, 1:] != above[:, :-1])
    if rows.size == 0:
        return 0.0
    first, second = z[rows, cols], z[rows, cols + 1]
    crossing = cols + (level - first) / (second - first)
    # The padding is below the level, so in each row crossings come in pairs: in, out, in, out.
    return float((crossing[1::2] - crossing[::2]).max())


def moved_outward(maps: Floats, p: Floats, outward_px: float) -> Floats:
    """Maps whose rim, the level 0.5 of ``p``, lies farther out all round; islands shrink as openings grow.

    Every pixel near the rim takes the value found ``outward_px`` farther in, along the normal of the rim, so that
    a region of area A and perimeter P gets A + P d + pi d² (Steiner's formula), and maps that add up to 1 still do.

    Parameters
    ----------
    maps
        Shape (H, W) or (H, W, C), C at most 4: what is moved.
    p
        Shape (H, W): its level 0.5 says where the rim is.
    outward_px
        Negative: inward.  Meant for a pixel or two: lines farther than ``_RIM_REACH_PX`` from the rim stay.
    """
    core = (np.asarray(p) >= LEVEL).astype(np.uint8)
    if outward_px == 0 or not core.any():
        return maps
    margin = int(np.ceil(2 * _RIM_REACH_PX + abs(outward_px)))
    left, top, width, height = cv2.boundingRect(core)
    view = np.s_[max(top - margin, 0) : top + height + margin, max(left - margin, 0) : left + width + margin]
    core = core[view]
    # positive inside; smoothed, because a mask of pixels runs in steps
    inward = cv2.distanceTransform(np.pad(core, 1, mode="edge"), cv2.DIST_L2, 5)[1:-1, 1:-1]
    inward -= cv2.distanceTransform(np.pad(1 - core, 1, mode="edge"), cv2.DIST_L2, 5)[1:-1, 1:-1]
    inward = cv2.GaussianBlur(inward, (0, 0), 1.5)
    along_x = cv2.Sobel(inward, cv2.CV_32F, 1, 0, scale=0.125, borderType=cv2.BORDER_REPLICATE)
    along_y = cv2.Sobel(inward, cv2.CV_32F, 0, 1, scale=0.125, borderType=cv2.BORDER_REPLICATE)
    near = np.clip(2 - np.abs(inward) / _RIM_REACH_PX, 0, 1)
    # on the middle line of a slot both sides pull: there the step is shorter than outward_px
    step = outward_px * near / np.maximum(np.hypot(along_x, along_y), 0.5)
    rows, columns = np.indices(core.shape, dtype=np.float32)
    result = np.array(maps, dtype=np.float32)
    result[view] = cv2.remap(
        np.ascontiguousarray(result[view]),
        (columns + step * along_x).astype(np.float32),
        (rows + step * along_y).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    return result


class _Openings(NamedTuple):
    """A crop of the map in which only what counts is left; ``row`` and ``col`` are its place."""

    p: NDArray[np.float32]
    smooth: NDArray[np.float32]
    core: Mask
    row: int
    col: int
    number: int


def _select(p: Floats, valid: Mask, min_px: float) -> _Openings | None:
    """Keep openings of at least ``min_px`` pixels and close islands smaller than that."""
    shown = np.where(valid, p, 0).astype(np.float32)
    smooth = cv2.GaussianBlur(shown, (0, 0), _SMOOTH_PX, borderType=cv2.BORDER_REPLICATE)
    smooth[~valid] = 0
    count, labels, stats, _ = cv2.connectedComponentsWithStats((smooth >= LEVEL).astype(np.uint8), connectivity=8)
    kept = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] >= max(min_px, 1.0)]
    if not kept:
        return None
    boxes = stats[kept]
    margin = 16
    top, left = (max(int(boxes[:, k].min()) - margin, 0) for k in (cv2.CC_STAT_TOP, cv2.CC_STAT_LEFT))
    bottom = int((boxes[:, cv2.CC_STAT_TOP] + boxes[:, cv2.CC_STAT_HEIGHT]).max()) + margin
    right = int((boxes[:, cv2.CC_STAT_LEFT] + boxes[:, cv2.CC_STAT_WIDTH]).max()) + margin
    view = np.s_[top:bottom, left:right]
    shown, smooth, labels = shown[view].copy(), smooth[view].copy(), labels[view]
    is_kept = np.isin(labels, kept)
    # What was dropped, with its blur: every pixel nearer to a dropped opening than to a kept one.
    dropped = (labels > 0) & ~is_kept
    if dropped.any():
        away = cv2.distanceTransform((~is_kept).astype(np.uint8), cv2.DIST_L2, 3)
        near = cv2.distanceTransform((~dropped).astype(np.uint8), cv2.DIST_L2, 3)
        smooth[near < away] = 0
        shown[near < away] = 0
    _close_islands(shown, smooth, is_kept, min_px)
    return _Openings(shown, smooth, smooth >= LEVEL, top, left, len(kept))


def _close_islands(shown: NDArray[np.float32], smooth: NDArray[np.float32], core: Mask, min_px: float) -> None:
    outside = np.pad((~core).astype(np.uint8), 1, constant_values=1)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(outside, connectivity=4)
    small = [k for k in range(1, count) if stats[k, cv2.CC_STAT_AREA] < min_px and k != labels[0, 0]]
    if small:
        inside = np.isin(labels[1:-1, 1:-1], small)
        smooth[inside] = 1
        shown[inside] = 1


def _soft_count(openings: _Openings, softness_px: float) -> NDArray[np.float32]:
    """Share of each pixel that counts: soft in a band along the rim, 1 inside of it, 0 outside."""
    reach = max(3.0, 3.5 * softness_px)
    core = openings.core.astype(np.uint8)
    outward = cv2.distanceTransform(1 - core, cv2.DIST_L2, 5)
    inward = cv2.distanceTransform(np.pad(core, 1, mode="edge"), cv2.DIST_L2, 5)[1:-1, 1:-1]
    ramp = np.clip((openings.p - _RAMP) / (1 - 2 * _RAMP), 0, 1)
    ramp[outward > reach] = 0
    ramp[inward > reach] = 1
    return np.asarray(ramp, dtype=np.float32)


def _meets_border(openings: _Openings, valid: Mask) -> bool:
    height, width = openings.core.shape
    hidden = np.pad(~valid, 1, constant_values=True)
    view = hidden[openings.row : openings.row + height + 2, openings.col : openings.col + width + 2]
    wide = cv2.dilate(view.astype(np.uint8), np.ones((3, 3), np.uint8))[1:-1, 1:-1]
    return bool((wide[openings.core] > 0).any())


def _softness_px(rings: list[Ring]) -> float:
    """Standard deviation of the Gaussian blur that would give the rim its mean steepness."""
    lengths = np.array([ring_length(ring.points) for ring in rings])
    steepness = float(lengths @ np.array([ring.steepness for ring in rings]) / lengths.sum())
    total = 1 / (np.sqrt(2 * np.pi) * steepness)
    return float(np.sqrt(max(total**2 - _OWN_SD_PX**2, 0.0)))


def measure_region(p: Floats, raster: Raster, min_area_mm2: float = 0.0) -> RimMeasures | None:
    """Measure all openings of a soft map together.

    Parameters
    ----------
    p
        Shape (H, W), probability of opening, 0 to 1.
    raster
        Where its pixels lie: a patch, or a :class:`Grid`.  Where ``valid`` is False nothing is opening.
    min_area_mm2
        Openings smaller than this are left out, islands smaller than this are counted as opening.

    Returns
    -------
    RimMeasures or None
        ``None`` where no opening is left.
    """
    valid, mm_per_px = raster.valid, raster.mm_per_px
    if p.shape != valid.shape:
        raise ValueError(f"p and valid must have the same shape, got {p.shape} and {valid.shape}")
    openings = _select(p, valid, min_area_mm2 / mm_per_px**2)
    if openings is None:
        return None
    rings = level_lines(openings.smooth)
    perimeter_px = sum(ring_length(ring.points) for ring in rings)
    softness_px = _softness_px(rings)
    counted = _soft_count(openings, softness_px)
    area_px = float(counted.sum(dtype=np.float64))
    columns = float((counted.sum(axis=0, dtype=np.float64) @ np.arange(counted.shape[1])) / area_px)
    rows = float((counted.sum(axis=1, dtype=np.float64) @ np.arange(counted.shape[0])) / area_px)
    scale = np.array([mm_per_px, -mm_per_px])
    origin_mm = np.array([raster.left_mm, raster.top_mm]) + (np.array([openings.col, openings.row]) + 0.5) * scale
    outlines = [origin_mm + ring.points * scale for ring in rings]
    corners = np.concatenate(outlines)
    (x_lo, y_lo), (x_hi, y_hi) = corners.min(axis=0), corners.max(axis=0)
    width_px, height_px = longest_runs(openings.smooth)
    centre = origin_mm + np.array([columns, rows]) * scale
    return RimMeasures(
        area_mm2=area_px * mm_per_px**2,
        width_mm=width_px * mm_per_px,
        height_mm=height_px * mm_per_px,
        perimeter_mm=perimeter_px * mm_per_px,
        openings=openings.number,
        centroid_mm=(float(centre[0]), float(centre[1])),
        bbox=Window(float(x_lo), float(x_hi), float(y_lo), float(y_hi)),
        outlines=tuple(tuple(map(tuple, points.tolist())) for points in outlines),
        rim_softness_mm=softness_px * mm_per_px,
        cut=_meets_border(openings, valid),
    )
