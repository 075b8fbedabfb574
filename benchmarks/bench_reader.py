"""How well a reader sees: drawn scenes with known truth, and real photographs with weak labels.

    python benchmarks/bench_reader.py --reader classical
    python benchmarks/bench_reader.py --reader released --scenes 300
    python benchmarks/bench_reader.py --reader runs/today/release --photos ../shared/data

Scenes come from ``pipeline.scenes``, which no network is trained on; each photo goes through card, surface and white
balance as in a run, and the reader gets the overview patch.  Openings and tissue are compared twice: with the truth in
the patch's own frame, which judges the reader alone, and in the trunk's, which contains how the card hung.  Real
photographs go in as their middle square, taken as 100 mm wide; their labels were given by eye, and only species and
sources of the test split are used.  Every figure has a 95 % bootstrap interval over photos and its number of cases.
``--drawn FOLDER`` keeps the patches of drawn photos there, or takes them from there (the work folder of ``woundwood
model make`` holds them under ``drawn-photos``), so that a second reader costs a minute.
"""

from __future__ import annotations

import argparse
import csv
import os
import platform
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from pipeline import metrics, readers, surface
from pipeline.learn.drawn_figures import DrawnReading, drawn_figures, read_row
from pipeline.learn.drawn_photos import TEST_SEED, DrawnPatches, draw_patches, drawn_case, photo_of
from pipeline.records import SiteMaps, SitePatch, Stage, Tissue
from pipeline.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.metrics import Confidence

SIGN_P = Settings().reading.sign_p
REAL_KINDS = (
    "bark",
    "lichen_moss",
    "natural_bark_feature",
    "leaf_scar",
    "fungus_or_algae_film",
    "exudate_canker",
    "wound",
)


@dataclass(frozen=True)
class PhotoCase:
    """What a reader said of one real photograph."""

    kind: str
    sign_p: tuple[float, ...]
    wound_share: float
    not_a_site_p: float


_reader: Callable[[SitePatch], SiteMaps] | None = None


def open_once(name: str) -> None:
    """Open the reader in a worker process."""
    global _reader
    cv2.setNumThreads(1)
    _reader, _ = readers.open_reader(name)


def scene_case(number: int) -> DrawnReading | None:
    """Draw, unroll and read scene ``number``; ``None`` where the photo was refused before the reader."""
    assert _reader is not None
    case = drawn_case(TEST_SEED, number)
    return None if case is None else read_row(_reader, DrawnPatches.of([(number, case)]), 0)


def kept_cases(folder: Path, count: int) -> list[DrawnReading]:
    """Read scenes whose patches lie in a folder; those that are missing are drawn."""
    assert _reader is not None
    chunks = [patches for _, patches in draw_patches(folder, TEST_SEED, count) if patches is not None]
    return [read_row(_reader, patches, row) for patches in chunks for row in range(len(patches))]


