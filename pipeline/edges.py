"""The straight black-white edges of printed markers: where they lie, and how sharp they are.

Profiles are sampled across each edge in **linear light** (a blurred edge in gamma-coded values
moves towards the dark side) and located by the area under them, which a symmetric blur does not move.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pipeline.records import ImageRGB

_LEVELS = np.arange(256) / 255.0
_LINEAR: NDArray[np.float32] = np.where(_LEVELS <= 0.04045, _LEVELS / 12.92, ((_LEVELS + 0.055) / 1.055) ** 2.4).astype(
    np.float32
)

TRIM_SHARE = 0.1
"""Share of an edge's length at each end that is left out: the neighbouring edge blurs into it."""
ALONG = 24
"""Profiles taken along one edge."""
ALONG_SHARES = np.linspace(-0.5 + TRIM_SHARE, 0.5 - TRIM_SHARE, ALONG)
CELL_SHARES = (np.repeat(np.arange(6), 2) + np.tile([0.35, 0.65], 6)) / 6 - 0.5
"""Two profiles through each of the six cells along a side of a marker's data, clear of the cells' own edges."""
PAIRS = np.triu_indices(ALONG, 6)
PAIRS = (PAIRS[0][::3], PAIRS[1][::3])
_CURVE = ALONG_SHARES**2 - (ALONG_SHARES**2).mean()
BOW_ROW: NDArray[np.float64] = -0.25 * _CURVE / (_CURVE**2).sum()
"""Weights with which offsets along an edge give its bow: a fitted parabola's middle against its ends."""
LEAST_CONTRAST = 0.02
"""Bright minus dark in linear light below which there is no edge."""


@dataclass(frozen=True, slots=True, eq=False)
class QuadFix:
    """A marker's outline fitted by its four edges.

    Attributes
    ----------
    corners_px
        Shape (4, 2), in the order given.
    corner_sd_px
        Standard uncertainty of a corner coordinate, from the scatter of the profiles about their lines.
    contrast
        Bright minus dark in linear light, smallest of the four edges.
    bows_px, bow_sd_px
        Shape (4,), by how much the middle of each edge lies outside the line between its ends, and its standard
        uncertainty.
    """

    corners_px: NDArray[np.float64]
    corner_sd_px: float
    contrast: float
    bows_px: NDArray[np.float64]
    bow_sd_px: float


