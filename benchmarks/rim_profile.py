"""Why a reader's rim lies where it does: what it sees at each distance from the true rim, by what the wound is.

    python -m benchmarks.rim_profile [--sites 12] [--first 500] [--megapixels 4]
        [--reader released|FOLDER] [--bark FOLDER] [--cache FOLDER]

The photos are those of the ruler's sites that ``benchmarks/bench_repeat.py`` fits with, one of each wound.  The truth
is taken as each photo's geometry shows it.  Printed are the mean probabilities of bark, opening and new tissue in steps
of half a millimetre (positive: inside the opening), for wounds without and with new tissue; and the offsets of the rim
(mm, positive: too far out) as read, by the level line instead of the sum of the map, by either of opening and new
tissue, of the opening's middle, and by the size of a pixel.  ``--apart`` shows a network's maps as they are, without
the stage's say in them and with no offset taken off.
"""

from __future__ import annotations

import argparse
import hashlib
import tempfile
from collections import defaultdict
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

from benchmarks import bench_repeat, make_photos, ruler_drawn, ruler_sim
from benchmarks.ruler_scenes import SitePlan
from pipeline import flow, network, outline, readers, rim, trunk
from pipeline.records import Refusal, Tissue
from pipeline.scenes import growth
from pipeline.scenes.geometry import view_of
from pipeline.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import SiteMaps, SitePatch

FINER = 4
"""The true rim is drawn at so many times the patch's resolution."""
STEPS_MM = np.arange(-3.0, 4.01, 0.5)
WAYS = ("as read", "level line", "opening or new tissue", "middle to the right", "middle up")


def inside_mm(rings: list[NDArray[np.float64]], patch: SitePatch) -> NDArray[np.float32]:
    """Distance from the true rim at each pixel of a patch, mm, positive inside."""
    height, width = patch.valid.shape
    scale = FINER / patch.mm_per_px
    mask = np.zeros((height * FINER, width * FINER), np.uint8)
    corners = [
        np.rint((np.column_stack([ring[:, 0] - patch.left_mm, patch.top_mm - ring[:, 1]]) * scale - 0.5) * 16)
        for ring in rings
    ]
    cv2.fillPoly(mask, [c.astype(np.int32) for c in corners], 1, shift=4)
    inward = cv2.distanceTransform(mask, cv2.DIST_L2, 5) - cv2.distanceTransform(1 - mask, cv2.DIST_L2, 5)
    # a pixel's centre is half a fine pixel nearer to the rim than the nearest pixel beyond it
    inward -= 0.5 * np.sign(inward)
    return np.asarray(cv2.resize(inward, (width, height), interpolation=cv2.INTER_AREA) / scale, dtype=np.float32)


