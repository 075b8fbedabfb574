"""Bark to draw on: photographs of bark, procedural relief, and both together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from pipeline.learn.stage import Stage, mix, smoothstep

BARK_COLOURS = (
    (0.20, 0.17, 0.14),
    (0.31, 0.26, 0.21),
    (0.42, 0.36, 0.29),
    (0.50, 0.46, 0.40),
    (0.58, 0.55, 0.49),
    (0.48, 0.50, 0.40),
    (0.45, 0.34, 0.25),
    (0.36, 0.24, 0.17),
    (0.66, 0.60, 0.48),
)


@dataclass
class PhotoBank:
    """Photographs as one tensor, shape (N, 3, H, W), uint8, on the drawing device."""

    pixels: Tensor

    def __len__(self) -> int:
        return int(self.pixels.shape[0])


def photo_texture(
    stage: Stage, photos: PhotoBank, wave: tuple[float, float] = (110.0, 260.0), margin: float = 0.08
) -> Tensor:
    """Cut a turned, mirrored and scaled piece of a photograph for each patch, shape (B, 3, H, W).

    ``wave`` is the range of widths, in mm, that a whole photograph is taken to show.
    """
    rng, count = stage.rng, stage.count
    pick = torch.as_tensor(rng.integers(len(photos), size=count), device=stage.device)
    source = photos.pixels[pick].float() / 255
    height, width = source.shape[-2:]
    shown_mm = np.exp(rng.uniform(np.log(wave[0]), np.log(wave[1]), count))
    share = np.clip(stage.edge_mm / shown_mm, 0.28, 0.96)
    turn = rng.normal(0, 0.12, count)
    mirror = rng.choice((-1.0, 1.0), count)
    room = np.clip(1 - share - margin, 0, None)
    cx, cy = rng.uniform(-1, 1, count) * room, rng.uniform(-1, 1, count) * (1 - share * width / height).clip(0)
    cos, sin = np.cos(turn) * share, np.sin(turn) * share
    ratio = width / height
    theta = np.stack((np.stack((cos * mirror, -sin, cx), -1), np.stack((sin * mirror * ratio, cos * ratio, cy), -1)), 1)
    grid = F.affine_grid(
        torch.as_tensor(theta, dtype=torch.float32, device=stage.device),
        [count, 3, *stage.x.shape[-2:]],
        align_corners=False,
    )
    return F.grid_sample(source, grid, mode="bilinear", padding_mode="reflection", align_corners=False)


def whole_cut(rng: np.random.Generator, count: int, ratio: float) -> tuple[np.ndarray, np.ndarray]:
    """Affine maps (B, 2, 3) that cut most of a photograph, turned a little and mirrored; and the share of its width."""
    share = rng.uniform(0.55, 1.0, count)
    turn = rng.normal(0, 0.12, count)
    mirror = rng.choice((-1.0, 1.0), count)
    cos, sin = np.cos(turn) * share, np.sin(turn) * share
    cx = rng.uniform(-1, 1, count) * (1 - share)
    cy = rng.uniform(-1, 1, count) * (1 - share * ratio)
    rows = (np.stack((cos * mirror, -sin, cx), -1), np.stack((sin * mirror * ratio, cos * ratio, cy), -1))
    return np.stack(rows, 1), share


def plain_photo(stage: Stage, photos: PhotoBank) -> Tensor:
    """A whole photograph as it is, for scenes that differ from plain photographs only in what is painted on."""
    pick = torch.as_tensor(stage.rng.integers(len(photos), size=stage.count), device=stage.device)
    source = photos.pixels[pick].float() / 255
    theta, _ = whole_cut(stage.rng, stage.count, source.shape[-1] / source.shape[-2])
    matrix = torch.as_tensor(theta, dtype=torch.float32, device=stage.device)
    grid = F.affine_grid(matrix, [stage.count, 3, *stage.x.shape[-2:]], align_corners=False)
    return F.grid_sample(source, grid, padding_mode="reflection", align_corners=False).clamp(0.01, 0.98)


def procedural(stage: Stage) -> tuple[Tensor, Tensor]:
    """Bark of any relief: furrows, plates, scales or nearly smooth with lenticels.

    Returns
    -------
    albedo, height
        Shapes (B, 3, H, W) and (B, 1, H, W); height in mm.
    """
    stretch = stage.log_uniform(1.0, 7.0)
    turn = stage.host(stage.rng.normal(0, 0.15, stage.count))
    wave = stage.log_uniform(5, 40)
    furrow = stage.noise("ridge", wave, stretch, turn) * stage.chance(0.65)
    plates = smoothstep(0.02, 0.35, stage.noise("cell", wave * 1.2, stretch * 0.7, turn))
    plate_share = stage.chance(0.4) * stage.uniform(0.3, 1)
    grain = stage.noise("fbm", stage.log_uniform(1.5, 12), stage.log_uniform(0.6, 3), turn)
    broad = stage.noise("fbm", stage.log_uniform(25, 120), stage.log_uniform(0.7, 2))
    deep = stage.log_uniform(0.15, 4.0)
    height = deep * (0.8 * furrow + plate_share * plates + 0.12 * grain)
    colour, other, groove = (stage.colour(BARK_COLOURS, 0.12) for _ in range(3))
    other = mix(colour, other, stage.uniform(0.1, 0.8))
    albedo = mix(colour, other, torch.sigmoid(1.6 * broad))
    relief = ((height - height.mean((2, 3), keepdim=True)) / (deep + 0.05)).clamp(-1.5, 1.5)
    albedo = albedo * torch.exp(relief * stage.uniform(0.0, 0.45) + grain * stage.uniform(0.04, 0.16))
    albedo = mix(albedo, groove * 0.6, (1 - plates) * plate_share * 0.5)
    spots = smoothstep(0.24, 0.14, stage.noise("dot", stage.log_uniform(3, 12), stage.uniform(0.35, 1.2)))
    spots = spots * stage.chance(0.35)
    albedo = mix(albedo, stage.colour(((0.6, 0.5, 0.38), (0.45, 0.33, 0.24), (0.75, 0.7, 0.6)), 0.1), spots * 0.7)
    return albedo.clamp(0.01, 0.98), height + spots * 0.4


def draw_bark(stage: Stage, photos: PhotoBank | None, real_share: float) -> tuple[Tensor, Tensor]:
    """Albedo and height of the bark of each patch, from photographs for a share of them."""
    albedo, height = procedural(stage)
    if photos is None or len(photos) == 0:
        return albedo, height
    real = photo_texture(stage, photos)
    tint = stage.host(np.exp(stage.rng.normal(0, 0.06, (stage.count, 3))))
    # Photographs end at about half a millimetre a pixel: the finest relief is added, or close looks would be bare.
    fine = stage.noise("fbm", stage.px_mm * stage.uniform(3, 8)) * stage.uniform(0.02, 0.14)
    real = (real * tint * torch.exp(fine)).clamp(0.01, 0.98)
    use = stage.chance(real_share)
    keep = stage.chance(0.3) * stage.uniform(0.1, 0.4)
    bright = real.mean(1, keepdim=True)
    relief = (bright - bright.mean((2, 3), keepdim=True)) * 1.5 + height * keep
    return mix(albedo, mix(real, albedo, keep * 0.6), use), mix(height, relief, use)
