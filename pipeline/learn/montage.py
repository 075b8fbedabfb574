"""Pictures of the worst errors, with outlines and hatching, so that the next person starts from the failures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline.learn.generator import APERTURE, NEW_TISSUE, PatchBatch
from pipeline.learn.signs import SIGN_NAMES
from pipeline.learn.wounds import CLOSED

if TYPE_CHECKING:
    import torch
    from numpy.typing import NDArray

    from pipeline.learn.sheet import Sheet

STAGE_WORDS = ("fresh", "resinous", "callus", "closing", "closed", "rebarked")
TILE_PX = 240


@dataclass(frozen=True)
class Error:
    """One case with how bad it is and why."""

    badness: float
    picture: NDArray[np.uint8]
    caption: str
    group: str


def _tile(rgb: torch.Tensor, truth: torch.Tensor, read: torch.Tensor) -> NDArray[np.uint8]:
    """The patch with the true outline (white) and the read one (black on yellow), BGR."""
    picture = (rgb.permute(1, 2, 0).cpu().numpy()[..., ::-1] * 255).astype(np.uint8)
    picture = cv2.resize(picture, (TILE_PX, TILE_PX), interpolation=cv2.INTER_AREA)
    for source, colour in ((truth, (255, 255, 255)), (read, (0, 220, 255))):
        classes = source.cpu().numpy().astype(np.uint8)
        for wanted, thick in ((APERTURE, 2), (NEW_TISSUE, 1)):
            mask = cv2.resize((classes == wanted).astype(np.uint8), (TILE_PX, TILE_PX), interpolation=cv2.INTER_NEAREST)
            outlines, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
            cv2.drawContours(picture, outlines, -1, colour, thick)
    return np.asarray(picture, dtype=np.uint8)


def errors(batch: PatchBatch, read: torch.Tensor, sheet: Sheet) -> list[Error]:
    """How wrong each case of a batch is, by kind of error."""
    found = []
    answer = sheet.stage_p.argmax(1)
    iou = sheet.aperture_both_px / np.maximum(sheet.aperture_any_px, 1)
    for row in range(len(batch)):
        reasons = []
        if sheet.aperture_mm2[row] >= 100 and iou[row] < 0.9:
            reasons.append(("opening", 1 - iou[row], f"IoU {iou[row]:.2f}"))
        if sheet.stage[row] >= 0 and answer[row] != sheet.stage[row]:
            words = f"{STAGE_WORDS[sheet.stage[row]]} read {STAGE_WORDS[answer[row]]}"
            reasons.append(("stage", abs(answer[row] - sheet.stage[row]) + sheet.stage_p[row].max(), words))
        for number, name in enumerate(SIGN_NAMES):
            if sheet.sign_known[row, number]:
                miss = abs(sheet.sign[row, number] - sheet.sign_p[row, number])
                if miss > 0.5:
                    words = ("missed " if sheet.sign[row, number] else "false ") + name.replace("_", " ")
                    reasons.append((words.split()[0] + " sign", float(miss), words))
        if sheet.stage[row] < CLOSED and sheet.wound_share[row] > 0.02 and sheet.wound_seen[row] == 0:
            reasons.append(
                ("false wound", float(sheet.wound_share[row]), f"wound on {100 * sheet.wound_share[row]:.0f} %")
            )
        found += [
            Error(float(bad), _tile(batch.rgb[row], batch.tissue[row], read[row]), words, group)
            for group, bad, words in reasons
        ]
    return found


def montage(found: list[Error], per_group: int = 8) -> NDArray[np.uint8]:
    """A sheet with a row of the worst cases for each kind of error, BGR."""
    rows = []
    for group in sorted({e.group for e in found}):
        worst = sorted((e for e in found if e.group == group), key=lambda e: -e.badness)[:per_group]
        tiles = []
        for error in worst:
            tile = cv2.copyMakeBorder(error.picture, 18, 2, 2, 2, cv2.BORDER_CONSTANT, value=(40, 40, 40))
            cv2.putText(tile, error.caption, (3, 13), cv2.FONT_HERSHEY_SIMPLEX, 0.4, (255, 255, 255), 1, cv2.LINE_AA)
            tiles.append(tile)
        while len(tiles) < per_group:
            tiles.append(np.full_like(tiles[0], 40))
        rows.append(np.concatenate(tiles, 1))
    if not rows:
        return np.zeros((TILE_PX, TILE_PX, 3), np.uint8)
    return np.concatenate(rows, 0)
