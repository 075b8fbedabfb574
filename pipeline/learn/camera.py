"""Light and camera: shading, shadow of the round trunk, lens, sensor, sharpening, JPEG, colour error."""

from __future__ import annotations

import math

import numpy as np
import torch
import torch.nn.functional as F
from torch import Tensor

from pipeline.learn.stage import Stage, blur, mix

LUMA_TABLE = (
    (16, 11, 10, 16, 24, 40, 51, 61),
    (12, 12, 14, 19, 26, 58, 60, 55),
    (14, 13, 16, 24, 40, 57, 69, 56),
    (14, 17, 22, 29, 51, 87, 80, 62),
    (18, 22, 37, 56, 68, 109, 103, 77),
    (24, 35, 55, 64, 81, 104, 113, 92),
    (49, 64, 78, 87, 103, 121, 120, 101),
    (72, 92, 95, 98, 112, 100, 103, 99),
)
"""Luminance quantisation, ITU-T T.81 annex K, table K.1."""


def light_scene(stage: Stage, albedo: Tensor, height: Tensor, gloss: Tensor, light: Tensor, bent: Tensor) -> Tensor:
    """Shade relief under one lamp and the sky; ``light`` has shape (B, 3, 1, 1) in picture axes, z to the viewer;
    ``bent`` is 1 where the trunk's roundness shades the patch, 0 where a photograph already shows it.

    Returns linear light, shape (B, 3, H, W).
    """
    smooth = F.avg_pool2d(F.pad(height, (1, 1, 1, 1), mode="replicate"), 3, 1)
    height = mix(smooth, height, 0.4 * torch.ones_like(light[:, :1]))
    steep = 1.0 / (2 * stage.px_mm)
    gx = (
        F.pad(height, (0, 2, 0, 0), mode="replicate")[..., 2:] - F.pad(height, (2, 0, 0, 0), mode="replicate")[..., :-2]
    ) * steep
    gy = (
        F.pad(height, (0, 0, 0, 2), mode="replicate")[..., 2:, :]
        - F.pad(height, (0, 0, 2, 0), mode="replicate")[..., :-2, :]
    ) * steep
    bend = bent * stage.x / stage.host(np.maximum(stage.edge_mm, 60) * stage.rng.uniform(0.7, 3.0, stage.count))
    nx, ny = -gx.clamp(-4, 4) + bend, -gy.clamp(-4, 4)
    norm = torch.rsqrt(nx * nx + ny * ny + 1)
    lambert = ((nx * light[:, :1] + ny * light[:, 1:2] + light[:, 2:]) * norm).clamp_min(0)
    sky = stage.uniform(0.25, 0.85)
    half = light + light.new_tensor([0.0, 0.0, 1.0]).view(1, 3, 1, 1)
    half = half / half.norm(dim=1, keepdim=True)
    shine = ((nx * half[:, :1] + ny * half[:, 1:2] + half[:, 2:]) * norm).clamp(0, 1) ** 40
    sky_colour, warm = _lamp_colours(stage)
    flat = light[:, 2:].clamp_min(0.2)
    total = sky * sky_colour * (0.75 + 0.25 * norm) + (1 - sky) * warm * lambert / flat
    return albedo.clamp_min(1e-4) ** 2.2 * total + shine * gloss * 0.5


def _lamp_colours(stage: Stage) -> tuple[Tensor, Tensor]:
    """Colours of the sky and of the sun."""
    warm = stage.host(np.array([1.06, 1.0, 0.92]) ** stage.rng.uniform(-0.6, 1.0, (stage.count, 1)))
    sky = stage.host(np.array([0.95, 1.0, 1.07]) ** stage.rng.uniform(-0.5, 1.2, (stage.count, 1)))
    return sky, warm


def flat_light(stage: Stage, albedo: Tensor) -> Tensor:
    """Light of a patch without relief, as :func:`light_scene` gives it."""
    sky = stage.uniform(0.25, 0.85)
    sky_colour, warm = _lamp_colours(stage)
    return albedo.clamp_min(1e-4) ** 2.2 * (sky * sky_colour + (1 - sky) * warm)


def draw_light(stage: Stage) -> Tensor:
    """A direction towards the lamp, mostly from above, shape (B, 3, 1, 1), picture axes (y down)."""
    rng = stage.rng
    azimuth = rng.normal(-math.pi / 2, 0.9, stage.count)
    height = np.deg2rad(rng.uniform(25, 80, stage.count))
    vector = np.stack((np.cos(azimuth) * np.cos(height), np.sin(azimuth) * np.cos(height), np.sin(height)), 1)
    return stage.host(vector)


