"""A new network beside the one in use: on reviewed cases of trees held back, and on the release benchmark.

The comparison is kept in a folder: ``comparison.json`` with every figure and every case that changed, and a picture of
each, on the left as the network in use outlines the signs, on the right as the new one does.  It decides nothing.
"""

from __future__ import annotations

import json
import logging
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import torch

from pipeline.learn.evaluate import mean_iou, read_scenes
from pipeline.learn.generator import APERTURE
from pipeline.learn.sets import TEST_SEED, scenes
from pipeline.learn.sheet import Sheet, by_reader
from pipeline.learn.signs import SIGN_NAMES
from pipeline.metrics import Confidence, bootstrap, recall_at_false_alarms
from pipeline.records import SitePatch

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from pathlib import Path

    from numpy.typing import NDArray

    from pipeline.learn.data import Collection
    from pipeline.learn.generator import PatchBatch
    from pipeline.learn.reviewed import ReviewedPatches
    from pipeline.records import Reader, SiteMaps

    Rows = NDArray[np.int64]

logger = logging.getLogger(__name__)
FILE = "comparison.json"
FALSE_ALARMS = 0.03
MOST_PICTURES = 60
LEAST_TREES = 8
"""Trees held back below which no interval is given: resampling a handful says far too much (own choice)."""
LINES = {"green_film": (60, 170, 60), "white_mycelium": (235, 235, 235), "conk": (220, 140, 40),
         "dark_bleeding": (150, 20, 40), "sunken_bark": (60, 110, 220)}  # fmt: skip
"""Colour of each sign's outline, RGB; the page names the sign beside the picture."""


@dataclass(frozen=True)
class Line:
    """One figure of both networks; ``where`` is ``held`` (cases held back) or ``release`` (benchmark)."""

    where: str
    words: str
    old: float
    new: float
    change: float
    lo: float
    hi: float
    cases: int
    more_is_better: bool = True


@dataclass(frozen=True)
class Changed:
    """A case on which the two networks differ and a person (or the scene's truth) has said what is right.

    ``what``: ``found`` (newly), ``missed`` (newly), ``needless`` (a new false alarm), ``spared`` (one less).
    """

    what: str
    sign: str
    tree: str
    site: int
    visit_on: str
    sha256: str
    old_p: float
    new_p: float
    picture: str


# ---------------------------------------------------------------- figures of a benchmark


def sign_recall(sheet: Sheet, rows: Rows, number: int) -> float:
    """Recall of one sign at 3 % false alarms, over some cases."""
    use = rows[(sheet.flags[rows, 2] == 0) & (sheet.sign_known[rows, number] > 0)]
    return recall_at_false_alarms(sheet.sign[use, number] > 0, sheet.sign_p[use, number], FALSE_ALARMS)[0]


def mean_recall(sheet: Sheet, rows: Rows) -> float:
    """Mean over the signs that occur of the recall at 3 % false alarms."""
    found = np.array([sign_recall(sheet, rows, k) for k in range(len(SIGN_NAMES))])
    return float(found[np.isfinite(found)].mean()) if np.isfinite(found).any() else float("nan")


def stage_exact(sheet: Sheet, rows: Rows) -> float:
    """Share of stages named right."""
    use = rows[sheet.stage[rows] >= 0]
    return float((sheet.stage_p[use].argmax(1) == sheet.stage[use]).mean()) if len(use) else float("nan")


def tissue_iou(sheet: Sheet, rows: Rows) -> float:
    """Mean intersection over union of the tissues."""
    return mean_iou(sheet.confusion[rows].sum(0))


def clean_flagged(sheet: Sheet, rows: Rows, sign_p: float = 0.5) -> float:
    """Share of scenes without any sign that are flagged."""
    use = rows[(sheet.any_sign[rows] == 0) & (sheet.flags[rows, 2] == 0)]
    return float((sheet.sign_p[use].max(1) >= sign_p).mean()) if len(use) else float("nan")


