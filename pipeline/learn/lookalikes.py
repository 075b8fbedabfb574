"""What looks like a sign and is none, and resin, painted over a scene as :mod:`pipeline.learn.signs` does."""

from __future__ import annotations

import numpy as np
import torch
from torch import Tensor

from pipeline.learn.bark import PhotoBank, photo_texture
from pipeline.learn.scene import Scene, anywhere, cover, near, radius_mm, streaks
from pipeline.learn.stage import Stage, mix, smoothstep


def moss(stage: Stage, scene: Scene, photos: PhotoBank | None) -> Tensor:
    """Thick green cushions with tufts and their own shadow, on bark."""
    x, y = anywhere(stage)
    radius = radius_mm(stage, 0.06, 0.4)
    field = stage.blob(x, y, radius, stage.uniform(0.4, 0.9), stage.log_uniform(0.6, 2))
    field = field - 2.0 * smoothstep(2, -1, scene.opening / (0.05 * stage.host(scene.size_mm) + 0.5))
    tuft = stage.noise("dot", stage.log_uniform(1.2, 4))
    fine = stage.noise("fbm", stage.px_mm * 3)
    mask = smoothstep(0.0, 0.12, field + 0.25 * (0.5 - tuft))
    colour = stage.colour(((0.16, 0.24, 0.06), (0.26, 0.36, 0.09), (0.38, 0.44, 0.12), (0.30, 0.27, 0.10)), 0.1)
    colour = colour * torch.exp(0.25 * fine + 0.8 * (0.45 - tuft))
    if photos is not None and len(photos):
        colour = mix(colour, photo_texture(stage, photos, (40, 160)), stage.chance(0.3))
    cover(scene, mask, colour)
    scene.height = scene.height + mask * (stage.uniform(0.5, 4) * smoothstep(0, 0.5, field) + 1.2 * (0.5 - tuft))
    return mask


def lichen(stage: Stage, scene: Scene, photos: PhotoBank | None) -> Tensor:
    """Crusts of crisp round thalli, grey-green, white, yellow or orange, on bark only."""
    wave = stage.log_uniform(4, 45)
    warp = stage.noise("smooth", wave * 0.5) * wave * 0.10
    dot = stage.noise_at(stage.x + warp, stage.y + warp, "dot", wave)
    patch = stage.noise("smooth", stage.host(np.maximum(stage.edge_mm * 0.35, 10.0)))
    limit = stage.uniform(0.22, 0.6) * smoothstep(-0.7, 0.5, patch + stage.uniform(-0.3, 1.2))
    rough = 0.05 * stage.noise("fbm", wave * 0.3)
    field = limit - dot + rough
    off = smoothstep(0.5, 2.5, scene.opening) * (1 - scene.new_tissue)
    mask = smoothstep(0.0, 0.05, field) * off * stage.uniform(0.6, 1)
    palette = (
        (0.80, 0.81, 0.77),
        (0.64, 0.70, 0.61),
        (0.55, 0.62, 0.55),
        (0.71, 0.70, 0.47),
        (0.76, 0.55, 0.22),
        (0.86, 0.86, 0.84),
    )
    colour = stage.colour(palette, 0.08) * torch.exp(0.1 * stage.noise("fbm", wave * 0.15))
    ring = torch.sin(dot * stage.uniform(15, 50)) * stage.chance(0.4)
    edge = smoothstep(0.1, 0.0, field) * stage.host(stage.rng.uniform(-0.35, 0.3, stage.count))
    colour = colour * torch.exp(0.06 * ring + edge)
    if photos is not None and len(photos):
        colour = mix(colour, photo_texture(stage, photos, (90, 240)), stage.chance(0.35))
    cover(scene, mask, colour)
    scene.height = scene.height + mask * 0.25
    return mask