def expose(stage: Stage, linear: Tensor) -> Tensor:
    """Exposure, colour error and tone curve; returns sRGB-like values from 0 to 1."""
    rng = stage.rng
    gain = stage.host(np.exp(rng.normal(-0.08, 0.27, stage.count)))
    cast = np.exp(rng.normal(0, 0.05, (stage.count, 3)) * rng.choice((0.4, 1.0, 2.0), (stage.count, 1)))
    value = (linear * gain * stage.host(cast)).clamp_min(1e-5) ** (1 / 2.2)
    contrast = stage.uniform(0.8, 1.25)
    middle = value.mean((1, 2, 3), keepdim=True)
    value = middle + (value - middle) * contrast
    grey = value.mean(1, keepdim=True)
    return (grey + (value - grey) * stage.uniform(0.7, 1.3)).clamp(0, 1)


def _motion(stage: Stage, image: Tensor) -> Tensor:
    """Blur along a line of up to 9 px, for every patch its own."""
    rng, count = stage.rng, stage.count
    reach = 5
    axis = torch.arange(-reach, reach + 1, device=image.device, dtype=torch.float32)
    row, col = torch.meshgrid(axis, axis, indexing="ij")
    angle = stage.host(rng.uniform(0, math.pi, count))[:, 0]
    half = stage.host(rng.uniform(0.2, 4.5, count))[:, 0]
    along = (col * torch.cos(angle) + row * torch.sin(angle)).abs()
    across = (row * torch.cos(angle) - col * torch.sin(angle)).abs()
    kernel = (half + 0.5 - along).clamp(0, 1) * (1 - across).clamp(0, 1)
    kernel = kernel / kernel.sum((1, 2), keepdim=True)
    flat = F.pad(image, (reach,) * 4, mode="replicate").reshape(
        1, count * 3, image.shape[2] + 2 * reach, image.shape[3] + 2 * reach
    )
    return F.conv2d(flat, kernel.repeat_interleave(3, 0)[:, None], groups=count * 3).view_as(image)


def _dct_matrix(device: torch.device) -> Tensor:
    k = torch.arange(8, device=device, dtype=torch.float32)
    matrix = torch.cos(math.pi / 16 * (2 * k[None] + 1) * k[:, None]) / 2
    matrix[0] = matrix[0] / math.sqrt(2)
    return matrix


def jpeg(stage: Stage, image: Tensor) -> Tensor:
    """Quantise 8 x 8 blocks as JPEG does, qualities from 25 to 97, chroma coarser."""
    count, _, height, width = image.shape
    quality = stage.rng.uniform(25, 97, count)
    scale = np.where(quality < 50, 50 / quality, 2 - quality / 50) / 255
    r, g, b = image.unbind(1)
    luma = 0.299 * r + 0.587 * g + 0.114 * b
    planes = torch.stack((luma, (b - luma) * 0.564, (r - luma) * 0.713), 1)
    blocks = planes.view(count, 3, height // 8, 8, width // 8, 8).permute(0, 1, 2, 4, 3, 5)
    dct = _dct_matrix(image.device)
    table = torch.tensor(LUMA_TABLE, device=image.device, dtype=torch.float32)
    steps = torch.stack((table, table.clamp_min(20) * 1.2, table.clamp_min(20) * 1.2)).view(1, 3, 1, 1, 8, 8)
    steps = steps * stage.host(scale).view(count, 1, 1, 1, 1, 1)
    coefficients = torch.round((dct @ blocks @ dct.T) / steps) * steps
    planes = (dct.T @ coefficients @ dct).permute(0, 1, 2, 4, 3, 5).reshape(count, 3, height, width)
    luma, cb, cr = planes.unbind(1)
    r, b = luma + cr / 0.713, luma + cb / 0.564
    return torch.stack((r, (luma - 0.299 * r - 0.114 * b) / 0.587, b), 1).clamp(0, 1)


def photograph(stage: Stage, image: Tensor, device_rng: torch.Generator) -> Tensor:
    """Lens, sensor and phone: resolution, focus, motion, noise, smoothing, sharpening, JPEG."""
    rng = stage.rng
    soft = rng.uniform(0.15, 0.8, stage.count) + (rng.random(stage.count) < 0.35) * rng.uniform(0, 2.4, stage.count)
    image = blur(image, stage.host(soft))
    moved = np.flatnonzero(rng.random(stage.count) < 0.18)
    if len(moved):
        index = torch.as_tensor(moved, device=image.device)
        image = image.index_copy(0, index, _motion(stage.subset(moved), image[index]))
    level = stage.log_uniform(0.002, 0.035)
    noise = torch.randn(image.shape, generator=device_rng, device=image.device)
    image = image + noise * level * (0.4 + image.clamp_min(0.0).sqrt())
    smoothing = stage.host(rng.uniform(0.05, 0.8, stage.count))
    smooth = blur(image, smoothing, 2)
    sharper = stage.uniform(0.0, 1.2) * stage.chance(0.5)
    image = (smooth + (smooth - blur(smooth, stage.uniform(0.6, 1.5), 4)) * sharper).clamp(0, 1)
    packed = np.flatnonzero(rng.random(stage.count) < 0.8)
    if len(packed) and image.shape[-1] % 8 == 0:
        index = torch.as_tensor(packed, device=image.device)
        image = image.index_copy(0, index, jpeg(stage.subset(packed), image[index]))
    return image
