"""Drawn photos for the benchmark of the ruler: through card, pose, patch, reader and registration, as a run does it."""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from benchmarks import bench_ruler, ruler_sim
from benchmarks.make_photos import bark_pictures
from benchmarks.ruler_scenes import Spread, dressed, site_plan, visit_scene
from pipeline import flow, readers, rimfield, ties
from pipeline.advance import gilman_advance_mm
from pipeline.records import Outlines, Reading, Refusal, Register, Site, Stem, Tree
from pipeline.scenes import PhotoTags, render, write_photo
from pipeline.scenes.geometry import view_of
from pipeline.settings import Settings

if TYPE_CHECKING:
    from argparse import Namespace

    from benchmarks.ruler_scenes import SitePlan
    from pipeline.flow import PhotoRead
    from pipeline.records import BarkScale, Comparison, Reader
    from pipeline.scenes import SceneSpec

FIRST_DAY = datetime(2026, 4, 1, 8, tzinfo=UTC)
LATER = FIRST_DAY + timedelta(days=900)
ADVANCE_MM = 0.6
WRONG_PAIRS_A_PHOTO = 4
HOLE_MM, FIRST_HOLE = 8.0, 50_000
SPREAD = Spread()


def photo_of(scene: SceneSpec, visit: int, file: Path) -> bytes:
    """The scene as a JPEG file with tags; drawn once where ``file`` can be kept."""
    if not file.exists():
        file.parent.mkdir(parents=True, exist_ok=True)
        image, _ = render(scene)
        half = file.with_suffix(".part")
        write_photo(half, image, scene.camera, PhotoTags(FIRST_DAY + timedelta(days=30 * visit), quality=92))
        half.replace(file)
    return file.read_bytes()


def register_of(plans: list[SitePlan]) -> Register:
    """A register in which every site has its own tree and its (slightly wrong) girth."""
    sites = {}
    for plan in plans:
        number, wound = plan.scene.card.site, plan.scene.wounds[0]
        assert number is not None
        sites[number] = Site(number, f"T-{number}", wound.kind, girth_mm=plan.girth_mm)
    trees = {site.tree: Tree(site.tree) for site in sites.values()}
    return Register(trees, {(t, "1"): Stem(t) for t in trees}, sites)


def compare(options: Namespace, tally: Any) -> None:
    """Draw and read the sites, fill the tally: figures with the true rim (``true ...``) and with the reader's."""
    reader, model = readers.open_reader(options.reader)
    plans = [site_plan(number, SPREAD) for number in range(options.first, options.first + options.drawn)]
    context = flow.ReadContext(Settings(), register_of(plans), LATER, model)
    barks = bark_pictures(options.bark)
    with tempfile.TemporaryDirectory() as scratch:
        folder = (options.cache or Path(scratch)) / f"{options.megapixels:g}mp"
        visits = []
        for plan in plans:
            seen = []
            for visit in range(options.drawn_visits):
                scene = visit_scene(plan, visit, SPREAD, megapixels=options.megapixels, advance_mm=ADVANCE_MM * visit)
                scene = dressed(scene, plan.number, visit, barks)
                data = photo_of(scene, visit, folder / f"{plan.number:03d}_{visit}.jpg")
                read = flow.read_photo(data, "drawn.jpg", hashlib.sha256(data).hexdigest(), context, reader)
                if isinstance(read, Refusal):
                    print(f"site {plan.number} visit {visit}: refused: {read.reason}")
                else:
                    seen.append((scene, read))
            visits.append(seen)
            _site(seen, context.settings, tally)
        _holes(options, reader, model, folder, tally)
    _wrong_places(visits, context.settings, tally)
    tally.notes += offsets(tally.offsets)


def _holes(options: Namespace, reader: Reader, model: str, folder: Path, tally: Any) -> None:
    """Fresh drill holes of 8 mm, a photo of each: error of the area and its interval, with the true rim and as read."""
    barks = bark_pictures(options.bark)
    for number in range(options.first + FIRST_HOLE, options.first + FIRST_HOLE + options.drawn):
        plan = site_plan(number, SPREAD, HOLE_MM)
        scene = dressed(visit_scene(plan, 0, SPREAD, megapixels=options.megapixels), number, 0, barks)
        data = photo_of(scene, 0, folder / f"hole{number:03d}.jpg")
        context = flow.ReadContext(Settings(), register_of([plan]), LATER, model)
        read = flow.read_photo(data, "drawn.jpg", hashlib.sha256(data).hexdigest(), context, reader)
        if isinstance(read, Refusal) or read.patch.fix is None:
            print(f"hole {number}: not measured")
            continue
        m = ruler_sim.measured_with(scene, view_of(scene), read.patch.fix, ruler_sim.outlines_of(scene.wounds[0]))
        error = m.sizes.area_mm2 / m.truth.area_mm2 - 1
        tally.add("true hole area_mm2 single", [abs(error)])
        tally.add("true hole area_mm2 single held", [float(abs(error) < 1.96 * m.scale.area_rel_sd)])
        area, sd = read.reading.aperture_area_mm2, read.reading.aperture_area_mm2_sd
        tally.add("hole area_mm2 single", [abs((area or 0.0) / m.truth.area_mm2 - 1)])
        tally.add("hole area_mm2 single held", [float(bool(area and sd and abs(area - m.truth.area_mm2) < 1.96 * sd))])


