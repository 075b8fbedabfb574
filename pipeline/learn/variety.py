"""Looks that are drawn for training only, on top of a finished scene, with random numbers of their own.

The scenes that networks are tested on must stay the same from release to release, so what a
failure teaches is added here and not to the painters: bark cut at a slant, whose inner bark
shows as a pale or rusty band round a fresh opening (no callus); seams of closed wounds that are
broad and dark but hold no opening; pale crusts and bleached bark (no mycelium); dark runs that
have dried to a tint of the bark (still bleeding).  The looks are common knowledge of the trade, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from pipeline.learn.scene import paint_on
from pipeline.learn.stage import Stage, mix, smoothstep
from pipeline.learn.wounds import CLOSED, RESINOUS, Wound

if TYPE_CHECKING:
    from pipeline.learn.signs import Scene


@dataclass(frozen=True)
class Variety:
    """How often each look is drawn, where it can be."""

    slanted_bark: float = 0.0
    broad_seam: float = 0.0
    pale_crust: float = 0.0
    dry_run: float = 0.0
    unresolved_px: float = 0.0
    """Openings narrower than this many pixels are left out of the truth: nobody could tell them from a seam."""


WIDE = Variety(broad_seam=0.6, pale_crust=0.25, dry_run=0.12, unresolved_px=1.7)
"""What training uses.  Bark cut at a slant is left out: drawn round six in ten fresh openings, it taught a network to
take narrow callus for cut bark, and closing wounds for fresh ones (docs/network.md)."""


def vary_wounds(stage: Stage, wound: Wound, scene: Scene, wounded: np.ndarray, amount: Variety) -> None:
    """Put slanted bark round open wounds and broad seams into closed ones, in place."""
    rng = stage.rng
    early = wounded & (wound.stage <= RESINOUS) & (rng.random(stage.count) < amount.slanted_bark)
    outline = wound.outline[torch.as_tensor(np.flatnonzero(early), device=stage.device)]
    paint_on(stage, scene, early, lambda part, over: _slanted_bark(part, over, outline))
    shut = wounded & (wound.stage == CLOSED) & (rng.random(stage.count) < amount.broad_seam)
    paint_on(stage, scene, shut, lambda part, over: _broad_seam(part, over, wound.half_mm[shut], wound.centre_mm[shut]))


def vary_bark(stage: Stage, scene: Scene, amount: Variety) -> None:
    """Paint pale crusts on bark, in place."""
    paint_on(stage, scene, stage.rng.random(stage.count) < amount.pale_crust, _pale_crust)


def vary_signs(stage: Stage, scene: Scene, wounded: np.ndarray, amount: Variety) -> tuple[np.ndarray, Tensor | None]:
    """Paint dried dark runs, in place; their rows, shape (N,), and soft masks, (N, 1, H, W)."""
    chosen = wounded & (stage.rng.random(stage.count) < amount.dry_run)
    return np.flatnonzero(chosen), paint_on(stage, scene, chosen, _dry_run)


def unresolved(aperture: Tensor, width_px: float) -> Tensor:
    """Where an opening, shape (B, 1, H, W) of 0 and 1, is narrower than ``width_px``; bool of that shape.

    An opening by the square of that width (Serra 1982), which keeps what the square fits into.
    """
    edge = int(np.ceil(width_px))
    kept = -F.max_pool2d(-F.pad(aperture, (0, edge - 1, 0, edge - 1)), edge, 1)
    kept = F.max_pool2d(F.pad(kept, (edge - 1, 0, edge - 1, 0)), edge, 1)
    return (aperture > 0.5) & (kept < 0.5)


def own_numbers(stage: Stage, seed: int) -> Stage:
    """The stage with other random numbers, so that what is drawn here changes nothing drawn elsewhere."""
    return replace(stage, rng=np.random.default_rng((seed, 20_903)))


def _slanted_bark(stage: Stage, scene: Scene, outline: Tensor) -> Tensor:
    """Inner bark laid open by a slanting cut: a band outside the opening that falls towards it."""
    wide = stage.log_uniform(0.8, 6) * (1 + 0.25 * stage.noise("smooth", stage.log_uniform(8, 40)))
    place = outline / wide.clamp_min(0.3)
    band = (place > 0).float() * smoothstep(1.0, 0.85, place)
    palette = (
        (0.80, 0.66, 0.46),
        (0.66, 0.48, 0.30),
        (0.55, 0.36, 0.22),
        (0.62, 0.33, 0.20),
        (0.42, 0.30, 0.20),
        (0.30, 0.21, 0.15),
    )
    colour = stage.colour(palette, 0.12) * torch.exp(
        0.12 * stage.noise("fbm", stage.log_uniform(0.8, 4)) - stage.uniform(-0.3, 0.7) * place.clamp(0, 1)
    )
    scene.albedo = mix(scene.albedo, colour.clamp(0.01, 0.98), band * stage.uniform(0.5, 1.0))
    line = smoothstep(0.35, 0.0, (place - 1).abs()) * stage.chance(0.5) * stage.uniform(0.2, 0.7)
    scene.albedo = scene.albedo * (1 - line)
    scene.height = scene.height - band * (1 - place.clamp(0, 1)) * wide * stage.uniform(-0.3, 1.2)
    return band


def _broad_seam(stage: Stage, scene: Scene, half_mm: np.ndarray, centre_mm: np.ndarray) -> Tensor:
    """The groove where the lips of a closed wound met: rounded lips, a dark bottom, in pieces, forked or bent."""
    rng = stage.rng
    a, b = stage.host(half_mm.min(1)), stage.host(half_mm.max(1))
    flat = half_mm[:, 0] > 1.1 * half_mm[:, 1]
    flat = np.where(np.abs(half_mm[:, 0] / half_mm[:, 1] - 1) < 0.25, rng.random(stage.count) < 0.3, flat)
    turn = stage.host(np.where(flat, np.pi / 2, 0.0) + rng.normal(0, 0.08, stage.count))
    dx, dy = stage.x - stage.host(centre_mm[:, :1]), stage.y - stage.host(centre_mm[:, 1:])
    across = dx * torch.cos(turn) + dy * torch.sin(turn)
    along = dy * torch.cos(turn) - dx * torch.sin(turn)
    bend = stage.noise("smooth", b * stage.uniform(0.4, 1.2)) * a * stage.uniform(0.0, 0.25)
    bend = bend + stage.noise("fbm", stage.log_uniform(2, 8)) * stage.uniform(0.0, 0.5)
    # At both ends the groove may fork into the corners of the first wound.
    fork = (along.abs() - (b - a)).clamp_min(0) * stage.chance(0.35)
    distance = torch.minimum((across + bend - fork).abs(), (across + bend + fork).abs())
    inside = smoothstep(1.0, 0.9, along.abs() / (b * stage.uniform(0.5, 1.05)))
    inside = inside * smoothstep(-0.5, 0.3, stage.noise("smooth", a * 0.6 + 1) + stage.uniform(0.0, 2.5))
    core = stage.log_uniform(0.4, 2.2)
    dark = smoothstep(1.0, 0.25, distance / core) * inside
    groove = stage.log_uniform(2.0, 12)
    scene.albedo = scene.albedo * (1 - dark * stage.uniform(0.6, 0.985))
    lip = torch.exp(-0.5 * ((distance - groove) / (0.6 * groove)) ** 2) - torch.exp(-0.5 * (distance / groove) ** 2)
    scene.height = scene.height + lip * inside * (groove * stage.uniform(0.05, 0.5))
    tone = smoothstep(2.0, 0.0, distance / groove) * inside * stage.uniform(-0.2, 0.5)
    scene.albedo = (scene.albedo * (1 - tone)).clamp(0.005, 0.99)
    return dark


def _pale_crust(stage: Stage, scene: Scene) -> Tensor:
    """Pale lichen or bleached bark in clouds or speckles, low in contrast, never on wood or new tissue."""
    wave = stage.log_uniform(6, 70)
    cloud = stage.noise("fbm", wave, stage.log_uniform(0.6, 2.5)) - stage.uniform(0.2, 1.6)
    speckle = 0.5 - stage.noise("dot", stage.px_mm * stage.log_uniform(2.5, 12)) - stage.uniform(-0.1, 0.25)
    ridge = stage.noise("ridge", stage.px_mm * stage.log_uniform(4, 20)) - stage.uniform(0.5, 0.8)
    grain = mix(speckle, ridge, stage.chance(0.35))
    mask = smoothstep(0.0, stage.log_uniform(0.1, 0.8), cloud + grain * stage.uniform(0.0, 2.0))
    off = smoothstep(0.5, 2.5, scene.opening) * (1 - scene.new_tissue)
    mask = mask * off * stage.uniform(0.25, 0.95)
    palette = (
        (0.72, 0.73, 0.70),
        (0.82, 0.82, 0.79),
        (0.66, 0.68, 0.64),
        (0.75, 0.70, 0.60),
        (0.60, 0.64, 0.58),
        (0.88, 0.86, 0.80),
    )
    own = scene.albedo.mean(1, keepdim=True) * stage.uniform(1.2, 2.2)
    colour = mix(stage.colour(palette, 0.08), own.expand_as(scene.albedo), stage.chance(0.4))
    colour = colour * torch.exp(0.12 * stage.noise("fbm", stage.px_mm * 4))
    scene.albedo = mix(scene.albedo, colour.clamp(0.01, 0.97), mask)
    return mask


def _dry_run(stage: Stage, scene: Scene) -> Tensor:
    """Bleeding that has dried: fibres of a dark tint that start at the wound's lower rim and fade downwards."""
    rng = stage.rng
    place = (
        scene.anchor_mm
        + np.stack((rng.normal(0, 0.3, stage.count), rng.uniform(-1, 0.2, stage.count)), 1) * (scene.size_mm[:, None])
    )
    place = np.clip(place, -0.4 * stage.edge_mm[:, None], 0.42 * stage.edge_mm[:, None])
    x, y = stage.host(place[:, :1]), stage.host(place[:, 1:])
    wide, long = stage.log_uniform(1.2, 9), stage.log_uniform(12, 90)
    down = (y - stage.y) / long
    drift = stage.noise_at(stage.x * 0, stage.y, "smooth", long * 0.5) * wide * 0.4
    fan = wide * (1 + down.clamp(0, 1) * stage.uniform(-0.4, 0.8))
    aside = (stage.x - x - drift) / fan
    fibres = stage.noise("fbm", (wide * stage.uniform(0.15, 0.6)).clamp_min(0.4), stage.log_uniform(5, 25))
    profile = smoothstep(-0.05, 0.05, down) * smoothstep(1.05, stage.uniform(0.2, 0.9), down)
    field = (1.15 - aside.abs() ** 1.5) + stage.uniform(0.1, 0.5) * fibres
    mask = smoothstep(0.0, stage.uniform(0.15, 0.7), field) * profile
    palette = ((0.10, 0.07, 0.06), (0.20, 0.12, 0.09), (0.32, 0.22, 0.17), (0.26, 0.24, 0.23))
    tint = stage.colour(palette, 0.12) * torch.exp(0.25 * fibres)
    covered = mix(scene.albedo * tint.clamp(0.02, 0.6) * 1.5, tint.clamp(0.02, 0.5), stage.uniform(0.0, 0.6))
    covered = torch.minimum(covered, scene.albedo)
    scene.albedo = mix(scene.albedo, covered, mask * stage.uniform(0.5, 1.0)).clamp(0.005, 0.99)
    scene.gloss = torch.maximum(scene.gloss, mask * stage.chance(0.2) * 0.5)
    return mask
