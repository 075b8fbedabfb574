"""What a user of a grove gets: the readings of a whole run beside the truth of its drawn photos.

    woundwood demo demo-grove
    python -m benchmarks.bench_truth demo-grove demo_data/truth.csv
    python -m benchmarks.bench_truth PHOTOS-GROVE PHOTOS/truth.csv

The grove must have been run (``woundwood run``); it is only read.  ``truth.csv`` has a row a photo as
``demo_data/make_demo.py`` and ``benchmarks/make_photos.py`` write it.  Every figure has its number of cases and a 95 %
bootstrap interval over photos.  "Rim" is (area read - true area) over the mean of both perimeters; half the distance
between its 16th and 84th percentile is what a reader states as its own rim uncertainty.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline import metrics
from pipeline.records import Stage
from pipeline.store import open_store

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.records import Reading

LEAST_AREA_MM2 = 100.0


def pairs_of(grove: Path, truth: Path) -> list[tuple[Reading, dict[str, str]]]:
    """Readings in use, each with its row of truth."""
    with truth.open(encoding="utf-8", newline="") as lines:
        rows = {row["file"]: row for row in csv.DictReader(lines)}
    with open_store(grove / "woundwood.db") as store:
        return [(reading, rows[reading.file]) for reading in store.readings() if reading.file in rows]


def show(name: str, values: np.ndarray, figure: Callable[..., float]) -> None:
    """Print one figure with its interval and number of cases."""
    found = metrics.bootstrap(lambda cases: figure(values[cases]), len(values))
    print(f"{name:62s} {found.value:8.3f}  [{found.lo:7.3f}, {found.hi:7.3f}]  n = {found.cases}")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("grove", type=Path)
    parser.add_argument("truth", type=Path)
    given = parser.parse_args()
    pairs = pairs_of(given.grove, given.truth)
    print(f"{len(pairs)} readings; reader {', '.join(sorted({reading.model for reading, _ in pairs}))}")
    staged = np.array([(r.stage, Stage[t["stage"].upper()]) for r, t in pairs if t["stage"]]).reshape(-1, 2)
    show("stage exact", staged, lambda s: float(np.mean(s[:, 0] == s[:, 1])))
    show("stage quadratic-weighted kappa", staged, _kappa)
    large = [(r, t) for r, t in pairs if float(t["aperture_area_mm2"] or 0) >= LEAST_AREA_MM2]
    seen = [(r, t) for r, t in large if r.aperture_area_mm2]
    print(f"openings of {LEAST_AREA_MM2:.0f} mm2 and more: {len(large)}, of which {len(seen)} were seen")
    area = np.array([_with_sd(r.aperture_area_mm2, r.aperture_area_mm2_sd, t["aperture_area_mm2"]) for r, t in seen])
    width = np.array([_with_sd(r.aperture_width_mm, r.aperture_width_mm_sd, t["aperture_width_mm"]) for r, t in seen])
    show("area, median relative error", area, lambda a: float(np.median(np.abs(a[:, 0] / a[:, 2] - 1))))
    show("area, 95th percentile of the relative error", area, lambda a: float(_p95(np.abs(a[:, 0] / a[:, 2] - 1))))
    show("area, 95 % interval holds", area, _holds)
    show("width, median error, mm (truth is the extent)", width, lambda w: float(np.median(np.abs(w[:, 0] - w[:, 2]))))
    show("width, 95 % interval holds", width, _holds)
    rim = np.array([_rim_mm(r, t) for r, t in seen])
    show("rim, median, mm", rim, lambda q: float(np.median(q)))
    show("rim, half of 16th to 84th percentile, mm", rim, lambda q: float(np.diff(np.percentile(q, (16, 84)))[0] / 2))


def _kappa(stages: np.ndarray) -> float:
    return metrics.kappa(stages[:, 1], stages[:, 0], len(Stage), "quadratic")


def _with_sd(value: float | None, sd: float | None, truth: str) -> tuple[float, float, float]:
    return (np.nan if value is None else value, np.nan if sd is None else sd, float(truth))


def _holds(values: np.ndarray) -> float:
    return float(np.mean(np.abs(values[:, 0] - values[:, 2]) <= 1.96 * values[:, 1]))


def _p95(values: np.ndarray) -> float:
    return float(np.percentile(values, 95))


def _rim_mm(reading: Reading, truth: dict[str, str]) -> float:
    perimeter_mm = ((reading.aperture_perimeter_mm or 0.0) + float(truth["aperture_perimeter_mm"])) / 2
    return ((reading.aperture_area_mm2 or 0.0) - float(truth["aperture_area_mm2"])) / perimeter_mm


if __name__ == "__main__":
    main()
