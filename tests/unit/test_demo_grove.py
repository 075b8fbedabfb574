"""The demo grove that is committed: complete, within its size, and drawn by the code beside it."""

from __future__ import annotations

import csv
import hashlib
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageOps

from demo_data import hill_sites, make_demo
from pipeline import settings
from pipeline.records import Sign, Stage, WoundKind
from pipeline.scenes import render

DEMO = Path(make_demo.__file__).parent


def table(name: str) -> list[dict[str, str]]:
    with (DEMO / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


TRUTH = table("truth.csv")
FILES = sorted(p.relative_to(DEMO / "inbox").as_posix() for p in (DEMO / "inbox").rglob("*") if p.is_file())


def rows_of(site: int, outcome: str = "reading") -> list[dict[str, str]]:
    found = [r for r in TRUTH if r["site"] == str(site) and r["outcome"] == outcome]
    return sorted(found, key=lambda r: datetime.fromisoformat(r["taken_at"]))


def test_every_file_has_its_truth_and_the_whole_is_small() -> None:
    assert sorted(r["file"] for r in TRUTH) == FILES
    assert 40 <= len(FILES) <= 80
    assert sum((DEMO / "inbox" / f).stat().st_size for f in FILES) <= 15e6


def test_every_stage_every_sign_and_every_kind_is_there() -> None:
    assert {r["stage"] for r in TRUTH} >= {s.word for s in Stage}
    assert {s for r in TRUTH for s in r["signs"].split(";") if s} == {s.value for s in Sign}
    kinds = {r["kind"] for r in table("register/sites.csv")}
    assert kinds == {k.value for k in WoundKind}
    assert {r["outcome"] for r in TRUTH} == {"reading", "refusal", "duplicate"}


def test_register_and_settings_load() -> None:
    known, _ = settings.load(DEMO / "grove.yaml", environment={})
    assert known.grove.name == hill_sites.NAME
    sites = table("register/sites.csv")
    trees = {r["tree"] for r in table("register/trees.csv")}
    assert {r["tree"] for r in sites} == trees
    numbers = {r["site"] for r in sites}
    assert {r["site"] for r in TRUTH if r["outcome"] == "reading"} == numbers
    assert {r["site"] for r in TRUTH if r["why"] == "unknown site"}.isdisjoint(numbers)
    events = table("register/events.csv")
    assert {"cut", "stem removed"} <= {r["event"] for r in events}


def test_the_stories_are_told() -> None:
    regular = [float(r["aperture_area_mm2"]) for r in rows_of(120_501)]
    assert regular == sorted(regular, reverse=True)
    assert regular[-1] < 0.1 * regular[0]
    assert rows_of(120_502)[-1]["stage"] == "rebarked"
    # work: larger after the cut of 10 June; harm: larger in August without an event; stalled: alike since April
    cut = {r["taken_at"][:10]: float(r["aperture_area_mm2"]) for r in rows_of(120_503)}
    assert cut["2026-06-14"] > 2 * cut["2026-04-12"]
    harm = {r["taken_at"][:10]: float(r["aperture_area_mm2"]) for r in rows_of(120_505)}
    assert harm["2026-08-09"] > 2 * harm["2026-06-14"]
    assert len({r["aperture_area_mm2"] for r in rows_of(120_507) if r["taken_at"] > "2026-04"}) == 1
    assert date.fromisoformat(rows_of(120_512)[-1]["taken_at"][:10]) < date(2026, 5, 1)


def test_the_duplicate_has_the_same_bytes() -> None:
    twin = next(r for r in TRUTH if r["outcome"] == "duplicate")
    original = twin["why"].removeprefix("same bytes as ")
    digests = {hashlib.sha256((DEMO / "inbox" / f).read_bytes()).hexdigest() for f in (twin["file"], original)}
    assert len(digests) == 1
    assert twin["file"] != original


@pytest.mark.parametrize("why", ["", "PNG"])
def test_a_committed_photo_is_the_one_that_the_code_draws(why: str) -> None:
    shot = next(s for s in make_demo.shots() if s.why == why and "daud" not in s.file)
    drawn, truth = render(shot.scene)
    with Image.open(DEMO / "inbox" / shot.file) as stored:
        kept = np.asarray(ImageOps.exif_transpose(stored).convert("RGB")).astype(int)
    assert kept.shape == drawn.shape
    # JPEG at quality 80 changes single pixels; the picture as a whole stays within a few grey levels
    assert np.abs(kept - drawn).mean() < 4.0
    row = next(r for r in TRUTH if r["file"] == shot.file)
    assert float(row["aperture_area_mm2"]) == pytest.approx(truth.aperture_area_mm2, abs=0.06)
