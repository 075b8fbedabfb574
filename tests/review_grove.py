"""A small grove for the review page: real rows by the store's own functions, drawn patches, real JPEG originals."""

from __future__ import annotations

import hashlib
import io
import shutil
import sqlite3
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from PIL import Image, ImageDraw

from pipeline import cache, store
from pipeline.grove import Grove
from pipeline.records import (
    Arrival,
    Event,
    EventKind,
    Finding,
    Flag,
    GirthMeasure,
    Outlines,
    Reading,
    Register,
    Severity,
    Sign,
    SignReading,
    Site,
    SitePatch,
    Stage,
    Stem,
    Tree,
    WoundKind,
)
from pipeline.review import Desk
from pipeline.settings import load

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.store import Store

NO_DRAWS = {"review.blind_share": 0.0, "review.unflagged_share": 0.0, "review.second_share": 0.0}
"""Settings without blind, unflagged and second cases, so that the queue holds what is flagged and nothing else."""
TODAY = date(2026, 7, 20)
MODEL = "drawn-1"
EDGE_MM, PX, TOP_MM = 176.0, 160, -52.0


def clock() -> datetime:
    """Noon of the grove's day."""
    return datetime.combine(TODAY, time(5, 0), UTC)


class Moving:
    """A clock that goes on by one second at each look, so that answers have an order."""

    def __init__(self) -> None:
        self.at = clock()

    def __call__(self) -> datetime:
        self.at += timedelta(seconds=1)
        return self.at


def ellipse(x: float, y: float, a: float, b: float, corners: int = 60) -> tuple[tuple[float, float], ...]:
    """An ellipse in mm, counter-clockwise."""
    t = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    return tuple((round(float(x + a * np.cos(k)), 2), round(float(y + b * np.sin(k)), 2)) for k in t)


def patch(width_mm: float, height_mm: float, green: bool, shade: int) -> SitePatch:
    """A drawn patch: bark with an opening and, perhaps, a green film beside it."""
    rng = np.random.default_rng(shade)
    lines = rng.normal(0, 9, (PX, PX)) + rng.normal(0, 14, (1, PX))
    base = np.array([138, 118, 96]) + shade % 11
    rgb = np.clip(base + lines[..., None], 0, 255).astype(np.uint8)
    image = Image.fromarray(rgb)
    draw = ImageDraw.Draw(image)
    step = EDGE_MM / PX

    def px(x: float, y: float) -> tuple[float, float]:
        return ((x + EDGE_MM / 2) / step, (TOP_MM - y) / step)

    draw.polygon([px(x, y) for x, y in ellipse(0, -130, width_mm / 2 + 7, height_mm / 2 + 6)], fill=(176, 148, 110))
    draw.polygon([px(x, y) for x, y in ellipse(0, -130, width_mm / 2, height_mm / 2)], fill=(64, 44, 30))
    if green:
        draw.polygon([px(x, y) for x, y in ellipse(34, -112, 16, 24)], fill=(92, 122, 66))
    pixels = np.asarray(image)
    return SitePatch(pixels, np.ones((PX, PX), np.bool_), step, -EDGE_MM / 2, TOP_MM, 6.0)


def original(patch_rgb: np.ndarray, label: str) -> bytes:
    """A JPEG file that differs for each label."""
    buffer = io.BytesIO()
    Image.fromarray(patch_rgb).resize((240, 320)).save(buffer, "JPEG", quality=70, comment=label)
    return buffer.getvalue()