def change(figure: Callable[[Sheet, Rows], float], new: Sheet, old: Sheet, draws: int) -> Confidence:
    """Change of a figure from one network to the other, the same cases resampled for both."""
    return bootstrap(lambda rows: figure(new, rows) - figure(old, rows), len(new), draws=draws)


def benchmark_lines(old: Sheet, new: Sheet, draws: int, sign_p: float = 0.5) -> list[Line]:
    """The release benchmark's figures of both networks."""
    every = np.arange(len(old))
    figures: tuple[tuple[str, Callable[[Sheet, Rows], float], bool], ...] = (
        ("recall at 3 % false alarms, mean of the signs", mean_recall, True),
        ("stage named right", stage_exact, True),
        ("tissue, mean overlap (IoU)", tissue_iou, True),
        ("scenes without a sign that are flagged", lambda s, r: clean_flagged(s, r, sign_p), False),
    )
    lines = []
    for words, figure, better in figures:
        moved = change(figure, new, old, draws)
        lines.append(Line("release", words, figure(old, every), figure(new, every), moved.value, moved.lo, moved.hi,
                          len(old), better))  # fmt: skip
    return lines


# ---------------------------------------------------------------- cases held back


@dataclass
class Answers:
    """What one reader says of the cases held back, one row a case."""

    sign_p: NDArray[np.float64]
    stage_p: NDArray[np.float64]
    overlap: NDArray[np.float64]
    """Intersection over union of the opening with the person's rim; nan where nobody drew one."""


@dataclass
class Truth:
    """What people said of the cases held back."""

    sign: NDArray[np.float64]
    known: NDArray[np.float64]
    stage: NDArray[np.int64]
    trees: NDArray[np.str_]
    entries: list[dict[str, Any]]

    def __len__(self) -> int:
        return len(self.stage)


def patches_of(batch: PatchBatch) -> list[SitePatch]:
    """The patches of a batch as a reader takes them."""
    pictures = (batch.rgb * 255).round().clamp(0, 255).byte().permute(0, 2, 3, 1).cpu().numpy()
    seen = batch.valid[:, 0].cpu().numpy()
    found = []
    for row, picture in enumerate(pictures):
        mm = float(batch.mm_per_px[row])
        edge = mm * picture.shape[0]
        found.append(SitePatch(np.ascontiguousarray(picture), seen[row], mm, -edge / 2, edge / 2, 1 / mm))
    return found


def answers_of(reader: Reader, held: ReviewedPatches, size_px: int) -> Answers:
    """Let a reader look at every case held back, one at a time, as in use."""
    signs, stages, overlaps = [], [], []
    for batch, _ in held.whole(size_px, torch.device("cpu")):
        drawn = (batch.tissue == APERTURE).cpu().numpy()
        for row, patch in enumerate(patches_of(batch)):
            maps = reader(patch)
            signs.append(maps.sign_p)
            stages.append(maps.stage_p)
            read = (maps.tissue.argmax(2) == APERTURE) & patch.valid
            either = int((read | drawn[row]).sum())
            overlaps.append(float((read & drawn[row]).sum() / either) if drawn[row].any() else float("nan"))
    return Answers(np.array(signs), np.array(stages), np.array(overlaps))


def truth_of(held: ReviewedPatches, size_px: int) -> Truth:
    """What people said, in the same order."""
    batches = [batch for batch, _ in held.whole(size_px, torch.device("cpu"))]
    return Truth(
        np.concatenate([b.sign_present.numpy() for b in batches]).astype(np.float64),
        np.concatenate([b.sign_known.numpy() for b in batches]).astype(np.float64),
        np.concatenate([b.stage.numpy() for b in batches]),
        np.array([str(entry.get("tree", "")) for entry in held.images]),
        held.images,
    )


