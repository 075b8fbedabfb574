"""What is drawn so far, and what every painter of signs and look-alikes needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch
from torch import Tensor

from pipeline.learn.stage import Stage, mix, smoothstep

if TYPE_CHECKING:
    from collections.abc import Callable

    Painter = Callable[[Stage, "Scene"], Tensor]
    """Paints over the rows it is given and returns its soft mask, shape (B, 1, H, W)."""

VISIBLE_CHANGE = 0.05
"""A sign that changes the albedo under it by less than this on average counts as unknown."""
SIGN_NAMES = ("green_film", "white_mycelium", "conk", "dark_bleeding", "sunken_bark")
LOOKALIKE_NAMES = (
    "moss",
    "lichen",
    "algae",
    "mud",
    "leaf_shadow",
    "flaking_bark",
    "stain",
    "paint",
    "ants",
    "web",
    "sun_fleck",
)
COUNTED_LOOKALIKES = (0, 1, 2, 3, 8)
"""Those of which ``lookalike_p`` speaks: moss, lichen, algae, mud, ants."""


@dataclass
class Scene:
    """What is drawn so far; every field has its batch on the first axis."""

    albedo: Tensor
    height: Tensor
    gloss: Tensor
    shade: Tensor
    opening: Tensor
    """Distance from the opening or the seam, mm; large where there is no wound."""
    new_tissue: Tensor
    anchor_mm: np.ndarray
    """Shape (B, 2): a point on or near the wound's rim, or anywhere on bare bark."""
    size_mm: np.ndarray
    """Shape (B,): about the size of what is watched."""

    def rows(self, index: np.ndarray) -> Scene:
        """A copy of some rows."""
        pick = torch.as_tensor(index, device=self.albedo.device)
        return Scene(
            self.albedo[pick],
            self.height[pick],
            self.gloss[pick],
            self.shade[pick],
            self.opening[pick],
            self.new_tissue[pick],
            self.anchor_mm[index],
            self.size_mm[index],
        )

    def put(self, index: np.ndarray, part: Scene) -> None:
        """Write rows back."""
        pick = torch.as_tensor(index, device=self.albedo.device)
        for name in ("albedo", "height", "gloss", "shade"):
            setattr(self, name, getattr(self, name).index_copy(0, pick, getattr(part, name)))


def paint_on(stage: Stage, scene: Scene, which: np.ndarray, painter: Painter) -> Tensor | None:
    """Let a painter work on some rows of a scene, in place; its mask of those rows, ``None`` where there are none."""
    rows = np.flatnonzero(which)
    if not len(rows):
        return None
    part = scene.rows(rows)
    mask = painter(stage.subset(rows), part)
    scene.put(rows, part)
    return mask


def is_visible(after: Tensor, before: Tensor, mask: Tensor) -> Tensor:
    """Whether what was painted changes the albedo enough to be made out, 0 or 1, shape (B,)."""
    change = (after - before).abs().mean(1, keepdim=True)
    mean = (change * mask).sum((1, 2, 3)) / mask.sum((1, 2, 3)).clamp_min(1e-3)
    return (mean > VISIBLE_CHANGE).float()


def near(stage: Stage, scene: Scene, spread: float) -> tuple[Tensor, Tensor]:
    """A place near the wound."""
    offset = stage.rng.normal(0, spread, (stage.count, 2)) * scene.size_mm[:, None]
    place = np.clip(scene.anchor_mm + offset, -0.42 * stage.edge_mm[:, None], 0.42 * stage.edge_mm[:, None])
    return stage.host(place[:, :1]), stage.host(place[:, 1:])


def anywhere(stage: Stage) -> tuple[Tensor, Tensor]:
    """A place anywhere on the patch."""
    place = stage.rng.uniform(-0.5, 0.5, (stage.count, 2)) * stage.edge_mm[:, None]
    return stage.host(place[:, :1]), stage.host(place[:, 1:])


def radius_mm(stage: Stage, low_share: float, high_share: float) -> Tensor:
    """A radius between shares of the patch, never under 3 mm nor over 80 mm, log-spread."""
    share = np.exp(stage.rng.uniform(np.log(low_share), np.log(high_share), stage.count))
    return stage.host(np.clip(share * stage.edge_mm, 2.5, 80))


def cover(scene: Scene, mask: Tensor, colour: Tensor) -> None:
    """Lay a colour over what is drawn."""
    scene.albedo = mix(scene.albedo, colour, mask).clamp(0.005, 0.99)


def streaks(stage: Stage, x: Tensor, y: Tensor, wide: Tensor, long: Tensor) -> Tensor:
    """One to three runs that start at a point and go down, field above 0 inside."""
    best = torch.full_like(stage.x, -9.0)
    for turn in range(3):
        there = stage.chance(1.0 if turn == 0 else 0.5)
        dx = stage.host(stage.rng.normal(0, 1.0, stage.count)) * wide * (0 if turn == 0 else 2.0)
        down = (y - stage.y) / (long * (1.0 if turn == 0 else stage.uniform(0.3, 0.9)))
        wander = stage.noise_at(stage.y * 0 + turn, stage.y, "smooth", wide * 6) * wide * 0.6
        profile = smoothstep(-0.06, 0.08, down) * (1 - 0.55 * down.clamp(0, 1)) * smoothstep(1.05, 0.8, down)
        rough = 0.28 * stage.noise("smooth", wide * 0.9, 2.0) + 0.2 * stage.noise("fbm", wide * 0.5, 2.5)
        here = profile * (1.1 + rough) - (stage.x - x - dx - wander).abs() / wide
        best = torch.maximum(best, here - 9 * (1 - there))
    return best