def reading(site: int, sha256: str, day: date, width_mm: float, stage: Stage, green_p: float, doubt: Flag) -> Reading:
    """A reading that agrees with the drawn patch."""
    height = width_mm * 1.6
    area = np.pi / 4 * width_mm * height
    stage_p = tuple(0.9 if s is stage else 0.02 for s in Stage)
    signs = {sign: SignReading(0.02) for sign in Sign}
    shapes = {}
    if green_p > 0.1:
        signs[Sign.GREEN_FILM] = SignReading(green_p, 1206.0, 8.0)
        shapes[Sign.GREEN_FILM] = (ellipse(34, -112, 16, 24),)
    return Reading(
        file=f"{site}-{day}.jpg",
        sha256=sha256,
        site=site,
        taken_at=datetime.combine(day, time(2, 30), UTC),
        visit_on=day,
        stage_p=stage_p,
        signs=signs,
        not_a_site_p=0.01,
        aperture_area_mm2=area,
        aperture_area_mm2_sd=0.02 * area,
        aperture_width_mm=width_mm,
        aperture_width_mm_sd=0.4,
        aperture_height_mm=height,
        aperture_height_mm_sd=0.5,
        aperture_perimeter_mm=np.pi * (width_mm + height) / 2,
        aperture_perimeter_mm_sd=0.8,
        new_tissue_width_mm=6.0,
        wood_lab=None,
        wood_lab_sd=None,
        scale_px_per_mm=6.0,
        view_angle_deg=6.0,
        sharpness_mm=0.4,
        flags=doubt,
        outlines=Outlines(
            (ellipse(0, -130, width_mm / 2, height / 2),),
            (ellipse(0, -130, width_mm / 2 + 7, height / 2 + 6),),
            shapes,
        ),
        model=MODEL,
        settings="drawn",
    )


def build(root: Path, trees: int = 3, visits: int = 3, options: dict[str, object] | None = None) -> Desk:
    """A grove with two sites a tree; site 10, 30, ... shows a green film at its last visits, the others do not."""
    settings, _ = load(
        environment={}, options={"grove.name": "Pillar grove", "grove.timezone": "Asia/Bangkok", **(options or {})}
    )
    register = _register(trees)
    grove = Grove(root, settings, {}, register)
    grove.photos.mkdir(parents=True)
    memory = store.open_store(grove.database)
    memory.use_reader(MODEL, "drawn", clock())
    for site in register.sites.values():
        _visits(memory, grove, site.site, visits)
    desk = Desk(grove, memory, Moving())
    for tree in register.trees:
        desk.assess(tree)
    return desk


def clone(desk: Desk, root: Path) -> Desk:
    """The same grove in another folder, much quicker than making it again."""
    shutil.copytree(desk.grove.root, root, ignore=shutil.ignore_patterns("woundwood.db*"))
    grove = replace(desk.grove, root=root)
    with sqlite3.connect(desk.store.path) as raw:
        raw.execute("VACUUM INTO ?", (str(grove.database),))
    return Desk(grove, store.open_store(grove.database), Moving())


def desks(trees: int, visits: int = 3) -> tuple[Any, Any]:
    """Two fixtures, ``template`` (made once a module) and ``desk`` (a copy of it for each test)."""

    @pytest.fixture(scope="module")
    def template(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
        made = build(tmp_path_factory.mktemp("template") / "grove", trees=trees, visits=visits, options=NO_DRAWS)
        yield made
        made.store.close()

    @pytest.fixture
    def desk(template: Desk, tmp_path: Path) -> Iterator[Desk]:
        made = clone(template, tmp_path / "grove")
        yield made
        made.store.close()

    return template, desk


def _register(trees: int) -> Register:
    names = [f"A-{n:03d}" for n in range(1, trees + 1)]
    sites = {}
    for i, name in enumerate(names):
        for k in range(2):
            number = 10 * (2 * i + k + 1)
            sites[number] = Site(
                number, name, WoundKind.WINDOW, made_on=date(2025, 9, 1), height_cm=90 + 40 * k, bearing_deg=135.0
            )
    return Register(
        trees={
            n: Tree(n, "Aquilaria crassna", block="AB"[i % 2], row=str(i), position="1") for i, n in enumerate(names)
        },
        stems={(n, "1"): Stem(n, "1", (GirthMeasure(date(2026, 1, 1), 520.0),)) for n in names},
        sites=sites,
        events=(Event(date(2026, 1, 5), EventKind.CLEANED, tree=names[0], site=10, by="Nok", note="shaved clean"),),
    )


def _visits(memory: Store, grove: Grove, site: int, visits: int) -> None:
    for v in range(visits):
        day = TODAY - timedelta(days=9 + 30 * (visits - 1 - v))
        add_visit(memory, grove, site, day, 34.0 - 3.0 * v, site % 20 == 10 and v >= visits - 2)


def add_visit(
    memory: Store, grove: Grove, site: int, day: date, width_mm: float, green: bool, doubt: Flag = Flag.NONE
) -> str:
    """One more photo of a site, with its reading and patch; gives its hash."""
    drawn = patch(width_mm, 1.6 * width_mm, green, site + day.toordinal() % 97)
    data = original(drawn.rgb, f"{site} {day}")
    sha256 = hashlib.sha256(data).hexdigest()
    stored = f"{sha256[:2]}/{sha256}.jpg"
    path = grove.photos / stored
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)
    memory.record_arrivals([Arrival(f"{site}-{day}.jpg", sha256, len(data), stored, clock())])
    found = reading(site, sha256, day, width_mm, Stage.CLOSING, 0.9 if green else 0.0, doubt)
    memory.save_results([replace(found)], model=MODEL, settings="drawn", read_at=clock(), program="test")
    cache.save_patch(grove.cache, sha256, drawn)
    return sha256