def _found(truth: Truth, said: Answers, rows: Rows, sign_p: float) -> float:
    there = (truth.known[rows] > 0) & (truth.sign[rows] > 0)
    return float((said.sign_p[rows][there] >= sign_p).mean()) if there.any() else float("nan")


def _needless(truth: Truth, said: Answers, rows: Rows, sign_p: float) -> float:
    clean = rows[(truth.known[rows] > 0).all(1) & (truth.sign[rows] == 0).all(1)]
    return float((said.sign_p[clean].max(1) >= sign_p).mean()) if len(clean) else float("nan")


def _staged(truth: Truth, said: Answers, rows: Rows) -> float:
    use = rows[truth.stage[rows] >= 0]
    return float((said.stage_p[use].argmax(1) == truth.stage[use]).mean()) if len(use) else float("nan")


def _overlap(said: Answers, rows: Rows) -> float:
    values = said.overlap[rows]
    return float(values[np.isfinite(values)].mean()) if np.isfinite(values).any() else float("nan")


def held_lines(truth: Truth, old: Answers, new: Answers, sign_p: float, draws: int) -> list[Line]:
    """Figures on the cases held back; intervals by resampling trees, for cases of one tree are alike.

    With few trees the intervals are ``nan``: nothing can be said of the change.
    """
    trees = np.unique(truth.trees)
    of_tree = [np.flatnonzero(truth.trees == tree) for tree in trees]
    every = np.arange(len(truth))
    figures: tuple[tuple[str, Callable[[Answers, Rows], float], int, bool], ...] = (
        ("signs that people saw, found", lambda a, r: _found(truth, a, r, sign_p),
         int((truth.sign * truth.known).sum()), True),
        ("cases without a sign that are flagged", lambda a, r: _needless(truth, a, r, sign_p),
         int(((truth.known > 0).all(1) & (truth.sign == 0).all(1)).sum()), False),
        ("stage as the person named it", lambda a, r: _staged(truth, a, r), int((truth.stage >= 0).sum()), True),
        ("opening, overlap with the person's rim (IoU)", _overlap, int(np.isfinite(old.overlap).sum()), True),
    )  # fmt: skip
    lines = []
    for words, figure, cases, better in figures:
        if not cases:
            continue

        def moved(pick: Rows, figure: Callable[[Answers, Rows], float] = figure) -> float:
            rows = np.concatenate([of_tree[k] for k in pick])
            return figure(new, rows) - figure(old, rows)

        before, after = figure(old, every), figure(new, every)
        lo, hi = float("nan"), float("nan")
        if len(trees) >= LEAST_TREES:
            _, lo, hi, _ = bootstrap(moved, len(trees), draws=draws)
        lines.append(Line("held", words, before, after, after - before, lo, hi, cases, better))
    return lines


def changed_cases(truth: Truth, old: Answers, new: Answers, sign_p: float) -> list[tuple[str, int, int]]:
    """Cases that one network flags and the other does not, as (what, row, sign), the largest changes first."""
    found: list[tuple[float, str, int, int]] = []
    for row, number in zip(*np.nonzero(truth.known > 0), strict=True):
        before, after = float(old.sign_p[row, number]), float(new.sign_p[row, number])
        if (before >= sign_p) == (after >= sign_p):
            continue
        there, more = truth.sign[row, number] > 0, after > before
        what = ("found" if more else "missed") if there else ("needless" if more else "spared")
        found.append((abs(after - before), what, int(row), int(number)))
    return [(what, row, number) for _, what, row, number in sorted(found, key=lambda f: -f[0])]


# ---------------------------------------------------------------- the folder


