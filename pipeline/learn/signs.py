"""Signs of possible fungal infection and their look-alikes, painted over a scene.

Every painter works on the rows it is given, changes albedo, height and gloss in place and
returns its soft mask, shape (B, 1, H, W).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor

from pipeline.learn.bark import PhotoBank, photo_texture
from pipeline.learn.stage import Stage, mix, smoothstep

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


def _near(stage: Stage, scene: Scene, spread: float) -> tuple[Tensor, Tensor]:
    """A place near the wound."""
    offset = stage.rng.normal(0, spread, (stage.count, 2)) * scene.size_mm[:, None]
    place = np.clip(scene.anchor_mm + offset, -0.42 * stage.edge_mm[:, None], 0.42 * stage.edge_mm[:, None])
    return stage.host(place[:, :1]), stage.host(place[:, 1:])


def _anywhere(stage: Stage) -> tuple[Tensor, Tensor]:
    place = stage.rng.uniform(-0.5, 0.5, (stage.count, 2)) * stage.edge_mm[:, None]
    return stage.host(place[:, :1]), stage.host(place[:, 1:])


def _radius(stage: Stage, low_share: float, high_share: float) -> Tensor:
    """A radius between shares of the patch, never under 3 mm nor over 80 mm, log-spread."""
    share = np.exp(stage.rng.uniform(np.log(low_share), np.log(high_share), stage.count))
    return stage.host(np.clip(share * stage.edge_mm, 2.5, 80))


def _paint(scene: Scene, mask: Tensor, colour: Tensor) -> None:
    scene.albedo = mix(scene.albedo, colour, mask).clamp(0.005, 0.99)


def green_film(stage: Stage, scene: Scene, photos: PhotoBank | None) -> Tensor:
    """Powdery mould on wood, rim and the bark next to it: white-green to dark green, grainy, paler at its edge."""
    x, y = _near(stage, scene, 0.35)
    field = stage.blob(x, y, _radius(stage, 0.05, 0.3), stage.uniform(0.25, 0.7), stage.log_uniform(0.6, 1.7))
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
    _paint(scene, mask, colour)
    scene.gloss = scene.gloss * (1 - mask)
    return mask


def white_mycelium(stage: Stage, scene: Scene) -> Tensor:
    """Cottony white fans and threads with fuzzy edges, mostly at the rim and on wood."""
    x, y = _near(stage, scene, 0.3)
    radius = _radius(stage, 0.04, 0.26)
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
    _paint(scene, mask, stage.colour(palette, 0.05) * torch.exp(0.05 * fluff))
    scene.height = scene.height + mask * stage.uniform(0.2, 1.5) * (0.7 + 0.3 * threads)
    scene.gloss = scene.gloss * (1 - mask)
    return mask


def conk(stage: Stage, scene: Scene) -> Tensor:
    """Brackets and crusts: half discs with zones, a pale growing rim and a shadow below; one to three."""
    total = torch.zeros_like(scene.height)
    for turn in range(3):
        there = stage.chance(1.0 if turn == 0 else 0.35)
        x, y = _near(stage, scene, 0.45)
        wide = _radius(stage, 0.04, 0.2) * there + 1e-3
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
        _paint(scene, body, colour)
        thick = wide * stage.uniform(0.1, 0.45)
        scene.height = mix(
            scene.height, scene.height.mean((2, 3), keepdim=True) + thick * (1 - 0.5 * r.clamp(0, 1)), body
        )
        scene.gloss = mix(scene.gloss, stage.chance(0.25) * 0.4, body)
        total = torch.maximum(total, body)
    return total


def _streaks(stage: Stage, x: Tensor, y: Tensor, wide: Tensor, long: Tensor) -> Tensor:
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


def dark_bleeding(stage: Stage, scene: Scene) -> Tensor:
    """Dark wet runs, brown-black with a rusty border, from the rim or out of the bark."""
    x, y = _near(stage, scene, 0.35)
    wide = _radius(stage, 0.02, 0.10)
    long = wide * stage.log_uniform(2.5, 14)
    field = _streaks(stage, x, y, wide, long)
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
    _paint(scene, mask, colour * torch.exp(0.1 * stage.noise("fbm", wide * 0.6)))
    scene.gloss = torch.maximum(scene.gloss, mask * stage.chance(0.6) * stage.uniform(0.2, 0.9))
    scene.height = mix(scene.height, scene.height * 0.6, mask)
    return mask


def sunken_bark(stage: Stage, scene: Scene) -> Tensor:
    """Dead bark that has sunk: a darker hollow with a crack or step along its border."""
    x, y = _near(stage, scene, 0.6)
    radius = _radius(stage, 0.08, 0.3)
    field = stage.blob(x, y, radius, stage.uniform(0.12, 0.35), stage.log_uniform(0.8, 2.4))
    outside = smoothstep(0.0, 1.0, scene.opening / (0.03 * radius + 0.5)) * (1 - scene.new_tissue)
    mask = smoothstep(0.0, stage.uniform(0.06, 0.3), field) * outside
    deep = (radius * stage.uniform(0.06, 0.25)).clamp_max(7)
    scene.height = scene.height - deep * smoothstep(0.0, stage.uniform(0.12, 0.4), field) * outside
    tone = stage.colour(((0.45, 0.30, 0.24), (0.55, 0.42, 0.34), (0.38, 0.30, 0.28), (0.7, 0.6, 0.55)), 0.1)
    strength = stage.uniform(0.3, 0.85)
    _paint(scene, mask, mix(scene.albedo, scene.albedo * tone * 1.5, strength))
    crack = smoothstep(
        0.10, 0.02, (field - stage.uniform(0.0, 0.08)).abs() + 0.06 * (1 - stage.noise("ridge", radius * 0.4))
    )
    crack = (
        crack
        * smoothstep(-0.5, 0.5, stage.noise("smooth", radius) + stage.uniform(-0.3, 1.2))
        * outside
        * stage.chance(0.75)
    )
    _paint(scene, crack * 0.85, scene.albedo * 0.22)
    scene.height = scene.height - 0.8 * crack
    return mask


# ---------------------------------------------------------------- not signs


def moss(stage: Stage, scene: Scene, photos: PhotoBank | None) -> Tensor:
    """Thick green cushions with tufts and their own shadow, on bark."""
    x, y = _anywhere(stage)
    radius = _radius(stage, 0.06, 0.4)
    field = stage.blob(x, y, radius, stage.uniform(0.4, 0.9), stage.log_uniform(0.6, 2))
    field = field - 2.0 * smoothstep(2, -1, scene.opening / (0.05 * stage.host(scene.size_mm) + 0.5))
    tuft = stage.noise("dot", stage.log_uniform(1.2, 4))
    fine = stage.noise("fbm", stage.px_mm * 3)
    mask = smoothstep(0.0, 0.12, field + 0.25 * (0.5 - tuft))
    colour = stage.colour(((0.16, 0.24, 0.06), (0.26, 0.36, 0.09), (0.38, 0.44, 0.12), (0.30, 0.27, 0.10)), 0.1)
    colour = colour * torch.exp(0.25 * fine + 0.8 * (0.45 - tuft))
    if photos is not None and len(photos):
        colour = mix(colour, photo_texture(stage, photos, (40, 160)), stage.chance(0.3))
    _paint(scene, mask, colour)
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
    _paint(scene, mask, colour)
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
    _paint(scene, mask, mix(scene.albedo * (tone * 2.2), tone, 0.4))
    return mask


def mud(stage: Stage, scene: Scene) -> Tensor:
    """Splashes of soil, mostly from below, dull, over bark and wound alike."""
    edge = stage.host(stage.edge_mm)
    low = (-stage.y / edge) * stage.uniform(0, 2.5)
    dots = stage.noise("dot", stage.log_uniform(3, 14))
    field = low - stage.uniform(0.2, 0.9) + 0.7 * (0.45 - dots) + 0.35 * stage.noise("fbm", edge * 0.12)
    x, y = _anywhere(stage)
    field = torch.maximum(field, stage.blob(x, y, _radius(stage, 0.04, 0.2), 0.6) * stage.chance(0.6) - 0.05)
    mask = smoothstep(0.0, 0.18, field) * stage.uniform(0.6, 0.98)
    colour = stage.colour(((0.38, 0.27, 0.17), (0.50, 0.36, 0.23), (0.55, 0.33, 0.20), (0.31, 0.25, 0.2)), 0.1)
    _paint(scene, mask, colour * torch.exp(0.1 * stage.noise("fbm", stage.px_mm * 5)))
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
    _paint(
        scene,
        mask,
        mix(scene.albedo, under * torch.exp(0.08 * stage.noise("fbm", wave * 0.3)), stage.uniform(0.3, 0.9)),
    )
    scene.height = scene.height - mask * stage.uniform(0.4, 2.0)
    return mask


def stain(stage: Stage, scene: Scene) -> Tensor:
    """Old water and tannin marks, dull, dry, without gloss; or bleached and washed-out patches with ragged borders."""
    x, y = _anywhere(stage)
    wide = _radius(stage, 0.05, 0.3)
    runs = _streaks(
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
    x, y = _anywhere(stage)
    turn = stage.uniform(-1.6, 1.6)
    u = (stage.x - x) * torch.cos(turn) + (stage.y - y) * torch.sin(turn)
    v = (stage.y - y) * torch.cos(turn) - (stage.x - x) * torch.sin(turn)
    wide, long = _radius(stage, 0.015, 0.08), _radius(stage, 0.1, 0.5)
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
    _paint(scene, mask, colour)
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
    _paint(scene, mask * 0.95, stage.colour(((0.05, 0.03, 0.03), (0.15, 0.06, 0.04), (0.35, 0.15, 0.06)), 0.08))
    return mask


def web(stage: Stage, scene: Scene) -> Tensor:
    """Threads of a spider's web: thin pale lines that fan out, over everything."""
    x, y = _anywhere(stage)
    dx, dy = stage.x - x, stage.y - y
    angle, r = torch.atan2(dy, dx), torch.hypot(dx, dy) + 0.1
    count = stage.host(stage.rng.integers(7, 22, stage.count).astype(np.float32))
    spoke = torch.sin(angle * count / 2 + 0.5).abs() * r / (stage.px_mm * stage.uniform(0.5, 1.0) * count / 2)
    spiral = torch.sin(r / stage.log_uniform(1.5, 7)).abs() / (stage.px_mm * 0.35)
    line = torch.maximum(smoothstep(1.0, 0.2, spoke), smoothstep(1.0, 0.2, spiral) * stage.chance(0.5) * 0.6)
    reach = smoothstep(1.0, 0.6, r / (stage.host(stage.edge_mm) * stage.uniform(0.15, 0.6)))
    mask = line * reach * smoothstep(-1, 1, stage.noise("smooth", stage.host(stage.edge_mm) * 0.2) + 0.5)
    _paint(scene, mask * stage.uniform(0.3, 0.8), stage.colour(((0.9, 0.9, 0.9), (0.75, 0.75, 0.75)), 0.03))
    return mask


