"""The figures of a reader on held-out scenes and on photographs of species and sources never trained on."""

from __future__ import annotations

import logging
import tempfile
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import torch

from pipeline import readers
from pipeline.learn.data import Collection, open_collection
from pipeline.learn.figures import Figure, as_json, mean_over, over, write_table
from pipeline.learn.sets import SEEDS, TEST_SEED, VAL_SEED, photographs, scenes
from pipeline.learn.sheet import RawAnswers, Sheet, by_network, by_reader
from pipeline.learn.signs import LOOKALIKE_NAMES, SIGN_NAMES
from pipeline.metrics import Confidence, expected_calibration_error, kappa, recall_at_false_alarms, roc_area
from pipeline.network import Calibration, FeatureStatistics

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pipeline.learn.generator import PatchBatch
    from pipeline.learn.net import WoundNet
    from pipeline.records import Reader

logger = logging.getLogger(__name__)

__all__ = [
    "TEST_SEED",
    "VAL_SEED",
    "Figure",
    "as_json",
    "by_weights",
    "mean_iou",
    "photo_figures",
    "photographs",
    "read_photographs",
    "read_scenes",
    "run",
    "scene_figures",
    "scenes",
    "table",
    "write_table",
]

SIGN_P = 0.5
"""A sign counts as flagged from this probability, the default of the setting ``reading.sign_p``."""


def read_scenes(answer: Callable[[PatchBatch], Sheet], batches: Iterator[PatchBatch]) -> Sheet:
    """One sheet over all batches."""
    return Sheet.cat([answer(batch) for batch in batches])


def read_photographs(answer: Callable[[PatchBatch], Sheet], groups: dict[str, list[PatchBatch]]) -> dict[str, Sheet]:
    """One sheet a group."""
    return {name: Sheet.cat([answer(b) for b in batches]) for name, batches in groups.items() if batches}


def _recall(shown: np.ndarray, answers: np.ndarray, rows: np.ndarray) -> float:
    """Recall at 3 % false alarms over some rows."""
    return recall_at_false_alarms(shown[rows], answers[rows], 0.03)[0]


def mean_iou(confusion: np.ndarray) -> float:
    """Mean over classes that occur of intersection over union, from a (5, 5) table."""
    both = np.diag(confusion)
    either = confusion.sum(0) + confusion.sum(1) - both
    return float((both[either > 0] / either[either > 0]).mean())


def scene_figures(sheet: Sheet, draws: int = 400) -> list[Figure]:
    """The first part of the table."""
    everything = np.arange(len(sheet))
    site = sheet.flags[:, 2] == 0
    iou = sheet.aperture_both_px / np.maximum(sheet.aperture_any_px, 1)
    large = np.flatnonzero((sheet.aperture_mm2 >= 100) & site)
    close = np.flatnonzero((sheet.aperture_mm2 >= 100) & site & (sheet.extent_share >= 0.3))
    staged = np.flatnonzero(sheet.stage >= 0)
    answer = sheet.stage_p.argmax(1)
    lines = [
        Figure("aperture IoU, openings of 100 mm2 and more", "0.93", mean_over(iou, large, draws)),
        Figure("  the same where the opening takes 30 % of the patch's edge", "-", mean_over(iou, close, draws)),
        Figure("tissue mean IoU", "0.85", over(lambda r: mean_iou(sheet.confusion[r].sum(0)), everything, draws)),
        Figure("stage exact", "0.90", mean_over((answer == sheet.stage).astype(float), staged, draws)),
        Figure(
            "stage quadratic-weighted kappa",
            "0.95",
            over(lambda r: kappa(sheet.stage[r], answer[r], 6, "quadratic"), staged, draws),
        ),
    ]
    for number, name in enumerate(SIGN_NAMES):
        rows = np.flatnonzero((sheet.sign_known[:, number] > 0) & site)
        shown, answers = sheet.sign[:, number] > 0, sheet.sign_p[:, number]
        recall = over(partial(_recall, shown, answers), rows, draws)
        lines.append(Figure(f"recall at 3 % false alarms: {name.replace('_', ' ')}", "0.95", recall))
    flagged = (sheet.sign_p.max(1) >= SIGN_P).astype(float)
    clean = (sheet.any_sign == 0) & site
    similar = np.flatnonzero(clean & sheet.lookalikes.any(1))
    ants = sheet.lookalikes[:, LOOKALIKE_NAMES.index("ants")]
    wanted = np.flatnonzero(clean & ((sheet.flags[:, 0] > 0) | ants))
    lines.append(
        Figure("look-alike scenes without a sign that are flagged", "<= 0.04", mean_over(flagged, similar, draws))
    )
    lines.append(Figure("resin or ants without a sign flagged", "<= 0.01", mean_over(flagged, wanted, draws)))
    lines.append(Figure("scenes without any sign flagged", "-", mean_over(flagged, np.flatnonzero(clean), draws)))
    top = sheet.stage_p.max(1)
    hit = (answer == sheet.stage).astype(float)
    lines.append(
        Figure(
            "ECE of the stage, 15 bins",
            "<= 0.03",
            over(lambda r: expected_calibration_error(top[r], hit[r]), staged, draws),
        )
    )
    sited = np.flatnonzero(site)

    def sign_ece(r: np.ndarray) -> float:
        known = sheet.sign_known[r] > 0
        return expected_calibration_error(sheet.sign_p[r][known], sheet.sign[r][known])

    lines.append(Figure("ECE of the signs, 15 bins", "<= 0.03", over(sign_ece, sited, draws)))
    refused = (sheet.flags_p[:, 2] >= 0.5).astype(float)
    lines.append(Figure("drawn non-sites refused", "-", mean_over(refused, np.flatnonzero(~site), draws)))
    lines.append(Figure("drawn sites refused as non-sites", "-", mean_over(refused, sited, draws)))
    return lines


