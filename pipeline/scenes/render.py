"""From a scene to a photo and its truth: paint the unrolled trunk, light it, cast rays, expose."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import cardspec
from pipeline.scenes.backdrop import backdrop
from pipeline.scenes.bark import paint_bark
from pipeline.scenes.canvas import Canvas
from pipeline.scenes.cardface import weathered_face
from pipeline.scenes.exposure import expose
from pipeline.scenes.geometry import View, view_of
from pipeline.scenes.light import SKY_RGB, SUN_RGB, energies, shade, sun_direction, sun_share
from pipeline.scenes.lookalikes import OVER_THE_WOUND, paint_lookalike
from pipeline.scenes.noise import Grid
from pipeline.scenes.signs import paint_sign
from pipeline.scenes.truth import Truth, opening_truth
from pipeline.scenes.wound import paint_wound

if TYPE_CHECKING:
    from pipeline.records import ImageRGB
    from pipeline.scenes.spec import CameraSpec, SceneSpec

Layer = NDArray[np.float32]

FINE_BELOW_PX = 3_500_000
"""Pictures with fewer pixels are cast at twice their size and averaged."""
STRIP_ROWS = 192


def render(spec: SceneSpec) -> tuple[ImageRGB, Truth]:
    """Draw the photo of a scene.

    Parameters
    ----------
    spec
        The scene.

    Returns
    -------
    image, truth
        ``image`` has shape (H, W, 3), uint8, RGB, upright.
    """
    view = view_of(spec)
    return expose(_cast(spec, view), spec.camera, spec.light, spec.seed), truth_of(spec)


def truth_of(spec: SceneSpec) -> Truth:
    """The truth of a scene without drawing it."""
    view = view_of(spec)
    corners = None if spec.card.site is None else view.corners_px
    return Truth(spec, view, tuple(opening_truth(w) for w in spec.wounds), corners)


def paint(spec: SceneSpec, grid: Grid) -> Canvas:
    """The unrolled trunk of a scene on a grid of the site frame, unlit."""
    canvas = Canvas.blank(grid)
    paint_bark(canvas, spec.bark)
    for item in spec.lookalikes:
        if item.kind not in OVER_THE_WOUND:
            paint_lookalike(canvas, item)
    for wound in spec.wounds:
        paint_wound(canvas, wound)
    for sign in spec.signs:
        paint_sign(canvas, sign)
    for item in spec.lookalikes:
        if item.kind in OVER_THE_WOUND:
            paint_lookalike(canvas, item)
    np.clip(canvas.albedo, 0.004, 0.95, out=canvas.albedo)
    return canvas


# ---------------------------------------------------------------- rays


def _cast(spec: SceneSpec, view: View) -> Layer:
    """Radiance that reaches each pixel, linear RGB."""
    factor = 2 if view.width_px * view.height_px < FINE_BELOW_PX else 1
    grid = _bark_grid(spec, view, factor)
    lit = shade(paint(spec, grid), spec.trunk_radius_mm, spec.taper, spec.light, spec.card)
    face, face_scale = _lit_face(spec, view, factor) if spec.card.site is not None else (None, 0)
    behind = backdrop(view.width_px * factor, view.height_px * factor, spec.seed)
    sub = (np.arange(factor) + 0.5) / factor - 0.5
    columns = (np.arange(view.width_px)[:, None] + sub).ravel().astype(np.float32)
    out = np.empty((view.height_px, view.width_px, 3), np.float32)
    for first in range(0, view.height_px, STRIP_ROWS):
        last = min(first + STRIP_ROWS, view.height_px)
        rows = (np.arange(first, last)[:, None] + sub).ravel().astype(np.float32)
        strip = behind[first * factor : last * factor].copy()
        u, v = view.rays(columns, rows)
        _lay_trunk(strip, view, u, v, lit, grid)
        if face is not None:
            _lay_card(strip, view, u, v, face, face_scale)
        if factor > 1:
            strip = np.asarray(
                cv2.resize(strip, (view.width_px, last - first), interpolation=cv2.INTER_AREA), dtype=np.float32
            )
        out[first:last] = strip
    return out


def _lay_trunk(strip: Layer, view: View, u: Layer, v: Layer, lit: Layer, grid: Grid) -> None:
    x, y, root = view.on_trunk(u, v)
    p = np.float32(grid.px_per_mm)
    map_x = (x - np.float32(grid.left_mm)) * p - np.float32(0.5)
    map_y = (np.float32(grid.top_mm) - y) * p - np.float32(0.5)
    colour = cv2.remap(lit, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # the root's argument falls to 0 at the trunk's edge in the picture; over its slope it counts pixels
    slope = np.abs(np.gradient(root, axis=1)) + np.float32(1e-6)
    cover = np.clip(root / slope + np.float32(0.5), 0, 1)[..., None]
    strip += cover * (colour - strip)


def _lay_card(strip: Layer, view: View, u: Layer, v: Layer, face: Layer, scale: int) -> None:
    half_w, half_h = np.float32(cardspec.CARD_HALF_WIDTH_MM), np.float32(cardspec.CARD_HALF_HEIGHT_MM)
    x, y = view.on_card(u, v)
    near = (np.abs(x) < half_w + 2) & (np.abs(y) < half_h + 2)
    rows, columns = np.flatnonzero(near.any(axis=1)), np.flatnonzero(near.any(axis=0))
    if not rows.size:
        return
    part = (slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1))
    x, y = x[part], y[part]
    mm_per_px = np.float32(max(float(np.median(np.abs(np.diff(x, axis=1)))) if x.shape[1] > 1 else 0.1, 1e-3))
    colour = cv2.remap(
        face,
        (x + half_w) * np.float32(scale) - np.float32(0.5),
        (half_h - y) * np.float32(scale) - np.float32(0.5),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    inside = np.minimum(half_w - np.abs(x), half_h - np.abs(y))
    cover = np.clip(inside / mm_per_px + np.float32(0.5), 0, 1)[..., None]
    strip[part] += cover * (colour - strip[part])


def _lit_face(spec: SceneSpec, view: View, factor: int) -> tuple[Layer, int]:
    edge = view.corners_px[1] - view.corners_px[0]
    px_per_mm = float(np.hypot(*edge)) / cardspec.MARKER_EDGE_MM * factor
    scale = 4 if px_per_mm < 5 else 8 if px_per_mm < 11 else 16
    face = weathered_face(spec.card, scale)
    sun = sun_direction(spec.light)
    normal = view.trunk_rotation.T @ view.card_rotation[:, 2]
    grid = Grid(-cardspec.CARD_HALF_WIDTH_MM, cardspec.CARD_HALF_HEIGHT_MM, scale, face.shape[0], face.shape[1])
    energy_sun, energy_sky = energies(spec.light)
    direct = energy_sun * np.float32(max(0.0, float(sun @ normal))) * sun_share(grid, spec.light)
    sky = energy_sky * np.float32(0.96)
    return np.asarray(face * (direct[..., None] * SUN_RGB + sky * SKY_RGB), dtype=np.float32), scale


def _bark_grid(spec: SceneSpec, view: View, factor: int) -> Grid:
    """A grid over the bark that the picture shows, about as fine as the picture."""
    columns = np.linspace(-0.5, view.width_px - 0.5, 49, dtype=np.float32)
    rows = np.linspace(-0.5, view.height_px - 0.5, 65, dtype=np.float32)
    x, y, root = view.on_trunk(*view.rays(columns, rows))
    seen = root > 0
    if not seen.any():
        return Grid(-10.0, 10.0, 1.0, 20, 20)
    # the trunk's edge lies between the samples: go to the horizon itself
    distance = float(np.hypot(view.eye_mm[0], view.eye_mm[2] + view.radius_mm))
    eye_angle = float(np.arctan2(view.eye_mm[0], view.eye_mm[2] + view.radius_mm))
    reach = float(np.arccos(min(1.0, view.radius_mm / distance)))
    radius = view.radius_mm + abs(view.taper) * float(np.abs(y[seen]).max())
    step = float(columns[1] - columns[0]) * distance / float(view.matrix[0, 0])
    left = max(float(x[seen].min()) - 3 * step, (eye_angle - reach) * radius) - 2
    right = min(float(x[seen].max()) + 3 * step, (eye_angle + reach) * radius) + 2
    bottom, top = float(y[seen].min()) - 4, float(y[seen].max()) + 4
    scale = canvas_scale(spec.camera, view) * (1.25 if factor > 1 else 1.05)
    return Grid(left, top, scale, int(np.ceil((top - bottom) * scale)), int(np.ceil((right - left) * scale)))


def canvas_scale(camera: CameraSpec, view: View) -> float:
    """Picture pixels a mm at the aim point, at most 12."""
    return float(np.clip(view.matrix[0, 0] / camera.distance_mm, 0.8, 12.0))
