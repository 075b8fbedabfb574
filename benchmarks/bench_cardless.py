"""Photos without a card: how many are placed, at the right site, and how right their scale then is.

    python -m benchmarks.bench_cardless [--sites 12] [--first 500] [--megapixels 4] [--bark FOLDER] [--cache FOLDER]

Each site has a photo with its card and, a visit later, one without, from elsewhere and in other light, as
``bench_ruler.py`` draws them.  The photo without a card may be of its own site or of three others.  Sizes are those of
the true rim, so that what is left is the scale's error; the card photo's own error stands beside it.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from benchmarks import ruler_sim
from benchmarks.make_photos import bark_pictures
from benchmarks.ruler_drawn import LATER, SPREAD, photo_of, register_of
from benchmarks.ruler_scenes import dressed, site_plan, visit_scene
from pipeline import cardless, flow, metrics, readers
from pipeline.cardless import Known
from pipeline.records import Refusal
from pipeline.scenes.geometry import view_of
from pipeline.settings import Settings

OTHERS = 3


def main() -> None:
    """Draw, place, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=12)
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--megapixels", type=float, default=4.0)
    parser.add_argument("--bark", type=Path, default=None, help="folder with photographs of bark")
    parser.add_argument("--cache", type=Path, default=None, help="folder that keeps the drawn photos")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    reader, model = readers.open_reader("classical")
    barks = bark_pictures(options.bark)
    plans = [site_plan(number, SPREAD) for number in range(options.first, options.first + options.sites)]
    context = flow.ReadContext(Settings(), register_of(plans), LATER, model)
    known: dict[int, Known] = {}
    bare, scenes = {}, {}
    with tempfile.TemporaryDirectory() as scratch:
        folder = options.cache or Path(scratch)
        for plan in plans:
            pair = [
                dressed(
                    visit_scene(plan, v, SPREAD, megapixels=options.megapixels, advance_mm=0.6 * v),
                    plan.number,
                    v,
                    barks,
                )
                for v in (0, 1)
            ]
            pair[1] = replace(pair[1], card=replace(pair[1].card, site=None))
            site = plan.scene.card.site
            assert site is not None
            data = [photo_of(s, v, folder / f"{plan.number:03d}_{v}.jpg") for v, s in enumerate(pair)]
            read = flow.read_photo(data[0], "card.jpg", hashlib.sha256(data[0]).hexdigest(), context, reader)
            if isinstance(read, Refusal):
                print(f"site {site}: the photo with the card was refused: {read.reason}")
                continue
            known[site], bare[site], scenes[site] = Known(read.reading, read.patch), data[1], pair
    right, wrong, errors, held, before = [], [], [], [], []
    sites = sorted(known)
    for k, site in enumerate(sites):
        candidates = {other: [known[other]] for other in (*np.roll(sites, -k - 1)[:OTHERS].tolist(), site)}
        placed = cardless.read(bare[site], "bare.jpg", "b" * 64, candidates, context, reader)
        right.append(float(placed is not None and placed.site == site))
        wrong.append(float(placed is not None and placed.site != site))
        if placed is None or placed.read is None or placed.site != site:
            continue
        (card, without), fixes = scenes[site], (known[site].patch.fix, placed.read.patch.fix)
        assert fixes[0] is not None and fixes[1] is not None
        seen = [
            ruler_sim.measured_with(s, view_of(s), fix, ruler_sim.outlines_of(s.wounds[0]))
            for s, fix in zip((card, without), fixes, strict=True)
        ]
        misses = [m.sizes.area_mm2 / m.truth.area_mm2 - 1 for m in seen]
        before.append(abs(misses[0]))
        errors.append(abs(misses[1]))
        held.append(float(abs(misses[1]) < 1.96 * seen[1].scale.area_rel_sd))
    print(f"{len(sites)} sites at {options.megapixels:g} MP, each photo without a card against {OTHERS + 1} sites")
    for name, values, of in (
        ("placed at its own site", right, np.mean), ("placed at another site", wrong, np.mean),
        ("area, photo with the card: median error", before, np.median),
        ("area, photo without: median error", errors, np.median),
        ("area, photo without: 95 % interval holds", held, np.mean),
    ):  # fmt: skip
        if values:
            sample = np.array(values)
            sure = metrics.bootstrap(lambda k, sample=sample, of=of: float(of(sample[k])), len(sample))
            print(f"{name:42s} {100 * sure.value:6.1f} % ({100 * sure.lo:.1f} to {100 * sure.hi:.1f}; {len(sample)})")


if __name__ == "__main__":
    main()
