"""Wounds in every closure stage: outline, callus, wood, seam, and the exact truth of each pixel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from pipeline.learn.stage import Stage, mix, shift, smoothstep

KINDS = ("drill hole", "nail hole", "window", "strip", "trunk cut")
WOOD = (
    (0.93, 0.86, 0.70),
    (0.85, 0.73, 0.53),
    (0.71, 0.54, 0.35),
    (0.50, 0.33, 0.20),
    (0.33, 0.18, 0.12),
    (0.20, 0.12, 0.09),
    (0.12, 0.09, 0.07),
)
CALLUS = (
    (0.86, 0.76, 0.58),
    (0.78, 0.66, 0.45),
    (0.72, 0.68, 0.46),
    (0.66, 0.52, 0.38),
    (0.55, 0.42, 0.32),
    (0.47, 0.41, 0.34),
)
STAGE_SHARES = (0.17, 0.18, 0.19, 0.20, 0.14, 0.12)
FRESH, RESINOUS, CALLUS_STAGE, CLOSING, CLOSED, REBARKED = range(6)
CALLUS_SHARE = 0.6
"""A wound of which more than this share of the opening is left is in the stage callus, else closing."""


@dataclass
class Wound:
    """Wounds of a batch, as fields and truth.

    Attributes
    ----------
    outline
        Distance from the first outline, mm, negative inside.
    opening
        The same for what is still open.
    aperture, tissue
        Shape (B, 1, H, W), 0 or 1: opening, new tissue.
    stage
        Shape (B,), host: what is drawn.
    half_mm
        Shape (B, 2), host: half width and half height.
    centre_mm
        Shape (B, 2), host.
    dark
        Shape (B,), host: 0 white wood to 1 black wood.
    """

    outline: Tensor
    opening: Tensor
    aperture: Tensor
    tissue: Tensor
    stage: np.ndarray
    half_mm: np.ndarray
    centre_mm: np.ndarray
    dark: np.ndarray
    kind: np.ndarray


def draw_sizes(rng: np.random.Generator, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Kind of wound and its half width and half height in mm."""
    kind = rng.choice(len(KINDS), count, p=(0.26, 0.10, 0.32, 0.18, 0.14))
    drill = np.exp(rng.uniform(np.log(2.0), np.log(13), count))
    nail = np.exp(rng.uniform(np.log(1.0), np.log(3.5), count))
    window_w, window_h = rng.uniform(8, 48, count), rng.uniform(10, 62, count)
    strip_w, strip_h = rng.uniform(4, 20, count), rng.uniform(35, 130, count)
    cut = rng.uniform(18, 70, count)
    half_w = np.choose(kind, (drill, nail, window_w, strip_w, cut))
    oval = np.exp(rng.normal(0, 0.12, count))
    half_h = np.choose(kind, (drill * oval, nail * oval, window_h, strip_h, cut * np.exp(rng.normal(0.1, 0.15, count))))
    return kind, np.stack((half_w, half_h), 1)


def _outline(stage: Stage, kind: np.ndarray, half: np.ndarray, centre: np.ndarray) -> tuple[Tensor, Tensor, Tensor]:
    """Distance from the outline and the wound's own coordinates, mm."""
    rng = stage.rng
    a, b = stage.host(half[:, :1]), stage.host(half[:, 1:])
    small = torch.minimum(a, b)
    turn = stage.host(rng.normal(0, 0.1, stage.count))
    dx, dy = stage.x - stage.host(centre[:, :1]), stage.y - stage.host(centre[:, 1:])
    x, y = dx * torch.cos(turn) + dy * torch.sin(turn), dy * torch.cos(turn) - dx * torch.sin(turn)
    box = stage.host(np.where(np.isin(kind, (2, 3)), rng.random(stage.count) < 0.75, False).astype(np.float32))
    corner = small * stage.uniform(0.08, 1.0)
    qx, qy = x.abs() - a + corner, y.abs() - b + corner
    boxed = torch.hypot(qx.clamp_min(0), qy.clamp_min(0)) + torch.maximum(qx, qy).clamp_max(0) - corner
    k0 = torch.sqrt((x / a) ** 2 + (y / b) ** 2)
    k1 = torch.sqrt((x / a**2) ** 2 + (y / b**2) ** 2)
    oval = torch.maximum(k0 * (k0 - 1) / k1.clamp_min(1e-6), -small)
    rough = stage.host(np.choose(kind, (0.025, 0.05, 0.05, 0.07, 0.05)) * rng.uniform(0.2, 1.6, stage.count))
    edge = stage.noise("smooth", small * stage.uniform(0.7, 1.6)) + 0.5 * stage.noise("fbm", small * 0.4)
    return mix(oval, boxed, box) + edge * rough * small, x, y


