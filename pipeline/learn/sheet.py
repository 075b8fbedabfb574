"""One row of numbers for each case, from any reader: all that the figures need, none of the pictures."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any

import numpy as np
import torch
import torch.nn.functional as F

from pipeline.learn.generator import APERTURE, NEW_TISSUE, PatchBatch
from pipeline.learn.train import network_inputs
from pipeline.network import Calibration, FeatureStatistics
from pipeline.records import SitePatch

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.learn.net import WoundNet
    from pipeline.records import Reader


@dataclass
class Sheet:
    """Numbers of N cases.

    Attributes
    ----------
    confusion
        Shape (N, 5, 5): pixels by true and read tissue.
    aperture_mm2, aperture_both_px, aperture_any_px, extent_share
        True area; pixels of overlap and of either; longer side of the true opening as a share of the patch's edge.
    wound_share
        Share of seen pixels read as opening or new tissue.
    stage, stage_p, sign, sign_known, sign_p
        Truth (stage -1: none) and answers.
    flags, flags_known, flags_p
        Resin, look-alike, not a site.
    lookalikes
        Shape (N, 11).
    wound_seen, any_sign
        Weak truths, -1 unknown.
    """

    confusion: NDArray[np.int64]
    aperture_mm2: NDArray[np.float64]
    aperture_both_px: NDArray[np.int64]
    aperture_any_px: NDArray[np.int64]
    extent_share: NDArray[np.float64]
    wound_share: NDArray[np.float64]
    stage: NDArray[np.int64]
    stage_p: NDArray[np.float64]
    sign: NDArray[np.float64]
    sign_known: NDArray[np.float64]
    sign_p: NDArray[np.float64]
    flags: NDArray[np.float64]
    flags_known: NDArray[np.float64]
    flags_p: NDArray[np.float64]
    lookalikes: NDArray[np.bool_]
    wound_seen: NDArray[np.float64]
    any_sign: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.stage)

    @classmethod
    def cat(cls, parts: list[Sheet]) -> Sheet:
        """Sheets end to end."""
        return cls(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)})


@dataclass
class RawAnswers:
    """Raw head outputs of N cases, for calibration."""

    stage: NDArray[np.float64]
    presence: NDArray[np.float64]
    flags: NDArray[np.float64]
    features: NDArray[np.float64]

    @classmethod
    def cat(cls, parts: list[RawAnswers]) -> RawAnswers:
        """Answers end to end."""
        return cls(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(cls)})


def _host(tensor: torch.Tensor) -> NDArray[np.float64]:
    return np.asarray(tensor.detach().double().cpu().numpy())


def _row_numbers(batch: PatchBatch, read: torch.Tensor) -> dict[str, Any]:
    """Numbers from the tissue maps; ``read`` has shape (B, H, W), class numbers."""
    truth = batch.tissue
    seen = batch.valid[:, 0]
    known = truth < 5
    count = len(batch)
    index = torch.arange(count, device=truth.device)[:, None, None] * 25 + truth.clamp(0, 4) * 5 + read
    confusion = torch.bincount(index[known], minlength=count * 25).view(count, 5, 5)
    true_open, read_open = (truth == APERTURE) & known, (read == APERTURE) & known
    area = true_open.sum((1, 2)).double() * batch.mm_per_px.double() ** 2
    rows, cols = true_open.any(2).sum(1), true_open.any(1).sum(1)
    wound = ((read == APERTURE) | (read == NEW_TISSUE)) & seen
    return {
        "confusion": confusion.cpu().numpy(),
        "aperture_mm2": _host(area),
        "aperture_both_px": (true_open & read_open).sum((1, 2)).cpu().numpy(),
        "aperture_any_px": (true_open | read_open).sum((1, 2)).cpu().numpy(),
        "extent_share": _host(torch.maximum(rows, cols) / truth.shape[1]),
        "wound_share": _host(wound.sum((1, 2)) / seen.sum((1, 2)).clamp_min(1)),
    }


def _truths(batch: PatchBatch) -> dict[str, Any]:
    return {
        "stage": batch.stage.cpu().numpy(),
        "sign": _host(batch.sign_present),
        "sign_known": _host(batch.sign_known),
        "flags": _host(batch.flags),
        "flags_known": _host(batch.flags_known),
        "lookalikes": batch.lookalikes.cpu().numpy(),
        "wound_seen": _host(batch.wound_seen),
        "any_sign": _host(batch.any_sign),
    }


@torch.no_grad()
def by_network(
    net: WoundNet, batch: PatchBatch, calibration: Calibration, known: FeatureStatistics | None
) -> tuple[Sheet, RawAnswers, torch.Tensor]:
    """Rows of a batch by a torch network; also its raw answers and the tissue it reads (B, H, W)."""
    output = net(*network_inputs(batch))
    tissue = F.interpolate(output.tissue.float(), scale_factor=2.0, mode="bilinear", align_corners=False)
    read = tissue.argmax(1)
    read = torch.where(batch.valid[:, 0], read, 4)
    raw = RawAnswers(*(_host(v) for v in (output.stage, output.presence, output.flags, output.features)))
    flags = calibration.flags(raw.flags)
    if known is not None:
        flags[:, 2] = np.maximum(flags[:, 2], known.strangeness(raw.features))
    answers: dict[str, Any] = {
        "stage_p": calibration.stages(raw.stage),
        "sign_p": calibration.signs(raw.presence),
        "flags_p": flags,
    }
    return Sheet(**_row_numbers(batch, read), **answers, **_truths(batch)), raw, read


@torch.no_grad()
def sign_maps(net: WoundNet, batch: PatchBatch) -> torch.Tensor:
    """Probabilities of the signs as a torch network reads them, at the size of the patches, shape (B, 5, H, W)."""
    logits = net(*network_inputs(batch)).signs.float()
    maps = torch.sigmoid(F.interpolate(logits, scale_factor=2.0, mode="bilinear", align_corners=False))
    return maps * batch.valid


def by_reader(reader: Reader, batch: PatchBatch) -> Sheet:
    """Rows of a batch by any reader, one patch at a time, as in use."""
    reads, stages, signs, flags = [], [], [], []
    pictures = (batch.rgb * 255).round().clamp(0, 255).byte().permute(0, 2, 3, 1).cpu().numpy()
    seen = batch.valid[:, 0].cpu().numpy()
    for number in range(len(batch)):
        mm = float(batch.mm_per_px[number])
        edge = mm * pictures.shape[1]
        patch = SitePatch(np.ascontiguousarray(pictures[number]), seen[number], mm, -edge / 2, edge / 2, 1 / mm)
        maps = reader(patch)
        reads.append(maps.tissue.argmax(2))
        stages.append(maps.stage_p)
        signs.append(maps.sign_p)
        flags.append((maps.resin_p, maps.lookalike_p, maps.not_a_site_p))
    read = torch.from_numpy(np.stack(reads)).to(batch.tissue.device)
    answers: dict[str, Any] = {
        "stage_p": np.stack(stages),
        "sign_p": np.stack(signs),
        "flags_p": np.array(flags, dtype=np.float64),
    }
    return Sheet(**_row_numbers(batch, read), **answers, **_truths(batch))
