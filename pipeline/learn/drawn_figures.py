"""The figures of any reader on photos of the other renderer: for ``bench_reader.py`` and the card of a release.

No torch here.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np

from pipeline import measure, metrics
from pipeline.learn.figures import Figure, mean_over, over
from pipeline.records import Sign, SitePatch, Stage, Tissue
from pipeline.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.learn.drawn_photos import DrawnPatches
    from pipeline.records import SiteMaps

COUNTED = (Tissue.BARK, Tissue.APERTURE, Tissue.NEW_TISSUE)
LARGE_MM2 = 100.0

_Counts = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class DrawnReading:
    """What a reader said of one photo of the other renderer, beside the truth.

    Attributes
    ----------
    counts_trunk, counts_own
        Pixels in both and in either, for bark, opening and new tissue; truth in the trunk's frame (as the card hangs,
        so the ruler is judged too) and in the patch's own (the reader alone).
    """

    stage: int
    stage_p: tuple[float, ...]
    signs: tuple[bool, ...]
    sign_p: tuple[float, ...]
    lookalikes: bool
    resin: bool
    area_mm2: float
    read_area_mm2: float
    counts_trunk: _Counts
    counts_own: _Counts
    not_a_site_p: float
    cpu_ms: float


def read_row(reader: Callable[[SitePatch], SiteMaps], patches: DrawnPatches, row: int) -> DrawnReading:
    """Read one patch as in use, and count."""
    mm = float(patches.mm_per_px[row])
    height, width = patches.valid[row].shape
    patch = SitePatch(patches.rgb[row], patches.valid[row], mm, -width * mm / 2, height * mm / 2, 1 / mm)
    start = time.process_time()
    maps = reader(patch)
    cpu_ms = (time.process_time() - start) * 1000
    settings = Settings().reading
    opening = measure.seam_as_none(measure.find_opening(patch, maps, settings), maps, settings)
    read = maps.tissue.argmax(axis=2)
    return DrawnReading(
        stage=int(patches.stage[row]),
        stage_p=tuple(map(float, maps.stage_p)),
        signs=tuple(map(bool, patches.sign[row])),
        sign_p=tuple(map(float, maps.sign_p)),
        lookalikes=bool(patches.lookalike[row]),
        resin=bool(patches.resin[row]),
        area_mm2=float(patches.aperture_mm2[row]),
        read_area_mm2=opening.area_mm2 if opening else 0.0,
        counts_trunk=_counts(patches.tissue_trunk[row], read, patch.valid),
        counts_own=_counts(patches.tissue_own[row], read, patch.valid),
        not_a_site_p=float(maps.not_a_site_p),
        cpu_ms=cpu_ms,
    )


def _counts(true: np.ndarray, read: np.ndarray, valid: np.ndarray) -> _Counts:
    pairs = [((true == k) & valid, (read == k) & valid) for k in COUNTED]
    return tuple((int(np.count_nonzero(a & b)), int(np.count_nonzero(a | b))) for a, b in pairs)


def drawn_figures(cases: Sequence[DrawnReading], draws: int = 400) -> list[Figure]:
    """The whole table."""
    everything = np.arange(len(cases))
    sign_p = Settings().reading.sign_p
    lines = []
    for counts, frame in (
        (np.array([c.counts_own for c in cases], dtype=float), "patch's frame"),
        (np.array([c.counts_trunk for c in cases], dtype=float), "trunk's frame"),
    ):
        lines += _overlap(counts, np.array([c.area_mm2 for c in cases]), frame, draws)
    area, read_area = (np.array([getattr(c, n) for c in cases]) for n in ("area_mm2", "read_area_mm2"))
    large, none_open = np.flatnonzero(area >= LARGE_MM2), np.flatnonzero(area == 0)
    error = np.abs(read_area / np.maximum(area, 1e-9) - 1)
    lines.append(Figure("openings' area on the overview, median relative error", "-",
                        over(lambda r: float(np.median(error[r])), large, draws)))  # fmt: skip
    lines.append(Figure("opening reported where none is", "-", mean_over(read_area > 0, none_open, draws)))
    stage, stage_p = np.array([c.stage for c in cases]), np.array([c.stage_p for c in cases])
    answer, sure = stage_p.argmax(axis=1), stage_p.max(axis=1)
    hit = answer == stage
    lines.append(Figure("stage, exact", "0.90", mean_over(hit, everything, draws)))

    def weighted(r: np.ndarray) -> float:
        return metrics.kappa(stage[r], answer[r], len(Stage), "quadratic")

    lines.append(Figure("stage, quadratic-weighted kappa", "0.85", over(weighted, everything, draws)))
    signs, said = np.array([c.signs for c in cases]), np.array([c.sign_p for c in cases])
    for j, sign in enumerate(Sign):
        lines += _of_sign(sign, signs[:, j], said[:, j], sign_p, draws)
    none = ~signs.any(axis=1)
    flagged = (said >= sign_p).any(axis=1)
    similar, resin = np.array([c.lookalikes for c in cases]), np.array([c.resin for c in cases])
    for name, reach, rows in (
        ("look-alikes, no sign: flagged", "<= 0.04", none & similar),
        ("neither look-alike nor sign: flagged", "<= 0.03", none & ~similar),
        ("resin, no sign, no look-alike: flagged", "<= 0.01", none & resin & ~similar),
    ):
        lines.append(Figure(name, reach, mean_over(flagged, np.flatnonzero(rows), draws)))
    stage_ece = over(lambda r: metrics.expected_calibration_error(sure[r], hit[r]), everything, draws)
    lines.append(Figure("ECE of the stage, 15 bins", "<= 0.03", stage_ece))
    surer, right = np.maximum(said, 1 - said), (said >= 0.5) == signs

    def sign_ece(r: np.ndarray) -> float:
        return metrics.expected_calibration_error(surer[r].ravel(), right[r].ravel())

    lines.append(Figure("ECE of the signs, 15 bins", "<= 0.03", over(sign_ece, everything, draws)))
    refused = np.array([c.not_a_site_p >= 0.5 for c in cases])
    lines.append(
        Figure("taken for no wound site", "-", mean_over(refused, np.flatnonzero(stage < Stage.CLOSED), draws))
    )
    return lines


def _overlap(counts: np.ndarray, area_mm2: np.ndarray, frame: str, draws: int) -> list[Figure]:
    """How well openings and tissue lie on the truth of one frame."""
    large = np.flatnonzero(area_mm2 >= LARGE_MM2)
    iou = counts[:, 1, 0] / np.maximum(counts[:, 1, 1], 1)

    def mean_iou(r: np.ndarray) -> float:
        inside, union = counts[r].sum(axis=0).T
        return float(np.mean(inside / np.maximum(union, 1)))

    return [
        Figure(f"aperture IoU, 100 mm2 and more, mean, {frame}", "0.93", mean_over(iou, large, draws)),
        Figure(f"  the same, median, {frame}", "-", over(lambda r: float(np.median(iou[r])), large, draws)),
        Figure(f"  share of them found (IoU over 0.5), {frame}", "-", mean_over(iou > 0.5, large, draws)),
        Figure(f"tissue mean IoU (bark, opening, new tissue), {frame}", "0.85",
               over(mean_iou, np.arange(len(counts)), draws)),
    ]  # fmt: skip


def _recall(present: np.ndarray, p: np.ndarray, r: np.ndarray) -> float:
    return metrics.recall_at_false_alarms(present[r], p[r], 0.03)[0]


def _roc(present: np.ndarray, p: np.ndarray, r: np.ndarray) -> float:
    return metrics.roc_area(present[r], p[r])


def _of_sign(sign: Sign, present: np.ndarray, p: np.ndarray, sign_p: float, draws: int) -> list[Figure]:
    """Figures of one sign; the number of cases of the first two is that of photos that show it."""
    everything, shown = np.arange(len(present)), int(present.sum())
    lines = []
    for name, reach, figure in (
        ("recall at 3 % false alarms", "0.95", _recall),
        ("area under ROC", "-", _roc),
    ):
        found = over(partial(figure, present, p), everything, draws)
        lines.append(Figure(f"{sign.words}: {name}", reach, found._replace(cases=shown)))
    flagged = p >= sign_p
    lines.append(Figure(f"{sign.words}: recall at p {sign_p}", "-", mean_over(flagged, np.flatnonzero(present), draws)))
    false = mean_over(flagged, np.flatnonzero(~present), draws)
    lines.append(Figure(f"{sign.words}: false alarms at p {sign_p}", "-", false))
    return lines
