"""How alike a reader takes one rim in two photos: what of its error is a habit, and what differs from photo to photo.

    python -m benchmarks.bench_repeat [--sites 16] [--first 0] [--photos 2] [--megapixels 3]
        [--reader classical|released|FOLDER] [--bark FOLDER] [--cache FOLDER]

Every kind of wound and every stage with an opening in turn, as ``benchmarks/make_photos.py`` draws them; the photos of
a site differ in camera, light, shadow and noise, and in nothing else.  "Rim" is (area read - true area) over the mean
of both perimeters, as in ``bench_truth.py``; an analysis of variance in one way parts it.  The figure "from photo to
photo" is what a reader states as ``SiteMaps.rim_repeat_sd_mm``.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from benchmarks import make_photos, ruler_drawn, ruler_sim
from benchmarks.ruler_scenes import SitePlan
from pipeline import flow, metrics, readers
from pipeline.records import Reading, Refusal, Stage
from pipeline.settings import Settings

if TYPE_CHECKING:
    from pipeline.scenes import SceneSpec

OPEN = (Stage.FRESH, Stage.RESINOUS, Stage.CALLUS, Stage.CLOSING)
LEAST_AREA_MM2 = 100.0


def scenes_of(number: int, photos: int, megapixels: float, barks: list[Path]) -> list[SceneSpec]:
    """One wound in several photos."""
    base = make_photos.scene(number * len(Stage) + OPEN[number % len(OPEN)], megapixels, barks, seed=71)
    several = [base]
    for photo in range(1, photos):
        other = make_photos.scene(1000 * photo + number, megapixels, [], seed=72)
        camera = replace(
            base.camera,
            azimuth_deg=other.camera.azimuth_deg,
            elevation_deg=other.camera.elevation_deg,
            distance_mm=base.camera.distance_mm * np.random.default_rng([number, photo]).uniform(0.9, 1.1),
        )
        several.append(replace(base, camera=camera, light=other.light, seed=base.seed + photo))
    return several


def main() -> None:
    """Draw, read, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=16)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--photos", type=int, default=2)
    parser.add_argument("--megapixels", type=float, default=3.0)
    parser.add_argument("--reader", default="classical")
    parser.add_argument("--bark", type=Path, default=None, help="folder with photographs of bark")
    parser.add_argument("--cache", type=Path, default=None, help="folder that keeps the drawn photos")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    reader, model = readers.open_reader(options.reader)
    barks = make_photos.bark_pictures(options.bark)
    offsets: list[list[float]] = []
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.cache or Path(scratch)
        for number in range(options.first, options.first + options.sites):
            own = []
            for photo, scene in enumerate(scenes_of(number, options.photos, options.megapixels, barks)):
                truth = ruler_sim.sizes_of(ruler_sim.outlines_of(scene.wounds[0]))
                data = ruler_drawn.photo_of(scene, photo, folder / f"{number:03d}_{photo}.jpg")
                plan = SitePlan(number, scene, 2 * np.pi * scene.trunk_radius_mm)
                context = flow.ReadContext(Settings(), ruler_drawn.register_of([plan]), ruler_drawn.LATER, model)
                read = flow.read_photo(data, "drawn.jpg", hashlib.sha256(data).hexdigest(), context, reader)
                if not isinstance(read, Refusal) and truth.area_mm2 >= LEAST_AREA_MM2:
                    own += _offset(read.reading, truth)
            offsets.append(own)
            print(f"site {number}: {' '.join(f'{offset:+.2f}' for offset in own)}", flush=True)
    for line in ruler_drawn.offsets(offsets):
        print(line)
    both = [site for site in offsets if len(site) > 1]
    differ = np.array([abs(site[1] - site[0]) for site in both])
    sure = metrics.bootstrap(lambda k: float(np.median(differ[k])) / 0.6745 / np.sqrt(2), len(differ))
    print(f"from photo to photo, from the median difference: {sure.value:.2f} mm ({sure.lo:.2f} to {sure.hi:.2f})")


def _offset(reading: Reading, truth: ruler_sim.Sizes) -> list[float]:
    area, perimeter = reading.aperture_area_mm2, reading.aperture_perimeter_mm
    if not area or not perimeter:
        return []
    return [(area - truth.area_mm2) / (0.5 * (perimeter + truth.perimeter_mm))]


if __name__ == "__main__":
    main()