def _site(seen: list[tuple[SceneSpec, PhotoRead]], settings: Settings, tally: Any) -> None:
    comparisons = [ties.compare(a.patch, a.reading, b.patch, b.reading) for (_, a), (_, b) in pairwise(seen)]
    limit = settings.alerts.same_place_score
    tally.add("right refused", [float((c.same_place or 0.0) < limit) for c in comparisons if c.same_place is not None])
    readings = [read.reading for _, read in seen]
    fixes = {read.reading.sha256: read.patch.fix for _, read in seen if read.patch.fix is not None}
    frames = ties.frames(readings, fixes, comparisons, limit)
    scales = {sha256: scale for frame in frames for sha256, scale in frame.scales.items()}
    tied = [ties.corrected(r, scales.get(r.sha256), None, settings) for r in readings]
    measured = []
    for scene, read in seen:
        assert read.patch.fix is not None
        outlines = ruler_sim.outlines_of(scene.wounds[0])
        measured.append(ruler_sim.measured_with(scene, view_of(scene), read.patch.fix, outlines))
    # the true rim's region, so that a misread rim does not disturb the geometry's own column
    outlined = [
        replace(r, outlines=Outlines(aperture=tuple(tuple(map(tuple, o.tolist())) for o in m.outlines)))
        for r, m in zip(readings, measured, strict=True)
    ]
    true_scales = ties.scales(outlined, fixes, comparisons, limit)
    for quantity, factor in (("area_mm2", "area"), ("width_mm", "width"), ("height_mm", "height")):
        for when, found in (("single", readings), ("joint", tied)):
            errors, sds, widths = [], [], []
            for m, reading in zip(measured, found, strict=True):
                value, sd = getattr(reading, f"aperture_{quantity}"), getattr(reading, f"aperture_{quantity}_sd")
                if value and sd and m.truth.area_mm2 >= 100:
                    truth = getattr(m.truth, quantity)
                    errors.append(value / truth - 1)
                    sds.append(sd / truth)
                    widths.append(abs(value - truth))
            _add(tally, "", quantity, when, errors, sds, widths)
            errors, sds, widths = [], [], []
            for m, reading in zip(measured, readings, strict=True):
                scale = true_scales.get(reading.sha256) if when == "joint" else None
                if m.truth.area_mm2 >= 100:
                    value = getattr(m.sizes, quantity) * (getattr(scale, factor) if scale else 1.0)
                    errors.append(value / getattr(m.truth, quantity) - 1)
                    sds.append(getattr(scale or m.scale, f"{factor}_rel_sd"))
                    widths.append(abs(value - getattr(m.truth, quantity)))
            _add(tally, "true ", quantity, when, errors, sds, widths)
    _advances(measured, readings, tied, tally)
    _fields(measured, readings, frames, settings, tally)
    for frame in ties.frames(outlined, fixes, comparisons, limit):
        own = [m for m, r in zip(measured, readings, strict=True) if r.sha256 in frame.number]
        if len(own) > 1:
            rims = [[m.outlines for m in own], [m.true_outlines for m in own]]
            scales_of = [frame.scales[h] for h in frame.number]
            bench_ruler.add_fields("true ", rims, frame.solution, scales_of, tally)
    tally.offsets.append(
        [
            (r.aperture_area_mm2 - m.truth.area_mm2) / m.truth.perimeter_mm
            for r, m in zip(tied, measured, strict=True)
            if r.aperture_area_mm2
        ]
    )
    _true_changes(measured, [true_scales.get(r.sha256) for r in readings], tally)


def _fields(
    measured: list[ruler_sim.Measured],
    readings: list[Reading],
    frames: list[ties.BarkFrame],
    settings: Settings,
    tally: Any,
) -> None:
    """Advance of sides, ends and arcs with the reader's rims, against the true rims."""
    for k in range(1, len(readings)):
        for frame in frames:
            if readings[k - 1].sha256 in frame.number and readings[k].sha256 in frame.number:
                seen = ties.rim_field(readings[k - 1], readings[k], frame, settings)
                true = rimfield.field(measured[k - 1].true_outlines, measured[k].true_outlines)
                bench_ruler.add_field("", seen, true, tally)


