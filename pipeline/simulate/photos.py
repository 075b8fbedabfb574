"""Photos of a site as readings that err as the reader errs."""

from __future__ import annotations

import hashlib
import math
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING

import numpy as np

from pipeline.hands import ellipse
from pipeline.records import Flag, Outlines, Reading, Sign, SignReading, Site, Stage

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.simulate.plan import GrovePlan, ReaderError, SiteTruth


def photograph(
    site: Site,
    first: tuple[float, float],
    truth: SiteTruth,
    plan: GrovePlan,
    errors: ReaderError,
    rng: np.random.Generator,
) -> list[Reading]:
    """Readings of a site's visits, some of two photos."""
    stretch_site = float(rng.normal(0.0, errors.site_area_rel))
    readings = []
    ratio = first[1] / first[0]
    for i, day in enumerate(truth.days):
        stretch = stretch_site + float(rng.normal(0.0, errors.visit_area_rel))
        rim = float(rng.normal(0.0, errors.rim_mm))
        height = 4.0 * truth.area_mm2[i] / (math.pi * truth.width_mm[i]) if truth.width_mm[i] > 0 else 0.0
        shape = (truth.width_mm[i], height or truth.width_mm[i] * ratio)
        for k in range(2 if rng.random() < plan.second_photos else 1):
            again = stretch + float(rng.normal(0.0, errors.corner_area_rel))
            chords = math.sqrt(2.0) * errors.wander_mm * rng.standard_normal(2)
            seen = _sizes(shape, again, rim + float(rng.normal(0.0, 0.3 * errors.rim_mm)), chords)
            readings.append(_reading(site, day, k, seen, truth, i, plan, errors, rng))
    return readings


def _sizes(
    shape: tuple[float, float], stretch: float, rim_mm: float, chords_mm: NDArray[np.float64]
) -> tuple[float, float, float, float]:
    """Width, height, area, perimeter as a photo gives them; all 0 where the opening is lost."""
    width = shape[0] * (1 + stretch / 2) + 2 * rim_mm + float(chords_mm[0]) if shape[0] > 0 else 0.0
    height = shape[1] * (1 + stretch / 2) + 2 * rim_mm + float(chords_mm[1]) if shape[0] > 0 else 0.0
    area, perimeter = ellipse(width, height)
    return (width, height, area, perimeter) if area >= 4.0 else (0.0, 0.0, 0.0, 0.0)


def _reading(
    site: Site,
    day: date,
    k: int,
    sizes: tuple[float, float, float, float],
    truth: SiteTruth,
    i: int,
    plan: GrovePlan,
    errors: ReaderError,
    rng: np.random.Generator,
) -> Reading:
    width, height, area, perimeter = sizes
    name = f"{site.site:06d}_{day.isoformat()}_{k}.jpg"
    parts = {
        "girth": 0.5 * errors.site_area_rel * area,
        "shared bark": 0.8660254 * errors.site_area_rel * area,
        "focal length": errors.visit_area_rel * area,
        "rim": 1.044 * errors.rim_mm * perimeter,
        "corner noise": errors.corner_area_rel * area,
        "softness": errors.wander_mm * math.sqrt(perimeter * min(perimeter, 5.0)),
    }
    chord_sd = math.hypot(2.088 * errors.rim_mm, math.sqrt(2.0) * errors.wander_mm)
    rel = math.sqrt(errors.site_area_rel**2 + errors.visit_area_rel**2) / 2
    closed = area <= 0
    return Reading(
        file=name,
        sha256=hashlib.sha256(name.encode()).hexdigest(),
        site=site.site,
        taken_at=datetime.combine(day, time(3, k), UTC),
        visit_on=day,
        stage_p=_stage_p(truth.stage[i], plan, rng),
        signs=_signs(truth, i, plan, rng),
        not_a_site_p=0.02,
        aperture_area_mm2=area,
        aperture_area_mm2_sd=None if closed else math.sqrt(sum(part**2 for part in parts.values())),
        aperture_width_mm=width,
        aperture_width_mm_sd=None if closed else math.hypot(rel * width, chord_sd),
        aperture_height_mm=height,
        aperture_height_mm_sd=None if closed else math.hypot(rel * height, chord_sd),
        aperture_perimeter_mm=perimeter,
        aperture_perimeter_mm_sd=None if closed else math.hypot(rel * perimeter, 6.56 * errors.rim_mm),
        new_tissue_width_mm=None,
        wood_lab=None,
        wood_lab_sd=None,
        scale_px_per_mm=6.0,
        view_angle_deg=float(abs(rng.normal(0.0, 8.0))),
        sharpness_mm=float(rng.uniform(0.2, 0.8)),
        flags=Flag.NO_APERTURE if closed else Flag.NONE,
        outlines=Outlines(),
        model="simulated",
        settings="simulated",
        area_sd_parts={} if closed else parts,
    )


def _stage_p(truth: Stage, plan: GrovePlan, rng: np.random.Generator) -> tuple[float, ...]:
    """Probabilities of a reader that is right but for misread photos, mostly by one stage."""
    shown = int(truth)
    if rng.random() < plan.stage_misread:
        shown = int(np.clip(shown + rng.choice([-2, -1, 1, 2], p=[0.1, 0.4, 0.4, 0.1]), 0, 5))
    sure = float(rng.beta(12, 1.5))
    p = np.full(6, 0.0)
    p[shown] = sure
    for neighbour in (shown - 1, shown + 1):
        if 0 <= neighbour <= 5:
            p[neighbour] += (1 - sure) * 0.4
    p += (1 - p.sum()) / 6
    return tuple(float(v) for v in p / p.sum())


def _signs(truth: SiteTruth, i: int, plan: GrovePlan, rng: np.random.Generator) -> dict[Sign, SignReading]:
    area = truth.sign_area_mm2[i]
    signs: dict[Sign, SignReading] = {}
    for sign in Sign:
        p, seen = float(rng.beta(1.0, 25.0)), 0.0
        chance = plan.sign_false_alarm / len(Sign)
        if truth.lookalike and sign is Sign.GREEN_FILM:
            p, chance = float(rng.beta(2.0, 12.0)), 0.04
        if rng.random() < chance:
            p, seen = float(rng.uniform(0.5, 0.9)), float(rng.uniform(20, 300))
        if sign is truth.sign and area > 0:
            found = 1.0 / (1.0 + math.exp(-(math.log(area) - math.log(180.0)) / 0.35))
            if rng.random() < 0.97 * found:
                p, seen = float(rng.beta(12, 1.2)), area * float(np.exp(rng.normal(0.0, 0.2)))
        signs[sign] = SignReading(p, seen or None, None)
    return signs
