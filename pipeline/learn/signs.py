"""Signs of possible fungal infection, painted over a scene.

Every painter works on the rows it is given, changes albedo, height and gloss in place and
returns its soft mask, shape (B, 1, H, W).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch
from torch import Tensor

from pipeline.learn.bark import PhotoBank, photo_texture
from pipeline.learn.scene import (
    COUNTED_LOOKALIKES,
    LOOKALIKE_NAMES,
    SIGN_NAMES,
    Scene,
    cover,
    is_visible,
    near,
    paint_on,
    radius_mm,
    streaks,
)
from pipeline.learn.stage import Stage, mix, smoothstep

if TYPE_CHECKING:
    from pipeline.learn.scene import Painter

__all__ = [
    "COUNTED_LOOKALIKES",
    "LOOKALIKE_NAMES",
    "SIGN_NAMES",
    "Scene",
    "SignMaps",
    "choose_signs",
    "conk",
    "dark_bleeding",
    "green_film",
    "paint_signs",
    "sunken_bark",
    "white_mycelium",
]


def green_film(stage: Stage, scene: Scene, photos: PhotoBank | None) -> Tensor:
    """Powdery mould on wood, rim and the bark next to it: white-green to dark green, grainy, paler at its edge."""
    x, y = near(stage, scene, 0.35)
    field = stage.blob(x, y, radius_mm(stage, 0.05, 0.3), stage.uniform(0.25, 0.7), stage.log_uniform(0.6, 1.7))
    field = field + 0.25 * stage.chance(0.6) * (
        smoothstep(1.5, -0.5, scene.opening / stage.host(scene.size_mm)[..., :1] * 4) - 0.5
    )
    grain = stage.noise("fbm", stage.px_mm * stage.uniform(2, 6))
    colonies = smoothstep(0.5, 0.15, stage.noise("dot", stage.log_uniform(1.5, 6))) * stage.chance(0.5)
    mask = smoothstep(0.0, stage.uniform(0.08, 0.35), field + 0.10 * grain + 0.15 * colonies)
    mask = mask * stage.uniform(0.55, 1.0)
    palette = (
        (0.10, 0.19, 0.11),
        (0.20, 0.32, 0.20),
        (0.33, 0.47, 0.34),
        (0.45, 0.56, 0.40),
        (0.24, 0.29, 0.13),
        (0.10, 0.15, 0.10),
    )
    colour = stage.colour(palette, 0.12) * torch.exp(0.18 * grain - 0.25 * colonies)
    edge = smoothstep(0.5, 0.05, field) * stage.chance(0.5)
    colour = mix(colour, stage.colour(((0.72, 0.76, 0.66), (0.6, 0.68, 0.55)), 0.05), edge * 0.7)
    if photos is not None and len(photos):
        real = photo_texture(stage, photos, (60, 200)) * torch.exp(0.05 * grain)
        colour = mix(colour, real, stage.chance(0.35))
    cover(scene, mask, colour)
    scene.gloss = scene.gloss * (1 - mask)
    return mask


def white_mycelium(stage: Stage, scene: Scene) -> Tensor:
    """Cottony white fans and threads with fuzzy edges, mostly at the rim and on wood."""
    x, y = near(stage, scene, 0.3)
    radius = radius_mm(stage, 0.04, 0.26)
    field = stage.blob(x, y, radius, stage.uniform(0.3, 0.6), stage.log_uniform(0.5, 1.8))
    dx, dy = stage.x - x, stage.y - y
    angle, distance = torch.atan2(dy, dx), torch.hypot(dx, dy) / radius
    branch = stage.noise_at(angle * 3.0 + 0.4 * stage.noise("smooth", radius * 0.5), distance, "ridge", 0.5, 3.0)
    cotton = stage.noise("ridge", stage.px_mm * stage.uniform(4, 12))
    threads = mix(cotton, branch, stage.uniform(0, 1))
    mask = smoothstep(0.0, stage.uniform(0.25, 0.7), field + 0.6 * (threads - 0.6))
    mask = (mask * (0.62 + 0.45 * threads)).clamp(0, 1) * stage.uniform(0.65, 1.0)
    palette = ((0.93, 0.92, 0.87), (0.88, 0.86, 0.78), (0.90, 0.84, 0.68), (0.82, 0.80, 0.76))
    fluff = stage.noise("fbm", stage.px_mm * 4)
    cover(scene, mask, stage.colour(palette, 0.05) * torch.exp(0.05 * fluff))
    scene.height = scene.height + mask * stage.uniform(0.2, 1.5) * (0.7 + 0.3 * threads)
    scene.gloss = scene.gloss * (1 - mask)
    return mask


def conk(stage: Stage, scene: Scene) -> Tensor:
    """Brackets and crusts: half discs with zones, a pale growing rim and a shadow below; one to three."""
    total = torch.zeros_like(scene.height)
    for turn in range(3):
        there = stage.chance(1.0 if turn == 0 else 0.35)
        x, y = near(stage, scene, 0.45)
        wide = radius_mm(stage, 0.04, 0.2) * there + 1e-3
        flat = stage.uniform(0.35, 0.95)
        dx, dy = (stage.x - x) / wide, (stage.y - y) / (wide * flat)
        ragged = 0.07 * stage.noise("smooth", wide * 0.6)
        r = torch.hypot(dx, dy) + ragged
        top = smoothstep(
            0.0, 0.05, -dy + 0.12 * stage.chance(0.7) + 0.25 * (1 - dx * dx).clamp_min(0) * stage.uniform(0, 1)
        )
        body = smoothstep(1.0, 0.94, r) * top * there
        shadow = (
            smoothstep(1.35, 0.9, torch.hypot(dx - 0.08, dy + 0.22)) * smoothstep(0.1, -0.3, dy) * there * (1 - body)
        )
        zone = torch.sin(r * stage.uniform(6, 26) + stage.noise("fbm", wide) * 0.6)
        palette = (
            (0.22, 0.13, 0.08),
            (0.42, 0.25, 0.13),
            (0.62, 0.42, 0.22),
            (0.72, 0.60, 0.43),
            (0.80, 0.74, 0.62),
            (0.78, 0.42, 0.14),
            (0.45, 0.40, 0.36),
        )
        colour = stage.colour(palette, 0.1) * torch.exp(zone * stage.uniform(0.03, 0.28))
        rim = smoothstep(0.75, 0.95, r) * stage.chance(0.75)
        colour = mix(colour, stage.colour(((0.92, 0.88, 0.78), (0.9, 0.8, 0.55)), 0.04), rim * stage.uniform(0.3, 1))
        colour = (
            colour
            * (1.1 - 0.35 * (r.clamp(0, 1) ** 3) * stage.uniform(0, 1))
            * torch.exp(0.05 * stage.noise("fbm", wide * 0.2))
        )
        scene.shade = scene.shade * (1 - shadow * stage.uniform(0.35, 0.75))
        cover(scene, body, colour)
        thick = wide * stage.uniform(0.1, 0.45)
        scene.height = mix(
            scene.height, scene.height.mean((2, 3), keepdim=True) + thick * (1 - 0.5 * r.clamp(0, 1)), body
        )
        scene.gloss = mix(scene.gloss, stage.chance(0.25) * 0.4, body)
        total = torch.maximum(total, body)
    return total


def dark_bleeding(stage: Stage, scene: Scene) -> Tensor:
    """Dark wet runs, brown-black with a rusty border, from the rim or out of the bark."""
    x, y = near(stage, scene, 0.35)
    wide = radius_mm(stage, 0.02, 0.10)
    long = wide * stage.log_uniform(2.5, 14)
    field = streaks(stage, x, y, wide, long)
    seep = stage.blob(x, y, wide * stage.uniform(0.8, 2.2), 0.45, 1.5)
    field = torch.maximum(field, seep)
    spots = stage.noise("dot", wide * stage.uniform(2.0, 5.0), stage.log_uniform(1.0, 4.0))
    region = stage.blob(x, y, wide * stage.uniform(3, 8), 0.4, 1.4)
    scattered = torch.minimum(stage.uniform(0.25, 0.5) - spots, 0.6 * region) + 0.12 * stage.noise("fbm", wide)
    field = mix(field, scattered * 2, stage.chance(0.3))
    mask = smoothstep(0.0, stage.uniform(0.15, 0.5), field) * stage.uniform(0.6, 1.0)
    core = stage.colour(((0.04, 0.03, 0.03), (0.10, 0.05, 0.035), (0.17, 0.07, 0.045), (0.22, 0.10, 0.06)), 0.12)
    border = stage.colour(((0.42, 0.17, 0.08), (0.35, 0.20, 0.10), (0.25, 0.12, 0.09)), 0.1)
    colour = mix(border, core, smoothstep(0.1, 0.55, field))
    thin = stage.uniform(0.35, 1.0)
    colour = mix(scene.albedo * colour * 1.7, colour, thin)
    cover(scene, mask, colour * torch.exp(0.1 * stage.noise("fbm", wide * 0.6)))
    scene.gloss = torch.maximum(scene.gloss, mask * stage.chance(0.6) * stage.uniform(0.2, 0.9))
    scene.height = mix(scene.height, scene.height * 0.6, mask)
    return mask


def sunken_bark(stage: Stage, scene: Scene) -> Tensor:
    """Dead bark that has sunk: a darker hollow with a crack or step along its border."""
    x, y = near(stage, scene, 0.6)
    radius = radius_mm(stage, 0.08, 0.3)
    field = stage.blob(x, y, radius, stage.uniform(0.12, 0.35), stage.log_uniform(0.8, 2.4))
    outside = smoothstep(0.0, 1.0, scene.opening / (0.03 * radius + 0.5)) * (1 - scene.new_tissue)
    mask = smoothstep(0.0, stage.uniform(0.06, 0.3), field) * outside
    deep = (radius * stage.uniform(0.06, 0.25)).clamp_max(7)
    scene.height = scene.height - deep * smoothstep(0.0, stage.uniform(0.12, 0.4), field) * outside
    tone = stage.colour(((0.45, 0.30, 0.24), (0.55, 0.42, 0.34), (0.38, 0.30, 0.28), (0.7, 0.6, 0.55)), 0.1)
    strength = stage.uniform(0.3, 0.85)
    cover(scene, mask, mix(scene.albedo, scene.albedo * tone * 1.5, strength))
    crack = smoothstep(
        0.10, 0.02, (field - stage.uniform(0.0, 0.08)).abs() + 0.06 * (1 - stage.noise("ridge", radius * 0.4))
    )
    crack = (
        crack
        * smoothstep(-0.5, 0.5, stage.noise("smooth", radius) + stage.uniform(-0.3, 1.2))
        * outside
        * stage.chance(0.75)
    )
    cover(scene, crack * 0.85, scene.albedo * 0.22)
    scene.height = scene.height - 0.8 * crack
    return mask


@dataclass
class SignMaps:
    """Signs painted on a batch: soft masks, shape (B, 5, H, W), and whether each can be made out, (B, 5).

    A sign that hardly changes the colour of what it lies on cannot be seen by anyone: it is
    drawn but counts as unknown.
    """

    masks: Tensor
    seen_well: Tensor

    @classmethod
    def none(cls, stage: Stage) -> SignMaps:
        """Nothing painted yet."""
        size = stage.x.shape[-2:]
        return cls(
            torch.zeros(stage.count, len(SIGN_NAMES), *size, device=stage.device),
            torch.ones(stage.count, len(SIGN_NAMES), device=stage.device),
        )


def choose_signs(rng: np.random.Generator, count: int, share: float, second_share: float) -> np.ndarray:
    """Which signs each patch gets, shape (B, 5): one with a probability, and sometimes a second."""
    chosen, rows = np.zeros((count, len(SIGN_NAMES)), bool), np.arange(count)
    some = rng.random(count) < share
    chosen[rows, rng.integers(len(SIGN_NAMES), size=count)] |= some
    chosen[rows, rng.integers(len(SIGN_NAMES), size=count)] |= some & (rng.random(count) < second_share)
    return chosen


def paint_signs(stage: Stage, scene: Scene, chosen: np.ndarray, films: PhotoBank | None, maps: SignMaps) -> None:
    """Paint chosen signs over a scene and enter them into the maps, both in place; what lies on top hides the rest."""
    painters: tuple[tuple[int, Painter], ...] = (
        (4, sunken_bark),
        (3, dark_bleeding),
        (0, lambda part, over: green_film(part, over, films)),
        (1, white_mycelium),
        (2, conk),
    )
    for number, painter in painters:
        before = scene.albedo
        mask = paint_on(stage, scene, chosen[:, number], painter)
        if mask is None:
            continue
        index = torch.as_tensor(np.flatnonzero(chosen[:, number]), device=stage.device)
        maps.seen_well[index, number] = is_visible(scene.albedo[index], before[index], mask)
        if painter is not sunken_bark:
            maps.masks[index] = maps.masks[index] * (1 - mask)
        maps.masks[index, number] = torch.maximum(maps.masks[index, number], mask[:, 0])