def algae(stage: Stage, scene: Scene) -> Tensor:
    """A thin even green veil on the damp side, thickest in the furrows, no grain, no border."""
    lean = stage.host(stage.rng.choice((-1.0, 1.0), stage.count))
    edge = stage.host(stage.edge_mm)
    field = (
        lean * stage.x / edge * stage.uniform(1, 3)
        + 0.3 * stage.noise("fbm", edge * 0.3, 2.0)
        + stage.uniform(-0.5, 0.5)
    )
    relief = scene.height - scene.height.mean((2, 3), keepdim=True)
    furrow = torch.tanh(-relief / relief.std((2, 3), keepdim=True).clamp_min(0.05)) * stage.uniform(0.0, 0.3)
    off = smoothstep(-0.5, 3.0, scene.opening)
    mask = smoothstep(-0.25, 0.6, field + furrow) * stage.uniform(0.2, 0.75) * off
    tone = stage.colour(((0.33, 0.42, 0.16), (0.44, 0.52, 0.22), (0.28, 0.36, 0.20), (0.5, 0.5, 0.2)), 0.1)
    cover(scene, mask, mix(scene.albedo * (tone * 2.2), tone, 0.4))
    return mask


def mud(stage: Stage, scene: Scene) -> Tensor:
    """Splashes of soil, mostly from below, dull, over bark and wound alike."""
    edge = stage.host(stage.edge_mm)
    low = (-stage.y / edge) * stage.uniform(0, 2.5)
    dots = stage.noise("dot", stage.log_uniform(3, 14))
    field = low - stage.uniform(0.2, 0.9) + 0.7 * (0.45 - dots) + 0.35 * stage.noise("fbm", edge * 0.12)
    x, y = anywhere(stage)
    field = torch.maximum(field, stage.blob(x, y, radius_mm(stage, 0.04, 0.2), 0.6) * stage.chance(0.6) - 0.05)
    mask = smoothstep(0.0, 0.18, field) * stage.uniform(0.6, 0.98)
    colour = stage.colour(((0.38, 0.27, 0.17), (0.50, 0.36, 0.23), (0.55, 0.33, 0.20), (0.31, 0.25, 0.2)), 0.1)
    cover(scene, mask, colour * torch.exp(0.1 * stage.noise("fbm", stage.px_mm * 5)))
    scene.height = scene.height + mask * 0.6
    return mask


def leaf_shadow(stage: Stage, scene: Scene) -> Tensor:
    """Shade of leaves or of the trunk beside it: soft or sharp shapes, light only."""
    wave = stage.host(stage.edge_mm) * stage.log_uniform(0.12, 0.7)
    field = stage.noise("smooth", wave, stage.log_uniform(0.4, 2.5), stage.uniform(0, 3)) + 0.3 * stage.noise(
        "smooth", wave * 0.4
    )
    soft = stage.log_uniform(0.02, 0.5)
    mask = smoothstep(-soft, soft, field + stage.uniform(-0.7, 0.7))
    scene.shade = scene.shade * (1 - mask * stage.uniform(0.25, 0.7))
    return mask


def sun_fleck(stage: Stage, scene: Scene) -> Tensor:
    """Spots of sun through leaves: bright rounds with soft edges, light only."""
    dot = stage.noise("dot", stage.host(stage.edge_mm) * stage.log_uniform(0.1, 0.4), stage.log_uniform(0.6, 1.8))
    soft = stage.uniform(0.05, 0.2)
    mask = smoothstep(0.0, soft, stage.uniform(0.15, 0.45) - dot)
    scene.shade = scene.shade * (1 + mask * stage.uniform(0.4, 1.4))
    return mask


def flaking_bark(stage: Stage, scene: Scene) -> Tensor:
    """Plates of bark that lift and leave: paler under-bark, a raised edge with a shadow."""
    wave = stage.log_uniform(12, 60)
    field = stage.noise("smooth", wave, stage.log_uniform(0.8, 3)) + 0.35 * stage.noise("fbm", wave * 0.4)
    field = field - stage.uniform(0.3, 1.2)
    off = smoothstep(0.5, 2.5, scene.opening) * (1 - scene.new_tissue)
    mask = smoothstep(0.0, 0.06, field) * off
    under = (
        scene.albedo.mean((2, 3), keepdim=True)
        * stage.colour(((1.0, 0.75, 0.55), (0.85, 0.85, 0.7), (0.95, 0.65, 0.5)), 0.1)
        * 1.5
    )
    cover(
        scene,
        mask,
        mix(scene.albedo, under * torch.exp(0.08 * stage.noise("fbm", wave * 0.3)), stage.uniform(0.3, 0.9)),
    )
    scene.height = scene.height - mask * stage.uniform(0.4, 2.0)
    return mask