def middle_mm(rings: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Centre of area of rings, by the shoelace formula."""
    area, moment = 0.0, np.zeros(2)
    for ring in rings:
        after = np.roll(ring, -1, axis=0)
        cross = ring[:, 0] * after[:, 1] - after[:, 0] * ring[:, 1]
        area += cross.sum() / 2
        moment += ((ring + after) * cross[:, None]).sum(axis=0) / 6
    return np.asarray(moment / area)


def offsets(maps: SiteMaps, patch: SitePatch, rings: list[NDArray[np.float64]]) -> list[float]:
    """Offset of the rim in each of ``WAYS``, and of the opening's middle; NaN where none is read."""
    true, least = outline.sizes_of(rings), Settings().reading.min_aperture_mm2
    read = rim.measure_region(maps.tissue[..., Tissue.APERTURE], patch, least)
    both = maps.tissue[..., Tissue.APERTURE] + maps.tissue[..., Tissue.NEW_TISSUE]
    either = rim.measure_region(both, patch, least)
    areas = [
        read.area_mm2 if read else np.nan,
        outline.sizes_of(read.outlines).area_mm2 if read else np.nan,
        either.area_mm2 if either else np.nan,
    ]
    shift = np.array(read.centroid_mm) - middle_mm(rings) if read else np.full(2, np.nan)
    return [*((area - true.area_mm2) / true.perimeter_mm for area in areas), *shift.tolist()]


def main() -> None:
    """Draw, read, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=12)
    parser.add_argument("--first", type=int, default=500)
    parser.add_argument("--megapixels", type=float, default=4.0)
    parser.add_argument("--reader", default="released")
    parser.add_argument("--bark", type=Path, default=None, help="folder with photographs of bark")
    parser.add_argument("--cache", type=Path, default=None, help="folder that keeps the drawn photos")
    parser.add_argument("--apart", action="store_true", help="a network's maps as they are")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    reader, model = readers.open_reader(options.reader)
    looks: list[tuple[SitePatch, SiteMaps]] = []

    def look(patch: SitePatch) -> SiteMaps:
        maps = reader(patch)
        if options.apart and isinstance(reader, network.NetworkReader):
            raw = reader.raw(patch)["tissue"]
            odds = np.exp(raw - raw.max(axis=2, keepdims=True))
            maps = replace(maps, tissue=odds / odds.sum(axis=2, keepdims=True))
        looks.append((patch, maps))
        return looks[-1][1]

    barks = make_photos.bark_pictures(options.bark)
    profiles: dict[str, dict[int, list[NDArray[np.float64]]]] = defaultdict(lambda: defaultdict(list))
    found: dict[str, list[list[float]]] = defaultdict(list)
    by_pixel: dict[str, list[float]] = defaultdict(list)
    with tempfile.TemporaryDirectory() as scratch:
        folder = (options.cache or Path(scratch)) / f"{options.megapixels:g}mp"
        for number in range(options.first, options.first + options.sites):
            scene = bench_repeat.visits_of(number, 1, options.megapixels, barks)[0]
            data = ruler_drawn.photo_of(scene, 0, folder / f"site{number:03d}_0.jpg")
            plan = SitePlan(number, scene, 2 * np.pi * scene.trunk_radius_mm)
            context = flow.ReadContext(Settings(), ruler_drawn.register_of([plan]), ruler_drawn.LATER, model)
            looks.clear()
            read = flow.read_photo(data, "drawn.jpg", hashlib.sha256(data).hexdigest(), context, look)
            if isinstance(read, Refusal) or read.closer.fix is None:
                continue
            wound, view = scene.wounds[0], view_of(scene)
            patch, maps = next(pair for pair in looks if pair[0] is read.closer)
            true = ruler_sim.outlines_of(wound)
            rings = [trunk.bark_of_picture(read.closer.fix, view.project_site(ring)) for ring in true]
            sort = "with new tissue" if wound.advance_mm >= growth.CALLUS_FROM_MM else "without new tissue"
            found[sort].append(offsets(maps, patch, rings))
            by_pixel[f"{'under' if patch.mm_per_px < 0.3 else 'over'} 0.3 mm a pixel"].append(found[sort][-1][0])
            step = np.digitize(inside_mm(rings, patch), STEPS_MM)
            for k in range(1, len(STEPS_MM)):
                here = (step == k) & patch.valid
                if here.any():
                    profiles[sort][k].append(maps.tissue[here].mean(axis=0, dtype=np.float64))
    print(f"{model}, {options.sites} photos of {options.megapixels:g} MP; medians of offsets, mm")
    for sort, values in sorted(found.items()):
        shown = ", ".join(f"{way} {v:+.2f}" for way, v in zip(WAYS, np.nanmedian(values, axis=0), strict=True))
        print(f"{sort}: {shown} ({len(values)})")
    for sort, values_mm in sorted(by_pixel.items()):
        print(f"{sort}: as read {np.nanmedian(values_mm):+.2f} ({len(values_mm)})")
    for sort, profile in sorted(profiles.items()):
        print(f"{sort}: mm inside, bark, opening, new tissue")
        for k in sorted(profile):
            p = np.mean(profile[k], axis=0)[[Tissue.BARK, Tissue.APERTURE, Tissue.NEW_TISSUE]]
            print(f"{STEPS_MM[k - 1] + 0.25:+6.2f}  {p[0]:.2f}  {p[1]:.2f}  {p[2]:.2f}")


if __name__ == "__main__":
    main()
