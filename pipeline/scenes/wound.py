"""Paint a wound: bare wood with its tool marks and resin, the callus roll, the seam, new bark."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.records import WoundKind
from pipeline.scenes import growth
from pipeline.scenes.canvas import linear_rgb, ramp
from pipeline.scenes.noise import smoothstep, texture, waves

if TYPE_CHECKING:
    from pipeline.scenes.canvas import Canvas, Layer
    from pipeline.scenes.noise import Grid
    from pipeline.scenes.spec import WoundState


def paint_wound(canvas: Canvas, wound: WoundState) -> None:
    """Paint one wound on the canvas, in the order in which its parts lie over one another."""
    left, right, bottom, top = growth.extent_mm(wound, 14.0)
    part = canvas.crop(left, right, bottom - (70.0 if wound.resin_runs else 0.0), top)
    if part is None:
        return
    x, y = part.grid.x_mm, part.grid.y_mm
    first = growth.first_outline(wound, x, y)
    now = growth.opening(wound, x, y)
    bark, bark_height = part.albedo.copy(), part.height_mm.copy()
    _wood(part, wound, first, now)
    if wound.advance_mm > 0 or wound.islands > 0:
        _callus(part, wound, first, now, bark, bark_height)
    if wound.nail:
        _nail(part, wound)
    if wound.resin_runs:
        _runs(part, wound, now)


# ---------------------------------------------------------------- wood


def _wood(part: Canvas, wound: WoundState, first: Layer, now: Layer) -> None:
    g, s = part.grid, wound.seed * 131
    inside = part.edge(now)
    colour = _wood_colour(g, wound, first, now)
    steep = {WoundKind.STRIP: 3.0, WoundKind.WINDOW: 2.2}.get(wound.kind, 1.6)
    depth = wound.depth_mm * smoothstep(-0.2, min(steep, 0.2 * wound.width_mm), now)
    marks = _tool_marks(g, wound)
    grain = texture(g, (0.45, 16.0), s + 1, 2)
    target = -depth + marks + 0.06 * grain
    # deep and narrow holes swallow light: seen depth against the opening's size
    size = max(2.0, min(wound.width_mm, wound.height_mm) - 2 * wound.advance_mm)
    swallowed = np.exp(-np.clip(depth / (0.9 * size) - 0.12, 0, 4) * 2.2)
    part.lay(inside, colour * swallowed[..., None])
    part.height_mm += inside * (np.maximum(target, -9.0) - part.height_mm)
    part.gloss += inside * (0.25 * wound.resin - part.gloss)
    if wound.advance_mm < growth.CALLUS_FROM_MM:
        _cut_bark(part, wound, first)


def _wood_colour(g: Grid, wound: WoundState, first: Layer, now: Layer) -> Layer:
    s = wound.seed * 131
    streaks = texture(g, (2.2, 60.0), s + 2, 3)
    patches = texture(g, (9.0, 26.0), s + 3, 4, 0.6)
    # browning starts at the rim and in streaks along the grain
    age = wound.browning + 0.10 * streaks + 0.10 * patches
    age = age + 0.25 * wound.browning * np.exp(-np.clip(first, 0, None) / 4.0)
    colour = ramp(
        np.asarray(age, dtype=np.float32),
        (
            (0.0, linear_rgb(226, 206, 168)),
            (0.25, linear_rgb(205, 176, 130)),
            (0.5, linear_rgb(164, 121, 80)),
            (0.75, linear_rgb(118, 76, 48)),
            (1.0, linear_rgb(82, 48, 31)),
            (1.4, linear_rgb(52, 31, 22)),
        ),
    )
    if wound.resin > 0:
        veins = texture(g, (2.4, 30.0), s + 4, 4, 0.6) + 0.6 * patches + 0.8 * np.exp(-np.clip(now, 0, None) / 5.0)
        level = 1.9 - 3.0 * wound.resin
        dark = smoothstep(level, level + 0.8, veins)
        colour += (0.85 * dark)[..., None] * (linear_rgb(50, 29, 19) - colour)
    fibre = texture(g, (0.45, 16.0), s + 1, 2) * 0.10 + texture(g, (1.3, 45.0), s + 5, 2) * 0.08
    return np.asarray(colour * np.exp(fibre)[..., None], dtype=np.float32)


def _tool_marks(g: Grid, wound: WoundState) -> Layer:
    s = wound.seed * 131
    if wound.kind is WoundKind.WINDOW:
        # chisel cuts: each takes a flat chip that runs out, so the face falls in shallow steps
        chips = texture(g, (17.0, 11.0), s + 6, 2)
        along = g.y_mm / np.float32(9.0) + 0.9 * chips
        return np.asarray(0.9 * (np.mod(along, 1) - 0.5) + 0.25 * chips, dtype=np.float32)
    if wound.kind is WoundKind.STRIP:
        knife = texture(g, (9.0, 160.0), s + 7, 2)
        return np.asarray(0.5 * np.abs(knife) + 0.1 * texture(g, (2.0, 30.0), s + 8, 2), dtype=np.float32)
    if wound.kind is WoundKind.TRUNK_CUT:
        tilt = g.y_mm + np.float32(0.06) * g.x_mm
        return np.asarray(
            0.25 * np.sin(tilt * np.float32(2 * np.pi / 1.7) + 0.6 * texture(g, (8.0, 8.0), s + 9, 2)), dtype=np.float32
        )
    r = np.hypot(g.x_mm - np.float32(wound.centre_mm[0]), g.y_mm - np.float32(wound.centre_mm[1]))
    return np.asarray(0.15 * np.sin(r * np.float32(2 * np.pi / 0.9)), dtype=np.float32)


def _cut_bark(part: Canvas, wound: WoundState, first: Layer) -> None:
    """The cut edge of the bark inside a fresh rim: dark outer bark, then pale inner bark, then the wood."""
    if wound.kind is WoundKind.NAIL_HOLE:
        return
    outer = part.edge(first) * smoothstep(1.5, 0.7, first)
    inner = part.edge(first) * smoothstep(3.0, 2.2, first) - outer
    wet = 1 - 0.5 * wound.browning
    part.lay(np.clip(inner, 0, 1) * np.float32(0.8), linear_rgb(214, 186, 134) * np.float32(wet))
    part.lay(0.8 * outer, linear_rgb(96, 70, 48))
    torn = (
        smoothstep(1.4, 2.2, texture(part.grid, (1.6, 3.0), wound.seed * 131 + 21, 2))
        * smoothstep(-1.8, 0.0, first)
        * smoothstep(0.6, 0.0, first)
    )
    part.lay(0.6 * torn, linear_rgb(190, 160, 118))


# ---------------------------------------------------------------- new tissue


def _callus(part: Canvas, wound: WoundState, first: Layer, now: Layer, bark: Layer, bark_height: Layer) -> None:
    g, s = part.grid, wound.seed * 131
    swell = growth.callus_swell_mm(wound)
    outside = first + np.float32(swell)
    cover = part.edge(outside, 0.8) * (1 - part.edge(now))
    from_bark, from_rim = np.clip(outside, 0, None), np.clip(-now, 0, None)
    t = from_bark / (from_bark + from_rim + 1e-3)
    if not growth.is_round(wound) or wound.advance_mm > 0:
        colour, lift = _roll(g, wound, t, from_bark, from_rim)
    seam = growth.seam_distance_mm(wound, g.x_mm, g.y_mm)
    crease = smoothstep(1.6, 0.2, np.abs(seam)) * smoothstep(0.0, 0.8, -now)
    colour *= (1 - 0.65 * (1 - 0.5 * wound.bark_over) * crease)[..., None]
    lift = lift - (1.6 - 0.9 * wound.bark_over) * crease
    over = np.float32(wound.bark_over)
    new_bark = bark * np.exp(0.10 * texture(g, (3.0, 3.0), s + 31, 3))[..., None]
    wrinkle = smoothstep(0.3, 0.0, np.abs(texture(g, (7.0, 2.4), s + 32, 2)))
    mixed = colour + over * (1 - 0.25 * (1 - over)) * (new_bark * (1 - 0.12 * wrinkle)[..., None] - colour)
    part.lay(cover, mixed)
    relief = lift * (1 - 0.6 * over) + bark_height * over - 0.3 * wrinkle * cover
    part.height_mm += cover * (relief - part.height_mm)
    part.gloss *= 1 - cover
    part.gloss += cover * np.float32(0.10 * (1 - over) * np.exp(-wound.advance_mm / 4))
    if wound.advance_mm >= 1.0:
        # the old bark is pushed up and cracks along the roll
        crack = smoothstep(0.9, 0.0, np.abs(outside - 0.2)) * smoothstep(-0.4, 0.6, waves(g.x_mm, g.y_mm, 14.0, s + 33))
        part.albedo *= (1 - 0.5 * (1 - 0.6 * over) * crack)[..., None]
        part.height_mm -= 0.5 * crack


def _roll(g: Grid, wound: WoundState, t: Layer, from_bark: Layer, from_rim: Layer) -> tuple[Layer, Layer]:
    s = wound.seed * 131
    age = np.clip((wound.advance_mm * t - 1.0) / 9.0 + 0.10 * texture(g, (5.0, 8.0), s + 34, 3), 0, 1)
    young_lip = np.exp(-from_rim / np.float32(1.0 + 0.15 * wound.advance_mm))
    tint = np.clip(0.15 + 0.85 * min(1.0, wound.advance_mm / 9.0) * (1 - t * 0.6) - 0.5 * young_lip + 0.2 * age, 0, 1)
    colour = ramp(
        np.asarray(tint, dtype=np.float32),
        (
            (0.0, linear_rgb(214, 198, 146)),
            (0.3, linear_rgb(196, 166, 118)),
            (0.65, linear_rgb(160, 128, 96)),
            (1.0, linear_rgb(132, 112, 90)),
        ),
    )
    bumps = texture(g, (2.6, 3.4), s + 35, 3)
    ridges = texture(g, (1.1, 12.0), s + 36, 2)
    colour *= np.exp(0.08 * bumps + 0.06 * ridges)[..., None]
    top = float(np.clip(0.7 + 0.32 * wound.advance_mm, 0.7, 4.5))
    profile = np.sin(np.pi * np.clip(t, 0, 1) ** 0.75) ** 0.6
    rounded = np.where(from_rim + from_bark > 0, profile, 0)
    lift = top * rounded + 0.16 * bumps + 0.08 * ridges - 1.2 * np.exp(-from_rim / 0.6)
    return np.asarray(colour, dtype=np.float32), np.asarray(lift, dtype=np.float32)


# ---------------------------------------------------------------- nail and resin


def _nail(part: Canvas, wound: WoundState) -> None:
    g = part.grid
    radius = min(2.6, 0.32 * wound.width_mm)
    dx, dy = g.x_mm - np.float32(wound.centre_mm[0]), g.y_mm - np.float32(wound.centre_mm[1])
    inside = part.edge(np.asarray(radius - np.hypot(dx, dy), dtype=np.float32))
    rust = texture(g, (1.0, 1.0), wound.seed * 131 + 41, 3)
    part.lay(inside, linear_rgb(112, 84, 66) * np.exp(0.35 * rust)[..., None])
    part.height_mm += inside * (1.5 - 0.06 * (dx**2 + dy**2) - part.height_mm)
    part.gloss += inside * (0.3 - part.gloss)


def _runs(part: Canvas, wound: WoundState, now: Layer) -> None:
    rng = np.random.default_rng([wound.seed, 5150])
    g = part.grid
    wet = 1 - wound.run_age
    amber = ramp(
        np.asarray(wound.run_age, dtype=np.float32),
        ((0.0, linear_rgb(150, 84, 26)), (0.5, linear_rgb(88, 46, 20)), (1.0, linear_rgb(44, 28, 20))),
    )
    for k in range(wound.resin_runs):
        x0 = wound.centre_mm[0] + rng.uniform(-0.42, 0.42) * wound.width_mm
        y0 = wound.centre_mm[1] - wound.height_mm * rng.uniform(0.1, 0.48)
        length = rng.uniform(10, 55)
        half = rng.uniform(0.7, 1.9)
        down = np.clip((y0 - g.y_mm) / length, -1, 2)
        path = x0 + 2.0 * waves(np.zeros((1, 1), np.float32), g.y_mm, 34.0, wound.seed * 17 + k)
        width = half * (
            0.75 + 0.35 * texture(g, (30.0, 7.0), wound.seed * 19 + k, 2) + 0.8 * np.exp(-(((down - 0.93) / 0.07) ** 2))
        )
        ends = np.minimum(y0 - g.y_mm, g.y_mm - y0 + length)
        field = np.asarray(np.minimum(width - np.abs(g.x_mm - path), ends), dtype=np.float32)
        a = part.edge(field, 0.5)
        part.lay(
            a * np.float32(0.55 + 0.4 * wound.run_age),
            amber * np.exp(0.15 * texture(g, (1.5, 5.0), wound.seed * 23 + k, 2))[..., None],
        )
        part.height_mm += a * np.sqrt(np.clip(field, 0, None)) * np.float32(0.5)
        part.gloss += a * (np.float32(0.2 + 0.8 * wet) - part.gloss)
