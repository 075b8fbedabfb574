"""How well a reader sees: drawn scenes with known truth, and real photographs with weak labels.

    python benchmarks/bench_reader.py --reader classical
    python benchmarks/bench_reader.py --reader released --scenes 300
    python benchmarks/bench_reader.py --reader runs/today/release --photos ../shared/data

Scenes come from ``pipeline.scenes``, which no network is trained on; each photo goes through card, surface and white
balance as in a run, and the reader gets the overview patch.  Real photographs go in as their middle square, taken as
100 mm wide; their labels were given by eye, and only species and sources of the test split are used.  Every figure
has a 95 % bootstrap interval over photos and its number of cases.
"""

from __future__ import annotations

import argparse
import csv
import os
import platform
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import numpy as np

from pipeline import card, colour, metrics, readers, rim, surface
from pipeline.errors import PhotoRefused
from pipeline.records import CameraTag, Photo, Sign, SiteMaps, SitePatch, Stage, Tissue
from pipeline.scenes import render
from pipeline.scenes.chance import random_scene
from pipeline.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.metrics import Confidence
    from pipeline.records import ImageRGB

SEED = 7_400_001
SIZE_PX = (900, 1200)
COUNTED = (Tissue.BARK, Tissue.APERTURE, Tissue.NEW_TISSUE)
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
class SceneCase:
    """What a reader said of one scene, beside the truth."""

    stage: int
    stage_p: tuple[float, ...]
    signs: tuple[bool, ...]
    sign_p: tuple[float, ...]
    lookalikes: bool
    resin: bool
    area_mm2: float
    read_area_mm2: float
    aperture_iou: float
    tissue_counts: tuple[tuple[int, int], ...]
    not_a_site_p: float
    cpu_ms: float


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


def photo_of(pixels: ImageRGB, focal_35mm: float | None) -> Photo:
    """A photo record around drawn or loaded pixels."""
    when = datetime(2026, 1, 1, tzinfo=UTC)
    return Photo("drawn.jpg", "0" * 64, when, None, pixels, CameraTag(focal_35mm=focal_35mm))


def scene_case(number: int) -> SceneCase | None:
    """Draw, unroll and read scene ``number``; ``None`` where the photo was refused before the reader."""
    assert _reader is not None
    spec = random_scene(np.random.default_rng([SEED, number]), size_px=SIZE_PX, stage=Stage(number % len(Stage)))
    pixels, truth = render(spec)
    photo, settings = photo_of(pixels, spec.camera.focal_35mm), Settings()
    try:
        found = card.find_card(photo.pixels, settings.card)
        fix = surface.fit_surface(photo, found, 2 * np.pi * spec.trunk_radius_mm, settings.surface)
        balance = colour.white_balance(photo, found, fix)
        window = surface.overview_window(None, settings.patch)
        patch = surface.unroll(photo, fix, window, settings.patch.overview_px, balance)
    except PhotoRefused:
        return None
    start = time.process_time()
    maps = _reader(patch)
    cpu_ms = (time.process_time() - start) * 1000
    tissue = truth.tissue(patch.window, patch.mm_per_px, 2)
    true_class, read_class = tissue.argmax(axis=2), maps.tissue.argmax(axis=2)
    counts = []
    for k in COUNTED:
        a, b = (true_class == k) & patch.valid, (read_class == k) & patch.valid
        counts.append((int(np.count_nonzero(a & b)), int(np.count_nonzero(a | b))))
    opening = rim.measure_region(maps.tissue[..., Tissue.APERTURE], patch, settings.reading.min_aperture_mm2)
    inside, union = counts[1]
    visible_mm2 = float(tissue[..., Tissue.APERTURE].sum()) * patch.mm_per_px**2
    wound = spec.wounds[0]
    return SceneCase(
        stage=int(truth.openings[0].stage),
        stage_p=tuple(map(float, maps.stage_p)),
        signs=tuple(sign in truth.signs_present for sign in Sign),
        sign_p=tuple(map(float, maps.sign_p)),
        lookalikes=bool(spec.lookalikes),
        resin=wound.resin >= 0.25 or wound.resin_runs > 0,
        area_mm2=visible_mm2,
        read_area_mm2=opening.area_mm2 if opening else 0.0,
        aperture_iou=inside / union if union else 1.0,
        tissue_counts=tuple(counts),
        not_a_site_p=float(maps.not_a_site_p),
        cpu_ms=cpu_ms,
    )


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


