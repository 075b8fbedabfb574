"""Signs painted on a grove's own bark: patches on which people saw no sign, with a drawn one put on some of them.

Reviewed signs are few, and what a new bark is mistaken for is on every clean patch.  A painted sign comes with its
exact map, on the very bark that is new; patches that get none go through the same light and camera, so that those do
not tell which is which.  Such a patch teaches signs and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import torch

from pipeline.learn import signs as s
from pipeline.learn.camera import draw_light, expose, light_scene, photograph
from pipeline.learn.generator import IGNORE, SEEN_SHARE
from pipeline.learn.stage import Stage, blur, noise_bank

if TYPE_CHECKING:
    from pipeline.learn.bark import PhotoBank
    from pipeline.learn.generator import PatchBatch

SIGN_SHARE, SECOND_SHARE = 0.67, 0.2
"""Shares of painted patches that get a sign, and of those a second one (own choice)."""
SPREAD = 0.2
"""How far from the middle, where the wound is, a sign lies: standard deviation as a share of the edge (own choice)."""
FAR_MM = 1e3


@dataclass
class SignPainter:
    """Paints signs on given patches; the same seed paints the same.

    Parameters
    ----------
    device
        Where to paint.
    seed
        Of everything random.
    films
        Photographs of films to paint with, if there are any.
    """

    device: torch.device
    seed: int
    films: PhotoBank | None = None

    def __post_init__(self) -> None:
        """Start the random numbers."""
        self.rng = np.random.default_rng(self.seed)
        self.device_rng = torch.Generator(device=self.device).manual_seed(self.seed)

    @torch.no_grad()
    def on(self, batch: PatchBatch) -> PatchBatch:
        """The patches with signs on some of them.

        Parameters
        ----------
        batch
            Square patches without any sign.
        """
        count, size = len(batch), batch.rgb.shape[-1]
        edge = batch.mm_per_px.double().cpu().numpy() * size
        stage = Stage.make(self.rng, noise_bank(self.device), edge, size)
        plane = torch.zeros_like(stage.x)
        scene = s.Scene(
            albedo=batch.rgb.clamp(0.01, 0.98),
            height=plane.clone(),
            gloss=plane.clone(),
            shade=plane + 1.0,
            opening=plane + FAR_MM,
            new_tissue=plane,
            anchor_mm=np.clip(self.rng.normal(0, SPREAD, (count, 2)), -0.4, 0.4) * edge[:, None],
            size_mm=0.1 * edge,
        )
        chosen = s.choose_signs(self.rng, count, SIGN_SHARE, SECOND_SHARE)
        signs = s.SignMaps.none(stage)
        s.paint_signs(stage, scene, chosen, self.films, signs)
        lamp = draw_light(stage)
        linear = light_scene(stage, scene.albedo, scene.height, scene.gloss, lamp, torch.zeros_like(lamp[:, :1]))
        # What is painted must be no sharper than the photograph under it.
        linear = blur(linear * scene.shade, stage.uniform(0.4, 1.2))
        rgb = photograph(stage, expose(stage, linear), self.device_rng)
        return _labelled(batch, rgb * batch.valid, signs.masks * batch.valid, signs.seen_well)


def _labelled(batch: PatchBatch, rgb: torch.Tensor, maps: torch.Tensor, seen_well: torch.Tensor) -> PatchBatch:
    """The batch with the painted signs as truth; a sign that nobody could make out is unknown."""
    covered = (maps > 0.35).float().mean((2, 3))
    there = (covered >= SEEN_SHARE).float()
    faint = there * (1 - seen_well)
    known = ((there > 0) | (maps.amax((2, 3)) < 0.2)).float() * (1 - faint)
    flags_known = batch.flags_known.clone()
    flags_known[:, :2] = 0.0
    return replace(
        batch,
        rgb=rgb,
        tissue=torch.full_like(batch.tissue, IGNORE),
        signs=torch.where(faint[:, :, None, None] > 0, -1.0, maps),
        sign_present=there * (1 - faint),
        sign_known=known,
        sign_map_known=torch.ones_like(batch.sign_map_known),
        stage=torch.full_like(batch.stage, -1),
        flags_known=flags_known,
    )