def photo_figures(sheets: dict[str, Sheet], draws: int = 400) -> list[Figure]:
    """The second part of the table: photographs of species and sources never trained on."""
    lines = []
    score = {name: sheet.sign_p.max(1) for name, sheet in sheets.items()}

    def area(names: tuple[str, ...]) -> Confidence:
        positives = np.concatenate([score[n] for n in names if n in score])
        truth = np.concatenate((np.ones(len(positives)), np.zeros(len(score["bark"]))))
        values = np.concatenate((positives, score["bark"]))
        return over(lambda r: roc_area(truth[r], values[r]), np.arange(len(values)), draws)

    if "bark" in score:
        for names, words in (
            (("film", "gum"), "signs"),
            (("film",), "  dark and green films only"),
            (("gum",), "  gum only (coconut)"),
        ):
            if any(n in score for n in names):
                lines.append(
                    Figure(
                        f"{words} against clean bark: area under ROC", "0.90" if words == "signs" else "-", area(names)
                    )
                )

    def share(name: str, values: np.ndarray, words: str, reach: str) -> None:
        if name in sheets:
            lines.append(Figure(words, reach, mean_over(values.astype(float), np.arange(len(values)), draws)))

    if "lichen_moss" in score:
        share("lichen_moss", score["lichen_moss"] >= SIGN_P, "moss and lichen flagged as a sign", "<= 0.10")
    if "features" in score:
        share("features", score["features"] >= SIGN_P, "scars, flaking and marks flagged as a sign", "<= 0.10")
    if "bark" in score:
        share("bark", score["bark"] >= SIGN_P, "clean bark flagged as a sign", "-")
    for name, words, reach in (
        ("wound", "wounds found on wound photographs", "0.85"),
        ("bark", "wounds 'found' on clean bark", "<= 0.10"),
    ):
        if name in sheets:
            share(name, sheets[name].wound_share > 0.01, words, reach)
    for name, words in (
        ("background", "foliage and ground refused as non-sites"),
        ("bark", "bark refused as a non-site"),
        ("wound", "wounds refused as a non-site"),
    ):
        if name in sheets:
            share(name, sheets[name].flags_p[:, 2] >= 0.5, words, "-")
    return lines


@torch.no_grad()
def by_weights(
    net: WoundNet,
    collection: Collection,
    split: str,
    count: int,
    *,
    calibration: Calibration | None = None,
    known: FeatureStatistics | None = None,
    size_px: int = 384,
) -> tuple[Sheet, RawAnswers, dict[str, Sheet], RawAnswers | None]:
    """Sheets of scenes and photographs of a split by a torch network, with raw answers of both."""
    device = next(net.parameters()).device
    fitted = calibration or Calibration.neutral()
    raws: list[RawAnswers] = []

    def answer(batch: PatchBatch) -> Sheet:
        sheet, raw, _ = by_network(net, batch, fitted, known)
        raws.append(raw)
        return sheet

    drawn = read_scenes(answer, scenes(collection.banks(split), SEEDS[split], count, size_px, device))
    raw_scenes = RawAnswers.cat(raws)
    raws.clear()
    photos = read_photographs(answer, photographs(collection, split, size_px))
    return drawn, raw_scenes, photos, RawAnswers.cat(raws) if raws else None


def table(
    reader: Reader, collection: Collection, *, count: int = 400, size_px: int = 384, draws: int = 400
) -> list[Figure]:
    """The whole table of any reader on the test split, on the CPU, one patch at a time as in use."""

    def answer(batch: PatchBatch) -> Sheet:
        return by_reader(reader, batch)

    drawn = read_scenes(answer, scenes(collection.banks("test"), TEST_SEED, count, size_px, torch.device("cpu")))
    photos = read_photographs(answer, photographs(collection, "test", size_px))
    return scene_figures(drawn, draws) + photo_figures(photos, draws)


def run(
    model: str,
    photos: Path,
    *,
    count: int = 400,
    size_px: int = 384,
    draws: int = 400,
    release: Path | None = None,
    name: str = "network",
    limit: int | None = None,
    fit_photos: int = 120,
) -> list[Figure]:
    """Evaluate a reader by name or folder; a run folder is calibrated and released first.

    Parameters
    ----------
    model
        As :func:`pipeline.readers.open_reader` takes it, or a run folder with ``model.safetensors``.
    photos
        Photo collection: a folder with a manifest, or a packed file.
    release
        Where to write the model folder of a run (default: ``release`` inside it).
    limit
        Photographs to use at most.
    fit_photos
        Photos of the other renderer that a run is calibrated on beside ``count`` scenes.
    """
    folder = Path(model)
    is_run = (folder / "model.safetensors").is_file() and not (folder / "contract.json").is_file()
    with tempfile.TemporaryDirectory() as scratch:
        collection = open_collection(photos, Path(scratch), torch.device("cpu"), limit)
    if is_run:
        from pipeline.learn.release import release_run

        target = release or folder / "release"
        release_run(
            folder, collection, target, count=count, fit_photos=fit_photos, size_px=size_px, name=name, draws=draws
        )
        model = str(target)
    reader, _ = readers.open_reader(model)
    return table(reader, collection, count=count, size_px=size_px, draws=draws)
