"""How far a reader's rim lies off, and how alike it takes one rim in two photos; and what a network states of it.

    python -m benchmarks.bench_repeat [--sites 20] [--first 500] [--photos 2] [--megapixels 4]
        [--reader classical|released|FOLDER] [--bark FOLDER] [--cache FOLDER] [--state]

Half of the wounds are drawn as ``benchmarks/make_photos.py`` does (every kind, every stage with an opening in turn),
half as the sites of ``benchmarks/bench_ruler.py`` are, with other numbers than any that is tested there; ``--sites`` is
the number of each.  The photos of a wound differ in camera, light, shadow, the card's swing and noise.  "Rim" is (area
read - true area) over the mean of both perimeters, positive: too far out, with the truth as this photo's geometry shows
it, so that no error of the scale is in it.  An analysis of variance in one way parts it.

``--state`` fits a network's own figures and writes them into its folder (``calibration.json``, sealed anew): the mean
offset, which is then taken off its maps (``rim_offset_mm``), what is left over all wounds (``rim_sd_mm``) and from
photo to photo of one wound (``rim_repeat_sd_mm``).  It reads with no offset taken off, whatever the folder said before.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import tempfile
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from benchmarks import make_photos, ruler_drawn, ruler_sim
from benchmarks.ruler_scenes import SitePlan, dressed, site_plan, visit_scene
from pipeline import flow, metrics, network, outline, readers, trunk
from pipeline.errors import UsageError
from pipeline.records import Refusal, Stage
from pipeline.scenes.geometry import view_of
from pipeline.settings import Settings
from pipeline.timeline.visits import variance_shares

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.flow import PhotoRead
    from pipeline.records import Reader, Reading
    from pipeline.scenes import SceneSpec

OPEN = (Stage.FRESH, Stage.RESINOUS, Stage.CALLUS, Stage.CLOSING)
LEAST_AREA_MM2 = 100.0
FIRST_SITE = 7000
"""Sites of these numbers on are for fitting; the ruler's benchmark tests others."""
ADVANCES_MM = (0.0, 0.6, 1.2)


def scenes_of(number: int, photos: int, megapixels: float, barks: list[Path]) -> list[SceneSpec]:
    """One wound of any kind and stage in several photos."""
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


