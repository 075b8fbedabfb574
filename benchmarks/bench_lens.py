"""Lens, bent card, digital zoom and covered card: what is told, what it does to sizes, and what is called wrongly.

    python -m benchmarks.bench_lens [--sites 60] [--drawn 40] [--megapixels 2]

Corners and edges are projected by the renderer's own geometry (``pipeline.scenes.geometry``), which shares no code with
the measuring stages, with the noise of 12 MP photos; views, distances and trunks as in ``bench_ruler``.  Flat cards
called bent and covered cards are counted on drawn photos.  The share of a finger is laid flat over the lower corner.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from benchmarks.ruler_scenes import FOCAL_35MM, Spread, site_plan, visit_scene
from benchmarks.ruler_sim import CORNER_SD_PX, SETTINGS, measured_with, outlines_of
from pipeline import bend, card, colour, lens, metrics, quality, ruler, surface
from pipeline.errors import PhotoRefused
from pipeline.records import CameraTag, CardFix, Flag, LensFix, Photo
from pipeline.scenes import render
from pipeline.scenes.geometry import View, focal_px, view_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import SurfaceFix
    from pipeline.scenes import SceneSpec

PROFILES = 24
STILL = Spread(tilt_deg=0, roll_deg=0, yaw_deg=0, sway=0)
"""Cards that hang as they should, so that other errors show."""
FINGER_MM = ((22.0, -30.0), (10.0, -30.0), (8.0, -36.0), (8.0, -50.0), (22.0, -50.0))
SKIN = ((224, 172, 140), (141, 95, 70), (90, 60, 45))


def seen_card(view: View, rng: np.random.Generator, bend_per_mm: float = 0.0) -> CardFix:
    """What edge fits see of a card: lines and parabolas through noisy points of its marker edges."""
    corners, bows = [], []
    scatter = CORNER_SD_PX * np.sqrt(PROFILES) / 2

    def project(flat: NDArray[np.float64]) -> NDArray[np.float64]:
        return view.project_card(bend.on_card(flat, bend_per_mm))

    for quad in (card.UPPER_MM, card.LOWER_MM):
        lines = []
        for first, last in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            edge = project(first + np.linspace(0.1, 0.9, PROFILES)[:, None] * (last - first))
            way = (edge[-1] - edge[0]) / np.hypot(*(edge[-1] - edge[0]))
            out, middle = np.array([way[1], -way[0]]), edge.mean(axis=0)
            along, off = (edge - middle) @ way, (edge - middle) @ out + rng.normal(0, scatter, PROFILES)
            slope, shift = np.polyfit(along, off, 1)
            bows.append(-np.polyfit(along / np.ptp(along) * 0.8, off, 2)[0] / 4)
            lines.append((middle + shift * out, way + slope * out))
        for (before, way_before), (after, way_after) in zip([lines[-1], *lines[:-1]], lines, strict=True):
            t = np.linalg.solve(np.column_stack([way_before, -way_after]), after - before)[0]
            corners.append(before + t * way_before)
    squares = np.linspace(-0.4, 0.4, PROFILES) ** 2
    bow_sd = scatter / 4 / np.sqrt(((squares - squares.mean()) ** 2).sum())
    edge_px = float(np.hypot(*(corners[1] - corners[0])))
    return CardFix(1, 2, np.array(corners), card.CARD_MM, CORNER_SD_PX, edge_px, np.array(bows), float(bow_sd))


def fix_of(
    scene: SceneSpec, found: CardFix, girth_mm: float, known: LensFix | None = None, zoom: float = 1.0
) -> SurfaceFix:
    """Geometry of a photo whose tags claim 26 mm."""
    pixels = np.broadcast_to(np.uint8(0), (scene.camera.height_px, scene.camera.width_px, 3))
    tag_px = focal_px(replace(scene.camera, focal_35mm=FOCAL_35MM))
    tags = CameraTag("Example", "Phone", focal_px=tag_px, focal_mm=5.1, digital_zoom=zoom)
    return surface.fit_surface(
        Photo("simulated.jpg", "0" * 64, None, None, pixels, tags), found, girth_mm, SETTINGS.surface, known
    )


def sizes_off(scene: SceneSpec, fix: SurfaceFix) -> tuple[float, float]:
    """Relative errors of area and width, as absolute values."""
    done = measured_with(scene, view_of(scene), fix, outlines_of(scene.wounds[0]))
    return (
        abs(done.sizes.area_mm2 / done.truth.area_mm2 - 1),
        abs(done.sizes.width_mm / done.truth.width_mm - 1),
    )


def shown(values: Sequence[float], scale: float = 100.0) -> str:
    """Median and 95th percentile with a bootstrap interval of the median."""
    many = scale * np.asarray(values)
    sure = metrics.bootstrap(lambda k: float(np.median(many[k])), many.size)
    return (
        f"{sure.value:.2f} ({sure.lo:.2f}-{sure.hi:.2f}; {sure.cases}), 95th percentile {np.quantile(many, 0.95):.2f}"
    )


def lenses(sites: int) -> None:
    """Lenses learned from so many photos: errors beside stated uncertainties, and what it does to sizes."""
    print("lens: photos, rms error of the focal length in % (stated), of k1 (stated), 95 % intervals that hold")
    for photos in (4, 10, 50, 200):
        misses, sds = [], []
        for number in range(16 if photos < 200 else 8):
            rng = np.random.default_rng([number, photos])
            factor, k1 = 1 + rng.normal(0, 0.02), rng.normal(0, 0.01)
            known = lens.learn(photos_of(rng, factor, k1, photos), "phone", 0.02, 0.01)
            assert known is not None
            misses.append((known.focal_factor - factor, known.k1 - k1))
            sds.append((known.focal_factor_sd, known.k1_sd))
        off, sd = np.array(misses), np.array(sds)
        rms, stated = np.sqrt((off**2).mean(axis=0)), sd.mean(axis=0)
        holds = (np.abs(off) < 1.96 * sd).mean()
        print(f"  {photos:4d}  {100 * rms[0]:.2f} ({100 * stated[0]:.2f})  {rms[1]:.4f} ({stated[1]:.4f})  {holds:.0%}")
    plain: list[tuple[float, float]] = []
    mended: list[tuple[float, float]] = []
    for number in range(sites):
        rng = np.random.default_rng([number, 31])
        factor, k1 = 1 + rng.normal(0, 0.02), rng.normal(0, 0.01)
        known = lens.learn(photos_of(rng, factor, k1, 40), "phone", 0.02, 0.01)
        plan = site_plan(number, STILL)
        scene = of_lens(visit_scene(plan, 0, STILL), factor, k1)
        found, girth_mm = seen_card(view_of(scene), rng), 2 * np.pi * scene.trunk_radius_mm
        plain.append(sizes_off(scene, fix_of(scene, found, girth_mm)))
        mended.append(sizes_off(scene, fix_of(scene, found, girth_mm, known)))
    for name, errors in (("tags alone", plain), ("lens of 40 photos", mended)):
        print(f"  card hung exactly, {name}: area off by {shown([e[0] for e in errors])} %")


def of_lens(scene: SceneSpec, factor: float, k1: float) -> SceneSpec:
    """The scene through another lens."""
    return replace(scene, camera=replace(scene.camera, focal_35mm=FOCAL_35MM * factor, k1=k1))


def photos_of(rng: np.random.Generator, factor: float, k1: float, photos: int) -> list[SurfaceFix]:
    """Geometry of photos of one lens at sites drawn by lot."""
    fixes = []
    for _ in range(photos):
        number = int(rng.integers(10_000))
        plan = site_plan(number, Spread())
        scene = of_lens(visit_scene(plan, 1, Spread()), factor, k1)
        fixes.append(fix_of(scene, seen_card(view_of(scene), rng), plan.girth_mm))
    return [fix for fix in fixes if lens.usable(fix)]


def bent_cards(sites: int) -> None:
    """Cards bent by a share of what their trunk allows: how many are told, and what it does to sizes."""
    print("bent card: share of the trunk's curvature, told, area off in % as flat / as told, width the same")
    for share in (0.0, 0.25, 0.5, 1.0):
        told, flat_errors, errors = 0, [], []
        for number in range(sites):
            rng = np.random.default_rng([number, 41])
            scene = of_lens(visit_scene(site_plan(number, STILL), 0, STILL), 1.0, 0.0)
            girth_mm = 2 * np.pi * scene.trunk_radius_mm
            found = seen_card(view_of(scene), rng, share / scene.trunk_radius_mm)
            fix = fix_of(scene, found, girth_mm)
            told += Flag.CARD_BENT in fix.flags
            errors.append(sizes_off(scene, fix))
            flat_errors.append(sizes_off(scene, fix_of(scene, replace(found, bows_px=None), girth_mm)))
        print(f"  {share:4.0%}  told {told / sites:.0%} of {sites}", end="")
        for k, name in enumerate(("area", "width")):
            before, after = ([e[k] for e in each] for each in (flat_errors, errors))
            print(f"; {name} {shown(before)} / {shown(after)}", end="")
        print()


def zooms(sites: int) -> None:
    """Whether a digital zoom of 2 is found in the tag or not."""
    print("digital zoom of 2: right, left open (doubt stated), wrong")
    for included in (True, False):
        counts = np.zeros(3, int)
        for number in range(sites):
            rng = np.random.default_rng([number, 51])
            scene = of_lens(visit_scene(site_plan(number, Spread()), 0, Spread()), 1 + rng.normal(0, 0.02), 0.0)
            true_px = focal_px(scene.camera)
            if not included:
                scene = replace(scene, camera=replace(scene.camera, focal_35mm=2 * scene.camera.focal_35mm))
                true_px *= 2
            fix = fix_of(scene, seen_card(view_of(scene), rng), 2 * np.pi * scene.trunk_radius_mm, zoom=2.0)
            is_open = fix.focal_rel_sd > 0.1
            right = abs(fix.camera_matrix[0, 0] / true_px - 1) < 0.2
            counts[1 if is_open else 0 if right else 2] += 1
        print(f"  tag {'with' if included else 'without'} the zoom: {counts[0]}, {counts[1]}, {counts[2]} of {sites}")


def drawn_cards(photos: int, megapixels: float) -> None:
    """Drawn photos of flat cards: how many are called bent or covered; and with a finger over a corner."""
    cv2.setNumThreads(1)
    bent = clean = seen = covered = refused = 0
    for number in range(photos):
        plan = site_plan(500 + number, Spread())
        scene = visit_scene(plan, 0, Spread(), megapixels=megapixels)
        pixels, _ = render(scene)
        fix, share = looked_at(pixels, plan.girth_mm)
        if fix is None:
            continue
        seen += 1
        bent += Flag.CARD_BENT in fix.flags
        clean += share > SETTINGS.quality.flag_covered_share
        skin = colour.linear_of_srgb(np.array(SKIN[number % 3]) / 255)
        lit = 255 * colour.srgb_of_linear(skin * white_of(pixels, fix))
        outline = np.rint(ruler.corner_points(fix, np.array(FINGER_MM))).astype(np.int32)
        _, share = looked_at(cv2.fillPoly(pixels.copy(), [outline], np.rint(lit).tolist()), plan.girth_mm)
        refused += np.isnan(share)
        covered += share > SETTINGS.quality.flag_covered_share
    print(f"drawn photos of {megapixels:g} MP, {seen} flat cards: {bent} called bent, {clean} called covered")
    print(f"  with a finger over the lower right corner (6 % of the card): {covered} flagged, {refused} refused")


def white_of(pixels: NDArray[np.uint8], fix: SurfaceFix) -> NDArray[np.float64]:
    """Linear light of the card's white near the finger."""
    x, y = np.rint(ruler.corner_points(fix, np.array([(-18.5, -40.0)]))[0]).astype(int)
    return np.asarray(colour.LINEAR_OF_8BIT[pixels[y - 2 : y + 3, x - 2 : x + 3]].mean(axis=(0, 1)) / 0.9)


def looked_at(pixels: NDArray[np.uint8], girth_mm: float) -> tuple[SurfaceFix | None, float]:
    """Geometry and covered share of a photo; ``nan`` where it is refused."""
    focal = FOCAL_35MM * float(np.hypot(*pixels.shape[:2]) / np.hypot(36, 24))
    photo = Photo("drawn.jpg", "0" * 64, None, None, pixels, CameraTag(focal_px=focal))
    try:
        found = card.find_card(pixels, SETTINGS.card)
        fix = surface.fit_surface(photo, found, girth_mm, SETTINGS.surface)
    except PhotoRefused:
        return None, float("nan")
    return fix, quality.covered_share(photo, found, fix)


def main() -> None:
    """Project, draw, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--drawn", type=int, default=40)
    parser.add_argument("--megapixels", type=float, default=2.0)
    options = parser.parse_args()
    lenses(options.sites)
    bent_cards(options.sites)
    zooms(options.sites)
    if options.drawn:
        drawn_cards(options.drawn, options.megapixels)


if __name__ == "__main__":
    main()
