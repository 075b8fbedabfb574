"""Random fields of the site frame: the same place of the bark gives the same value in every picture.

Two kinds.  :func:`texture` looks up smooth lattices of random numbers; it is fast and good enough for
looks.  :func:`waves` is a sum of random plane waves, smooth to any order and exact at any resolution; outlines
with a truth are built from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

LATTICE = 256


@dataclass(frozen=True, slots=True)
class Grid:
    """Square pixels on the unrolled bark; ``left_mm``, ``top_mm`` are the outer top left corner."""

    left_mm: float
    top_mm: float
    px_per_mm: float
    height_px: int
    width_px: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.height_px, self.width_px

    @property
    def x_mm(self) -> NDArray[np.float32]:
        """Site-frame x of the columns' centres, shape (1, W)."""
        x = self.left_mm + (np.arange(self.width_px) + 0.5) / self.px_per_mm
        return x.astype(np.float32)[None, :]

    @property
    def y_mm(self) -> NDArray[np.float32]:
        """Site-frame y of the rows' centres, shape (H, 1)."""
        y = self.top_mm - (np.arange(self.height_px) + 0.5) / self.px_per_mm
        return y.astype(np.float32)[:, None]

    def crop(
        self, left_mm: float, right_mm: float, bottom_mm: float, top_mm: float
    ) -> tuple[slice, slice, Grid] | None:
        """Rows, columns and grid of the part of this grid inside a rectangle; ``None`` if they do not meet."""
        p = self.px_per_mm
        c0 = max(0, int(np.floor((left_mm - self.left_mm) * p)))
        c1 = min(self.width_px, int(np.ceil((right_mm - self.left_mm) * p)))
        r0 = max(0, int(np.floor((self.top_mm - top_mm) * p)))
        r1 = min(self.height_px, int(np.ceil((self.top_mm - bottom_mm) * p)))
        if c1 - c0 < 2 or r1 - r0 < 2:
            return None
        part = Grid(self.left_mm + c0 / p, self.top_mm - r0 / p, p, r1 - r0, c1 - c0)
        return slice(r0, r1), slice(c0, c1), part


@lru_cache(maxsize=64)
def _lattice(seed: int) -> NDArray[np.float32]:
    return np.random.default_rng([seed, 77]).standard_normal((LATTICE, LATTICE)).astype(np.float32)


def _octave(grid: Grid, cell_x_mm: float, cell_y_mm: float, seed: int) -> NDArray[np.float32]:
    stride = int(max(1, min(cell_x_mm, cell_y_mm) * grid.px_per_mm // 6))
    p = grid.px_per_mm / stride
    rows, columns = -(-grid.height_px // stride), -(-grid.width_px // stride)
    sx, sy = 1 / (p * cell_x_mm), -1 / (p * cell_y_mm)
    x0 = (grid.left_mm + 0.5 / p) / cell_x_mm
    y0 = (grid.top_mm - 0.5 / p) / cell_y_mm
    map_x = np.mod(x0 + sx * np.arange(columns), LATTICE).astype(np.float32)
    map_y = np.mod(y0 + sy * np.arange(rows), LATTICE).astype(np.float32)
    padded = np.pad(_lattice(seed), 2, mode="wrap")
    field = cv2.remap(
        padded,
        np.ascontiguousarray(np.broadcast_to(map_x + 2, (rows, columns))),
        np.ascontiguousarray(np.broadcast_to(map_y[:, None] + 2, (rows, columns))),
        cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_REFLECT,
    )
    if stride > 1:
        field = cv2.resize(field, (columns * stride, rows * stride), interpolation=cv2.INTER_CUBIC)
    return np.asarray(field[: grid.height_px, : grid.width_px], dtype=np.float32)


def texture(
    grid: Grid, cell_mm: tuple[float, float], seed: int, octaves: int = 1, gain: float = 0.5
) -> NDArray[np.float32]:
    """Lattice noise on a grid, mean about 0 and standard deviation about 1.

    Parameters
    ----------
    grid
        Where it is wanted.
    cell_mm
        Size of the coarsest grain, round and along the trunk; each octave halves it.
    seed
        Which noise; the same seed and place give the same value on any grid (to about 1 %).
    octaves
        Number of halvings; those finer than half a pixel are left out.
    gain
        Share of the amplitude from one octave to the next.
    """
    total = np.zeros(grid.shape, dtype=np.float32)
    power, amplitude = 0.0, 1.0
    for k in range(octaves):
        cx, cy = cell_mm[0] / 2**k, cell_mm[1] / 2**k
        power += amplitude**2
        if max(cx, cy) * grid.px_per_mm >= 0.8:
            total += np.float32(amplitude) * _octave(grid, cx, cy, seed * 31 + k)
        amplitude *= gain
    return total * np.float32(1.25 / np.sqrt(power))


def waves(
    x_mm: NDArray[np.float32] | NDArray[np.float64],
    y_mm: NDArray[np.float32] | NDArray[np.float64],
    wavelength_mm: float,
    seed: int,
    count: int = 10,
) -> NDArray[np.float32]:
    """Sum of random plane waves, mean 0, standard deviation 1, at any places (broadcast)."""
    rng = np.random.default_rng([seed, 913])
    total = np.zeros(np.broadcast_shapes(x_mm.shape, y_mm.shape), dtype=np.float32)
    for _ in range(count):
        k = 2 * np.pi / (wavelength_mm * rng.uniform(0.7, 1.6))
        direction, phase = rng.uniform(0, 2 * np.pi, 2)
        ax = (k * np.cos(direction) * x_mm + phase).astype(np.float32)
        ay = (k * np.sin(direction) * y_mm).astype(np.float32)
        # sin(a + b) by the sum formula: two small vectors instead of a sine at every pixel of a grid
        total += np.sin(ax) * np.cos(ay) + np.cos(ax) * np.sin(ay)
    return total * np.float32(np.sqrt(2 / count))


def smoothstep(low: float, high: float, value: NDArray[np.float32]) -> NDArray[np.float32]:
    """0 below ``low``, 1 above ``high``, a smooth ramp between."""
    t = np.clip((value - np.float32(low)) / np.float32(high - low), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), dtype=np.float32)
