"""Things in front of the bark and beside the trunk: card, nail, wire, finger, grass, leaf; background; borders."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor

from pipeline.learn.bark import PhotoBank, photo_texture
from pipeline.learn.stage import Stage, mix, shift, smoothstep

FOREIGN_NAMES = ("card", "nail", "wire", "finger", "grass", "leaf")


def _frame(stage: Stage) -> tuple[Tensor, Tensor]:
    """Coordinates turned by any angle about any place of the patch, mm."""
    turn = stage.uniform(0, 2 * np.pi)
    edge = stage.host(stage.edge_mm)
    dx, dy = stage.x - stage.uniform(-0.5, 0.5) * edge, stage.y - stage.uniform(-0.5, 0.5) * edge
    return dx * torch.cos(turn) + dy * torch.sin(turn), dy * torch.cos(turn) - dx * torch.sin(turn)


def _card(stage: Stage) -> tuple[Tensor, Tensor]:
    """The white card's lower edge reaching into the patch, with a piece of its marker."""
    edge = stage.host(stage.edge_mm)
    x = stage.x - stage.uniform(-0.2, 0.2) * edge
    up = stage.y - edge * stage.uniform(0.36, 0.5) + stage.uniform(-0.08, 0.08) * x
    mask = smoothstep(0, 0.4, up) * smoothstep(22.3, 21.9, x.abs())
    cells = torch.sin(stage.x * 1.05 + stage.uniform(0, 6)) * torch.sin(stage.y * 1.05 + stage.uniform(0, 6))
    black = smoothstep(0, 0.1, cells) * (up > 5) * (x.abs() < 15)
    return mask, stage.colour(((0.93, 0.93, 0.91), (0.85, 0.85, 0.83)), 0.04) * (1 - 0.88 * black)


def _nail(stage: Stage) -> tuple[Tensor, Tensor]:
    u, v = _frame(stage)
    radius = stage.uniform(1.5, 5.5)
    r = torch.hypot(u, v * stage.uniform(1, 1.3)) / radius
    colour = stage.colour(((0.55, 0.55, 0.56), (0.72, 0.72, 0.72), (0.40, 0.27, 0.2), (0.3, 0.3, 0.31)), 0.1)
    shine = torch.exp(-(((u - 0.3 * radius) / (0.35 * radius)) ** 2) - ((v + 0.3 * radius) / (0.35 * radius)) ** 2)
    return smoothstep(1.05, 0.92, r), (colour * (1.1 - 0.35 * r.clamp(0, 1) ** 4) + 0.4 * shine).clamp(0, 1)


def _wire(stage: Stage) -> tuple[Tensor, Tensor]:
    u, v = _frame(stage)
    wide = stage.uniform(0.6, 2.2)
    off = v + stage.noise_at(u, u * 0, "smooth", 60.0) * stage.uniform(0, 8)
    mask = smoothstep(1.0, 0.75, off.abs() / wide)
    colour = stage.colour(
        ((0.5, 0.5, 0.52), (0.3, 0.2, 0.15), (0.1, 0.35, 0.15), (0.85, 0.85, 0.85), (0.15, 0.25, 0.6)), 0.1
    )
    return mask, (colour * (0.6 + 0.7 * (1 - (off / wide).clamp(-1, 1) ** 2)) + 0.15 * (off / wide).clamp(-1, 1)).clamp(
        0, 1
    )


def _finger(stage: Stage) -> tuple[Tensor, Tensor]:
    """A finger from the border inwards, with a nail."""
    turn = stage.uniform(0, 2 * np.pi)
    u = stage.x * torch.cos(turn) + stage.y * torch.sin(turn)
    v = stage.y * torch.cos(turn) - stage.x * torch.sin(turn) + stage.uniform(-0.3, 0.3) * stage.host(stage.edge_mm)
    tip = stage.host(stage.edge_mm) * stage.uniform(0.1, 0.4)
    half = stage.uniform(7.0, 11.0)
    inside = u - tip - half
    distance = torch.hypot((-inside).clamp_min(0), v) / half
    mask = smoothstep(1.03, 0.97, distance)
    colour = stage.colour(((0.86, 0.66, 0.54), (0.72, 0.50, 0.38), (0.55, 0.36, 0.26), (0.38, 0.24, 0.17)), 0.08)
    crease = 0.04 * torch.sin(u / 1.3) * smoothstep(0.3, 1, torch.sin(u / 9))
    nail = smoothstep(1.0, 0.9, torch.hypot((u - tip - 0.85 * half) / (0.7 * half), v / (0.55 * half)))
    colour = colour * (1.12 - 0.4 * distance.clamp(0, 1) ** 3 + crease)
    return mask, mix(colour, colour * 1.12 + 0.03, nail * stage.chance(0.7)).clamp(0, 1)


