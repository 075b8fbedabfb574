"""Signs of possible fungal infection: their outlines (truth) and their looks (paint)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Sign
from pipeline.scenes.canvas import linear_rgb, ramp
from pipeline.scenes.noise import smoothstep, texture, waves

if TYPE_CHECKING:
    from pipeline.scenes.canvas import Canvas, Layer
    from pipeline.scenes.spec import SignSpec

Places = NDArray[np.float32] | NDArray[np.float64]


def extent_mm(spec: SignSpec) -> tuple[float, float, float, float]:
    """Left, right, bottom, top of a rectangle that holds the sign and its shadow."""
    x, y = spec.centre_mm
    w, h = 0.75 * spec.width_mm + 6, 0.75 * spec.height_mm + 6
    return x - w, x + w, y - h - 8, y + h


def outline(spec: SignSpec, x_mm: Places, y_mm: Places) -> Layer:
    """Signed field of the sign, positive inside, about mm near its edge."""
    dx, dy = x_mm - spec.centre_mm[0], y_mm - spec.centre_mm[1]
    a, b = spec.width_mm / 2, spec.height_mm / 2
    small = min(a, b)
    s = spec.seed * 211
    if spec.sign is Sign.CONK:
        wander = 1 + 0.06 * waves(dx, dy, 0.8 * a, s + 1, 6)
        shelf = (1 - np.hypot(dx / (a * wander), dy / (b * wander))) * small
        return np.asarray(shelf, dtype=np.float32)
    if spec.sign is Sign.DARK_BLEEDING:
        t = (b - dy) / (2 * b)
        path = 0.22 * a * waves(np.zeros((1, 1), np.float32), np.asarray(dy, dtype=np.float32), 0.9 * b, s + 2, 5)
        taper = np.clip(np.minimum(t * 7, (1 - t) * 2.4), 0, 1) ** 0.7
        width = a * (0.5 + 0.5 * taper) * taper * (1 + 0.30 * waves(dx, dy * 0.35, 0.8 * a + 2, s + 3, 8))
        fringe = 0.16 * a * waves(dx * 2.2, dy * 0.3, 0.5 * a + 1.0, s + 4, 8)
        return np.asarray(np.where((t < 0) | (t > 1), -small, width - np.abs(dx - path) + fringe), dtype=np.float32)
    rough = {Sign.GREEN_FILM: 0.42, Sign.WHITE_MYCELIUM: 0.34, Sign.SUNKEN_BARK: 0.16}[spec.sign]
    noise = waves(dx, dy, 0.9 * small + 2, s + 5, 10) + 0.55 * waves(dx, dy, 0.35 * small + 1, s + 6, 10)
    return np.asarray((1 - np.hypot(dx / a, dy / b) + rough * 0.6 * noise) * small, dtype=np.float32)


def paint_sign(canvas: Canvas, spec: SignSpec) -> None:
    """Paint one sign; ``strength`` 0 leaves the canvas as it is."""
    part = canvas.crop(*extent_mm(spec))
    if part is None or spec.strength <= 0:
        return
    field = outline(spec, part.grid.x_mm, part.grid.y_mm)
    {
        Sign.GREEN_FILM: _green_film,
        Sign.WHITE_MYCELIUM: _mycelium,
        Sign.CONK: _conk,
        Sign.DARK_BLEEDING: _bleeding,
        Sign.SUNKEN_BARK: _sunken,
    }[spec.sign](part, spec, field)


def _green_film(part: Canvas, spec: SignSpec, field: Layer) -> None:
    g, s = part.grid, spec.seed * 211
    powder = texture(g, (1.1, 1.1), s + 11, 4, 0.75)
    blotch = texture(g, (5.0, 6.0), s + 12, 3)
    alpha = part.edge(field, 0.25 * min(spec.width_mm, spec.height_mm) * 0.5)
    alpha = np.clip(alpha * (0.62 + 0.22 * blotch + 0.14 * powder), 0, 0.95) * np.float32(spec.strength)
    colour = ramp(
        np.asarray(0.5 + 0.3 * blotch + 0.15 * powder, dtype=np.float32),
        ((0.0, linear_rgb(52, 76, 52)), (0.5, linear_rgb(86, 118, 84)), (1.0, linear_rgb(140, 164, 132))),
    )
    part.lay(alpha, colour)
    part.height_mm += alpha * 0.12 * powder
    part.gloss *= 1 - alpha


def _mycelium(part: Canvas, spec: SignSpec, field: Layer) -> None:
    g, s = part.grid, spec.seed * 211
    threads = smoothstep(0.5, 0.0, np.abs(texture(g, (1.6, 5.0), s + 21, 3, 0.7)))
    cotton = texture(g, (2.6, 2.6), s + 22, 4, 0.7)
    alpha = part.edge(field + 1.2 * cotton, 4.0)
    fringe = part.edge(field + 2.0, 3.0) * threads * np.float32(0.45)
    alpha = np.clip(np.maximum(alpha * (0.82 + 0.16 * cotton), fringe), 0, 0.98) * np.float32(spec.strength)
    part.lay(alpha, linear_rgb(232, 228, 214) * np.exp(0.07 * cotton - 0.10 * (1 - threads))[..., None])
    part.height_mm += alpha * (0.5 + 0.25 * cotton + 0.12 * threads)
    part.gloss *= 1 - alpha


def _conk(part: Canvas, spec: SignSpec, field: Layer) -> None:
    g, s = part.grid, spec.seed * 211
    a, b = spec.width_mm / 2, spec.height_mm / 2
    dx = (g.x_mm - np.float32(spec.centre_mm[0])) / np.float32(a)
    dy = (g.y_mm - np.float32(spec.centre_mm[1])) / np.float32(b)
    rim = np.clip(field / min(a, b), 0, 1)
    inside = part.edge(field)
    out = np.sqrt(np.clip(1 - dx * dx - dy * dy, 0, 1))
    # growth zones follow the margin; the youngest, at the lower edge, is pale
    from_top = np.hypot(dx, (dy - 1) / 2)
    zone = from_top + 0.03 * texture(g, (6.0, 3.0), s + 31, 3)
    bands = 0.5 + 0.5 * np.sin(zone * np.float32(2 * np.pi * 4.5))
    colour = ramp(
        np.asarray(zone, dtype=np.float32),
        (
            (0.0, linear_rgb(70, 50, 38)),
            (0.55, linear_rgb(118, 78, 48)),
            (0.8, linear_rgb(168, 122, 78)),
            (0.95, linear_rgb(226, 212, 186)),
        ),
    )
    colour *= (0.8 + 0.3 * bands * (zone < 0.85))[..., None] * np.exp(0.10 * texture(g, (1.5, 1.0), s + 32, 3))[
        ..., None
    ]
    below = part.edge(np.asarray(min(a, b) * (1 - np.hypot(dx * 0.95, (dy + 0.45) / 1.05)), dtype=np.float32), 3.0)
    part.albedo *= (1 - 0.62 * below * (1 - inside))[..., None]
    part.lay(inside * np.float32(min(1.0, 0.3 + spec.strength)), colour)
    bulge = 0.30 * min(spec.width_mm, spec.height_mm) * out * (0.65 - 0.45 * dy)
    part.height_mm += inside * (bulge + 0.35 * bands * rim)
    part.gloss += inside * (0.12 - part.gloss)


def _bleeding(part: Canvas, spec: SignSpec, field: Layer) -> None:
    g, s = part.grid, spec.seed * 211
    wet = smoothstep(0.0, 0.35 * spec.width_mm, field)
    stain = part.edge(field, 0.18 * spec.width_mm)
    blot = texture(g, (3.0, 12.0), s + 41, 3)
    colour = ramp(
        np.asarray(wet + 0.12 * blot, dtype=np.float32),
        ((0.0, linear_rgb(86, 50, 34)), (0.5, linear_rgb(48, 28, 22)), (1.0, linear_rgb(26, 18, 16))),
    )
    part.lay(np.clip(stain * (0.80 + 0.15 * blot), 0, 0.96) * np.float32(spec.strength), colour)
    part.gloss += np.float32(spec.strength) * stain * (0.35 + 0.4 * wet - part.gloss)
    top = np.hypot(
        g.x_mm - np.float32(spec.centre_mm[0]), g.y_mm - np.float32(spec.centre_mm[1] + 0.44 * spec.height_mm)
    )
    crack = smoothstep(2.0, 0.4, top)
    part.albedo *= (1 - 0.7 * crack)[..., None]
    part.height_mm -= 1.2 * crack


def _sunken(part: Canvas, spec: SignSpec, field: Layer) -> None:
    g, s = part.grid, spec.seed * 211
    depth = 4.5 * spec.strength
    dent = smoothstep(-1.0, 0.28 * min(spec.width_mm, spec.height_mm), field)
    ring = smoothstep(1.6, 0.0, np.abs(field)) * smoothstep(-0.7, 0.5, waves(g.x_mm, g.y_mm, 18.0, s + 51))
    cracks = smoothstep(0.12, 0.0, np.abs(texture(g, (7.0, 14.0), s + 52, 3))) * part.edge(field)
    part.height_mm -= np.float32(depth) * dent + 1.0 * ring * np.float32(spec.strength) + 0.8 * cracks
    alpha = np.float32(0.72 * spec.strength) * part.edge(field, 4.0)
    part.lay(alpha, linear_rgb(84, 64, 54) * np.exp(0.25 * texture(g, (4.0, 8.0), s + 53, 4, 0.6))[..., None])
    part.albedo *= (1 - np.float32(0.6 * spec.strength) * np.maximum(ring, 0.7 * cracks))[..., None]
