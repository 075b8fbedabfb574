"""What training minimises: maps, ordinal stage, presence, flags, and weak labels of whole photographs."""

from __future__ import annotations

import torch
import torch.nn.functional as F
from torch import Tensor

from pipeline.learn.generator import APERTURE, EITHER, IGNORE, NEW_TISSUE, NOT_WOUND, PatchBatch
from pipeline.learn.net import Output

TISSUE_WEIGHTS = (0.7, 1.4, 1.6, 1.2, 1.0)


def _weighted_mean(values: Tensor, weights: Tensor) -> Tensor:
    return (values * weights).sum() / weights.sum().clamp_min(1.0)


def _dice(probability: Tensor, truth: Tensor, weight: Tensor) -> Tensor:
    """1 - soft Dice over each picture and channel that holds the class; all shapes (B, C, H, W)."""
    both = (probability * truth * weight).sum((2, 3))
    total = ((probability + truth) * weight).sum((2, 3))
    there = ((truth * weight).sum((2, 3)) > 8).float()
    return _weighted_mean(1 - (2 * both + 8) / (total + 8), there)


def losses(output: Output, batch: PatchBatch) -> dict[str, Tensor]:
    """Terms of the loss, already weighted; their sum is minimised.

    The stage term is the cumulative link (proportional odds, McCullagh 1980): five binary
    cross entropies for "later than stage k", summed.
    """
    tissue, signs = (
        F.interpolate(m.float(), scale_factor=2.0, mode="bilinear", align_corners=False)
        for m in (output.tissue, output.signs)
    )
    weight = tissue.new_tensor(TISSUE_WEIGHTS)
    exact = torch.where(batch.tissue < len(TISSUE_WEIGHTS), batch.tissue, IGNORE)
    terms = {"tissue": F.cross_entropy(tissue, exact, weight=weight, ignore_index=IGNORE)}
    known = (exact != IGNORE).float()[:, None]
    soft = tissue.softmax(1)
    terms["wound_or_not"] = _wound_or_not(soft, batch.tissue)
    truth = torch.stack(((batch.tissue == APERTURE), (batch.tissue == NEW_TISSUE)), 1).float()
    terms["tissue_dice"] = 0.7 * _dice(soft[:, 1:3], truth, known)
    # Below 0: nobody said whether the sign is there (beside what a person drew, and along its edge).
    drawn = batch.signs.clamp_min(0)
    seen = batch.valid.float() * batch.sign_map_known.view(-1, 1, 1, 1) * (batch.signs >= 0).float()
    pixel = F.binary_cross_entropy_with_logits(signs, drawn, reduction="none") * (1 + 3 * drawn)
    terms["signs"] = 2.0 * (pixel * seen).sum() / seen.sum().clamp_min(1.0)
    terms["signs_dice"] = 0.5 * _dice(torch.sigmoid(signs), drawn, seen)
    staged = batch.stage >= 0
    later = (batch.stage[:, None] > torch.arange(5, device=batch.stage.device)).float()
    ordinal = F.binary_cross_entropy_with_logits(output.stage.float(), later, reduction="none").sum(1)
    terms["stage"] = 1.0 * _weighted_mean(ordinal, staged.float())
    presence = output.presence.float()
    terms["presence"] = 2.0 * _weighted_mean(
        F.binary_cross_entropy_with_logits(presence, batch.sign_present, reduction="none"), batch.sign_known
    )
    terms["flags"] = 1.0 * _weighted_mean(
        F.binary_cross_entropy_with_logits(output.flags.float(), batch.flags, reduction="none"), batch.flags_known
    )
    terms["wound_seen"] = 0.5 * _wound_seen(soft, batch.wound_seen)
    return terms


def _wound_or_not(soft: Tensor, tissue: Tensor) -> Tensor:
    """Pixels of which is known only that they are a wound, or that they are none."""
    wound = (soft[:, 1] + soft[:, 2]).clamp(1e-4, 1 - 1e-4)
    either, neither = (tissue == EITHER).float(), (tissue == NOT_WOUND).float()
    loss = -torch.log(wound) * either - torch.log1p(-wound) * neither
    # Each picture counts the same, however much of it is outlined; both sides count half.
    parts = [(loss * m).sum((1, 2)) / m.sum((1, 2)).clamp_min(1.0) for m in (either, neither)]
    told = (((either + neither).sum((1, 2))) > 0).float()
    return 0.5 * _weighted_mean(parts[0] + parts[1], told)


def _wound_seen(soft: Tensor, seen: Tensor) -> Tensor:
    """Weak label of wounds: the most wound-like 2 % of a picture must, or must not, be wound."""
    wound = F.avg_pool2d(soft[:, 1:2] + soft[:, 2:3], 4).flatten(1)
    top = wound.topk(max(1, wound.shape[1] // 50), dim=1).values.mean(1).clamp(1e-4, 1 - 1e-4)
    loss = torch.where(seen > 0.5, -torch.log(top), -torch.log1p(-top))
    return _weighted_mean(loss, (seen >= 0).float())