def resin(stage: Stage, scene: Scene) -> Tensor:
    """Resin: amber to dark brown runs and drops, glassy, from the opening; wanted, not a sign."""
    x, y = _near(stage, scene, 0.3)
    wide = _radius(stage, 0.012, 0.05)
    field = _streaks(stage, x, y, wide, wide * stage.log_uniform(2, 12))
    drops = stage.noise("dot", wide * 2.2) * -2.2 + 0.7 - 0.35 * (scene.opening / (wide * 3)).abs()
    field = torch.maximum(field, drops * stage.chance(0.6))
    mask = smoothstep(0.0, 0.2, field) * stage.uniform(0.6, 1)
    palette = ((0.93, 0.80, 0.50), (0.85, 0.58, 0.20), (0.66, 0.36, 0.09), (0.42, 0.19, 0.06), (0.9, 0.86, 0.74))
    tone = stage.colour(palette, 0.08)
    colour = mix(scene.albedo * tone * 1.4, tone, stage.uniform(0.35, 0.95))
    _paint(scene, mask, colour * torch.exp(0.35 * (field.clamp(0, 1) - 0.4)))
    scene.height = scene.height + mask * wide * 0.4 * field.clamp(0, 1)
    scene.gloss = torch.maximum(scene.gloss, mask * stage.uniform(0.5, 1.0))
    return mask
