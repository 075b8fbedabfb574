"""What people put right changes sizes and stages, says who and when, and is taken back with the answer."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline import assess, corrections
from pipeline.corrections import Said, corrected, said_of
from pipeline.outline import sizes_of
from pipeline.records import Flag, Review, ReviewAnswer, Stage
from pipeline.review.answers import Filled, record, take_back
from pipeline.review.cases import case_view
from pipeline.review.queue import Queue
from pipeline.review.verdicts import Verdict
from pipeline.settings import Settings
from pipeline.wholegrove import survey_lot
from tests.review_grove import TODAY, desks, ellipse, reading

if TYPE_CHECKING:
    from pipeline.review import Desk

AT = datetime(2026, 7, 20, 5, tzinfo=UTC)
PARTS = {"girth": 12.0, "corner noise": 9.0, "rim": 28.0, "reader": 60.0, "reader's habit": 80.0, "softness": 5.0}


template, desk = desks(trees=1)


# ---------------------------------------------------------------- sizes of an outline


# ---------------------------------------------------------------- one reading


def test_a_drawn_rim_replaces_sizes_and_the_rims_uncertainty_only() -> None:
    read = replace(reading(10, "a" * 64, TODAY, 30.0, Stage.CLOSING, 0.0, Flag.NO_APERTURE), area_sd_parts=PARTS)
    rim = ellipse(0, -130, 12, 20, corners=200)
    by = Review("Lek", AT, ReviewAnswer.CORRECTED, 10, read.sha256, payload={"rim_mm": [list(p) for p in rim]}, id=1)
    found = corrected(read, said_of([by])[read.sha256], Settings())
    ratio = found.aperture_area_mm2 / read.aperture_area_mm2
    assert found.aperture_area_mm2 == pytest.approx(np.pi * 12 * 20, rel=1e-3)
    assert (found.aperture_width_mm, found.aperture_height_mm) == pytest.approx((24, 40), rel=1e-3)
    # GUM 5.1.2: independent parts add in squares; the scale's shares stay, the rim's part is perimeter times its sd.
    assert found.area_sd_parts["girth"] == pytest.approx(12.0 * ratio)
    assert found.area_sd_parts["corner noise"] == pytest.approx(9.0 * ratio)
    assert found.area_sd_parts["rim"] == pytest.approx(0.2 * found.aperture_perimeter_mm)
    assert not {"reader", "reader's habit"} & set(found.area_sd_parts)
    assert found.aperture_area_mm2_sd == pytest.approx(np.sqrt(sum(v**2 for v in found.area_sd_parts.values())))
    assert found.aperture_area_mm2_sd / found.aperture_area_mm2 < np.sqrt(sum(v**2 for v in PARTS.values())) / (
        read.aperture_area_mm2
    )
    assert found.centroid_mm == pytest.approx((0, -130), abs=0.05)
    assert Flag.NO_APERTURE not in found.flags
    assert [(c.what, c.who, c.on.isoformat()) for c in found.corrections] == [("rim", "Lek", "2026-07-20")]
    assert (found.stage_p, found.signs, found.model) == (read.stage_p, read.signs, read.model)


def test_a_person_is_never_less_sure_than_the_reader() -> None:
    read = reading(10, "a" * 64, TODAY, 30.0, Stage.CLOSING, 0.0, Flag.NONE)
    sure = replace(read, area_sd_parts={"girth": 5.0, "rim": 0.05 * read.aperture_perimeter_mm})
    by = Review("Lek", AT, ReviewAnswer.CONFIRMED, 10, read.sha256, payload={"rim": "accepted"}, id=1)
    found = corrected(sure, said_of([by])[read.sha256], Settings())
    assert found.area_sd_parts["rim"] == pytest.approx(0.05 * read.aperture_perimeter_mm)
    assert (found.aperture_area_mm2, found.aperture_width_mm) == (read.aperture_area_mm2, read.aperture_width_mm)


def test_the_newest_answer_that_stands_counts() -> None:
    sha, rim = "b" * 64, [[0, 0], [5, 0], [5, 5]]
    first = Review("Lek", AT, ReviewAnswer.CORRECTED, 10, sha, stage=Stage.CALLUS, id=1)
    drawn = Review("Nok", AT + timedelta(hours=1), ReviewAnswer.CORRECTED, 10, sha, payload={"rim_mm": rim}, id=2)
    later = replace(first, who="Nok", at=AT + timedelta(hours=2), stage=Stage.CLOSED, id=3)
    said = said_of([later, drawn, first])[sha]
    assert (said.stage, said.stage_from, said.rim_from) == (Stage.CLOSED, later, drawn)
    gone = replace(later, answer=ReviewAnswer.NOTE, stage=None, payload={"takes_back": 3}, replaces=3, id=4)
    assert said_of([first, drawn, later, gone])[sha].stage is Stage.CALLUS
    assert corrected(reading(10, sha, TODAY, 30.0, Stage.CLOSING, 0.0, Flag.NONE), Said(), Settings()).corrections == ()


def test_a_named_stage_is_sure_but_not_certain() -> None:
    read = reading(10, "a" * 64, TODAY, 30.0, Stage.CLOSING, 0.0, Flag.UNSURE_STAGE)
    by = Review("Lek", AT, ReviewAnswer.CORRECTED, 10, read.sha256, stage=Stage.CALLUS, id=1)
    found = corrected(read, said_of([by])[read.sha256], Settings())
    assert found.stage is Stage.CALLUS
    assert found.stage_p[Stage.CALLUS] == 0.95
    assert sum(found.stage_p) == pytest.approx(1.0)
    assert Flag.UNSURE_STAGE not in found.flags


# ---------------------------------------------------------------- through the store


def last_visit(desk: Desk, site: int):
    (health,) = assess.assess_trees(desk.grove, desk.store, [desk.register.sites[site].tree], TODAY)
    return next(h for h in health.sites if h.site.site == site).visits[-1]


def test_an_answer_changes_the_timeline_and_taking_it_back_undoes_it(desk: Desk) -> None:
    before = last_visit(desk, 10)
    sha256 = desk.store.last_looks([10])[-1].sha256
    rim = ellipse(0, -130, 9, 14, corners=80)
    form = Filled(sha256, 0, Verdict.NOT, frozenset(), "", "", Stage.CALLUS, rim, False, "")
    kept = record(desk, 10, form, "Lek", Queue(desk).task(10, "Lek"))
    after = last_visit(desk, 10)
    assert after.aperture_area_mm2 == pytest.approx(sizes_of([rim]).area_mm2)
    assert after.aperture_width_mm == pytest.approx(18, rel=0.01)
    assert after.stage is Stage.CALLUS
    assert {(c.what, c.who) for c in after.corrections} == {("rim", "Lek"), ("stage", "Lek")}
    view = case_view(desk, 10, None)
    assert view is not None
    assert view.now.area_mm2 == pytest.approx(after.aperture_area_mm2)
    assert view.now.put_right.startswith("rim by Lek, 2026-07-20")
    assert view.visits[-1].corrections == after.corrections
    stored = desk.store.result_of(sha256)
    assert stored.aperture_area_mm2 == before.aperture_area_mm2, "what was read stays on record"
    take_back(desk, 10, kept.lead.lead, desk.store.last_review(10), "Lek")
    assert last_visit(desk, 10) == before
    assert corrections.corrected_all([stored], desk.store.reviews(sites=[10]), desk.settings) == [stored]


def test_a_run_over_the_whole_grove_sees_the_same(desk: Desk) -> None:
    """The survey in columns, which a run uses, against the records, which a page uses."""
    sha256 = desk.store.last_looks([10])[-1].sha256
    form = Filled(sha256, 0, Verdict.NOT, frozenset(), "", "", Stage.REBARKED, ellipse(0, -130, 9, 14), False, "")
    record(desk, 10, form, "Lek", Queue(desk).task(10, "Lek"))
    (surveyed,) = survey_lot(desk.grove, desk.store, desk.register, TODAY)
    (health,) = assess.assess_trees(desk.grove, desk.store, desk.register.trees, TODAY)
    assert health.sites[0].visits[-1].stage is Stage.REBARKED
    assert {f.key: f.why for f in surveyed.findings} == {f.key: f.why for f in health.findings}
    assert (surveyed.status, surveyed.reasons) == (health.status, health.reasons)
