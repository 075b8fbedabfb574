"""What a drawn photo really shows: openings in mm, tissue and sign masks at any resolution, pose and corners."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Sign, Stage, Tissue
from pipeline.scenes import growth, signs
from pipeline.scenes.noise import Grid

if TYPE_CHECKING:
    from pipeline.records import Window
    from pipeline.scenes.geometry import View
    from pipeline.scenes.spec import SceneSpec, WoundState


@dataclass(frozen=True, slots=True)
class OpeningTruth:
    """One opening in figures; all zero where no opening is left.

    ``width_mm`` and ``height_mm`` are the extents round and along the trunk of everything that is still open.
    """

    area_mm2: float
    width_mm: float
    height_mm: float
    perimeter_mm: float
    first_area_mm2: float
    stage: Stage


def opening_truth(wound: WoundState) -> OpeningTruth:
    """Measure a wound's level set at a step fine enough for 0.1 % of the area."""
    left, right, bottom, top = growth.extent_mm(wound, 2.0)
    step = float(np.clip(min(wound.width_mm, wound.height_mm) / 400, 0.04, 0.2))
    grid = Grid(left, top, 1 / step, int(np.ceil((top - bottom) / step)), int(np.ceil((right - left) / step)))
    first_area = _area_and_perimeter(growth.first_outline(wound, grid.x_mm, grid.y_mm), step)[0]
    field = growth.opening(wound, grid.x_mm, grid.y_mm)
    area, perimeter = _area_and_perimeter(field, step)
    stage = growth.stage_of(wound, area, first_area)
    if stage >= Stage.CLOSED:
        return OpeningTruth(0.0, 0.0, 0.0, 0.0, first_area, stage)
    width = _extent(field.max(axis=0), step)
    height = _extent(field.max(axis=1), step)
    return OpeningTruth(area, width, height, perimeter, first_area, stage)


def _area_and_perimeter(field: NDArray[np.float32], step_mm: float) -> tuple[float, float]:
    """Area and perimeter of a level set: integrals of a smoothed step and of its gradient (coarea formula)."""
    gy, gx = np.gradient(field)
    slope = np.hypot(gx, gy) + 1e-9
    d = field / slope  # distance to the outline in pixels, near it
    inside = np.clip(d + 0.5, 0, 1)
    half = 1.5
    band = np.abs(d) < half
    delta = (1 + np.cos(np.pi * d[band] / half)) / (2 * half)
    # the band's kernel is in pixels of distance, so each pixel counts its share of line length in pixels
    return float(inside.sum(dtype=np.float64) * step_mm**2), float(delta.sum(dtype=np.float64) * step_mm)


def _extent(profile: NDArray[np.float32], step_mm: float) -> float:
    inside = np.flatnonzero(profile > 0)
    if not inside.size:
        return 0.0
    first, last = int(inside[0]), int(inside[-1])
    before = profile[first] / (profile[first] - profile[first - 1]) if first > 0 else 0.0
    after = profile[last] / (profile[last] - profile[last + 1]) if last + 1 < profile.size else 0.0
    return float((last - first + before + after) * step_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Truth:
    """The truth of one photo.

    Attributes
    ----------
    spec
        What was drawn.
    view
        Camera, trunk and card.
    openings
        One entry a wound, in the order of ``spec.wounds``.
    corners_px
        The card's eight marker corners, upper marker first; ``None`` without a card.
    """

    spec: SceneSpec
    view: View
    openings: tuple[OpeningTruth, ...]
    corners_px: NDArray[np.float64] | None

    @property
    def aperture_area_mm2(self) -> float:
        """All openings together."""
        return sum(o.area_mm2 for o in self.openings)

    @property
    def stage(self) -> Stage | None:
        """Stage of the first wound, which is the site's; ``None`` on unwounded bark."""
        return self.openings[0].stage if self.openings else None

    @property
    def signs_present(self) -> frozenset[Sign]:
        """Signs that can be seen at all."""
        return frozenset(s.sign for s in self.spec.signs if s.strength > 0)

    def tissue(self, window: Window, mm_per_px: float, oversample: int = 3) -> NDArray[np.float32]:
        """Share of each :class:`~pipeline.records.Tissue` in each pixel, shape (H, W, 5), float32, summing to 1."""
        fine = _grid_of(window, mm_per_px / oversample, oversample)
        shape = fine.shape
        label = np.full(shape, int(Tissue.BARK), np.uint8)
        for wound in self.spec.wounds:
            cut = fine.crop(*growth.extent_mm(wound, 6.0))
            if cut is None:
                continue
            rows, columns, part = cut
            x, y = part.x_mm, part.y_mm
            now = growth.opening(wound, x, y)
            first = growth.first_outline(wound, x, y)
            here = label[rows, columns]
            if (
                wound.advance_mm >= growth.CALLUS_FROM_MM or wound.islands > 0
            ) and wound.bark_over < growth.REBARKED_FROM:
                grown = first + growth.callus_swell_mm(wound) > 0
                here[grown & (now <= 0)] = int(Tissue.NEW_TISSUE)
            here[now > 0] = int(Tissue.APERTURE)
        places = _places(fine)
        flat = label.reshape(-1)
        if self.spec.card.site is not None:
            flat[self.view.behind_card(places)] = int(Tissue.FOREIGN)
        flat[~self.view.sees(places)] = int(Tissue.BACKGROUND)
        return np.stack([_pool(label == k, oversample) for k in range(len(Tissue))], axis=-1)

    def sign_masks(self, window: Window, mm_per_px: float, oversample: int = 3) -> NDArray[np.float32]:
        """Share of each :class:`~pipeline.records.Sign` in each pixel, shape (H, W, 5), float32."""
        fine = _grid_of(window, mm_per_px / oversample, oversample)
        masks = np.zeros((*fine.shape, len(Sign)), np.bool_)
        order = {sign: k for k, sign in enumerate(Sign)}
        for spec in self.spec.signs:
            cut = fine.crop(*signs.extent_mm(spec))
            if cut is not None and spec.strength > 0:
                rows, columns, part = cut
                masks[rows, columns, order[spec.sign]] |= signs.outline(spec, part.x_mm, part.y_mm) > 0
        places = _places(fine)
        hidden = ~self.view.sees(places)
        if self.spec.card.site is not None:
            hidden |= self.view.behind_card(places)
        masks[hidden.reshape(fine.shape)] = False
        return np.stack([_pool(masks[..., k], oversample) for k in range(len(Sign))], axis=-1)


def _grid_of(window: Window, step_mm: float, oversample: int) -> Grid:
    rows = round(window.height_mm / (step_mm * oversample)) * oversample
    columns = round(window.width_mm / (step_mm * oversample)) * oversample
    return Grid(window.left_mm, window.top_mm, 1 / step_mm, rows, columns)


def _places(grid: Grid) -> NDArray[np.float64]:
    x, y = np.broadcast_arrays(grid.x_mm, grid.y_mm)
    return np.column_stack([x.ravel(), y.ravel()]).astype(np.float64)


def _pool(mask: NDArray[np.bool_], k: int) -> NDArray[np.float32]:
    rows, columns = mask.shape[0] // k, mask.shape[1] // k
    return np.asarray(mask.reshape(rows, k, columns, k).mean(axis=(1, 3), dtype=np.float32))