def visits_of(number: int, photos: int, megapixels: float, barks: list[Path]) -> list[SceneSpec]:
    """One wound of the ruler's sites, just made or little closed, in several photos."""
    plan = site_plan(FIRST_SITE + number, ruler_drawn.SPREAD)
    advance_mm = ADVANCES_MM[number // 4 % len(ADVANCES_MM)]
    return [
        dressed(
            visit_scene(plan, photo, ruler_drawn.SPREAD, megapixels=megapixels, advance_mm=advance_mm),
            plan.number,
            photo,
            barks,
        )
        for photo in range(photos)
    ]


def rim_offset_mm(scene: SceneSpec, read: PhotoRead) -> float:
    """How far out the rim was read, mm; NaN where no opening was read, or the photo does not show the whole of it.

    NaN too where less than ``LEAST_AREA_MM2`` is open.
    """
    area, perimeter, fix = read.reading.aperture_area_mm2, read.reading.aperture_perimeter_mm, read.patch.fix
    true = ruler_sim.outlines_of(scene.wounds[0])
    if not area or not perimeter or fix is None or not true or outline.sizes_of(true).area_mm2 < LEAST_AREA_MM2:
        return float("nan")
    view = view_of(scene)
    # the truth where this photo's geometry shows it: what the scale is off by is no fault of the reader's
    shown = outline.sizes_of([trunk.bark_of_picture(fix, view.project_site(ring)) for ring in true])
    return (area - shown.area_mm2) / (0.5 * (perimeter + shown.perimeter_mm))


def offsets_of(
    options: argparse.Namespace, reader: Reader, model: str
) -> Iterator[tuple[str, list[float], list[Reading]]]:
    """For each wound its name, and the offsets and readings of its photos."""
    barks = make_photos.bark_pictures(options.bark)
    with tempfile.TemporaryDirectory() as scratch:
        folder = (options.cache or Path(scratch)) / f"{options.megapixels:g}mp"
        for number in range(options.first, options.first + options.sites):
            for kind, draw in (("wound", scenes_of), ("site", visits_of)):
                own = []
                for photo, scene in enumerate(draw(number, options.photos, options.megapixels, barks)):
                    data = ruler_drawn.photo_of(scene, photo, folder / f"{kind}{number:03d}_{photo}.jpg")
                    plan = SitePlan(number, scene, 2 * np.pi * scene.trunk_radius_mm)
                    context = flow.ReadContext(Settings(), ruler_drawn.register_of([plan]), ruler_drawn.LATER, model)
                    read = flow.read_photo(data, "drawn.jpg", hashlib.sha256(data).hexdigest(), context, reader)
                    if not isinstance(read, Refusal):
                        own.append((rim_offset_mm(scene, read), read.reading))
                seen = [(offset, reading) for offset, reading in own if np.isfinite(offset)]
                yield f"{kind} {number}", [offset for offset, _ in seen], [reading for _, reading in seen]


def is_called(one: Reading, other: Reading) -> bool:
    """Whether two photos of one visit would be called a change of area (95 %), as two visits are compared."""
    own = 0.0
    for reading in (one, other):
        assert reading.aperture_area_mm2 and reading.aperture_area_mm2_sd
        own += reading.aperture_area_mm2_sd**2 * (1 - variance_shares(reading.area_sd_parts)[0])
    assert one.aperture_area_mm2 and other.aperture_area_mm2
    return bool(abs(one.aperture_area_mm2 - other.aperture_area_mm2) > 1.96 * np.sqrt(own))


@dataclass(frozen=True, slots=True)
class RimFigures:
    """What a network states of its rims, mm; meanings as in :class:`pipeline.network.Calibration`."""

    offset_mm: float
    offset_sd_mm: float
    sd_mm: float
    repeat_sd_mm: float


def fit(wounds: Sequence[Sequence[float]], own_sd_mm: float) -> RimFigures:
    """What is stated from the offsets of several photos of several wounds.

    The offset is the median of the wounds' means, because a few rims are gross misreadings.  The deviations are so wide
    that 1.96 of them, with the rim's own uncertainty, hold 95 in 100 rims of further wounds: the tails are heavier than
    a normal distribution's, and its deviation would hold fewer.  The quantile is that of split conformal prediction
    (Vovk, Gammerman & Shafer 2005), 0.95 (W + 1) / W for W wounds, photos of one wound being nearly copies.

    Parameters
    ----------
    own_sd_mm
        Uncertainty of any rim (``settings.reading.rim_sd_mm``), which every reading adds.

    Raises
    ------
    UsageError
        With fewer than eight wounds in at least two photos each.
    """
    several = [np.asarray(wound) for wound in wounds if len(wound) > 1]
    if len(several) < 8:
        raise UsageError(
            "Too few wounds were read to say how far the rims are off.", "Ask for more (--sites 20 --photos 2)."
        )
    means = np.array([np.mean(wound) for wound in wounds if len(wound)])
    sure = metrics.bootstrap(lambda cases: float(np.median(means[cases])), len(means))
    left = np.concatenate([np.asarray(wound) for wound in wounds if len(wound)]) - sure.value
    # deviations from a mean of k values are too small by sqrt((k - 1) / k)
    apart = np.concatenate([(w - w.mean()) * np.sqrt(len(w) / (len(w) - 1)) for w in several])
    offset_sd = (sure.hi - sure.lo) / (2 * 1.96)
    return RimFigures(
        sure.value,
        offset_sd,
        float(np.hypot(_sd_that_holds(left, len(means), own_sd_mm), offset_sd)),
        _sd_that_holds(apart, len(several), own_sd_mm),
    )


def _sd_that_holds(off: np.ndarray, wounds: int, own_sd_mm: float) -> float:
    wanted = float(np.quantile(np.abs(off), min(0.95 * (wounds + 1) / wounds, 1.0))) / 1.96
    return float(np.sqrt(max(wanted**2 - own_sd_mm**2, 0.0)))


def main() -> None:
    """Draw, read, print; where asked to, write into the network's folder."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=20, help="wounds of each of the two sorts")
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--photos", type=int, default=2)
    parser.add_argument("--megapixels", type=float, default=4.0)
    parser.add_argument("--reader", default="classical")
    parser.add_argument("--bark", type=Path, default=None, help="folder with photographs of bark")
    parser.add_argument("--cache", type=Path, default=None, help="folder that keeps the drawn photos")
    parser.add_argument("--state", action="store_true", help="write the figures into the network's folder")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    reader, model = readers.open_reader(options.reader)
    folder = readers.network_folder(options.reader)
    if options.state:
        if folder is None or not isinstance(reader, network.NetworkReader):
            parser.error("--state needs a network's folder as the reader")
        reader = replace(reader, calibration=replace(reader.calibration, rim_offset_mm=0.0))
    offsets = []
    called = []
    for name, own, readings in offsets_of(options, reader, model):
        offsets.append(own)
        called.append([is_called(a, b) for a, b in pairwise(readings)])
        print(f"{name}: {' '.join(f'{offset:+.2f}' for offset in own)}", flush=True)
    for sort, some in (("all kinds and stages", offsets[::2]), ("the ruler's sites", offsets[1::2])):
        print(f"{sort}:", *ruler_drawn.offsets(some))
    both = [site for site in offsets if len(site) > 1]
    differ = np.array([abs(site[1] - site[0]) for site in both])
    sure = metrics.bootstrap(lambda k: float(np.median(differ[k])) / 0.6745 / np.sqrt(2), len(differ))
    print(f"from photo to photo, from the median difference: {sure.value:.2f} mm ({sure.lo:.2f} to {sure.hi:.2f})")
    changes = metrics.bootstrap(lambda k: float(np.mean(np.concatenate([called[i] for i in k]))), len(called))
    print(
        f"no change called a change, photos alone, as stated: {changes.value:.3f} ({changes.lo:.3f} to "
        f"{changes.hi:.3f}; {sum(map(len, called))} pairs)"
    )
    found = fit(offsets, Settings().reading.rim_sd_mm)
    print(f"{sum(map(len, offsets))} photos of {len(offsets)} wounds: {found}")
    if isinstance(reader, network.NetworkReader) and not options.state:
        stated = float(np.hypot(reader.calibration.rim_sd_mm, Settings().reading.rim_sd_mm))
        held = [np.abs(np.array(wound)) < 1.96 * stated for wound in offsets]
        holds = metrics.bootstrap(lambda k: float(np.mean(np.concatenate([held[i] for i in k]))), len(held))
        print(f"stated 95 % interval of the rim holds: {holds.value:.3f} ({holds.lo:.3f} to {holds.hi:.3f})")
    if options.state and folder is not None:
        state(folder, found)
        print(f"written into {folder}")


def state(folder: Path, found: RimFigures) -> None:
    """Write the figures into a network's folder; its card too, where it was made from figures."""
    from pipeline.learn import export, release

    export.state_rim(folder, found.sd_mm, found.repeat_sd_mm, found.offset_mm, found.offset_sd_mm)
    if "plan" in json.loads((folder / "metrics.json").read_text(encoding="utf-8")):
        calibration = network.load(folder).calibration
        release.write_card(folder, rims=(calibration.rim_sd_mm, calibration.rim_repeat_sd_mm))


if __name__ == "__main__":
    main()
