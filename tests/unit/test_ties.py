"""Photos of a site tied by their bark: comparing, partners, corrected readings, and a run that keeps all of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from uncertainties import ufloat

from pipeline import assess, cache, measure, ties
from pipeline.batch import Progress
from pipeline.batch.tying import tie_sites
from pipeline.grove import Grove
from pipeline.records import (
    BarkScale,
    Comparison,
    Correction,
    Flag,
    Outlines,
    Reading,
    Register,
    RimArc,
    RimField,
    RimMove,
    RimPart,
    RimShift,
    ScaleUncertainty,
    Site,
    SitePatch,
    Tree,
    WoundKind,
)
from pipeline.settings import Settings
from pipeline.store import Store, open_store
from pipeline.store.bark import Tie
from tests import drawn
from tests import made_records as made
from tests.unit.test_measure import PHOTO, QUALITY, cover, maps_of, patch_of
from tests.unit.test_registration import patch
from tests.unit.test_surface import fix_of

SCALE = BarkScale(1.04, 1.03, 1.01, 0.01, 0.006, 0.005, 0.008, 0.004)
FIELD = RimField(
    made.sha("a"),
    made.sha("b"),
    RimShift(0.5, 0.25, 118.5),
    RimShift(0.75, 0.25, 80.0),
    None,
    {RimPart.LEFT_SIDE: RimShift(0.75, 0.25, 80.0)},
    (RimArc(RimPart.LEFT_SIDE, -15.0, -125.5, 6.25, 0.75, 0.25, RimMove.ADVANCES),),
    (((-15.0, -140.0), (15.0, -140.0), (15.0, -110.5)),),
    (),
)
SQUARE = ((-15.0, -140.0), (15.0, -140.0), (15.0, -110.0), (-15.0, -110.0))


MAY = date(2026, 5, 3)


def reading(letter: str, day: date = MAY, **changes: object) -> Reading:
    values = {"visit_on": day, "outlines": Outlines(aperture=(SQUARE,)), **changes}
    return replace(made.reading(letter), **values)


def test_wound_mask_covers_the_outline_and_its_margin() -> None:
    seen = ties.wound_mask(patch(1), reading("a"))
    # a square of 30 mm widened by 3 mm all round, corners rounded (Steiner's formula); pixels of 0.5 mm
    expected = 30 * 30 + 4 * 30 * 3 + np.pi * 9
    assert seen.sum() * 0.25 == pytest.approx(expected, rel=0.06)


def test_the_same_bark_is_known_again_and_other_bark_is_not() -> None:
    same = ties.compare(patch(1), reading("a"), patch(1, noise=5), reading("b"))
    other = ties.compare(patch(1), reading("a"), patch(2, noise=5), reading("b"))
    assert (same.earlier, same.later) == (made.sha("a"), made.sha("b"))
    assert same.same_place is not None and same.same_place > 0.8
    assert other.same_place is not None and other.same_place < 0.15
    assert len(same.places) >= 12


def test_too_little_bark_says_nothing_of_the_place() -> None:
    plain = np.full((320, 300, 3), 120, np.uint8)
    flat = SitePatch(plain, np.ones((320, 300), bool), 0.5, -75.0, -52.0, 4.0)
    assert ties.compare(flat, reading("a"), flat, reading("b")).same_place is None


def test_a_photo_is_compared_with_the_visits_before_and_not_across_a_moved_card() -> None:
    days = [date(2026, month, 3) for month in (1, 2, 3, 4, 5)]
    photos = [reading(letter, day) for letter, day in zip("abcde", days, strict=True)]
    found = ties.partners(photos)
    assert made.sha("a") not in found
    assert [r.sha256 for r in found[made.sha("e")]] == [made.sha(letter) for letter in "dcb"]
    moved = ties.partners(photos, [date(2026, 3, 20)])
    assert made.sha("d") not in moved
    assert [r.sha256 for r in moved[made.sha("e")]] == [made.sha("d")]
    stranger = replace(photos[3], flags=Flag.NOT_LIKE_A_SITE)
    found = ties.partners([*photos[:3], stranger, photos[4]])
    assert found[made.sha("e")][0].sha256 == made.sha("c")
    assert [r.sha256 for r in found[made.sha("d")]] == [made.sha(letter) for letter in "cba"]  # it may be elsewhere
    assert ties.partners([stranger]) == {}


def test_a_second_photo_of_the_first_visit_is_compared_with_the_sharpest() -> None:
    first, second = reading("a", sharpness_mm=0.5), reading("b", sharpness_mm=0.9)
    assert ties.partners([first, second]) == {second.sha256: (first,)}


def test_a_corrected_reading_carries_the_uncertainty_that_remains() -> None:
    parts = {"card tilt": 40.0, "girth": 10.0, "rim": 20.0, "softness": 5.0}
    before = reading(
        "a",
        aperture_area_mm2=1000.0,
        aperture_area_mm2_sd=float(np.sqrt(40**2 + 10**2 + 20**2 + 5**2)),
        aperture_width_mm=30.0,
        aperture_perimeter_mm=120.0,
        area_sd_parts=parts,
    )
    after = ties.corrected(before, SCALE, 0.9, Settings())
    # the uncertainties package propagates the product of an area and a factor (oracle)
    rim = ufloat(1000, np.hypot(20, 5))
    factor = ufloat(1.04, 1.04 * 0.01)
    product = rim * factor
    assert after.aperture_area_mm2 == pytest.approx(product.nominal_value)
    assert after.aperture_area_mm2_sd == pytest.approx(product.std_dev, rel=1e-6)
    assert after.aperture_width_mm == pytest.approx(30.9)
    assert after.same_place == 0.9
    assert set(after.area_sd_parts) == {"rim", "softness", ties.SHARED, ties.OWN}
    shared, own = after.area_sd_parts[ties.SHARED], after.area_sd_parts[ties.OWN]
    assert np.hypot(shared, own) == pytest.approx(1040 * 0.01)


@pytest.mark.parametrize("reader_sd_mm", [0.0, 0.8])
def test_a_scale_as_good_as_the_photo_s_own_changes_nothing(reader_sd_mm: float) -> None:
    own = ScaleUncertainty({"card tilt": 0.02, "girth": 0.01}, {"girth": 0.012}, {"card tilt": 0.018})
    settings = Settings()
    seen = maps_of(cover(8), rim_sd_mm=reader_sd_mm)
    before = measure.measure(
        PHOTO, 205, MAY, patch_of(), seen, QUALITY, own, Flag.NONE, settings.reading, "drawn", "0" * 12,
        opening=measure.find_opening(patch_of(), seen, settings.reading),
    )  # fmt: skip
    same = BarkScale(1.0, 1.0, 1.0, own.area_rel_sd, own.width_rel_sd, own.height_rel_sd, 0.01, 0.005)
    after = ties.corrected(before, same, None, settings)
    for name in ("aperture_area_mm2", "aperture_width_mm", "aperture_height_mm"):
        for end in ("", "_sd"):
            assert getattr(after, f"{name}{end}") == pytest.approx(getattr(before, f"{name}{end}"), rel=1e-9)


def test_a_habit_cancels_only_where_one_reader_read_all_photos_of_a_site() -> None:
    parts = {"rim": 20.0, "reader": 30.0, "reader's habit": 40.0}
    own = [reading("a", area_sd_parts=parts), reading("b", area_sd_parts=parts)]
    assert ties.without_shared_habit(own) == own
    drawn = replace(own[1], area_sd_parts={"rim": 10.0}, corrections=(Correction("rim", "Mai", MAY, own[1].sha256),))
    other = replace(own[1], model="another reader", area_sd_parts={"rim": 10.0})
    elsewhere = replace(own[0], site=206)
    for stranger in (drawn, other):
        first, second, third = ties.without_shared_habit([own[0], stranger, elsewhere])
        # a person's eye or another reader's: nothing of the 50 mm2 (30 and 40 in squares, GUM 5.1.2) cancels any more
        assert first.area_sd_parts == pytest.approx({"rim": 20.0, "reader": 50.0})
        assert (second, third) == (stranger, elsewhere)


def test_without_a_scale_a_reading_is_left_alone() -> None:
    before = reading("a")
    assert ties.corrected(before, None, None, Settings()) is before
    assert ties.corrected(before, None, 0.7, Settings()) == replace(before, same_place=0.7)


def test_a_patch_keeps_its_geometry_in_the_cache(tmp_path: Path) -> None:
    fix = fix_of(drawn.View())
    cache.save_patch(tmp_path, made.sha("a"), replace(patch(1), fix=fix))
    for again in (cache.load_fix(tmp_path, made.sha("a")), cache.load_patch(tmp_path, made.sha("a")).fix):
        assert again is not None
        np.testing.assert_array_equal(again.rotation, fix.rotation)
        np.testing.assert_array_equal(again.corners_mm, fix.corners_mm)
        assert (again.flags, again.radius_mm) == (fix.flags, fix.radius_mm)
    cache.save_patch(tmp_path, made.sha("b"), patch(1))
    assert cache.load_fix(tmp_path, made.sha("b")) is None
    assert cache.load_fix(tmp_path, made.sha("c")) is None


def read_photos(store: Store, readings: list[Reading]) -> None:
    store.record_arrivals([made.arrival(r.file) for r in readings])
    model, settings = readings[0].model, readings[0].settings
    store.use_reader(model, settings, made.NOON)
    store.save_results(readings, model=model, settings=settings, read_at=made.NOON, program=made.PROGRAM)


def test_a_run_finds_out_a_swapped_photo_and_ties_the_others(tmp_path: Path) -> None:
    site = Site(205, "A-012", WoundKind.WINDOW)
    grove = Grove(tmp_path, Settings(), {}, Register({"A-012": Tree("A-012")}, sites={205: site}))
    days = {letter: date(2026, month, 3) for month, letter in enumerate("abcd", 1)}
    model = made.MODEL, grove.settings.reading_hash
    found = [
        reading(letter, day, taken_at=datetime(day.year, day.month, 3, 8, tzinfo=UTC), settings=model[1])
        for letter, day in days.items()
    ]
    fix = fix_of(drawn.View())
    for letter, bark in zip("abcd", (1, 1, 2, 1), strict=True):  # the third photo shows another trunk
        cache.save_patch(grove.cache, made.sha(letter), replace(patch(bark, noise=4), fix=fix))
    with open_store(tmp_path / "grove.sqlite") as store:
        read_photos(store, found)
        steps: list[Progress] = []
        tie_sites(grove, store, grove.register, made.MODEL, lambda: None, steps.append)
        known = {letter: store.ties_of([made.sha(letter)])[made.sha(letter)] for letter in "abcd"}
        assert [known[letter].scale is not None for letter in "abcd"] == [True, True, False, True]
        assert known["a"].same_place is None
        assert known["c"].same_place < 0.3 < 0.8 < min(known["b"].same_place, known["d"].same_place)
        # equal views of equal bark: nothing to correct, and nothing is known better
        assert known["b"].scale.area == pytest.approx(1.0, abs=0.01)
        (health,) = assess.assess_trees(grove, store, ["A-012"], date(2026, 4, 4))
        visits = health.sites[0].visits
        assert [v.same_place for v in visits] == [known[letter].same_place for letter in "abcd"]
        # b on a: the same square on the same bark; c shows other bark; d was laid over b, which is not the visit before
        assert [v.rim_field is not None for v in visits] == [False, True, False, False]
        assert visits[1].rim_field.whole.advance_mm == pytest.approx(0.0, abs=0.15)
        fields = store.rim_fields_of(made.sha(letter) for letter in "abcd")
        assert {f.later: f.earlier for f in fields.values()} == {
            made.sha("b"): made.sha("a"),
            made.sha("d"): made.sha("b"),
        }
        steps.clear()
        tie_sites(grove, store, grove.register, made.MODEL, lambda: None, steps.append)
        assert steps == []


def test_the_rim_s_advance_is_measured_on_the_bark() -> None:
    parts = {"card tilt": 60.0, "rim": 24.0, "reader": 36.0, "softness": 10.0}
    seen = {"aperture_area_mm2": 900.0, "aperture_perimeter_mm": 120.0, "area_sd_parts": parts}
    narrower = tuple((x / 15 * 14, y) for x, y in SQUARE)
    earlier = reading("a", **seen)
    later = reading("b", outlines=Outlines(aperture=(narrower,)), **{**seen, "aperture_area_mm2": 840.0})
    pair = ties.compare(patch(1), earlier, patch(1, noise=4), later)
    (frame,) = ties.frames([earlier, later], {r.sha256: fix_of(drawn.View()) for r in (earlier, later)}, [pair], 0.3)
    field = ties.rim_field(earlier, later, frame, Settings())
    assert field is not None and field.sides is not None and field.ends is not None
    assert field.sides.advance_mm == pytest.approx(1.0, abs=0.12)
    assert abs(field.ends.advance_mm) < 0.1
    # the whole rim is off by (24, 36) / 120 mm in either photo
    assert field.whole.advance_mm_sd == pytest.approx(np.sqrt(2) * np.hypot(0.2, 0.3), rel=0.05)
    # what the reader does alike at both visits cancels
    habit = {"area_sd_parts": {**parts, "reader's habit": 300.0}}
    same = ties.rim_field(replace(earlier, **habit), replace(later, **habit), frame, Settings())
    assert same.whole.advance_mm_sd == pytest.approx(field.whole.advance_mm_sd)
    shut = reading("b", outlines=Outlines(), aperture_area_mm2=0.0, area_sd_parts={"unseen": 2.0})
    # area over half the perimeter
    assert ties.rim_field(earlier, shut, frame, Settings()).whole.advance_mm == pytest.approx(15.0, rel=0.02)
    for lost in (replace(later, flags=Flag.CUT_BY_FRAME), replace(later, aperture_area_mm2=None)):
        assert ties.rim_field(earlier, lost, frame, Settings()) is None


def test_a_swapped_last_photo_raises_the_alert(tmp_path: Path) -> None:
    site = Site(205, "A-012", WoundKind.WINDOW)
    grove = Grove(tmp_path, Settings(), {}, Register({"A-012": Tree("A-012")}, sites={205: site}))
    with open_store(tmp_path / "grove.sqlite") as store:
        read_photos(store, [reading("a", date(2026, 4, 3)), reading("b", date(2026, 5, 3))])
        store.save_ties([], {made.sha("a"): Tie(None, None), made.sha("b"): Tie(0.05, None)}, "x")
        (health,) = assess.assess_trees(grove, store, ["A-012"], date(2026, 5, 4))
        assert any(f.figures.get("same_place") == 0.05 for f in health.findings)


def test_what_is_known_of_photos_is_kept_and_forgotten_when_one_is_read_again(tmp_path: Path) -> None:
    comparison = Comparison(made.sha("a"), made.sha("b"), 0.8, 100, 80, 0.3, ((1.0, 2.0, 3.0, 4.0, 0.2),))
    with open_store(tmp_path / "grove.sqlite") as store:
        read_photos(store, [made.reading("a"), made.reading("b")])
        assert store.sites_to_tie("basis") == [made.reading("a").site]
        tied = {made.sha("a"): Tie(None, None), made.sha("b"): Tie(0.8, SCALE)}
        store.save_ties([comparison], tied, "basis", [FIELD])
        assert store.sites_to_tie("basis") == []
        assert store.sites_to_tie("another basis") == [made.reading("a").site]
        assert store.comparisons_of([made.sha("b")], "basis") == {(made.sha("a"), made.sha("b")): comparison}
        assert store.ties_of([made.sha("a"), made.sha("b")]) == {
            made.sha("a"): Tie(None, None),
            made.sha("b"): Tie(0.8, SCALE, replace(FIELD, parts={}, arcs=(), earlier_rims=(), later_rims=())),
        }
        assert store.rim_fields_of([made.sha("a"), made.sha("b")]) == {made.sha("b"): FIELD}
        store.save_results(
            [made.reading("b")], model=made.MODEL, settings=made.SETTINGS, read_at=made.NOON, program=made.PROGRAM
        )
        assert store.comparisons_of([made.sha("b")], "basis") == {}
        assert store.rim_fields_of([made.sha("b")]) == {}
        assert store.sites_to_tie("basis") == [made.reading("a").site]
