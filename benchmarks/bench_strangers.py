"""Whether a reader refuses pictures of other things: people, a cat, a cup, bricks, stones, the moon.

    python benchmarks/bench_strangers.py --reader released

The pictures travel with scikit-image, scikit-learn and Matplotlib; of each the middle square and two smaller cuts are
read, as a photo without a card would be.  The distance to known patches (``FeatureStatistics``) was chosen on these
pictures, so the figure flatters it; that of the foliage in the test split (``woundwood evaluate``) does not.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")

import cv2
import matplotlib
import numpy as np
import skimage
import sklearn

from pipeline import metrics, readers, surface
from pipeline.learn.drawn_photos import photo_of
from pipeline.settings import Settings

PICTURES = {
    Path(skimage.__file__).parent / "data": (
        "astronaut.png", "brick.png", "camera.png", "chelsea.png", "coffee.png", "coins.png", "grass.png", "gravel.png",
        "hubble_deep_field.jpg", "motorcycle_left.png", "page.png", "retina.jpg", "rocket.jpg", "ihc.png", "moon.png",
    ),
    Path(sklearn.__file__).parent / "datasets" / "images": ("china.jpg", "flower.jpg"),
    Path(matplotlib.get_data_path()) / "sample_data": ("grace_hopper.jpg",),
}  # fmt: skip
SEED = 1
SHOWN_PX = 300
"""Cuts are brought to this size first, which is that of the photographs of the collection."""


def cuts(picture: np.ndarray, rng: np.random.Generator) -> list[np.ndarray]:
    """The middle square and two smaller ones, each ``SHOWN_PX`` wide."""
    height, width = picture.shape[:2]
    edge = min(height, width)
    places = [(edge, (height - edge) // 2, (width - edge) // 2)]
    for _ in range(2):
        small = int(edge * rng.uniform(0.4, 0.7))
        places.append((small, int(rng.integers(0, height - small + 1)), int(rng.integers(0, width - small + 1))))
    found = []
    for size, top, left in places:
        way = cv2.INTER_AREA if size > SHOWN_PX else cv2.INTER_LINEAR
        found.append(cv2.resize(picture[top : top + size, left : left + size], (SHOWN_PX, SHOWN_PX), interpolation=way))
    return found


def main() -> None:
    """Read and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reader", default="released", help="'classical', 'released', or a network's folder")
    options = parser.parse_args()
    read, model = readers.open_reader(options.reader)
    rng, refused, shares = np.random.default_rng(SEED), [], {}
    for folder, names in PICTURES.items():
        for name in names:
            picture = cv2.imread(str(folder / name), cv2.IMREAD_COLOR)
            if picture is None:
                print(f"{name} is not there and is left out")
                continue
            patches = [
                surface.relative_patch(photo_of(cut, None), Settings().patch.overview_px)
                for cut in cuts(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), rng)
            ]
            said = [read(patch).not_a_site_p >= 0.5 for patch in patches]
            shares[name] = f"{sum(said)} of {len(said)}"
            refused.append(float(np.mean(said)))
    values = np.array(refused)
    share = metrics.bootstrap(lambda k: float(values[k].mean()), len(values))
    print(f"reader {model}: pictures of other things refused as no wound site {share.value:.3f} "
          f"[{share.lo:.3f}, {share.hi:.3f}], {len(values)} pictures, three cuts of each")  # fmt: skip
    for name, words in shares.items():
        print(f"  {name}: {words}")


if __name__ == "__main__":
    main()