def build_large(root: Path, sites: int, visits: int = 1) -> Desk:
    """A grove with many flagged sites; a handful of pictures stand for all, and alerts are given, not computed."""
    settings, _ = load(
        environment={},
        options={"grove.name": "Large grove", "grove.timezone": "Asia/Bangkok", "review.unflagged_share": 0},
    )
    register = _register((sites + 1) // 2)
    grove = Grove(root, settings, {}, register)
    grove.photos.mkdir(parents=True)
    memory = store.open_store(grove.database)
    memory.use_reader(MODEL, "drawn", clock())
    drawn = {v: patch(34.0 - 3 * v, 54.0 - 5 * v, True, v) for v in range(visits)}
    kept = {v: cache.save_patch(root / "drawn", f"{v:064x}", drawn[v]) for v in drawn}
    arrivals, readings, findings = [], [], []
    for site in list(register.sites.values())[:sites]:
        for v in range(visits):
            sha256 = hashlib.sha256(f"{site.site} {v}".encode()).hexdigest()
            day = TODAY - timedelta(days=9 + 30 * (visits - 1 - v))
            stored = f"{sha256[:2]}/{sha256}.jpg"
            arrivals.append(Arrival(f"{site.site}-{day}.jpg", sha256, 1, stored, clock()))
            p = 0.5 + 0.45 * (int(sha256[:4], 16) / 0xFFFF)
            readings.append(reading(site.site, sha256, day, 34.0 - 3.0 * v, Stage.CLOSING, p, Flag.NONE))
            path = cache.patch_path(grove.cache, sha256)
            path.parent.mkdir(parents=True, exist_ok=True)
            path.hardlink_to(kept[v])
        findings.append(_finding(site, readings[-1]))
    memory.record_arrivals(arrivals)
    memory.save_results(readings, model=MODEL, settings="drawn", read_at=clock(), program="test")
    memory.apply_findings(findings, TODAY)
    return Desk(grove, memory, Moving())


def _finding(site: Site, last: Reading) -> Finding:
    p = last.signs[Sign.GREEN_FILM].p
    return Finding(
        key=f"sign suspected/site {site.site}/episode 1/{Sign.GREEN_FILM.value}",
        rule="sign suspected",
        severity=Severity.LOOK,
        tree=site.tree,
        stem=site.stem,
        site=site.site,
        since=last.visit_on,
        why=f"Green film may be present at site {site.site}: probability {p:.2f}.",
        figures={"p": p},
        threshold="one photo",
        source="drawn",
        next_step="A person should look at the photos.",
        caution="",
        photos=(last.sha256,),
    )