def _grass(stage: Stage) -> tuple[Tensor, Tensor]:
    """Three to six blades that rise from below."""
    mask = torch.zeros_like(stage.x)
    edge = stage.host(stage.edge_mm)
    shade = torch.zeros_like(stage.x)
    for turn in range(6):
        there = stage.chance(1.0 if turn < 2 else 0.5)
        foot, lean, bow = stage.uniform(-0.5, 0.5) * edge, stage.uniform(-0.5, 0.5), stage.uniform(-0.6, 0.6)
        rise = (stage.y / edge + 0.5) / stage.uniform(0.3, 1.3)
        centre = foot + edge * (lean * rise + bow * rise * rise)
        wide = stage.uniform(0.8, 3.2) * (1 - rise).clamp_min(0)
        blade = smoothstep(1.0, 0.7, (stage.x - centre).abs() / wide.clamp_min(0.01)) * (rise < 1) * there
        shade = torch.maximum(shade, blade * (0.75 + 0.4 * ((stage.x - centre) / wide.clamp_min(0.01)).clamp(-1, 1)))
        mask = torch.maximum(mask, blade)
    colour = stage.colour(((0.28, 0.42, 0.12), (0.42, 0.55, 0.2), (0.62, 0.58, 0.3), (0.2, 0.3, 0.1)), 0.1)
    return mask, (colour * shade.clamp_min(0.4)).clamp(0, 1)


def _leaf(stage: Stage) -> tuple[Tensor, Tensor]:
    u, v = _frame(stage)
    half, wide = stage.log_uniform(12, 70), stage.uniform(0.25, 0.6)
    p, q = u / half, v / (half * wide)
    outline = (1 - p * p).clamp_min(0) * (1 - 0.35 * p) + 0.03 * stage.noise("smooth", half * 0.15)
    mask = smoothstep(0.0, 0.05, outline - q.abs()) * (p.abs() < 1)
    vein = smoothstep(0.04, 0.01, q.abs()) + 0.5 * smoothstep(0.85, 1.0, torch.sin((p * 1.0 + q.abs() * 0.5) * 22))
    colour = stage.colour(
        ((0.16, 0.30, 0.09), (0.30, 0.44, 0.14), (0.48, 0.50, 0.17), (0.55, 0.38, 0.16), (0.40, 0.26, 0.15)), 0.1
    )
    return mask, (colour * (1 + 0.25 * vein + 0.12 * stage.noise("fbm", half * 0.2))).clamp(0, 1)


PAINTERS = (_card, _nail, _wire, _finger, _grass, _leaf)


def put_foreign(stage: Stage, linear: Tensor, light: Tensor, which: np.ndarray) -> tuple[Tensor, Tensor]:
    """Put the object ``which`` (-1: none) before each patch; returns linear light and its mask (B, 1, H, W)."""
    total = torch.zeros_like(stage.x)
    for number, painter in enumerate(PAINTERS):
        rows = np.flatnonzero(which == number)
        if not len(rows):
            continue
        sub = stage.subset(rows)
        index = torch.as_tensor(rows, device=stage.device)
        mask, colour = painter(sub)
        bright = sub.uniform(0.6, 1.15)
        below = linear[index]
        reach = (sub.uniform(1, 12) / sub.px_mm)[:, 0, 0, 0]
        shadow = shift(mask, light[index, 0, 0, 0] * reach, light[index, 1, 0, 0] * reach) * (1 - mask)
        below = below * (1 - shadow * sub.uniform(0.1, 0.6))
        linear = linear.index_copy(0, index, mix(below, colour**2.2 * bright, mask))
        total = total.index_copy(0, index, mask)
    return linear, total