def print_scenes(cases: list[SceneCase]) -> None:
    """The table on drawn scenes."""
    large = [c for c in cases if c.area_mm2 >= 100]
    mean_line("aperture IoU, 100 mm2 and more, mean", [c.aperture_iou for c in large], "reach 0.93")
    mean_line("aperture IoU, 100 mm2 and more, median", [c.aperture_iou for c in large], "", middle=True)
    mean_line("share of them found (IoU over 0.5)", [c.aperture_iou > 0.5 for c in large], "")
    errors = [abs(c.read_area_mm2 / c.area_mm2 - 1) for c in large]
    mean_line("their area on the overview, median relative error", errors, "", middle=True)
    mean_line("opening reported where none is", [c.read_area_mm2 > 0 for c in cases if c.area_mm2 == 0], "")
    counts = np.array([c.tissue_counts for c in cases], dtype=float)

    def mean_iou(k: np.ndarray) -> float:
        inside, union = counts[k].sum(axis=0).T
        return float(np.mean(inside / np.maximum(union, 1)))

    line("tissue mean IoU (bark, aperture, new tissue)", metrics.bootstrap(mean_iou, len(cases)), "reach 0.85")
    stage = np.array([c.stage for c in cases])
    stage_p = np.array([c.stage_p for c in cases])
    answer = stage_p.argmax(axis=1)
    mean_line("stage, exact", answer == stage, "reach 0.90")
    weighted = metrics.bootstrap(lambda k: metrics.kappa(stage[k], answer[k], len(Stage), "quadratic"), len(cases))
    line("stage, quadratic-weighted kappa", weighted, "reach 0.95 (unseen renderer 0.85)")
    signs, sign_p = np.array([c.signs for c in cases]), np.array([c.sign_p for c in cases])
    for j, sign in enumerate(Sign):
        print_sign(sign, signs[:, j], sign_p[:, j])
    none = ~signs.any(axis=1)
    flagged = (sign_p >= SIGN_P).any(axis=1)
    lookalike = np.array([c.lookalikes for c in cases])
    resin = np.array([c.resin for c in cases])
    mean_line("look-alikes, no sign: flagged", flagged[none & lookalike], "reach 0.04")
    mean_line("neither look-alike nor sign: flagged", flagged[none & ~lookalike], "reach 0.03")
    mean_line("resin, no sign, no look-alike: flagged", flagged[none & resin & ~lookalike], "reach 0.01")
    sure, hit = stage_p.max(axis=1), answer == stage
    ece = metrics.bootstrap(lambda k: metrics.expected_calibration_error(sure[k], hit[k]), len(cases))
    line("ECE of the stage, 15 bins", ece, "reach 0.03")
    said = np.maximum(sign_p, 1 - sign_p)
    right = (sign_p >= 0.5) == signs
    ece = metrics.bootstrap(lambda k: metrics.expected_calibration_error(said[k].ravel(), right[k].ravel()), len(cases))
    line("ECE of the signs, 15 bins", ece, "reach 0.03")
    mean_line("taken for no wound site", [c.not_a_site_p >= 0.5 for c in cases if c.stage < Stage.CLOSED], "")
    mean_line("CPU time a patch, one thread, ms (this machine)", [c.cpu_ms for c in cases], "reach 35", middle=True)
    print("\nstage: truth down, reader across")
    print(metrics.confusion(stage, answer, len(Stage)))


def print_sign(sign: Sign, present: np.ndarray, p: np.ndarray) -> None:
    """Figures of one sign."""
    recall = metrics.bootstrap(lambda k: metrics.recall_at_false_alarms(present[k], p[k], 0.03)[0], present.size)
    line(f"{sign.words}: recall at 3 % false alarms", recall._replace(cases=int(present.sum())), "reach 0.95")
    area = metrics.bootstrap(lambda k: metrics.roc_area(present[k], p[k]), present.size)
    line(f"{sign.words}: area under ROC", area._replace(cases=int(present.sum())), "")
    mean_line(f"{sign.words}: recall at p {SIGN_P}", p[present] >= SIGN_P, "")
    mean_line(f"{sign.words}: false alarms at p {SIGN_P}", p[~present] >= SIGN_P, "")


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
    parser.add_argument("--workers", type=int, default=1, help="processes; CPU times are best read with 1")
    options = parser.parse_args()
    _, model = readers.open_reader(options.reader)
    machine = platform.processor() or platform.machine()
    print(f"reader {model}; {machine}, {os.cpu_count()} cores; OpenCV {cv2.__version__}")
    with ProcessPoolExecutor(options.workers, initializer=open_once, initargs=(options.reader,)) as pool:
        if options.scenes:
            cases = [case for case in pool.map(scene_case, range(options.scenes)) if case is not None]
            refused = options.scenes - len(cases)
            print(f"\ndrawn scenes, seed {SEED}: {options.scenes}, of which {refused} refused before the reader")
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
