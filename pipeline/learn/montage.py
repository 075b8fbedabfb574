"""A sheet of the worst errors, drawn as the overlay pictures are, so that the next person starts from the failures.

Each case is shown twice, as it is and as it was read: rims with full and broken lines, signs hatched and named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline import draw, rim
from pipeline.learn.signs import SIGN_NAMES
from pipeline.learn.wounds import CLOSED
from pipeline.records import Outlines, Sign, SitePatch, Tissue

if TYPE_CHECKING:
    import torch
    from numpy.typing import NDArray

    from pipeline.learn.generator import PatchBatch
    from pipeline.learn.sheet import Sheet
    from pipeline.records import ImageRGB, Polygon

STAGE_WORDS = ("fresh", "resinous", "callus", "closing", "closed", "rebarked")
TILE_PX = 380
DRAWN_PX = 520
"""A patch is enlarged to this before it is drawn on, so that the names stay readable when the tile is shrunk."""
COLUMNS = 3
HEAD_PX = 40
LEAST_MM2 = 4.0
_LARGE, _SMALL = 0.8, 0.45


@dataclass(frozen=True, eq=False)
class Error:
    """One case with how bad it is and why.

    Attributes
    ----------
    rgb
        Shape (H, W, 3), uint8.
    tissue, read
        Shape (H, W): true and read classes.
    signs, read_signs
        Shape (5, H, W), 0 to 1: true and read maps.
    """

    badness: float
    caption: str
    group: str
    rgb: ImageRGB
    valid: NDArray[np.bool_]
    mm_per_px: float
    tissue: NDArray[np.uint8]
    read: NDArray[np.uint8]
    signs: NDArray[np.float32]
    read_signs: NDArray[np.float32]


def errors(batch: PatchBatch, read: torch.Tensor, read_signs: torch.Tensor, sheet: Sheet) -> list[Error]:
    """How wrong each case of a batch is, by kind of error.

    Parameters
    ----------
    read, read_signs
        Shapes (B, H, W) and (B, 5, H, W): classes and probabilities as read.
    sheet
        The rows of the batch.
    """
    found = []
    for row in range(len(batch)):
        reasons = _reasons(sheet, row)
        if not reasons:
            continue
        case = (
            np.ascontiguousarray((batch.rgb[row] * 255).round().clamp(0, 255).byte().permute(1, 2, 0).cpu().numpy()),
            batch.valid[row, 0].cpu().numpy(),
            float(batch.mm_per_px[row]),
            batch.tissue[row].cpu().numpy().astype(np.uint8),
            read[row].cpu().numpy().astype(np.uint8),
            batch.signs[row].float().cpu().numpy(),
            read_signs[row].float().cpu().numpy(),
        )
        found += [Error(float(bad), words, group, *case) for group, bad, words in reasons]
    return found


def _reasons(sheet: Sheet, row: int) -> list[tuple[str, float, str]]:
    """Kind, badness and words of what is wrong with one case."""
    reasons: list[tuple[str, float, str]] = []
    iou = float(sheet.aperture_both_px[row] / max(sheet.aperture_any_px[row], 1))
    if sheet.aperture_mm2[row] >= 100 and iou < 0.9:
        reasons.append(("openings of 100 mm2 and more", 1 - iou, f"overlap (IoU) {iou:.2f}"))
    answer = int(sheet.stage_p[row].argmax())
    if sheet.stage[row] >= 0 and answer != sheet.stage[row]:
        words = f"{STAGE_WORDS[sheet.stage[row]]}, read as {STAGE_WORDS[answer]} (p {sheet.stage_p[row].max():.2f})"
        reasons.append(("stages", abs(answer - sheet.stage[row]) + sheet.stage_p[row].max(), words))
    for number, name in enumerate(SIGN_NAMES):
        p, shown = sheet.sign_p[row, number], sheet.sign[row, number]
        if sheet.sign_known[row, number] and abs(shown - p) > 0.5:
            group = "missed signs" if shown else "signs that are not there"
            reasons.append((group, float(abs(shown - p)), f"{name.replace('_', ' ')}, p {p:.2f}"))
    if sheet.stage[row] < CLOSED and sheet.wound_share[row] > 0.02 and sheet.wound_seen[row] == 0:
        words = f"wound on {100 * sheet.wound_share[row]:.0f} %"
        reasons.append(("wounds that are not there", float(sheet.wound_share[row]), words))
    return reasons


def _drawn(error: Error, tissue: NDArray[np.uint8], signs: NDArray[np.float32]) -> ImageRGB:
    """The patch with what one side says of it."""
    size = (DRAWN_PX, DRAWN_PX)
    mm = error.mm_per_px * error.rgb.shape[1] / DRAWN_PX
    valid = cv2.resize(error.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
    patch = SitePatch(cv2.resize(error.rgb, size, interpolation=cv2.INTER_CUBIC), valid, mm, 0.0, 0.0, 1 / mm)

    def lines(share: NDArray[np.float32]) -> tuple[Polygon, ...]:
        large = cv2.resize(share.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
        region = rim.measure_region(large, patch, LEAST_MM2)
        return region.outlines if region is not None else ()

    outlines = Outlines(
        lines(np.asarray(tissue == Tissue.APERTURE, np.float32)),
        lines(np.asarray(tissue == Tissue.NEW_TISSUE, np.float32)),
        {sign: found for sign, share in zip(Sign, signs, strict=True) if (found := lines(share))},
    )
    picture = draw.overlay(patch, outlines, legend=False)
    return np.asarray(cv2.resize(picture, (TILE_PX, TILE_PX), interpolation=cv2.INTER_AREA), dtype=np.uint8)


def _words(page: ImageRGB, text: str, x: int, y: int, size: float) -> None:
    cv2.putText(page, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, size, draw.INK, 1, cv2.LINE_AA)


def _cell(error: Error) -> ImageRGB:
    """Truth on the left, what was read on the right, and in words what is wrong."""
    cell = np.full((TILE_PX + 26, 2 * TILE_PX + 18, 3), draw.PAPER, np.uint8)
    _words(cell, f"true | read: {error.caption}", 4, 17, _SMALL)
    cell[24 : 24 + TILE_PX, 2 : 2 + TILE_PX] = _drawn(error, error.tissue, error.signs)
    cell[24 : 24 + TILE_PX, 6 + TILE_PX : 6 + 2 * TILE_PX] = _drawn(error, error.read, error.read_signs)
    return cell


def montage(found: list[Error], per_group: int = 6) -> NDArray[np.uint8]:
    """The worst cases of each kind of error under its heading, BGR."""
    parts: list[ImageRGB] = []
    width = COLUMNS * (2 * TILE_PX + 18)
    for group in sorted({e.group for e in found}):
        of_group = sorted((e for e in found if e.group == group), key=lambda e: -e.badness)
        head = np.full((HEAD_PX, width, 3), draw.PAPER, np.uint8)
        shown = min(per_group, len(of_group))
        _words(head, f"{group}: the worst {shown} of {len(of_group)}", 6, HEAD_PX - 12, _LARGE)
        parts.append(head)
        cells = [_cell(error) for error in of_group[:per_group]]
        for start in range(0, len(cells), COLUMNS):
            row = np.concatenate(cells[start : start + COLUMNS], 1)
            parts.append(cv2.copyMakeBorder(row, 0, 4, 0, width - row.shape[1], cv2.BORDER_CONSTANT, value=draw.PAPER))
    if not parts:
        parts = [np.full((HEAD_PX, width, 3), draw.PAPER, np.uint8)]
        _words(parts[0], "No errors among these cases.", 6, HEAD_PX - 12, _LARGE)
    return np.ascontiguousarray(np.concatenate(parts, 0)[..., ::-1])