def compare(
    folder: Path,
    old: tuple[Reader, str],
    new: tuple[Reader, str],
    held: ReviewedPatches | None,
    collection: Collection,
    *,
    at: datetime,
    sign_p: float = 0.5,
    count: int = 400,
    size_px: int = 384,
    draws: int = 400,
) -> dict[str, Any]:
    """Compare two readers and write the comparison's folder.

    Parameters
    ----------
    old, new
        Readers with their names, the one in use first.
    held
        Cases of the trees held back; ``None`` if there are none.
    collection
        Photographs for the release benchmark (may be empty).
    at
        When, for the record.
    sign_p
        Probability from which a sign is flagged in the grove.
    count
        Scenes of the release benchmark.

    Returns
    -------
    What ``comparison.json`` holds.
    """
    folder.mkdir(parents=True, exist_ok=True)
    lines: list[Line] = []
    cases: list[Changed] = []
    if held is not None:
        truth = truth_of(held, size_px)
        before, after = answers_of(old[0], held, size_px), answers_of(new[0], held, size_px)
        lines += held_lines(truth, before, after, sign_p, draws)
        changed = changed_cases(truth, before, after, sign_p)
        cases = _draw_cases(folder, changed, truth, before, after, held, old[0], new[0], size_px)
        logger.info("%d cases held back, %d changed", len(truth), len(changed))
    sheets = []
    for reader, _ in (old, new):
        drawn = scenes(collection.banks("test"), TEST_SEED, count, size_px, torch.device("cpu"))
        sheets.append(read_scenes(lambda batch, reader=reader: by_reader(reader, batch), drawn))  # type: ignore[misc]
    lines += benchmark_lines(sheets[0], sheets[1], draws, sign_p)
    said = {
        "old": old[1],
        "new": new[1],
        "made_at": at.isoformat(timespec="seconds"),
        "sign_p": sign_p,
        "held_cases": 0 if held is None else len(held),
        "held_trees": 0 if held is None else len({str(e.get("tree", "")) for e in held.images}),
        "scenes": count,
        "photographs": len(collection.shots),
        "figures": [asdict(line) for line in lines],
        "cases": [asdict(case) for case in cases],
    }
    content: dict[str, Any] = _finite(said)
    text = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    (folder / FILE).write_text(text + "\n", encoding="utf-8")
    return content


def _finite(value: Any) -> Any:
    """The same without figures that are no number, which JSON does not know."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value


def _draw_cases(
    folder: Path,
    changed: list[tuple[str, int, int]],
    truth: Truth,
    before: Answers,
    after: Answers,
    held: ReviewedPatches,
    old: Reader,
    new: Reader,
    size_px: int,
) -> list[Changed]:
    patches: dict[int, SitePatch] = {}
    wanted = {row for _, row, _ in changed[:MOST_PICTURES]}
    row = 0
    for batch, _ in held.whole(size_px, torch.device("cpu")):
        for patch in patches_of(batch):
            if row in wanted:
                patches[row] = patch
            row += 1
    found = []
    for place, (what, row, number) in enumerate(changed):
        entry, name = truth.entries[row], ""
        if place < MOST_PICTURES:
            name = f"{place + 1:03d}-{what}.jpg"
            both = [outlined(patches[row], reader(patches[row]), number) for reader in (old, new)]
            cv2.imwrite(str(folder / name), cv2.cvtColor(np.hstack(both), cv2.COLOR_RGB2BGR))
        found.append(Changed(what, SIGN_NAMES[number], str(entry.get("tree", "")), int(entry.get("site", 0)),
                             str(entry.get("visit_on", "")), str(entry.get("sha256", "")),
                             round(float(before.sign_p[row, number]), 4), round(float(after.sign_p[row, number]), 4),
                             name))  # fmt: skip
    return found


def outlined(patch: SitePatch, maps: SiteMaps, number: int) -> NDArray[np.uint8]:
    """The patch with the outline of one sign's map at one half, light line on a dark one."""
    picture = patch.rgb.copy()
    mask = (np.asarray(maps.signs)[:, :, number] >= 0.5).astype(np.uint8)
    lines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(picture, lines, -1, (0, 0, 0), 4)
    cv2.drawContours(picture, lines, -1, LINES[SIGN_NAMES[number]], 2)
    return np.asarray(picture, dtype=np.uint8)
