"""Photographs as training patches with weak labels, cut and altered on the drawing device."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
import torch.nn.functional as F

from pipeline.learn.bark import whole_cut
from pipeline.learn.camera import expose, flat_light, photograph
from pipeline.learn.data import BACKGROUNDS, NO_SIGN_KINDS, Collection
from pipeline.learn.generator import APERTURE, BACKGROUND, EITHER, IGNORE, NOT_WOUND, PatchBatch
from pipeline.learn.outlines import outlined
from pipeline.learn.signs import LOOKALIKE_NAMES
from pipeline.learn.stage import Stage, mix, noise_bank

PHOTO_WIDTH_MM = 200.0
"""Width that a whole photograph is taken to show; the photographs carry no scale."""
GROUPS: tuple[tuple[tuple[str, ...], float], ...] = (
    (("bark", "trunk_photo"), 0.20),
    (("lichen_moss",), 0.14),
    (("leaf_scar", "natural_bark_feature", "paint_mark"), 0.08),
    (("wound",), 0.38),
    (BACKGROUNDS, 0.20),
)
"""Groups of kinds and how often each is drawn. The six training photographs of films look like clean ones of
the same trees, so they teach nothing and are left out."""
TRANSPLANTED = 0.5
"""Share of outlined wounds that are set into the bark of another photograph."""


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
    )


@dataclass
class WeakPhotos:
    """Draws altered cuts of the photographs of a split."""

    collection: Collection
    split: str
    seed: int
    size_px: int

    def __post_init__(self) -> None:
        """Find the rows of each group and the outlines."""
        self.rng = np.random.default_rng(self.seed)
        device = self.collection.pixels.device
        self.noise = noise_bank(device)
        self.device_rng = torch.Generator(device=device).manual_seed(self.seed)
        found = [(self.collection.where(self.split, *kinds), share) for kinds, share in GROUPS]
        self.groups = [(rows, share) for rows, share in found if len(rows)]
        self.hosts = self.collection.where(self.split, "bark")
        shots = self.collection.shots
        # Clean bark of a species that also has films on it may have films too.
        self.doubtful = {s.species for s in shots if s.kind == "fungus_or_algae_film"}
        self.outlines = {}
        for row in self.collection.where(self.split, "wound"):
            labels = outlined(shots[row].file)
            if labels is not None:
                self.outlines[int(row)] = torch.as_tensor(labels, device=device)

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
        batch = labelled(self.collection, rows, rgb, mm)
        self._outline(batch, rows, theta)
        unsure = [n for n, row in enumerate(rows) if self.collection.shots[row].species in self.doubtful]
        batch.sign_known[unsure], batch.sign_map_known[unsure], batch.any_sign[unsure] = 0.0, 0.0, -1.0
        stage = Stage.make(rng, self.noise, mm * self.size_px, self.size_px)
        # The same light, tone and camera as scenes have, or the network would tell photographs from scenes by them.
        batch.rgb = photograph(stage, expose(stage, flat_light(stage, batch.rgb)), self.device_rng)
        return batch

    def _outline(self, batch: PatchBatch, rows: np.ndarray, theta: np.ndarray) -> None:
        """Label the pixels of outlined wounds, and set some of the wounds into other bark."""
        drawn = [n for n, row in enumerate(rows) if int(row) in self.outlines]
        if not drawn:
            return
        matrix = torch.as_tensor(theta[drawn], dtype=torch.float32, device=batch.rgb.device)
        grid = F.affine_grid(matrix, [len(drawn), 1, self.size_px, self.size_px], align_corners=False)
        labels = torch.stack([self.outlines[int(rows[n])] for n in drawn]).float()[:, None]
        labels = F.grid_sample(labels, grid, mode="nearest", padding_mode="zeros", align_corners=False)[:, 0]
        outside = (grid.abs() > 1).any(3)
        tissue = torch.where(outside, IGNORE, labels.round().long())
        inside = (tissue == APERTURE) | (tissue == EITHER)
        # A cut that misses the wound shows none.
        batch.wound_seen[drawn] = torch.where(inside.float().mean((1, 2)) > 0.02, 1.0, -1.0)
        batch.tissue[drawn] = tissue
        moved = [k for k in range(len(drawn)) if self.rng.random() < TRANSPLANTED]
        if not moved or not len(self.hosts):
            return
        picked = [drawn[k] for k in moved]
        hosts = self.rng.choice(self.hosts, len(moved))
        ratio = self.collection.pixels.shape[-1] / self.collection.pixels.shape[-2]
        bark = cut(self.collection, hosts, whole_cut(self.rng, len(moved), ratio)[0], self.size_px)
        region = (tissue[moved] != NOT_WOUND).float()[:, None]
        soft = F.avg_pool2d(F.avg_pool2d(region, 9, 1, 4), 9, 1, 4)
        source = batch.rgb[picked]
        # The wound takes the tone of its new bark, measured on the bark round it.
        ring = ((soft > 0.02) & (region < 0.5)).float()
        of_ring = (source * ring).sum((2, 3)) / ring.sum((2, 3)).clamp_min(1)
        gain = (bark.mean((2, 3)) / of_ring.clamp_min(0.02)).clamp(0.5, 2.0)[:, :, None, None]
        gain = torch.where((ring.sum((2, 3)) > 20)[:, :, None, None], gain, torch.ones_like(gain))
        batch.rgb[picked] = mix(bark, (source * gain).clamp(0, 1), soft)
