"""Patches with their truth: what every way of making them gives, and what training takes."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np
import torch
from torch import Tensor

BARK, APERTURE, NEW_TISSUE, FOREIGN, BACKGROUND, IGNORE = 0, 1, 2, 3, 4, 255
EITHER, NOT_WOUND = 254, 253
"""Weak labels of a pixel: an opening or new tissue; neither of both."""


@dataclass
class PatchBatch:
    """Patches and their truth.

    Attributes
    ----------
    rgb
        Shape (B, 3, H, W), 0 to 1.
    valid
        Shape (B, 1, H, W), bool.
    mm_per_px
        Shape (B,).
    tissue
        Shape (B, H, W), class; 255 where unknown, 254 opening or new tissue, 253 neither.
    signs
        Shape (B, 5, H, W), 0 to 1; -1 where nobody said.
    sign_present, sign_known
        Shape (B, 5): truth and its weight (0 where one cannot say).
    sign_map_known
        Shape (B,): weight of the sign maps.
    any_sign
        Shape (B,): 1 or 0, -1 where unknown; for reports.
    stage
        Shape (B,), -1 where there is none.
    flags, flags_known
        Shape (B, 3): resin, look-alike, not a site, and weights.
    wound_seen
        Shape (B,): 1 a wound is somewhere, 0 none, -1 unknown; for weak labels.
    lookalikes
        Shape (B, 11), bool; for reports.
    """

    rgb: Tensor
    valid: Tensor
    mm_per_px: Tensor
    tissue: Tensor
    signs: Tensor
    sign_present: Tensor
    sign_known: Tensor
    sign_map_known: Tensor
    any_sign: Tensor
    stage: Tensor
    flags: Tensor
    flags_known: Tensor
    wound_seen: Tensor
    lookalikes: Tensor

    def __len__(self) -> int:
        return int(self.rgb.shape[0])

    def to(self, device: torch.device) -> PatchBatch:
        """The batch on another device."""
        return PatchBatch(**{f.name: getattr(self, f.name).to(device) for f in fields(self)})

    def rows(self, index: Tensor) -> PatchBatch:
        """Some rows of the batch."""
        return PatchBatch(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    def mirrored(self, rng: np.random.Generator) -> PatchBatch:
        """The batch left for right, a little brighter or darker, warmer or cooler."""
        flipped = {name: getattr(self, name).flip(-1) for name in ("rgb", "valid", "tissue", "signs")}
        gain = np.exp(rng.normal(0, 0.12, (len(self), 1)) + rng.normal(0, 0.03, (len(self), 3)))
        tone = torch.as_tensor(gain.astype(np.float32), device=self.rgb.device)[:, :, None, None]
        return replace(self, **{**flipped, "rgb": (flipped["rgb"] * tone).clamp(0, 1)})

    @classmethod
    def cat(cls, parts: list[PatchBatch]) -> PatchBatch:
        """Batches end to end."""
        return cls(**{f.name: torch.cat([getattr(p, f.name) for p in parts]) for f in fields(cls)})
