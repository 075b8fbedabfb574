"""Photos without pixels: where a scene's corners and rims fall in the picture, measured back by the ruler.

The projection is the renderer's own (``pipeline.scenes.geometry``), which shares no code with the measuring stages.
The rim is seen without error here, so what is left is the error of corners, pose, trunk and card: the geometry's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline import card, hanging, registration, rim, surface, trunk
from pipeline.outline import Sizes, polygon_area, sizes_of
from pipeline.records import CameraTag, CardFix, Photo
from pipeline.scenes import growth
from pipeline.scenes.geometry import View, view_of
from pipeline.scenes.noise import Grid
from pipeline.settings import Settings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import ScaleUncertainty, SurfaceFix
    from pipeline.scenes import SceneSpec, WoundState

FOCAL_TAG_MM = 26.0
CORNER_SD_PX = 0.08
"""Corner noise of a 12 MP photo; bench_camera.py prints what the edge fits reach."""
SETTINGS = Settings()


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One photo measured: its geometry, the sizes read off it, their relative uncertainties, and where."""

    fix: SurfaceFix
    view: View
    sizes: Sizes
    truth: Sizes
    scale: ScaleUncertainty
    at_mm: tuple[float, float]
    size_mm: tuple[float, float]
    outlines: list[NDArray[np.float64]]
    true_outlines: list[NDArray[np.float64]]


def outlines_of(wound: WoundState) -> list[NDArray[np.float64]]:
    """The rims of an opening in site-frame mm, each (N, 2)."""
    left, right, bottom, top = growth.extent_mm(wound, 2.0)
    step = float(np.clip(min(wound.width_mm, wound.height_mm) / 200, 0.06, 0.3))
    grid = Grid(left, top, 1 / step, int(np.ceil((top - bottom) / step)), int(np.ceil((right - left) / step)))
    field = growth.opening(wound, grid.x_mm, grid.y_mm)
    soft = np.clip(0.5 + field / (4 * step), 0, 1)
    # a little ring of less than 4 mm2 is no opening (settings.reading.min_aperture_mm2)
    rings = [
        np.column_stack([left + (r.points[:, 0] + 0.5) * step, top - (r.points[:, 1] + 0.5) * step])
        for r in rim.level_lines(soft)
    ]
    return [ring for ring in rings if abs(polygon_area(ring)) > 4.0]


def fix_of(scene: SceneSpec, girth_mm: float, rng: np.random.Generator, noise_px: float = CORNER_SD_PX) -> SurfaceFix:
    """Geometry fitted to the scene's true corners plus noise, with the camera that the tags claim."""
    view = view_of(scene)
    scale = scene.camera.height_px / 4000
    corners = view.corners_px + rng.normal(0, noise_px, (8, 2))
    edge = float(np.hypot(*(corners[1] - corners[0])))
    found = CardFix(1, 2, corners, card.CARD_MM, noise_px, edge)
    pixels = np.broadcast_to(np.uint8(0), (scene.camera.height_px, scene.camera.width_px, 3))
    assert scale > 0
    photo = Photo("simulated.jpg", "0" * 64, None, None, pixels, CameraTag(focal_35mm=FOCAL_TAG_MM))
    return surface.fit_surface(photo, found, girth_mm, SETTINGS.surface)


def measure(scene: SceneSpec, girth_mm: float, rng: np.random.Generator) -> Measured:
    """See the scene's opening in the picture and measure it back on the bark."""
    view, fix = view_of(scene), fix_of(scene, girth_mm, rng)
    return measured_with(scene, view, fix, outlines_of(scene.wounds[0]))


def measured_with(scene: SceneSpec, view: View, fix: SurfaceFix, true: list[NDArray[np.float64]]) -> Measured:
    """Sizes of true outlines as a geometry reads them."""
    seen = [trunk.bark_of_picture(fix, view.project_site(outline)) for outline in true]
    corners = np.concatenate(seen)
    lo, hi = corners.min(axis=0), corners.max(axis=0)
    at, size = (lo + hi) / 2, hi - lo
    where = (float(at[0]), float(at[1])), (float(size[0]), float(size[1]))
    return Measured(
        fix,
        view,
        sizes_of(seen),
        sizes_of(true),
        surface.area_sd_parts(fix, *where),
        where[0],
        where[1],
        seen,
        true,
    )


BLOCKS = 80
BLOCK_SD_MM = 0.25
"""Error of one block of bark in each direction; bench_ruler.py prints what registration reaches on drawn photos."""


def shared_bark(numbers: tuple[int, int], earlier: Measured, later: Measured, rng: np.random.Generator) -> hanging.Link:
    """Blocks of bark that both photos show, as registration would find them."""
    places = np.column_stack([rng.uniform(-80, 80, 4 * BLOCKS), rng.uniform(-220, -55, 4 * BLOCKS)])
    # bark keeps its angle on a thickening trunk
    grown = places * np.array([later.view.radius_mm / earlier.view.radius_mm, 1.0])
    first = trunk.bark_of_picture(earlier.fix, earlier.view.project_site(places))
    second = trunk.bark_of_picture(later.fix, later.view.project_site(grown))
    away = np.abs(places - np.array(earlier.at_mm)) - np.array(earlier.size_mm) / 2
    shown = earlier.view.sees(places) & later.view.sees(grown) & (away.max(axis=1) > 8)
    shown &= np.isfinite(first).all(axis=1) & np.isfinite(second).all(axis=1)
    shown &= np.abs(places[:, 0]) < earlier.view.radius_mm
    first, second = first[shown][:BLOCKS], second[shown][:BLOCKS]
    second = second + rng.normal(0, BLOCK_SD_MM, second.shape)
    return hanging.Link(*numbers, *registration.cells(first, second, overlap=1.0))
