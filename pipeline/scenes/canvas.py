"""The unrolled trunk as it is painted: reflectance, relief and gloss on one grid of the site frame."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pipeline.scenes.noise import Grid

Layer = NDArray[np.float32]


def linear_rgb(red: float, green: float, blue: float) -> Layer:
    """Linear reflectance (3,) of an sRGB colour 0 to 255 (IEC 61966-2-1)."""
    v = np.array([red, green, blue], dtype=np.float64) / 255
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


def ramp(t: Layer, stops: tuple[tuple[float, Layer], ...]) -> Layer:
    """Colours (..., 3) along a ramp of (position, colour) stops."""
    positions = np.array([p for p, _ in stops], dtype=np.float32)
    colours = np.stack([c for _, c in stops])
    return np.stack([np.interp(t, positions, colours[:, k]).astype(np.float32) for k in range(3)], axis=-1)


@dataclass(slots=True, eq=False)
class Canvas:
    """A painting surface, changed in place by the painters.

    Attributes
    ----------
    albedo
        Linear reflectance, shape (H, W, 3), float32.
    height_mm
        Relief, outwards positive, shape (H, W).
    gloss
        Strength of the highlight, shape (H, W).
    """

    grid: Grid
    albedo: Layer
    height_mm: Layer
    gloss: Layer

    @classmethod
    def blank(cls, grid: Grid) -> Canvas:
        """A mid-grey flat canvas."""
        return cls(
            grid,
            np.full((*grid.shape, 3), 0.2, np.float32),
            np.zeros(grid.shape, np.float32),
            np.zeros(grid.shape, np.float32),
        )

    def crop(self, left_mm: float, right_mm: float, bottom_mm: float, top_mm: float) -> Canvas | None:
        """The part of the canvas inside a rectangle, sharing its memory; ``None`` if they do not meet."""
        cut = self.grid.crop(left_mm, right_mm, bottom_mm, top_mm)
        if cut is None:
            return None
        rows, columns, grid = cut
        return Canvas(grid, self.albedo[rows, columns], self.height_mm[rows, columns], self.gloss[rows, columns])

    def lay(self, alpha: Layer, colour: Layer) -> None:
        """Lay a colour (3,) or picture (H, W, 3) over the reflectance with opacity ``alpha`` (H, W)."""
        self.albedo += alpha[..., None] * (colour - self.albedo)

    def edge(self, field_mm: Layer, softness_mm: float = 0.0) -> Layer:
        """Opacity of a signed field (mm, positive inside), a pixel or ``softness_mm`` wide at its edge."""
        half = max(0.5 / self.grid.px_per_mm, softness_mm / 2)
        return np.asarray(np.clip(field_mm / np.float32(2 * half) + np.float32(0.5), 0, 1), dtype=np.float32)