def draw_wound(stage: Stage, kind: np.ndarray, half: np.ndarray, centre: np.ndarray, closure: np.ndarray) -> Wound:
    """Shape a wound of each patch and let it close to its stage.

    ``closure`` is the stage wanted; where the drawn share of open wood says otherwise between
    callus and closing, what is drawn counts.
    """
    rng = stage.rng
    outline, x, y = _outline(stage, kind, half, centre)
    twin = (rng.random(stage.count) < 0.14) & (kind < 2)
    if twin.any():
        rows = np.flatnonzero(twin)
        sub = stage.subset(rows)
        step = half[rows].max(1, keepdims=True) * rng.uniform(2.4, 6, (len(rows), 1))
        angle = rng.uniform(0, 2 * np.pi, (len(rows), 1))
        other, _, _ = _outline(
            sub, kind[rows], half[rows], centre[rows] + step * np.hstack((np.cos(angle), np.sin(angle)))
        )
        index = torch.as_tensor(rows, device=stage.device)
        outline = outline.index_copy(0, index, torch.minimum(outline[index], other))
    a, b = stage.host(half[:, :1]), stage.host(half[:, 1:])
    small = torch.minimum(a, b)
    reach = np.select(
        (closure <= RESINOUS, closure == CALLUS_STAGE, closure == CLOSING),
        (np.zeros(stage.count), rng.uniform(0.05, 0.26, stage.count), rng.uniform(0.3, 0.93, stage.count)),
        1.04,
    )
    open_still = stage.host((closure < CLOSED).astype(np.float32))
    lobes = stage.noise("smooth", small * stage.uniform(0.5, 1.5)) * stage.uniform(0.05, 0.45)
    lean = stage.host(rng.uniform(0, 2 * np.pi, stage.count))
    side = (x * torch.cos(lean) + y * torch.sin(lean)) / (torch.hypot(x, y) + 0.2 * small)
    ends = 1 - stage.uniform(0.0, 0.6) * (y.abs() / b).clamp(0, 1) ** 3
    advance = (
        stage.host(reach)
        * small
        * (1 + open_still * (lobes + stage.uniform(0, 0.4) * side))
        * mix(torch.ones_like(ends), ends, open_still)
    )
    opening = outline + advance.clamp_min(0)
    grows = stage.host((closure >= CALLUS_STAGE).astype(np.float32))
    island = stage.noise("smooth", small * 0.8) - stage.uniform(1.6, 2.6)
    opening = torch.where((island > 0) & (grows > 0) & (stage.chance(0.25) > 0), island.abs() * small * 0.3, opening)
    closed = stage.host((closure >= CLOSED).astype(np.float32))
    opening = mix(opening, opening.abs() + 0.01, closed)
    outer = outline - grows * (0.25 * advance.clamp_min(0) * stage.uniform(0.3, 1)).clamp_max(9)
    aperture = ((opening < 0) & (outline < 0)).float()
    tissue = ((outer < 0) & (aperture < 0.5)).float() * grows
    left = aperture.sum((1, 2, 3)) / (outline < 0).float().sum((1, 2, 3)).clamp_min(1)
    left_host = left.cpu().numpy()
    drawn = closure.copy()
    between = (closure == CALLUS_STAGE) | (closure == CLOSING)
    drawn[between] = np.where(left_host[between] > CALLUS_SHARE, CALLUS_STAGE, CLOSING)
    drawn[between & (left_host < 0.004)] = CLOSED
    dark = np.select(
        (drawn == FRESH, drawn == RESINOUS),
        (rng.uniform(0, 0.22, stage.count), rng.uniform(0.36, 0.9, stage.count)),
        rng.uniform(0.1, 1.0, stage.count),
    )
    return Wound(outline, opening, aperture, tissue, drawn, half, centre, dark, kind)