def stain(stage: Stage, scene: Scene) -> Tensor:
    """Old water and tannin marks, dull, dry, without gloss; or bleached and washed-out patches with ragged borders."""
    x, y = anywhere(stage)
    wide = radius_mm(stage, 0.05, 0.3)
    runs = streaks(
        stage, x, y + stage.host(stage.edge_mm) * 0.3, wide, stage.host(stage.edge_mm) * stage.uniform(0.5, 1.6)
    )
    cloud = stage.blob(x, y, wide * 1.4, 0.8)
    patches = stage.noise("fbm", stage.log_uniform(8, 60), stage.log_uniform(0.6, 2.5)) - stage.uniform(0.0, 1.2)
    pale = stage.chance(0.35)
    field = mix(mix(runs, cloud, stage.chance(0.4)), patches, pale)
    crisp = mix(stage.uniform(0.5, 1.0), stage.uniform(-0.1, 0.6), pale)
    mask = smoothstep(-0.3, crisp + 0.05, field) * stage.uniform(0.3, 0.8)
    tone = stage.colour(((0.55, 0.5, 0.46), (0.65, 0.52, 0.4), (0.42, 0.41, 0.40), (0.8, 0.78, 0.75)), 0.08)
    bleached = stage.colour(((0.62, 0.60, 0.55), (0.72, 0.70, 0.66), (0.55, 0.56, 0.55), (0.64, 0.52, 0.38)), 0.08)
    aged = mix(scene.albedo * tone, mix(scene.albedo * 1.3, bleached, 0.6), pale)
    scene.albedo = mix(scene.albedo, aged, mask).clamp(0.005, 0.99)
    return mask


def paint(stage: Stage, scene: Scene) -> Tensor:
    """A painted ring, stroke or number: crisp, even, over the relief."""
    x, y = anywhere(stage)
    turn = stage.uniform(-1.6, 1.6)
    u = (stage.x - x) * torch.cos(turn) + (stage.y - y) * torch.sin(turn)
    v = (stage.y - y) * torch.cos(turn) - (stage.x - x) * torch.sin(turn)
    wide, long = radius_mm(stage, 0.015, 0.08), radius_mm(stage, 0.1, 0.5)
    ragged = stage.noise("fbm", wide * 0.5) * 0.12
    worn = smoothstep(-1.8, -0.6, stage.noise("fbm", wide * 0.7) + stage.uniform(-0.4, 1.0))
    mask = (
        smoothstep(0.0, 0.08, 1 - u.abs() / wide + ragged)
        * smoothstep(0.0, 0.04, 1 - v.abs() / long + ragged * 0.3)
        * worn
    )
    colour = stage.colour(
        ((0.93, 0.93, 0.91), (0.9, 0.9, 0.86), (0.8, 0.1, 0.1), (0.9, 0.75, 0.1), (0.1, 0.25, 0.6)), 0.04
    )
    cover(scene, mask, colour)
    return mask


