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
    target = np.maximum(-depth, -7.0) + marks + 0.06 * grain
    # deep and narrow holes swallow light: seen depth against the opening's size
    size = max(2.0, min(wound.width_mm, wound.height_mm) - 2 * wound.advance_mm)
    swallowed = np.exp(-np.clip(depth / (0.9 * size) - 0.35, 0, 4) * 2.2)
    part.lay(inside, colour * swallowed[..., None])
    part.height_mm += inside * (target - part.height_mm)
    part.gloss += inside * (0.25 * wound.resin - part.gloss)
    if wound.advance_mm < growth.CALLUS_FROM_MM:
        _cut_bark(part, wound, first)


def _wood_colour(g: Grid, wound: WoundState, first: Layer, now: Layer) -> Layer:
    s = wound.seed * 131
    streaks = texture(g, (2.2, 48.0), s + 2, 4, 0.6)
    patches = texture(g, (9.0, 26.0), s + 3, 4, 0.6)
    # browning starts at the rim and in streaks along the grain
    age = wound.browning + (0.04 + 0.08 * wound.browning) * streaks + (0.03 + 0.10 * wound.browning) * patches
    age = age + 0.25 * wound.browning * np.exp(-np.clip(first, 0, None) / 4.0)
    colour = ramp(
        np.asarray(age, dtype=np.float32),
        (
            (0.0, linear_rgb(236, 219, 184)),
            (0.25, linear_rgb(212, 184, 138)),
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
    fibre = 0.10 * texture(g, (0.4, 9.0), s + 1, 2) + 0.06 * texture(g, (1.1, 26.0), s + 5, 3)
    pores = smoothstep(1.9, 2.4, texture(g, (0.5, 2.6), s + 11, 1))
    fibre = fibre - 0.35 * pores * (0.4 + wound.browning)
    return np.asarray(colour * np.exp(fibre)[..., None], dtype=np.float32)


def _tool_marks(g: Grid, wound: WoundState) -> Layer:
    s = wound.seed * 131
    if wound.kind is WoundKind.WINDOW:
        # chisel cuts: slanting chips that run out in low steps across the grain, some faces left smooth
        wander = texture(g, (16.0, 9.0), s + 6, 2)
        along = np.mod(g.y_mm / np.float32(10.5) + 0.55 * wander + 0.03 * g.x_mm, 1)
        chip = np.where(along < 0.9, along / 0.9, (1 - along) / 0.1)
        rough = smoothstep(-0.8, 0.9, texture(g, (14.0, 20.0), s + 10, 2))
        return np.asarray(0.55 * rough * chip + 0.35 * wander, dtype=np.float32)
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
    over = np.float32(wound.bark_over)
    swell = growth.callus_swell_mm(wound)
    outside = first + np.float32(swell) * (1 + 0.35 * waves(g.x_mm, g.y_mm, 24.0, s + 37))
    cover = part.edge(outside, 1.2) * (1 - part.edge(now))
    from_bark = np.clip(outside, 0, None)
    from_rim, from_seam = np.clip(-now, 0, None), growth.seam_distance_mm(wound, g.x_mm, g.y_mm)
    from_lip = np.where(now < 0, np.minimum(from_rim, from_seam), from_rim)
    met = smoothstep(-2.0, 2.0, np.asarray(from_rim - from_seam, dtype=np.float32))
    t = from_bark / (from_bark + from_lip + 1e-3)
    bumps = texture(g, (3.6, 5.0), s + 35, 3)
    ridges = texture(g, (1.1, 12.0), s + 36, 2)
    colour = _roll_colour(wound, np.asarray(t, dtype=np.float32), from_lip + 6 * met, bumps)
    colour *= np.exp(0.06 * bumps + 0.05 * ridges)[..., None]
    # the outer part of a roll is its oldest and already wears a thin young bark
    age = np.clip((1 - t) * wound.advance_mm / 14.0 + 0.12 * bumps, 0, 0.75)
    barked = np.clip(np.maximum(over * (1 - 0.2 * (1 - over)), 0.9 * age), 0, 1)
    wrinkle = smoothstep(0.25, 0.0, np.abs(texture(g, (9.0, 2.6), s + 32, 2))) * smoothstep(0.0, 1.0, bumps)
    new_bark = bark * np.exp(0.12 * texture(g, (3.0, 3.0), s + 31, 3))[..., None]
    mixed = colour + barked[..., None] * (new_bark * (1 - 0.15 * wrinkle)[..., None] - colour)
    crease = smoothstep(1.3, 0.1, from_lip + 0.35 * ridges) * smoothstep(0.0, 0.6, -now)
    mixed *= (1 - (0.7 - 0.45 * over) * crease)[..., None]
    part.lay(cover, np.asarray(mixed, dtype=np.float32))
    lift = _roll_lift(wound, np.asarray(t, dtype=np.float32), from_bark, from_lip)
    lift += 0.22 * bumps + 0.08 * ridges
    relief = lift * (1 - 0.65 * over) + bark_height * (0.25 + 0.75 * over) - 0.3 * wrinkle
    part.height_mm += cover * (relief - part.height_mm)
    part.gloss += cover * (np.float32(0.10 * (1 - over) * np.exp(-wound.advance_mm / 4)) - part.gloss)
    if wound.advance_mm >= 1.0:
        # the old bark is pushed up along the roll and cracks
        crack = smoothstep(0.8, 0.0, np.abs(outside - 0.2)) * smoothstep(-0.1, 1.1, waves(g.x_mm, g.y_mm, 16.0, s + 33))
        part.albedo *= (1 - 0.5 * (1 - 0.6 * over) * crack)[..., None]
        part.height_mm -= 0.5 * (1 - over) * crack
        raised = np.exp(-np.clip(-outside, 0, None) / np.float32(3.0 + 0.2 * wound.advance_mm)) * (outside <= 0)
        part.height_mm += np.float32(min(1.6, 0.2 * wound.advance_mm) * (1 - 0.8 * over)) * raised


def _roll_colour(wound: WoundState, t: Layer, from_lip: Layer, bumps: Layer) -> Layer:
    young_lip = np.exp(-from_lip / np.float32(0.9 + 0.10 * wound.advance_mm))
    grown = min(1.0, wound.advance_mm / 7.0)
    tint = 0.12 + 0.9 * grown * (1 - 0.5 * t) - (0.45 - 0.2 * grown) * young_lip + 0.08 * bumps
    return ramp(
        np.asarray(tint, dtype=np.float32),
        (
            (0.0, linear_rgb(206, 188, 140)),
            (0.3, linear_rgb(184, 154, 110)),
            (0.65, linear_rgb(150, 120, 90)),
            (1.0, linear_rgb(124, 103, 82)),
        ),
    )


def _roll_lift(wound: WoundState, t: Layer, from_bark: Layer, from_lip: Layer) -> Layer:
    """A half-round bead: it rises from the bark, is highest past its middle and turns in steeply at the lip."""
    top = float(np.clip(0.9 + 0.55 * wound.advance_mm, 0.9, 8.0))
    u = np.clip(t, 0, 1) ** 0.8
    dome = np.sqrt(np.clip(1 - (2 * u - 1) ** 2, 0, 1))
    # wide new tissue is flatter in its middle than at its lip
    near_lip = np.exp(-np.maximum(from_lip - 5.0, 0) / 7.0)
    lift = top * dome * (0.45 + 0.55 * near_lip)
    lift -= np.float32(min(2.5, 0.4 * top)) * np.exp(-from_lip / 0.8)
    return np.asarray(np.where(from_bark > 0, lift, 0), dtype=np.float32)


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