def wood_colour(stage: Stage, dark: Tensor) -> Tensor:
    """Colour of wood from white (0) to black (1), shape (B, 3, H, W) for a field of darkness."""
    table = torch.as_tensor(WOOD, device=stage.device)
    place = dark.clamp(0, 1) * (len(WOOD) - 1.001)
    low = place.floor()
    share = place - low
    index = low.long()[:, 0]
    colours = table[index] * (1 - share[:, 0, ..., None]) + table[index + 1] * share[:, 0, ..., None]
    return colours.permute(0, 3, 1, 2)


def draw_wood(stage: Stage, wound: Wound) -> tuple[Tensor, Tensor]:
    """Albedo and depth (mm, negative) of the opening: grain, rings, tool marks, browning, hollows."""
    rng = stage.rng
    a = stage.host(wound.half_mm.min(1))
    dark = stage.host(wound.dark)
    old = stage.host((wound.stage > FRESH).astype(np.float32))
    mottle = stage.noise("fbm", a * stage.uniform(0.4, 1.4), stage.log_uniform(1, 5))
    grain = stage.noise("fbm", stage.log_uniform(0.8, 3.0), stage.log_uniform(6, 20))
    rim = smoothstep(0.0, 1.0, -wound.opening / (a * stage.uniform(0.15, 0.9)))
    field = (
        dark
        + old * (mottle * stage.uniform(0.02, 0.2) + (0.5 - rim) * stage.uniform(-0.15, 0.3))
        + (1 - old) * mottle * 0.02
    )
    albedo = wood_colour(stage, field) * torch.exp(grain * stage.uniform(0.02, 0.12))
    grey = stage.chance(0.15) * old
    albedo = mix(albedo, albedo.mean(1, keepdim=True) * 1.05, grey * 0.8)
    dx, dy = stage.x - stage.host(wound.centre_mm[:, :1]), stage.y - stage.host(wound.centre_mm[:, 1:])
    radius = torch.hypot(dx, dy) + stage.noise("smooth", a) * a * 0.05
    rings = torch.sin(radius / stage.log_uniform(0.35, 1.6)) * stage.host((wound.kind == 4).astype(np.float32))
    check = smoothstep(0.12, 0.0, stage.noise_at(torch.atan2(dy, dx) * 4, radius * 0.02, "ridge", 1.0) * -1 + 1)
    check = check * stage.host((wound.kind == 4).astype(np.float32)) * stage.chance(0.5)
    albedo = albedo * torch.exp(0.07 * rings - 0.8 * check)
    turn = stage.host(rng.uniform(-0.7, 0.7, stage.count) + np.pi / 2)
    marks = stage.noise("ridge", stage.log_uniform(2, 9), stage.log_uniform(3, 10), turn)
    tool = stage.host(np.where(np.isin(wound.kind, (2, 3)), rng.uniform(0, 1.2, stage.count), 0.15))
    hole = stage.host((wound.kind < 2).astype(np.float32))
    deep = mix(stage.log_uniform(0.8, 12), a * stage.log_uniform(0.6, 4), hole)
    wall = smoothstep(0.0, 1.0, -wound.opening / (0.12 * deep + 0.3 + 0.15 * a))
    height = -deep * wall + tool * marks * 0.6 + 0.1 * grain
    hollow = stage.blob(
        stage.host(wound.centre_mm[:, :1]), stage.host(wound.centre_mm[:, 1:]), a * stage.uniform(0.3, 0.8), 0.4, 1.3
    )
    hollow = smoothstep(0.0, 0.35, hollow) * torch.maximum(stage.chance(0.15) * old, hole * stage.chance(0.6)) * wall
    albedo = mix(albedo, albedo * stage.uniform(0.08, 0.4), hollow)
    # A hole too deep for light: black to near its rim, in any stage.
    pit = torch.maximum(hole * stage.chance(0.4), stage.chance(0.1))
    dark_from = stage.uniform(0.0, 0.35) * a
    inside = smoothstep(0.0, 0.25 * a + 0.3, -wound.opening - dark_from)
    albedo = mix(albedo, albedo * stage.log_uniform(0.02, 0.25), inside * pit)
    return albedo, height - hollow * deep * 0.5


