"""Photographs as training patches with weak labels, cut and altered on the drawing device."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as F

from pipeline.learn.bark import whole_cut
from pipeline.learn.camera import expose, flat_light, photograph
from pipeline.learn.data import BACKGROUNDS, NO_SIGN_KINDS, Collection
from pipeline.learn.generator import BACKGROUND, IGNORE, PatchBatch
from pipeline.learn.signs import LOOKALIKE_NAMES
from pipeline.learn.stage import Stage, noise_bank

PHOTO_WIDTH_MM = 200.0
"""Width that a whole photograph is taken to show; the photographs carry no scale."""
GROUPS: tuple[tuple[tuple[str, ...], float], ...] = (
    (("bark", "trunk_photo"), 0.26),
    (("lichen_moss",), 0.16),
    (("leaf_scar", "natural_bark_feature", "paint_mark"), 0.08),
    (("fungus_or_algae_film",), 0.12),
    (("wound",), 0.22),
    (BACKGROUNDS, 0.20),
)
"""Groups of kinds and how often each is drawn."""


def cut(collection: Collection, rows: np.ndarray, theta: np.ndarray, size_px: int) -> torch.Tensor:
    """Cut patches by affine maps (B, 2, 3) of normalised coordinates; shape (B, 3, size, size), 0 to 1."""
    device = collection.pixels.device
    source = collection.pixels[torch.as_tensor(rows, device=device)].float() / 255
    matrix = torch.as_tensor(theta, dtype=torch.float32, device=device)
    grid = F.affine_grid(matrix, [len(rows), 3, size_px, size_px], align_corners=False)
    return F.grid_sample(source, grid, padding_mode="reflection", align_corners=False)


def centre_cut(collection: Collection, rows: np.ndarray, size_px: int) -> PatchBatch:
    """The middle square of each photograph with its weak labels, nothing altered: for evaluation."""
    ratio = collection.pixels.shape[-1] / collection.pixels.shape[-2]
    theta = np.tile(np.array([[1.0, 0, 0], [0, ratio, 0]]), (len(rows), 1, 1))
    rgb = cut(collection, rows, theta, size_px)
    return labelled(collection, rows, rgb, np.full(len(rows), 176.0 / size_px))


def labelled(collection: Collection, rows: np.ndarray, rgb: torch.Tensor, mm_per_px: np.ndarray) -> PatchBatch:
    """Attach what is known of each photograph."""
    device, count, size = rgb.device, len(rows), rgb.shape[-1]
    kinds = np.array([collection.shots[i].kind for i in rows])
    species = np.array([collection.shots[i].species for i in rows])
    nothing = np.isin(kinds, BACKGROUNDS)
    clean = np.isin(kinds, NO_SIGN_KINDS) | nothing
    film, gum = kinds == "fungus_or_algae_film", kinds == "exudate_canker"
    present, known = np.zeros((count, 5), np.float32), np.zeros((count, 5), np.float32)
    known[clean] = 1.0
    green = film & np.isin(species, ("Polyalthia longifolia", "Prunus salicina"))
    present[green, 0] = known[green, 0] = 1.0
    present[gum, 3] = known[gum, 3] = 1.0
    any_sign = np.where(clean, 0.0, np.where(film | gum, 1.0, -1.0)).astype(np.float32)
    flags = np.stack((np.zeros(count), kinds == "lichen_moss", nothing), 1).astype(np.float32)
    sure = (kinds == "lichen_moss") | nothing
    flags_known = np.stack((nothing, sure, np.ones(count)), 1).astype(np.float32)
    wound = np.where(kinds == "wound", 1.0, np.where(clean, 0.0, -1.0)).astype(np.float32)
    tissue = torch.full((count, size, size), IGNORE, dtype=torch.long, device=device)
    tissue[torch.as_tensor(nothing, device=device)] = BACKGROUND

    def tensor(values: np.ndarray) -> torch.Tensor:
        return torch.as_tensor(values, device=device)

    return PatchBatch(
        rgb=rgb,
        valid=torch.ones(count, 1, size, size, dtype=torch.bool, device=device),
        mm_per_px=tensor(mm_per_px.astype(np.float32)),
        tissue=tissue,
        signs=torch.zeros(count, 5, size, size, device=device),
        sign_present=tensor(present),
        sign_known=tensor(known),
        sign_map_known=tensor(clean.astype(np.float32)),
        any_sign=tensor(any_sign),
        stage=torch.full((count,), -1, dtype=torch.long, device=device),
        flags=tensor(flags),
        flags_known=tensor(flags_known),
        wound_seen=tensor(wound),
        lookalikes=torch.zeros(count, len(LOOKALIKE_NAMES), dtype=torch.bool, device=device),
        real=torch.ones(count, dtype=torch.bool, device=device),
    )


@dataclass
class WeakPhotos:
    """Draws altered cuts of the photographs of a split."""

    collection: Collection
    split: str
    seed: int
    size_px: int

    def __post_init__(self) -> None:
        """Find the rows of each group."""
        self.rng = np.random.default_rng(self.seed)
        device = self.collection.pixels.device
        self.noise = noise_bank(device)
        self.device_rng = torch.Generator(device=device).manual_seed(self.seed)
        found = [(self.collection.where(self.split, *kinds), share) for kinds, share in GROUPS]
        self.groups = [(rows, share) for rows, share in found if len(rows)]

    @torch.no_grad()
    def batch(self, count: int) -> PatchBatch:
        """Draw ``count`` altered cuts."""
        rng = self.rng
        shares = np.array([share for _, share in self.groups])
        pick = rng.choice(len(self.groups), count, p=shares / shares.sum())
        rows = np.array([rng.choice(self.groups[p][0]) for p in pick])
        width, height = self.collection.pixels.shape[-1], self.collection.pixels.shape[-2]
        theta, share = whole_cut(rng, count, width / height)
        rgb = cut(self.collection, rows, theta, self.size_px)
        mm = PHOTO_WIDTH_MM * share / self.size_px * np.exp(rng.normal(0, 0.3, count))
        stage = Stage.make(rng, self.noise, mm * self.size_px, self.size_px)
        # The same light, tone and camera as scenes have, or the network would tell photographs from scenes by them.
        rgb = expose(stage, flat_light(stage, rgb))
        rgb = photograph(stage, rgb, self.device_rng)
        return labelled(self.collection, rows, rgb, mm)
