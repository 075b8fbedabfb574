"""The patch at working size, densities of its colours, and the small functions the reader is made of."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import SitePatch

    Layer = NDArray[np.float32]


_WORK_PX = 192
"""Longer edge at which the wound is looked for; only the rim is followed at full size."""
_BINS = 24
_LOW = np.array([0.0, -32.0, -24.0])
_STEP = np.array([100.0, 96.0, 96.0]) / _BINS
"""The colour density: 24 steps each of L* 0 to 100, a* -32 to 64, b* -24 to 72."""

# CIELAB middles and spreads of what a wound can show in daylight: estimates, no source.
_WOOD = (
    ((84.0, 2.0, 22.0), (7.0, 4.0, 7.0)),  # fresh, white
    ((70.0, 7.0, 27.0), (9.0, 4.0, 7.0)),
    ((48.0, 14.0, 27.0), (10.0, 5.0, 8.0)),  # browned
    ((30.0, 14.0, 16.0), (9.0, 5.0, 7.0)),  # reddish dark
    ((15.0, 7.0, 8.0), (7.0, 5.0, 6.0)),  # resin
    ((5.0, 2.0, 3.0), (5.0, 3.0, 4.0)),  # hollow
)
_NEW_TISSUE = (
    ((80.0, 1.0, 27.0), (7.0, 4.0, 7.0)),
    ((68.0, 6.0, 24.0), (8.0, 4.0, 6.0)),
    ((55.0, 8.0, 18.0), (8.0, 4.0, 6.0)),
)


class View(NamedTuple):
    """The patch at working size."""

    lab: Layer
    cell: NDArray[np.int32]
    shaded: NDArray[np.int32]
    """Colour cells of the picture, and of the same under a third of the light (shadow of the rim)."""
    valid: NDArray[np.bool_]
    mm: float
    near: Layer
    """1 where a wound is expected, falling to 0 at the border."""


def view_of(patch: SitePatch) -> View:
    """Shrink a patch to working size and look up its colours."""
    height, width = patch.valid.shape
    factor = min(1.0, _WORK_PX / max(height, width))
    size = (max(round(width * factor), 8), max(round(height * factor), 8))
    rgb = cv2.resize(patch.rgb, size, interpolation=cv2.INTER_AREA)
    lab = cv2.cvtColor(rgb.astype(np.float32) / 255, cv2.COLOR_RGB2LAB)
    # A third of the light is 0.62 of the sRGB value: 3 ** (-1 / 2.3), near enough to the standard's curve.
    shaded = cv2.convertScaleAbs(rgb, alpha=0.62)
    valid = cv2.resize(patch.valid.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    mm = patch.mm_per_px * width / size[0]
    # The site hangs below its card: a little above the middle of the window, near the card's centre line.
    x = (np.arange(size[0]) + 0.5) / size[0] - 0.5
    y = (np.arange(size[1]) + 0.5) / size[1] - 0.42
    near = np.exp(-0.5 * ((x[None, :] / 0.20) ** 2 + (y[:, None] / 0.26) ** 2)).astype(np.float32)
    return View(lab, _cells(rgb), _cells(shaded), valid, mm, near)


def _steps(axis: int) -> NDArray[np.int32]:
    """Step of each 8-bit Lab level (OpenCV: L* 255 / 100, a* and b* + 128) on one axis of the density."""
    level = np.arange(256) * (100 / 255) if axis == 0 else np.arange(256) - 128.0
    step = np.clip((level - _LOW[axis]) / _STEP[axis], 0, _BINS - 1).astype(np.int32)
    return np.asarray(step * _BINS ** (2 - axis), dtype=np.int32)


_L_STEPS, _A_STEPS, _B_STEPS = _steps(0), _steps(1), _steps(2)


def _cells(rgb: NDArray[np.uint8]) -> NDArray[np.int32]:
    light, a, b = cv2.split(cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB))
    return np.asarray(_L_STEPS[light] + _A_STEPS[a] + _B_STEPS[b], dtype=np.int32)


def _mixture(parts: tuple[tuple[tuple[float, float, float], tuple[float, float, float]], ...]) -> Layer:
    """Density of a mixture of Gaussians on the cells, summing to 1."""
    axes = [_LOW[k] + (np.arange(_BINS) + 0.5) * _STEP[k] for k in range(3)]
    total = np.zeros((_BINS,) * 3)
    for middle, spread in parts:
        one = [np.exp(-0.5 * ((axes[k] - middle[k]) / spread[k]) ** 2) for k in range(3)]
        product = one[0][:, None, None] * one[1][:, None] * one[2]
        total += product / product.sum()
    return np.asarray(total.ravel() / total.sum(), dtype=np.float32)


_WOOD_DENSITY = _mixture(_WOOD)
WOUND_DENSITY = 0.7 * _WOOD_DENSITY + 0.3 * _mixture(_NEW_TISSUE)
BLEEDING_DENSITY = _mixture(
    (((38.0, 14.0, 15.0), (8.0, 5.0, 6.0)), ((28.0, 10.0, 10.0), (8.0, 4.0, 5.0)), ((16.0, 5.0, 5.0), (7.0, 3.0, 4.0)))
)
FLOOR = 0.02 / _BINS**3
"""Part of every density that allows any colour."""


_WIDE, _NARROW, _ONE = (np.array(k, dtype=np.float32) / sum(k) for k in ((1, 4, 6, 4, 1), (1, 2, 1), (1,)))


def density(cell: NDArray[np.int32], weight: Layer) -> Layer:
    """Smoothed share of each colour among the pixels, by weight."""
    counts = np.bincount(cell.ravel(), weight.ravel(), _BINS**3).astype(np.float32)
    # L* and a* as rows and columns with b* as channels, then b* as columns.
    cube = counts.reshape((_BINS,) * 3)
    cube = cv2.sepFilter2D(cube, -1, _NARROW, _WIDE, borderType=cv2.BORDER_CONSTANT)
    flat = cv2.sepFilter2D(cube.reshape(-1, _BINS), -1, _NARROW, _ONE, borderType=cv2.BORDER_CONSTANT)
    total = float(flat.sum())
    return np.asarray(flat.ravel() / total if total > 0 else flat.ravel(), dtype=np.float32)


def logistic(x: NDArray[np.floating] | np.floating | float) -> Layer:
    """Logistic function, safe for any argument."""
    return np.asarray(1 / (1 + np.exp(-np.clip(x, -30, 30))), dtype=np.float32)


def smooth_step(x: float, lo: float, hi: float) -> float:
    """0 at ``lo``, 1 at ``hi`` (which may be the smaller), a smooth rise between."""
    t = float(np.clip((x - lo) / (hi - lo), 0, 1))
    return t * t * (3 - 2 * t)


def blur(layer: Layer, sigma_px: float) -> Layer:
    """Gaussian blur of one layer, at least 0.4 px."""
    return np.asarray(cv2.GaussianBlur(layer.astype(np.float32), (0, 0), max(sigma_px, 0.4)), dtype=np.float32)


def disk(radius_px: float) -> NDArray[np.uint8]:
    """Round structuring element of at least 1 px radius."""
    side = 2 * max(round(radius_px), 1) + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)), dtype=np.uint8)
