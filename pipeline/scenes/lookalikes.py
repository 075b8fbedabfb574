"""What is no sign of infection but may be taken for one, or disturbs: moss, lichen, algae, mud, ants, light."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline.scenes.canvas import linear_rgb, ramp
from pipeline.scenes.noise import smoothstep, texture, waves

if TYPE_CHECKING:
    from pipeline.scenes.canvas import Canvas, Layer
    from pipeline.scenes.spec import LookalikeSpec

OVER_THE_WOUND = frozenset({"mud", "ants", "leaf shadow", "sun fleck", "spider web"})
"""These lie on top of a wound; the others grow on bark and a wound cuts through them."""


def paint_lookalike(canvas: Canvas, spec: LookalikeSpec) -> None:
    """Paint one of them on the canvas."""
    w, h = 0.8 * spec.width_mm + 8, 0.8 * spec.height_mm + 8
    x, y = spec.centre_mm
    part = canvas.crop(x - w, x + w, y - h, y + h)
    if part is None:
        return
    {
        "moss": _moss,
        "lichen": _lichen,
        "algae": _algae,
        "mud": _mud,
        "ants": _ants,
        "leaf shadow": _leaf_shadow,
        "sun fleck": _sun_fleck,
        "flaking bark": _flake,
        "paint": _paint,
        "spider web": _web,
    }[spec.kind](part, spec)


def _blob(part: Canvas, spec: LookalikeSpec, rough: float = 0.35) -> Layer:
    dx, dy = part.grid.x_mm - np.float32(spec.centre_mm[0]), part.grid.y_mm - np.float32(spec.centre_mm[1])
    a, b = spec.width_mm / 2, spec.height_mm / 2
    small = min(a, b)
    noise = waves(dx, dy, 0.9 * small + 2, spec.seed * 223 + 1) + 0.5 * waves(
        dx, dy, 0.35 * small + 1, spec.seed * 223 + 2
    )
    return np.asarray((1 - np.hypot(dx / a, dy / b) + rough * 0.6 * noise) * small, dtype=np.float32)


def _moss(part: Canvas, spec: LookalikeSpec) -> None:
    g, s = part.grid, spec.seed * 223
    field = _blob(part, spec, 0.5)
    tufts = texture(g, (2.2, 2.2), s + 11, 4, 0.75)
    alpha = part.edge(field + 0.8 * tufts, 1.2) * np.float32(spec.strength)
    cushion = np.sqrt(np.clip(field, 0, 6)) * np.float32(1.3)
    colour = ramp(
        np.asarray(0.5 + 0.28 * tufts, dtype=np.float32),
        ((0.0, linear_rgb(30, 38, 16)), (0.5, linear_rgb(72, 88, 36)), (1.0, linear_rgb(132, 142, 70))),
    )
    part.lay(alpha, colour)
    part.height_mm += alpha * (cushion + 0.8 * tufts)


def _lichen(part: Canvas, spec: LookalikeSpec) -> None:
    g, s = part.grid, spec.seed * 223
    field = _blob(part, spec, 0.28)
    crust = texture(g, (1.8, 1.8), s + 21, 4, 0.7)
    alpha = part.edge(field + 0.4 * crust, 0.6) * np.float32(0.85 * spec.strength)
    warm = np.random.default_rng([s, 3]).uniform() < 0.25
    body = linear_rgb(176, 150, 84) if warm else linear_rgb(176, 186, 170)
    part.lay(alpha * smoothstep(-1.9, -0.4, crust), body * np.exp(0.14 * crust)[..., None])
    margin = smoothstep(1.3, 0.2, np.abs(field - 0.5)) * alpha
    part.lay(margin * np.float32(0.6), linear_rgb(214, 218, 206))
    dots = smoothstep(2.2, 2.7, texture(g, (1.3, 1.3), s + 22, 1)) * alpha
    part.lay(dots * np.float32(0.8), linear_rgb(64, 58, 50))
    part.height_mm += alpha * (0.3 + 0.12 * crust)


def _algae(part: Canvas, spec: LookalikeSpec) -> None:
    """A thin green film on the damp side of the outer bark, with no edge of its own."""
    g, s = part.grid, spec.seed * 223
    dx = (g.x_mm - np.float32(spec.centre_mm[0])) / np.float32(0.6 * spec.width_mm)
    dy = (g.y_mm - np.float32(spec.centre_mm[1])) / np.float32(0.6 * spec.height_mm)
    fade = np.exp(-(dx**4) - dy**4)
    cover = smoothstep(-0.8, 1.3, texture(g, (10.0, 34.0), s + 31, 5, 0.62)) * fade * np.float32(0.6 * spec.strength)
    part.lay(cover, linear_rgb(104, 112, 76) * np.exp(0.2 * texture(g, (1.4, 2.0), s + 32, 3))[..., None])


def _mud(part: Canvas, spec: LookalikeSpec) -> None:
    rng = np.random.default_rng([spec.seed, 6])
    g = part.grid
    count = int(60 * spec.strength) + 10
    field = np.full(g.shape, -9.0, np.float32)
    for _ in range(count):
        x = spec.centre_mm[0] + rng.normal(0, 0.3) * spec.width_mm
        y = spec.centre_mm[1] + rng.normal(0, 0.3) * spec.height_mm
        r = rng.uniform(0.7, 1.5) * (3.4 if rng.uniform() < 0.12 else 1.0)
        field = np.maximum(field, r - np.hypot(g.x_mm - np.float32(x), (g.y_mm - np.float32(y)) * np.float32(0.8)))
    crumb = texture(g, (1.2, 1.2), spec.seed * 223 + 41, 3)
    alpha = part.edge(np.asarray(field + 0.25 * crumb, dtype=np.float32), 0.5) * np.float32(0.9)
    part.lay(alpha, linear_rgb(128, 98, 70) * np.exp(0.16 * crumb)[..., None])
    part.height_mm += alpha * np.clip(field, 0, 1) * np.float32(0.5)
    part.gloss *= 1 - alpha


def _ants(part: Canvas, spec: LookalikeSpec) -> None:
    rng = np.random.default_rng([spec.seed, 7])
    for _ in range(int(9 * spec.strength) + 3):
        x = spec.centre_mm[0] + float(rng.normal(0, 0.24)) * spec.width_mm
        y = spec.centre_mm[1] + float(rng.normal(0, 0.28)) * spec.height_mm
        turn, size = rng.uniform(0, 2 * np.pi), rng.uniform(0.8, 1.25)
        c, sn = np.float32(np.cos(turn) / size), np.float32(np.sin(turn) / size)
        near = part.crop(x - 6, x + 6, y - 6, y + 6)
        if near is None:
            continue
        dx, dy = near.grid.x_mm - np.float32(x), near.grid.y_mm - np.float32(y)
        u, v = c * dx + sn * dy, c * dy - sn * dx
        body = np.maximum.reduce([
            0.95 - np.hypot((u + 1.9) * 0.72, v * 1.15),
            0.50 - np.hypot(u * 0.6, v * 1.1),
            0.62 - np.hypot((u - 1.55) * 0.95, v),
        ])  # fmt: skip
        legs = np.full(body.shape, -9.0, np.float32)
        for foot, root in ((-1.6, -0.3), (0.1, 0.0), (1.5, 0.3)):
            slope = np.float32((foot - root) / 2.3)
            legs = np.maximum(legs, np.where(np.abs(v) < 2.3, 0.13 - np.abs(u - root - slope * np.abs(v)), -9.0))
        part_alpha = near.edge(np.asarray(np.maximum(body, legs), dtype=np.float32))
        near.albedo *= (1 - 0.35 * near.edge(np.asarray(body + 0.5, dtype=np.float32), 1.2))[..., None]
        near.lay(part_alpha * np.float32(0.95), linear_rgb(46, 26, 18))
        near.height_mm += near.edge(np.asarray(body, dtype=np.float32)) * np.float32(0.8)
        near.gloss += part_alpha * np.float32(0.4)


def _leaf_shape(part: Canvas, spec: LookalikeSpec) -> Layer:
    turn = np.random.default_rng([spec.seed, 8]).uniform(0, np.pi)
    dx, dy = part.grid.x_mm - np.float32(spec.centre_mm[0]), part.grid.y_mm - np.float32(spec.centre_mm[1])
    u = (np.cos(turn) * dx + np.sin(turn) * dy) / np.float32(max(spec.width_mm, spec.height_mm) / 2)
    v = (-np.sin(turn) * dx + np.cos(turn) * dy) / np.float32(min(spec.width_mm, spec.height_mm) / 2)
    leaf = (1 - u * u) * (1 - 0.25 * u) - np.abs(v)
    return np.asarray(leaf * min(spec.width_mm, spec.height_mm) / 2, dtype=np.float32)


def _leaf_shadow(part: Canvas, spec: LookalikeSpec) -> None:
    part.albedo *= (1 - np.float32(0.5 * spec.strength) * part.edge(_leaf_shape(part, spec), 4.0))[..., None]


def _sun_fleck(part: Canvas, spec: LookalikeSpec) -> None:
    light = part.edge(_blob(part, spec, 0.3), 5.0) * np.float32(spec.strength)
    part.albedo *= 1 + light[..., None] * np.array([1.25, 1.15, 0.9], np.float32)


def _flake(part: Canvas, spec: LookalikeSpec) -> None:
    g, s = part.grid, spec.seed * 223
    field = _blob(part, spec, 0.5)
    inside = part.edge(field, 0.4)
    part.lay(
        inside * np.float32(0.75 * spec.strength),
        linear_rgb(158, 118, 84) * np.exp(0.2 * texture(g, (3.0, 6.0), s + 51, 4))[..., None],
    )
    curl = smoothstep(2.4, 0.4, np.abs(field + 1.2)) * smoothstep(-0.6, 0.5, waves(g.x_mm, g.y_mm, 22.0, s + 52))
    part.height_mm += np.float32(spec.strength) * (2.0 * curl - 0.8 * inside)
    part.lay(0.5 * curl, linear_rgb(178, 160, 136))


def _paint(part: Canvas, spec: LookalikeSpec) -> None:
    """A brushed mark: a band or a cross in white, red or blue."""
    rng = np.random.default_rng([spec.seed, 9])
    g = part.grid
    colour = (linear_rgb(224, 222, 214), linear_rgb(178, 44, 36), linear_rgb(52, 84, 150))[int(rng.integers(3))]
    dx, dy = g.x_mm - np.float32(spec.centre_mm[0]), g.y_mm - np.float32(spec.centre_mm[1])
    thick = 0.16 * min(spec.width_mm, spec.height_mm)
    w, h = spec.width_mm / 2, spec.height_mm / 2
    if rng.uniform() < 0.5:
        stroke = np.minimum(h * 0.5 - np.abs(dy), w - np.abs(dx))
    else:
        a = np.minimum(thick - np.abs(dx - dy * np.float32(w / h)) * 0.7, h - np.abs(dy))
        stroke = np.maximum(a, np.minimum(thick - np.abs(dx + dy * np.float32(w / h)) * 0.7, h - np.abs(dy)))
    bristle = texture(g, (14.0, 0.8), spec.seed * 223 + 61, 2)
    worn = texture(g, (2.0, 2.0), spec.seed * 223 + 62, 4, 0.7)
    alpha = part.edge(np.asarray(stroke + 0.6 * bristle, dtype=np.float32), 0.6) * smoothstep(
        -1.9, -0.6, worn + 0.4 * bristle
    )
    part.lay(alpha * np.float32(0.9 * spec.strength), colour * np.exp(0.05 * worn)[..., None])
    part.gloss += alpha * np.float32(0.15)


def _web(part: Canvas, spec: LookalikeSpec) -> None:
    rng = np.random.default_rng([spec.seed, 10])
    g, p = part.grid, part.grid.px_per_mm
    layer = np.zeros(g.shape, np.float32)

    def at(x: float, y: float) -> tuple[int, int]:
        return round((x - g.left_mm) * p * 16), round((g.top_mm - y) * p * 16)

    spokes = np.sort(rng.uniform(0, 2 * np.pi, 13))
    reach = rng.uniform(0.75, 1.0, 13)
    cx, cy = spec.centre_mm
    for turn, r in zip(spokes, reach, strict=True):
        end = at(cx + r * spec.width_mm / 2 * np.cos(turn), cy + r * spec.height_mm / 2 * np.sin(turn))
        cv2.line(layer, at(cx, cy), end, 1.0, 1, cv2.LINE_AA, 4)
    for ring in np.linspace(0.2, 0.8, 9):
        corners = [
            at(cx + ring * r * spec.width_mm / 2 * np.cos(t), cy + ring * r * spec.height_mm / 2 * np.sin(t))
            for t, r in zip(spokes, reach, strict=True)
        ]
        if rng.uniform() < 0.8:
            cv2.polylines(layer, [np.array(corners, np.int32)], True, 1.0, 1, cv2.LINE_AA, 4)
    thin = np.asarray(cv2.GaussianBlur(layer, (0, 0), 0.5), dtype=np.float32) * np.float32(min(1.0, 2.0 / p))
    part.lay(np.clip(thin * np.float32(0.8 * spec.strength), 0, 1), linear_rgb(215, 218, 220))
