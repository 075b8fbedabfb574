"""Outer bark of several looks: smooth grey, fissured brown, flaking, with lenticels, ringed, or a given picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline.scenes.canvas import linear_rgb, ramp
from pipeline.scenes.noise import smoothstep, texture, waves

if TYPE_CHECKING:
    from pipeline.scenes.canvas import Canvas, Layer
    from pipeline.scenes.spec import BarkSpec

_BASE_RGB: dict[str, tuple[int, int, int]] = {
    "smooth": (150, 141, 126),
    "fissured": (128, 108, 88),
    "flaking": (141, 122, 101),
    "lenticelled": (124, 108, 92),
    "ringed": (156, 143, 120),
}


def paint_bark(canvas: Canvas, bark: BarkSpec) -> None:
    """Paint the whole canvas with bark."""
    if bark.kind == "picture":
        _picture(canvas, bark)
        return
    base = linear_rgb(*(bark.rgb or _BASE_RGB[bark.kind]))
    {
        "smooth": _smooth,
        "fissured": _fissured,
        "flaking": _flaking,
        "lenticelled": _lenticelled,
        "ringed": _ringed,
    }[bark.kind](canvas, bark, base)
    _weather(canvas, bark)


def _tone(canvas: Canvas, seed: int, base: Layer, contrast: float) -> None:
    g = canvas.grid
    tone = (
        0.55 * texture(g, (26.0, 60.0), seed + 1, 3)
        + 0.5 * texture(g, (3.0, 6.0), seed + 2, 4, 0.75)
        + 0.3 * texture(g, (1.2, 9.0), seed + 3, 2)
    )
    warm = texture(g, (18.0, 30.0), seed + 4, 3)
    canvas.albedo[:] = base * np.exp(contrast * tone)[..., None]
    canvas.albedo *= np.exp(np.multiply.outer(0.028 * warm, np.array([1.0, 0.1, -1.0], np.float32)))


def _smooth(canvas: Canvas, bark: BarkSpec, base: Layer) -> None:
    g, s = canvas.grid, bark.seed * 97
    _tone(canvas, s, base, 0.20)
    pale = smoothstep(0.2, 1.1, texture(g, (30.0, 38.0), s + 11, 5, 0.62))
    canvas.lay(0.55 * pale, linear_rgb(186, 181, 168) * np.exp(0.12 * texture(g, (1.5, 1.5), s + 12, 3))[..., None])
    dark = smoothstep(0.7, 1.5, texture(g, (22.0, 34.0), s + 13, 5, 0.65))
    canvas.lay(0.5 * dark, linear_rgb(88, 80, 66))
    crack = smoothstep(0.16, 0.02, np.abs(texture(g, (9.0, 2.6), s + 14, 2))) * smoothstep(
        0.3, 1.2, texture(g, (14.0, 14.0), s + 15, 2)
    )
    canvas.albedo *= (1 - 0.45 * crack)[..., None]
    canvas.height_mm += bark.relief_mm * (
        0.34 * texture(g, (7.0, 5.0), s + 16, 5, 0.62) + 0.10 * texture(g, (0.9, 0.7), s + 17, 2) - 0.35 * crack
    )


def _fissured(canvas: Canvas, bark: BarkSpec, base: Layer) -> None:
    g, s = canvas.grid, bark.seed * 97
    _tone(canvas, s, base, 0.20)
    net = texture(g, (13.0, 58.0), s + 21, 4, 0.42)
    depth = smoothstep(0.50, 0.0, np.abs(net))
    core = smoothstep(0.20, 0.0, np.abs(net))
    across = smoothstep(0.10, 0.0, np.abs(texture(g, (16.0, 7.0), s + 22, 2, 0.4)))
    across *= smoothstep(0.6, 1.4, texture(g, (12.0, 22.0), s + 27, 2)) * (1 - depth)
    fibres = texture(g, (1.1, 7.0), s + 23, 3, 0.6)
    scales = texture(g, (3.2, 9.0), s + 28, 4, 0.7)
    canvas.albedo *= np.exp(0.16 * fibres + 0.14 * scales)[..., None]
    canvas.lay(0.35 * smoothstep(0.0, 1.6, scales), linear_rgb(168, 156, 138))
    canvas.lay(np.clip(0.45 * depth + 0.45 * core, 0, 0.9), linear_rgb(58, 44, 33) * np.exp(0.3 * scales)[..., None])
    canvas.albedo *= (1 - 0.55 * across)[..., None]
    canvas.height_mm += bark.relief_mm * (-1.5 * depth - 1.1 * core - 0.8 * across + 0.38 * scales + 0.14 * fibres)


def _flaking(canvas: Canvas, bark: BarkSpec, base: Layer) -> None:
    g, s = canvas.grid, bark.seed * 97
    _tone(canvas, s, base, 0.18)
    plates = texture(g, (20.0, 30.0), s + 31, 5, 0.55)
    levels = (-0.9, -0.1, 0.7)
    steps = sum(smoothstep(level - 0.04, level + 0.04, plates) for level in levels)
    colours = ramp(
        np.asarray(steps, dtype=np.float32),
        (
            (0.0, linear_rgb(176, 140, 104)),
            (1.0, linear_rgb(152, 128, 104)),
            (2.0, linear_rgb(134, 122, 106)),
            (3.0, linear_rgb(160, 153, 140)),
        ),
    )
    canvas.lay(
        np.full(g.shape, 0.6, np.float32), colours * np.exp(0.2 * texture(g, (1.6, 3.0), s + 32, 4, 0.7))[..., None]
    )
    edges = sum(smoothstep(0.10, 0.0, np.abs(plates - (level - 0.06))) for level in levels)
    canvas.albedo *= (1 - 0.35 * np.clip(edges, 0, 1))[..., None]
    canvas.height_mm += bark.relief_mm * (0.75 * steps + 0.25 * texture(g, (4.0, 5.0), s + 33, 4, 0.6))


def _lenticelled(canvas: Canvas, bark: BarkSpec, base: Layer) -> None:
    g, s = canvas.grid, bark.seed * 97
    _tone(canvas, s, base, 0.16)
    rows = 0.5 * texture(g, (6.0, 60.0), s + 41, 2)
    dots = texture(g, (4.4, 1.9), s + 42, 1) + rows
    lens = smoothstep(1.45, 2.0, dots)
    canvas.lay(0.8 * lens, linear_rgb(186, 165, 136) * np.exp(0.2 * texture(g, (0.8, 0.6), s + 43, 2))[..., None])
    canvas.albedo *= (1 - 0.45 * smoothstep(2.1, 2.5, dots))[..., None]
    line = smoothstep(0.12, 0.0, np.abs(texture(g, (3.2, 55.0), s + 44, 3))) * np.float32(0.35)
    canvas.albedo *= (1 - line)[..., None]
    canvas.height_mm += bark.relief_mm * (0.7 * lens + 0.3 * texture(g, (6.0, 7.0), s + 45, 4, 0.6) - 0.3 * line)


def _ringed(canvas: Canvas, bark: BarkSpec, base: Layer) -> None:
    g, s = canvas.grid, bark.seed * 97
    _tone(canvas, s, base, 0.17)
    place = g.y_mm + 1.1 * waves(g.x_mm, g.y_mm, 160.0, s + 51, 6) + 0.9 * texture(g, (14.0, 30.0), s + 52, 3)
    spacing = 24.0 + 5.0 * np.sin(g.y_mm / np.float32(47.0))
    ring = np.abs(np.mod(place / np.float32(29.0), 1) - 0.5) * spacing
    present = smoothstep(-1.2, 0.2, texture(g, (50.0, 16.0), s + 55, 2))
    groove = smoothstep(1.6, 0.2, ring) * present
    lip = smoothstep(6.0, 1.2, ring) * (1 - groove) * present
    crack = smoothstep(0.16, 0.0, np.abs(texture(g, (4.0, 34.0), s + 53, 3))) * smoothstep(
        -0.6, 1.0, texture(g, (20.0, 30.0), s + 56, 2)
    )
    canvas.lay(0.45 * groove, linear_rgb(84, 70, 55))
    canvas.albedo *= (1 - 0.4 * crack)[..., None]
    canvas.height_mm += bark.relief_mm * (
        0.9 * lip - 0.7 * groove - 0.6 * crack + 0.25 * texture(g, (5.0, 5.0), s + 54, 4, 0.6)
    )


def _picture(canvas: Canvas, bark: BarkSpec) -> None:
    if bark.picture is None:
        raise ValueError("bark of kind 'picture' needs a picture")
    g, k = canvas.grid, bark.picture_px_per_mm
    map_x = np.broadcast_to(g.x_mm * np.float32(k) + np.float32(bark.picture.shape[1] / 2), g.shape)
    map_y = np.broadcast_to(-g.y_mm * np.float32(k) + np.float32(bark.picture.shape[0] / 2), g.shape)
    v = bark.picture.astype(np.float32) / 255
    source = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)
    if k > g.px_per_mm:
        source = np.asarray(cv2.GaussianBlur(source, (0, 0), 0.45 * k / g.px_per_mm), dtype=np.float32)
    laid = cv2.remap(
        source,
        np.ascontiguousarray(map_x),
        np.ascontiguousarray(map_y),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REFLECT,
    )
    grain = texture(g, (0.9, 1.2), bark.seed * 97 + 71, 3, 0.8)  # finer than the picture's own pixels
    canvas.albedo[:] = np.maximum(laid, 0.01) * np.float32(0.75) * np.exp(0.09 * grain)[..., None]
    canvas.height_mm += np.float32(0.6 * bark.relief_mm) * (
        canvas.albedo.mean(axis=2) - np.float32(canvas.albedo.mean())
    )


def _weather(canvas: Canvas, bark: BarkSpec) -> None:
    """Old stains that run down the bark, and a little life on it."""
    g, s = canvas.grid, bark.seed * 97
    stain = smoothstep(0.6, 1.8, texture(g, (9.0, 140.0), s + 61, 3))
    canvas.albedo *= (1 - 0.22 * stain)[..., None]
    speck = smoothstep(2.0, 2.6, texture(g, (3.4, 3.4), s + 62, 3)) * np.float32(0.6)
    canvas.lay(speck, linear_rgb(178, 182, 168))
    np.clip(canvas.albedo, 0.012, 0.8, out=canvas.albedo)
