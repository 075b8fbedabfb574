"""The classical reader on the test cases of a release: the baseline beside the network.

Its answers are kept in the work folder, since no weights change them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch

from pipeline import classical
from pipeline.learn import sets
from pipeline.learn.drawn_figures import DrawnReading, read_row
from pipeline.learn.raw import Part
from pipeline.learn.sheet import RawAnswers, Sheet, by_reader
from pipeline.learn.weak import centre_cut

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from pipeline.learn.data import Collection
    from pipeline.learn.drawn_photos import DrawnPatches
    from pipeline.learn.generator import PatchBatch

STEP = "classical reader"


@dataclass(frozen=True)
class Baseline:
    """What the classical reader says of the first test scenes, of all test photographs and of the other renderer."""

    scenes: Sheet
    photographs: dict[str, Sheet]
    drawn: list[DrawnReading]


def _kept(file: Path, make: Callable[[], PatchBatch]) -> Sheet:
    if not file.is_file():
        sheet = by_reader(classical.read, make())
        none = np.zeros((len(sheet), 0))
        Part(sheet, RawAnswers(none, none, none, none)).save(file)
    return Part.load(file).sheet


def read_all(
    collection: Collection, drawn: Sequence[DrawnPatches], work: Path, scenes: int, size_px: int,
    tell: Callable[[str, int, int], None],
) -> Baseline:  # fmt: skip
    """Read ``scenes`` test scenes, the photographs of the test split, and patches of the other renderer."""
    folder = work / f"{classical.READER.replace(' ', '-')}-{size_px}px"
    folder.mkdir(parents=True, exist_ok=True)
    photos = sets.photo_rows(collection, "test")
    total = scenes + sum(len(rows) for chunks in photos.values() for rows in chunks) + sum(map(len, drawn))
    done = 0
    sheets = []
    for chunk in range(-(-scenes // sets.CHUNK)):

        def draw(chunk: int = chunk) -> PatchBatch:
            banks, device = collection.banks("test"), torch.device("cpu")
            return sets.scene_chunk(banks, sets.TEST_SEED, chunk, scenes, size_px, device)

        stop = min((chunk + 1) * sets.CHUNK, scenes)
        sheets.append(_kept(folder / f"scenes-{chunk * sets.CHUNK:04d}-{stop:04d}.npz", draw))
        tell(STEP, done := done + len(sheets[-1]), total)
    groups: dict[str, list[Sheet]] = {}
    for name, chunks in photos.items():
        for number, rows in enumerate(chunks):

            def cut(rows: np.ndarray = rows) -> PatchBatch:
                return centre_cut(collection, rows, size_px)

            groups.setdefault(name, []).append(_kept(folder / f"photos-{name}-{number:02d}.npz", cut))
            tell(STEP, done := done + len(rows), total)
    read = []
    for patches in drawn:
        for row in range(len(patches)):
            read.append(read_row(classical.read, patches, row))
            tell(STEP, done := done + 1, total)
    return Baseline(Sheet.cat(sheets), {name: Sheet.cat(parts) for name, parts in groups.items()}, read)