def offsets(by_site: list[list[float]]) -> list[str]:
    """Where a reader's error of the area comes from: how far its rim lies out, on the mean, by site and by photo.

    Analysis of variance in one way: within sites, and between them beyond what the photos' own scatter gives.
    """
    sites = [np.array(site) for site in by_site if len(site) > 1]
    if len(sites) < 2:
        return []
    every = np.concatenate(sites)
    within = sum(float(((s - s.mean()) ** 2).sum()) for s in sites) / (every.size - len(sites))
    size = every.size / len(sites)
    between = max(float(np.var([s.mean() for s in sites], ddof=1)) - within / size, 0.0)
    line = (
        f"reader's rim lies out by {every.mean():+.2f} mm on the mean; sd {between**0.5:.2f} mm from site to site, "
        f"{within**0.5:.2f} mm from photo to photo of a site ({every.size} photos)"
    )
    return [line]


def _true_changes(measured: list[ruler_sim.Measured], scales: list[BarkScale | None], tally: Any) -> None:
    """Change with the true rim: error of the advance, and how often an error alone would be called a change."""
    for when in ("single", "joint"):
        factors = [s.area if s is not None and when == "joint" else 1.0 for s in scales]
        areas = [m.sizes.area_mm2 * f for m, f in zip(measured, factors, strict=True)]
        rims = [m.sizes.perimeter_mm * f**0.5 for m, f in zip(measured, factors, strict=True)]
        errors, called = [], []
        for k in range(1, len(measured)):
            a, b = measured[k - 1].truth, measured[k].truth
            true = gilman_advance_mm(a.area_mm2, b.area_mm2, a.perimeter_mm, b.perimeter_mm)
            errors.append(abs(gilman_advance_mm(areas[k - 1], areas[k], rims[k - 1], rims[k]) - true))
            first, second = scales[k - 1], scales[k]
            if when == "joint" and first is not None and second is not None:
                own = [s.area_rel_sd**2 - s.area_common_rel_sd**2 for s in (first, second)]
                miss = np.log(areas[k] / b.area_mm2) - np.log(areas[k - 1] / a.area_mm2)
                called.append(float(abs(miss) > 1.96 * np.sqrt(sum(own))))
        tally.add(f"true advance {when}", errors)
        tally.add(f"true false change {when}", called)


def _add(
    tally: Any, prefix: str, quantity: str, when: str, errors: list[float], sds: list[float], widths: list[float]
) -> None:
    tally.add(f"{prefix}{quantity} {when}", [abs(e) for e in errors])
    tally.add(f"{prefix}{quantity} {when} held", [abs(e) < 1.96 * s for e, s in zip(errors, sds, strict=True)])
    if quantity == "width_mm":
        tally.add(f"{prefix}width {when} mm", widths)


def _advances(measured: list[ruler_sim.Measured], readings: list[Reading], tied: list[Reading], tally: Any) -> None:
    for when, found in (("single", readings), ("joint", tied)):
        errors = []
        for k in range(1, len(found)):
            a, b = measured[k - 1].truth, measured[k].truth
            true = gilman_advance_mm(a.area_mm2, b.area_mm2, a.perimeter_mm, b.perimeter_mm)
            sizes = [(r.aperture_area_mm2, r.aperture_perimeter_mm) for r in found[k - 1 : k + 1]]
            (a1, p1), (a2, p2) = sizes
            if a1 is not None and a2 is not None and p1 is not None and p2 is not None and a1 > 0 and a2 > 0:
                errors.append(abs(gilman_advance_mm(a1, a2, p1, p2) - true))
        tally.add(f"advance {when}", errors)


def _wrong_places(visits: list[list[tuple[SceneSpec, PhotoRead]]], settings: Settings, tally: Any) -> None:
    """Photos laid over those of other sites: a swapped photo, a card on the wrong trunk."""
    rng = np.random.default_rng(5)
    for number, seen in enumerate(visits):
        found = []
        for _, read in seen:
            for other in rng.permutation([k for k in range(len(visits)) if k != number])[:WRONG_PAIRS_A_PHOTO]:
                if visits[other]:
                    _, stranger = visits[other][int(rng.integers(len(visits[other])))]
                    pair: Comparison = ties.compare(read.patch, read.reading, stranger.patch, stranger.reading)
                    if pair.same_place is not None:
                        found.append(float(pair.same_place < settings.alerts.same_place_score))
        tally.add("wrong found", found)