def photo_case(job: tuple[str, str]) -> PhotoCase:
    """Read the middle square of one real photograph."""
    assert _reader is not None
    kind, path = job
    pixels = cv2.cvtColor(cv2.imread(path, cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB)
    patch = surface.relative_patch(photo_of(pixels, None), Settings().patch.overview_px)
    maps = _reader(patch)
    likeliest = maps.tissue.argmax(axis=2)
    share = float(np.isin(likeliest, (Tissue.APERTURE, Tissue.NEW_TISSUE)).mean())
    return PhotoCase(kind, tuple(map(float, maps.sign_p)), share, float(maps.not_a_site_p))


def line(name: str, figure: Confidence, reach: str) -> None:
    """Print one figure."""
    lo, hi = figure.lo, figure.hi
    print(f"{name:<58} {figure.value:7.3f}  [{lo:6.3f}, {hi:6.3f}]  n = {figure.cases:<5d} {reach}")


def mean_line(name: str, values: Sequence[float] | np.ndarray, reach: str, *, middle: bool = False) -> None:
    """Print a mean (or median) with its interval; a dash where there are no cases."""
    v = np.asarray(values, dtype=float)
    if v.size == 0:
        print(f"{name:<58}       -  (no cases)")
        return
    of = np.median if middle else np.mean
    line(name, metrics.bootstrap(lambda k: float(of(v[k])), v.size), reach)


def print_scenes(cases: list[DrawnReading]) -> None:
    """The table on drawn scenes."""
    for figure in drawn_figures(cases):
        print(figure.text)
    times = [c.cpu_ms for c in cases]
    mean_line("CPU time a patch, one thread, ms (this machine), median", times, "reach 35", middle=True)
    print(f"{'the least of them':<58} {min(times):7.3f}")
    print("\nstage: truth down, reader across")
    answer = np.array([c.stage_p for c in cases]).argmax(axis=1)
    print(metrics.confusion(np.array([c.stage for c in cases]), answer, len(Stage)))


def print_photos(cases: list[PhotoCase]) -> None:
    """The table on real photographs."""
    kind = np.array([c.kind for c in cases])
    sign_p = np.array([max(c.sign_p) for c in cases])
    share = np.array([c.wound_share for c in cases])
    for positive in ("fungus_or_algae_film", "exudate_canker"):
        k = np.isin(kind, ("bark", positive))
        truth, score = kind[k] == positive, sign_p[k]
        if truth.any() and not truth.all():
            area = metrics.bootstrap(lambda i, t=truth, s=score: metrics.roc_area(t[i], s[i]), truth.size)
            line(f"{positive} against clean bark: area under ROC", area._replace(cases=int(truth.sum())), "reach 0.90")
    mean_line("clean bark flagged as a sign", sign_p[kind == "bark"] >= SIGN_P, "")
    stains = np.isin(kind, ("lichen_moss", "natural_bark_feature", "leaf_scar"))
    mean_line("moss, lichen, natural stains flagged as a sign", sign_p[stains] >= SIGN_P, "reach 0.10")
    mean_line("wounds found (over 1 % of the patch)", share[kind == "wound"] > 0.01, "reach 0.85")
    mean_line("the same on clean bark", share[kind == "bark"] > 0.01, "reach at most 0.10")
    no_site = np.array([c.not_a_site_p >= 0.5 for c in cases])
    mean_line("clean bark taken for no wound site", no_site[kind == "bark"], "")
    mean_line("wounds taken for no wound site", no_site[kind == "wound"], "")


def photo_jobs(folder: Path, limit: int, every_split: bool) -> list[tuple[str, str]]:
    """Kind and path of the photographs to read, evenly over each kind."""
    split_of = None
    if not every_split:
        try:
            from pipeline.learn.data import split_of
        except ImportError:
            print("(torch is not installed, so the test split is not known: photographs of all splits are used)")
    by_kind: dict[str, list[tuple[str, str]]] = {kind: [] for kind in REAL_KINDS}
    with (folder / "manifest.csv").open(encoding="utf-8", newline="") as rows:
        for row in csv.DictReader(rows):
            kind, path = row["kind"], folder / row["file"]
            if kind not in by_kind or not path.is_file():
                continue
            species = row["note"].split(";")[0].strip()
            if split_of is None or split_of(kind, species, row["source"]) == "test":
                by_kind[kind].append((kind, str(path)))
    jobs = []
    for entries in by_kind.values():
        step = max(len(entries) / limit, 1.0)
        jobs += [entries[int(k * step)] for k in range(min(limit, len(entries)))]
    return jobs


def main() -> int:
    """Read the command line, run, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reader", default="classical", help="'classical', 'released', or a network's folder")
    parser.add_argument("--scenes", type=int, default=120, help="drawn scenes (0: none)")
    parser.add_argument("--photos", type=Path, default=Path("../shared/data"), help="folder of real photographs")
    parser.add_argument("--per-kind", type=int, default=60, help="photographs of each kind at most (0: none)")
    parser.add_argument(
        "--every-split", action="store_true", help="not only the test split: for readers without training"
    )
    parser.add_argument("--drawn", type=Path, help="keep patches of drawn photos in this folder; one process")
    parser.add_argument("--workers", type=int, default=1, help="processes; CPU times are best read with 1")
    options = parser.parse_args()
    _, model = readers.open_reader(options.reader)
    machine = platform.processor() or platform.machine()
    print(f"reader {model}; {machine}, {os.cpu_count()} cores; OpenCV {cv2.__version__}")
    with ProcessPoolExecutor(options.workers, initializer=open_once, initargs=(options.reader,)) as pool:
        if options.scenes:
            if options.drawn is not None:
                cases = pool.submit(kept_cases, options.drawn, options.scenes).result()
            else:
                cases = [case for case in pool.map(scene_case, range(options.scenes)) if case is not None]
            refused = options.scenes - len(cases)
            print(f"\ndrawn scenes, seed {TEST_SEED}: {options.scenes}, of which {refused} refused before the reader")
            print_scenes(cases)
        if options.per_kind and (options.photos / "manifest.csv").is_file():
            jobs = photo_jobs(options.photos, options.per_kind, options.every_split)
            print(f"\nreal photographs: {len(jobs)}")
            print_photos(list(pool.map(photo_case, jobs)))
        elif options.per_kind:
            print(f"\nreal photographs: none, {options.photos} is not there")
    return 0


if __name__ == "__main__":
    sys.exit(main())