def linear_crop(
    pixels: ImageRGB, corners: NDArray[np.float64], margin_px: float
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Part of a picture round some points as grey linear light, and the picture coordinates of its first pixel."""
    height, width = pixels.shape[:2]
    low = np.maximum(np.floor(corners.min(axis=0) - margin_px), 0).astype(int)
    high = np.minimum(np.ceil(corners.max(axis=0) + margin_px) + 1, [width, height]).astype(int)
    crop = cv2.cvtColor(np.ascontiguousarray(pixels[low[1] : high[1], low[0] : high[0]]), cv2.COLOR_RGB2GRAY)
    return cv2.LUT(crop, _LINEAR), low.astype(np.float64)


def refine_quads(
    light: NDArray[np.float32], quads: NDArray[np.float64], px_per_mm: float, first_mm: float
) -> list[QuadFix | None]:
    """Fit the four edges of dark squares on white and intersect them.

    Parameters
    ----------
    light
        Grey linear light, shape (H, W).
    quads
        Shape (M, 4, 2), rough corners in the coordinates of ``light``, clockwise as seen.
    px_per_mm
        Pixels a millimetre on the card.
    first_mm
        How far off the rough corners may be.

    Returns
    -------
    list of QuadFix or None
        ``None`` for a square of which an edge is not there (outside the picture, no contrast, no straight line).
    """
    coarse = _coarse_quads(light, quads, max(first_mm * px_per_mm, 3.0))
    found = [k for k in range(len(quads)) if np.isfinite(coarse[k]).all()]
    fixes: list[QuadFix | None] = [None] * len(quads)
    if not found:
        return fixes
    quad = coarse[found]
    half = float(np.clip(0.95 * px_per_mm, 2.5, 14.0))
    scatter = contrast = bows = np.zeros(0)
    for _ in range(2):
        profiles, taps, along = _profiles(light, quad, half, 0.5)
        offsets, contrast = _step_places(profiles, taps)
        slope, middle, scatter = _robust_lines(along, offsets)
        bows, scatter = _bows(offsets - middle[:, None] - slope[:, None] * along, scatter)
        quad = _shifted(quad, middle, slope)
    parts = (quad, scatter.reshape(-1, 4), contrast.reshape(-1, 4), bows.reshape(-1, 4))
    for k, corners, spread, step, bow in zip(found, *parts, strict=True):
        if np.isfinite(corners).all() and step.min() > LEAST_CONTRAST:
            # both lines meeting in a corner scatter; a line's end is twice as uncertain as its middle
            about = float(np.sqrt(np.mean(spread**2)))
            fixes[k] = QuadFix(
                corners, about * 2 / np.sqrt(ALONG), float(step.min()), bow, about * float(np.sqrt((BOW_ROW**2).sum()))
            )
    return fixes


def dark_loss_px(
    light: NDArray[np.float32],
    inner: NDArray[np.float64],
    white_cells: NDArray[np.bool_],
    px_per_mm: float,
    lever: float,
) -> float | None:
    """By how much every dark area has shrunk at its edges (negative: grown), in pixels.

    Burnt-out white, a camera's tone curve and sharpening, and the spread of printing ink move all
    black-white edges towards one colour alike.  The width of a marker's black border between the
    card's white and the white cells inside shows by how much.

    Parameters
    ----------
    light
        Grey linear light, shape (H, W).
    inner
        Shape (M, 4, 2), the inner outline of each marker's border, computed from its fitted outer one.
    white_cells
        Shape (M, 4, 6), whether the six cells inside each side of the border are white.
    px_per_mm
        Pixels a millimetre on the card.
    lever
        Observed shift of the inner outline for a loss of 1: 1 plus the ratio of inner to outer edge length.

    Returns
    -------
    float or None
        ``None`` where fewer than six cells can be used.
    """
    half = float(np.clip(0.95 * px_per_mm, 2.5, 14.0))
    profiles, taps, _ = _profiles(light, inner, half, 0.5, CELL_SHARES)
    offsets, contrast = _step_places(profiles[:, :, ::-1], taps)
    usable = np.repeat(white_cells.reshape(-1, 6), 2, axis=1) & (contrast > LEAST_CONTRAST)[:, None]
    usable &= np.isfinite(offsets)
    if usable.sum() < 12:
        return None
    shifts = np.sort(-offsets[usable])
    cut = len(shifts) // 4
    return float(shifts[cut : len(shifts) - cut].mean() / lever)


def moved_out(quads: NDArray[np.float64], by_px: float) -> NDArray[np.float64]:
    """Quads with every edge moved outwards, shape (M, 4, 2)."""
    edges = 4 * len(quads)
    return _shifted(quads, np.full(edges, by_px), np.zeros(edges))


def edge_width_px(light: NDArray[np.float32], quads: NDArray[np.float64], px_per_mm: float) -> float | None:
    """10 to 90 % width of the edges of dark squares, in pixels; the median of them all.

    The profiles of one edge are put together by their distance from the fitted line, which
    samples the edge more finely than the pixels do (the slanted-edge idea of ISO 12233); the width
    is the distance between the 10 % and 90 % levels of that profile.

    Parameters
    ----------
    light
        Grey linear light, shape (H, W).
    quads
        Shape (M, 4, 2), refined corners in the coordinates of ``light``.
    px_per_mm
        Pixels a millimetre on the card.
    """
    half = float(np.clip(2.6 * px_per_mm, 4.0, 60.0))
    profiles, taps, _ = _profiles(light, quads, half, max(0.25, half / 40))
    widths = [w for w in (_width_10_90(profile, taps) for profile in profiles.mean(axis=1)) if w is not None]
    return float(np.median(widths)) if widths else None


def _width_10_90(profile: NDArray[np.float64], taps: NDArray[np.float64]) -> float | None:
    n = len(profile) // 6
    dark, bright = float(profile[:n].mean()), float(profile[-n:].mean())
    if not bright - dark > LEAST_CONTRAST:
        return None
    share = (profile - dark) / (bright - dark)
    middle = int(np.argmin(np.abs(share - 0.5)))
    low = np.nonzero(share[: middle + 1] < 0.1)[0]
    high = np.nonzero(share[middle:] > 0.9)[0]
    if len(low) == 0 or len(high) == 0:
        return float(taps[-1] - taps[0])
    i, j = int(low[-1]), middle + int(high[0])
    start = taps[i] + (0.1 - share[i]) / (share[i + 1] - share[i]) * (taps[i + 1] - taps[i])
    stop = taps[j - 1] + (0.9 - share[j - 1]) / (share[j] - share[j - 1]) * (taps[j] - taps[j - 1])
    return float(stop - start)


def _frames(quads: NDArray[np.float64]) -> tuple[NDArray[np.float64], ...]:
    """Middle, direction, outward normal and length of the edges of quads (clockwise as seen), all in a row."""
    end = np.roll(quads, -1, axis=1)
    way = (end - quads).reshape(-1, 2)
    length = np.hypot(way[:, 0], way[:, 1])
    direction = way / np.maximum(length, 1e-9)[:, None]
    normal = np.stack([direction[:, 1], -direction[:, 0]], axis=1)
    return ((quads + end) / 2).reshape(-1, 2), direction, normal, length


def _profiles(
    light: NDArray[np.float32],
    quads: NDArray[np.float64],
    half: float,
    step: float,
    shares: NDArray[np.float64] = ALONG_SHARES,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Profiles across edges at ``shares`` of their length, inside to outside: shapes (E, A, T), (T,), (E, A).

    An edge that leaves the picture has NaN profiles.
    """
    middle, direction, normal, length = _frames(quads)
    taps = np.linspace(-half, half, max(5, 2 * int(np.ceil(half / step)) + 1))
    along = shares * length[:, None]
    start = middle[:, None, :] + along[:, :, None] * direction[:, None, :]
    x = start[:, :, 0, None] + taps * normal[:, None, 0, None]
    y = start[:, :, 1, None] + taps * normal[:, None, 1, None]
    height, width = light.shape
    outside = ~((x >= 0) & (y >= 0) & (x <= width - 1.001) & (y <= height - 1.001)).all(axis=(1, 2))
    if outside.any():
        x[outside], y[outside] = 0.0, 0.0
    left, top = x.astype(np.intp), y.astype(np.intp)
    fx, fy = x - left, y - top
    at = top * width + left
    flat = light.ravel()
    a, b, c, d = flat.take(at), flat.take(at + 1), flat.take(at + width), flat.take(at + width + 1)
    upper = a + (b - a) * fx
    profiles = upper + (c + (d - c) * fx - upper) * fy
    if outside.any():
        profiles[outside] = np.nan
    return profiles, taps, along


def _step_places(
    profiles: NDArray[np.float64], taps: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where each profile steps from dark to bright, shape (E, A), and the typical height of the step, shape (E,).

    Dirt and shade change along an edge, so that each profile has its own dark and bright level;
    the area between them gives the place, which a symmetric blur does not move.
    """
    ends = max(2, len(taps) // 5)
    dark, bright = profiles[:, :, :ends].mean(axis=2), profiles[:, :, -ends:].mean(axis=2)
    rise = bright - dark
    share = (profiles - dark[:, :, None]) / np.maximum(rise, LEAST_CONTRAST)[:, :, None]
    area = share.sum(axis=2) - (share[:, :, 0] + share[:, :, -1]) / 2
    return np.clip(taps[-1] - area * (taps[1] - taps[0]), taps[0], taps[-1]), _median(rise)


def _coarse_quads(light: NDArray[np.float32], quads: NDArray[np.float64], reach: float) -> NDArray[np.float64]:
    """Quads through the steepest dark-to-bright steps within ``reach`` of rough ones; NaN where there are none."""
    profiles, taps, along = _profiles(light, quads, reach, max(0.5, reach / 14))
    smooth = profiles[:, :, :-2] + 2 * profiles[:, :, 1:-1] + profiles[:, :, 2:]
    rise = smooth[:, :, 2:] - smooth[:, :, :-2]
    centre = taps[2:-2]
    offsets = centre[np.argmax(rise * np.exp(-0.5 * (centre / (0.7 * reach)) ** 2), axis=2)]
    tolerance = max(1.0, 1.5 * (taps[1] - taps[0]))
    # the line through two profiles that most others agree with, the straighter one of equals
    run = along[:, PAIRS[1]] - along[:, PAIRS[0]]
    slopes = (offsets[:, PAIRS[1]] - offsets[:, PAIRS[0]]) / np.maximum(run, 1e-9)
    starts = offsets[:, PAIRS[0]] - slopes * along[:, PAIRS[0]]
    close = np.abs(offsets[:, None, :] - starts[:, :, None] - slopes[:, :, None] * along[:, None, :]) < tolerance
    votes = close.sum(axis=2) - 2 * np.abs(slopes)
    best = np.argmax(votes, axis=1)
    weight = close[np.arange(len(best)), best].astype(np.float64)
    slope, middle = _weighted_lines(along, offsets, weight)
    bad = (weight.sum(axis=1) < ALONG / 3) | np.isnan(profiles[:, 0, 0])
    middle = np.where(bad, np.nan, middle)
    return _shifted(quads, middle, slope)


def _weighted_lines(
    s: NDArray[np.float64], t: NDArray[np.float64], weight: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slopes and values at 0 of weighted least-squares lines, one a row."""
    total = weight.sum(axis=1)
    s0 = (weight * s).sum(axis=1) / total
    t0 = (weight * t).sum(axis=1) / total
    ds = s - s0[:, None]
    slope = (weight * ds * (t - t0[:, None])).sum(axis=1) / (weight * ds * ds).sum(axis=1)
    return slope, t0 - slope * s0


def _robust_lines(
    s: NDArray[np.float64], t: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Slopes and values at 0 of lines by iteratively reweighted least squares (Tukey), one a row; and the scatter."""
    weight = np.ones_like(t)
    slope = middle = scatter = np.zeros(len(t))
    for _ in range(3):
        slope, middle = _weighted_lines(s, t, weight)
        residual = t - middle[:, None] - slope[:, None] * s
        scatter = np.maximum(1.4826 * _median(np.abs(residual)), 0.01)
        weight = np.maximum(1 - (residual / (4.685 * scatter[:, None])) ** 2, 1e-3) ** 2
    return slope, middle, scatter


def _bows(
    residual: NDArray[np.float64], scatter: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Bow of each edge from what its line leaves over, and the scatter that then remains; shapes (E,)."""
    limit = 3 * scatter[:, None]
    bow = np.clip(residual, -limit, limit) @ BOW_ROW
    curved = BOW_ROW / (BOW_ROW**2).sum()
    left = residual - bow[:, None] * curved
    return bow, np.maximum(1.4826 * _median(np.abs(left)), 0.01)


def _median(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Upper median of each row (a plain sort is several times faster than numpy's median on short rows)."""
    return np.sort(rows, axis=1)[:, rows.shape[1] // 2]


def _shifted(
    quads: NDArray[np.float64], middle: NDArray[np.float64], slope: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Corners where the moved edges meet, shape (M, 4, 2); NaN where they do not."""
    centre, direction, normal, _ = _frames(quads)
    origin = (centre + middle[:, None] * normal).reshape(-1, 4, 2)
    way = (direction + slope[:, None] * normal).reshape(-1, 4, 2)
    before, way_before = np.roll(origin, 1, axis=1), np.roll(way, 1, axis=1)
    cross = way_before[..., 0] * way[..., 1] - way_before[..., 1] * way[..., 0]
    cross = np.where(np.abs(cross) < 0.1, np.nan, cross)
    gap = origin - before
    t = (gap[..., 0] * way[..., 1] - gap[..., 1] * way[..., 0]) / cross
    corners: NDArray[np.float64] = before + t[..., None] * way_before
    return corners