def ants(stage: Stage, scene: Scene) -> Tensor:
    """A trail of small dark three-part bodies of 2 to 9 mm."""
    size = stage.log_uniform(2.0, 8.0)
    turn = stage.uniform(0, 3.1)
    u = stage.x * torch.cos(turn) + stage.y * torch.sin(turn) + stage.uniform(-0.3, 0.3) * stage.host(stage.edge_mm)
    v = stage.y * torch.cos(turn) - stage.x * torch.sin(turn)
    u = u + stage.noise("smooth", stage.host(stage.edge_mm) * 0.3) * size * 2
    cell = size * stage.uniform(1.4, 4)
    row = torch.floor(v / cell)
    jitter = torch.frac(torch.sin(row * 12.9898 + stage.uniform(0, 9)) * 43758.5453)
    skip = (torch.frac(jitter * 7.13).abs() < 0.7).float()
    p = (v - (row + 0.5) * cell) / size
    q = (u - (jitter - 0.5) * size * stage.uniform(1, 8)) / size
    body = torch.maximum(
        torch.maximum(1 - torch.hypot(p / 0.16, q / 0.09), 1 - torch.hypot((p - 0.3) / 0.14, q / 0.1)),
        1 - torch.hypot((p + 0.33) / 0.22, q / 0.13),
    )
    legs = (
        (1 - ((q.abs() - 0.12 - 0.5 * (torch.sin(p * 18)).abs() * 0.3).abs() / 0.05))
        * (p.abs() < 0.25)
        * (q.abs() < 0.32)
    )
    mask = smoothstep(0.0, 0.3, torch.maximum(body, legs * 0.4)) * skip
    cover(scene, mask * 0.95, stage.colour(((0.05, 0.03, 0.03), (0.15, 0.06, 0.04), (0.35, 0.15, 0.06)), 0.08))
    return mask


def web(stage: Stage, scene: Scene) -> Tensor:
    """Threads of a spider's web: thin pale lines that fan out, over everything."""
    x, y = anywhere(stage)
    dx, dy = stage.x - x, stage.y - y
    angle, r = torch.atan2(dy, dx), torch.hypot(dx, dy) + 0.1
    count = stage.host(stage.rng.integers(7, 22, stage.count).astype(np.float32))
    spoke = torch.sin(angle * count / 2 + 0.5).abs() * r / (stage.px_mm * stage.uniform(0.5, 1.0) * count / 2)
    spiral = torch.sin(r / stage.log_uniform(1.5, 7)).abs() / (stage.px_mm * 0.35)
    line = torch.maximum(smoothstep(1.0, 0.2, spoke), smoothstep(1.0, 0.2, spiral) * stage.chance(0.5) * 0.6)
    reach = smoothstep(1.0, 0.6, r / (stage.host(stage.edge_mm) * stage.uniform(0.15, 0.6)))
    mask = line * reach * smoothstep(-1, 1, stage.noise("smooth", stage.host(stage.edge_mm) * 0.2) + 0.5)
    cover(scene, mask * stage.uniform(0.3, 0.8), stage.colour(((0.9, 0.9, 0.9), (0.75, 0.75, 0.75)), 0.03))
    return mask


def resin(stage: Stage, scene: Scene) -> Tensor:
    """Resin: amber to dark brown runs and drops, glassy, from the opening; wanted, not a sign."""
    x, y = near(stage, scene, 0.3)
    wide = radius_mm(stage, 0.012, 0.05)
    field = streaks(stage, x, y, wide, wide * stage.log_uniform(2, 12))
    drops = stage.noise("dot", wide * 2.2) * -2.2 + 0.7 - 0.35 * (scene.opening / (wide * 3)).abs()
    field = torch.maximum(field, drops * stage.chance(0.6))
    mask = smoothstep(0.0, 0.2, field) * stage.uniform(0.6, 1)
    palette = ((0.93, 0.80, 0.50), (0.85, 0.58, 0.20), (0.66, 0.36, 0.09), (0.42, 0.19, 0.06), (0.9, 0.86, 0.74))
    tone = stage.colour(palette, 0.08)
    colour = mix(scene.albedo * tone * 1.4, tone, stage.uniform(0.35, 0.95))
    cover(scene, mask, colour * torch.exp(0.35 * (field.clamp(0, 1) - 0.4)))
    scene.height = scene.height + mask * wide * 0.4 * field.clamp(0, 1)
    scene.gloss = torch.maximum(scene.gloss, mask * stage.uniform(0.5, 1.0))
    return mask