def draw_callus(stage: Stage, wound: Wound, bark: Tensor) -> tuple[Tensor, Tensor]:
    """Albedo and height (mm) of callus and woundwood (rolls, wrinkles, the seam, new bark over it)."""
    a = stage.host(wound.half_mm.min(1))
    opening = wound.opening.clamp_min(0)
    band = (opening - wound.outline).clamp_min(0.2 * a) + 0.2 * a
    place = (opening / band).clamp(0, 1.4)
    swell = torch.sin(np.pi * place.clamp(0, 1)).clamp_min(0) ** 0.7
    full = (0.35 * band).clamp_max(7) * stage.uniform(0.5, 1.2)
    wrinkle = stage.noise("smooth", stage.log_uniform(1.5, 7), stage.log_uniform(0.4, 2))
    ridges = torch.sin(opening / (stage.log_uniform(0.8, 3.0))) * stage.chance(0.3)
    height = full * swell + wrinkle * 0.16 + ridges * 0.15
    age = stage.host(np.select((wound.stage == CALLUS_STAGE, wound.stage == CLOSING), (0.15, 0.45), 0.75))
    colour = mix(
        stage.colour(CALLUS[:3], 0.1), stage.colour(CALLUS[2:], 0.12), (age + stage.uniform(-0.3, 0.3)).clamp(0, 1)
    )
    tone = bark.mean((2, 3), keepdim=True)
    like_bark = stage.uniform(0.0, 0.75) * age
    young = smoothstep(0.35, 0.0, place)
    albedo = mix(mix(colour, tone, like_bark), stage.colour(CALLUS[:3], 0.1), young * stage.uniform(0, 0.7))
    patchy = stage.noise("fbm", stage.log_uniform(3, 15))
    albedo = albedo * torch.exp(0.07 * patchy + 0.05 * wrinkle)
    crack = smoothstep(0.25, 0.0, stage.noise("cell", stage.log_uniform(4, 14), stage.log_uniform(0.8, 3)))
    albedo = albedo * (1 - 0.5 * crack * stage.chance(0.4) * age)
    shut = stage.host((wound.stage >= CLOSED).astype(np.float32))
    wobble = stage.noise("smooth", a * 0.8) * a * 0.12
    dx, dy = stage.x - stage.host(wound.centre_mm[:, :1]), stage.y - stage.host(wound.centre_mm[:, 1:])
    wide = stage.host((wound.half_mm[:, 0] > 1.25 * wound.half_mm[:, 1]).astype(np.float32))
    across, along = mix(dx, dy, wide), mix(dy, dx, wide)
    seam = smoothstep(1.0, 0.2, (across + wobble).abs() / (stage.log_uniform(0.3, 3.0) + 0.02 * a))
    seam = seam * smoothstep(1.0, 0.8, along.abs() / (stage.host(wound.half_mm.max(1)) * stage.uniform(0.5, 0.95)))
    seam = seam * shut * smoothstep(-0.4, 0.4, stage.noise("smooth", a * 0.5) + stage.uniform(0, 2))
    gone = stage.host((wound.stage == REBARKED).astype(np.float32))
    albedo = albedo * (1 - seam * mix(stage.uniform(0.5, 0.97), stage.uniform(0.1, 0.8), gone))
    height = height - seam * 1.2
    cover = gone * smoothstep(-1.2, 0.2, stage.noise("fbm", a * 0.5) + stage.uniform(0.9, 2.6))
    albedo = mix(albedo, bark * torch.exp(stage.uniform(-0.2, 0.25)), cover * stage.uniform(0.7, 1.0))
    return albedo, height * (1 - 0.5 * gone)


def cast_shadow(stage: Stage, wound: Wound, light: Tensor, depth_mm: Tensor) -> Tensor:
    """How much the rim shades the opening, 0 to 1: the outline moved away from the light."""
    reach = (depth_mm / stage.px_mm)[:, 0, 0, 0]
    moved = shift(wound.opening, light[:, 0, 0, 0] * reach, light[:, 1, 0, 0] * reach)
    soft = stage.px_mm * 1.5 + 0.05 * depth_mm
    return smoothstep(-soft, soft, moved) * wound.aperture
