"""Hand-made readings for the tests of time: sizes given, everything else plain."""

from __future__ import annotations

import hashlib
import math
from datetime import UTC, date, datetime, time

from pipeline.records import (
    Flag,
    GirthMeasure,
    Outlines,
    Reading,
    Register,
    Sign,
    SignReading,
    Site,
    Stage,
    Stem,
    Tree,
    WoundKind,
)

SITE = Site(205, "A-012", WoundKind.WINDOW, "1", date(2025, 3, 20), height_cm=120.0, bearing_deg=90.0)
PARTS = {"girth": 0.6, "rim": 0.6, "corner noise": 0.5291502622}


def sure(stage: Stage, p: float = 0.97) -> tuple[float, ...]:
    return tuple(p if s is stage else (1 - p) / 5 for s in Stage)


def reading(
    day: date,
    width_mm: float,
    height_mm: float | None = None,
    *,
    site: int = 205,
    n: int = 0,
    stage_p: tuple[float, ...] | None = None,
    signs: dict[Sign, SignReading] | None = None,
    area_rel_sd: float = 0.03,
    flags: Flag = Flag.NONE,
    sharpness_mm: float = 0.4,
    parts: dict[str, float] | None = None,
) -> Reading:
    """A rectangular opening, ``width`` by ``height`` (a square by default)."""
    height_mm = width_mm if height_mm is None else height_mm
    area, perimeter = width_mm * height_mm, 2 * (width_mm + height_mm)
    closed = area <= 0
    shares = PARTS if parts is None else parts
    norm = math.sqrt(sum(v * v for v in shares.values())) or 1.0
    return Reading(
        file=f"{site}_{day}_{n}.jpg",
        sha256=hashlib.sha256(f"{site} {day} {n}".encode()).hexdigest(),
        site=site,
        taken_at=datetime.combine(day, time(4, n % 60), UTC),
        visit_on=day,
        stage_p=stage_p or sure(Stage.CLOSED if closed else Stage.CALLUS),
        signs=signs or {},
        not_a_site_p=0.01,
        aperture_area_mm2=area,
        aperture_area_mm2_sd=None if closed else area_rel_sd * area,
        aperture_width_mm=width_mm,
        aperture_width_mm_sd=None if closed else 0.5 * area_rel_sd * width_mm + 0.1,
        aperture_height_mm=height_mm,
        aperture_height_mm_sd=None if closed else 0.5 * area_rel_sd * height_mm + 0.1,
        aperture_perimeter_mm=0.0 if closed else perimeter,
        aperture_perimeter_mm_sd=None if closed else 0.5 * area_rel_sd * perimeter,
        new_tissue_width_mm=None,
        wood_lab=None,
        wood_lab_sd=None,
        scale_px_per_mm=6.0,
        view_angle_deg=5.0,
        sharpness_mm=sharpness_mm,
        flags=flags | (Flag.NO_APERTURE if closed else Flag.NONE),
        outlines=Outlines(),
        model="test",
        settings="test",
        area_sd_parts={k: v / norm * area_rel_sd * area for k, v in shares.items()},
    )


def register(*sites: Site, girth_mm: float = 360.0, events: tuple = ()) -> Register:
    sites = sites or (SITE,)
    trees = {s.tree: Tree(s.tree, block="A", row="1", position=s.tree[-1]) for s in sites}
    stems = {(s.tree, s.stem): Stem(s.tree, s.stem, (GirthMeasure(None, girth_mm),)) for s in sites}
    return Register(trees, stems, {s.site: s for s in sites}, tuple(events))