def put_background(stage: Stage, linear: Tensor, photos: PhotoBank | None) -> tuple[Tensor, Tensor]:
    """Let the trunk end at one side; what lies behind is out of focus."""
    edge = stage.host(stage.edge_mm)
    side = stage.host(stage.rng.choice((-1.0, 1.0), stage.count))
    border = edge * stage.uniform(0.2, 0.48) + stage.noise_at(stage.y, stage.y * 0, "smooth", 50.0) * 1.5
    past = side * stage.x - border + side * stage.uniform(-0.15, 0.15) * stage.y
    mask = smoothstep(0.0, 0.6, past)
    behind = backdrop(stage, photos)
    dim = smoothstep(-0.3, 0.0, past / edge)
    linear = linear * (1 - 0.7 * dim * stage.uniform(0, 1))
    return mix(linear, behind, mask), mask


def backdrop(stage: Stage, photos: PhotoBank | None) -> Tensor:
    """Something that is not bark, linear light: foliage, ground, or plain blurred colours."""
    wave = stage.host(stage.edge_mm) * stage.log_uniform(0.05, 0.5)
    mottle = torch.sigmoid(1.5 * stage.noise("fbm", wave))
    palette = (
        (0.15, 0.25, 0.1),
        (0.35, 0.5, 0.2),
        (0.45, 0.36, 0.25),
        (0.8, 0.85, 0.9),
        (0.1, 0.1, 0.1),
        (0.55, 0.55, 0.3),
    )
    colour = mix(stage.colour(palette, 0.2), stage.colour(palette, 0.2), mottle)
    if photos is not None and len(photos):
        colour = mix(colour, photo_texture(stage, photos, (100, 700)), stage.chance(0.75))
    return colour.clamp(0.005, 1) ** 2.2 * stage.uniform(0.5, 1.2)


def not_a_site(stage: Stage, photos: PhotoBank | None) -> Tensor:
    """A picture that is no bark at all: skin, cloth, wall, boards, leaves, sky, floor; linear light."""
    wave = stage.host(stage.edge_mm) * stage.log_uniform(0.02, 0.6)
    palette = (
        (0.78, 0.58, 0.46),
        (0.5, 0.34, 0.25),
        (0.62, 0.61, 0.59),
        (0.3, 0.3, 0.32),
        (0.2, 0.3, 0.55),
        (0.1, 0.1, 0.1),
        (0.9, 0.9, 0.9),
        (0.65, 0.2, 0.15),
        (0.3, 0.45, 0.2),
    )
    base, other = stage.colour(palette, 0.2), stage.colour(palette, 0.2)
    turn = stage.uniform(0, 3.1)
    u = stage.x * torch.cos(turn) + stage.y * torch.sin(turn)
    v = stage.y * torch.cos(turn) - stage.x * torch.sin(turn)
    soft = torch.sigmoid(stage.noise("fbm", wave) * 1.2)
    weave = 0.5 + 0.5 * torch.sin(u * 6.28 / wave) * torch.sin(v * 6.28 / wave)
    boards = torch.frac(u / (wave * 3)) < 0.96
    brick = smoothstep(
        0.02,
        0.06,
        torch.minimum(torch.frac(v / wave), torch.frac(u / (2 * wave) + 0.5 * torch.floor(v / wave).remainder(2))),
    )
    pick = stage.rng.integers(4, size=stage.count)
    share = sum(
        stage.host((pick == n).astype(np.float32)) * field.float()
        for n, field in enumerate((soft, weave, boards, brick))
    )
    colour = mix(base, other, share * stage.uniform(0.1, 1.0))
    colour = colour * torch.exp(stage.noise("fbm", stage.px_mm * stage.uniform(2, 10)) * stage.uniform(0, 0.12))
    if photos is not None and len(photos):
        colour = mix(colour, photo_texture(stage, photos, (60, 500)), stage.chance(0.6))
    slope = 1 + stage.uniform(-0.5, 0.5) * stage.x / stage.host(stage.edge_mm)
    return colour.clamp(0.005, 1) ** 2.2 * slope * stage.uniform(0.6, 1.2)


def unseen(stage: Stage) -> Tensor:
    """Borders that the photo does not show, True where seen, shape (B, 1, H, W)."""
    edge = stage.host(stage.edge_mm)
    seen = torch.ones_like(stage.x, dtype=torch.bool)
    for side in range(4):
        along, across = ((stage.x, stage.y), (stage.y, stage.x))[side % 2]
        sign = 1 if side < 2 else -1
        cut = edge * (0.5 - stage.uniform(0.02, 0.28)) + stage.uniform(-0.1, 0.1) * along
        seen = seen & ((sign * across < cut) | (stage.chance(0.35) < 1))
    return seen
