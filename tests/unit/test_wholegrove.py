"""A grove surveyed from the store in columns, against its trees assessed from records."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest

from pipeline import alerts, assess, batch, wholegrove
from pipeline.grove import Grove
from pipeline.records import Arrival, BarkScale, PhotoStage, Reading, Refusal, Review, ReviewAnswer, Sign
from pipeline.settings import Settings
from pipeline.simulate import GrovePlan, simulate_grove
from pipeline.store import open_store
from pipeline.store.bark import Tie
from tests import made_records as made
from tests.property.test_survey_properties import differences

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.store import Store

NOON = datetime(2026, 5, 3, 12, 0, tzinfo=UTC)


def save(store: Store, readings: list[Reading | Refusal], settings_hash: str) -> None:
    store.record_arrivals([Arrival(r.file, r.sha256, 1, f"{r.sha256[:2]}/{r.sha256}.jpg", NOON) for r in readings])
    store.use_reader("drawn 1", settings_hash, NOON)
    store.save_results(readings, model="drawn 1", settings=settings_hash, read_at=NOON, program="0")


def with_scale(rng: random.Random, readings: list[Reading]) -> dict[str, Tie]:
    """Some photos share bark: a scale of their own, and how sure the place is."""
    ties = {}
    for reading in readings:
        if rng.random() < 0.8:
            factors = [rng.uniform(0.9, 1.1) for _ in range(3)]
            sds = [rng.uniform(0.01, 0.05) for _ in range(3)]
            scale = BarkScale(*factors, *sds, 0.6 * sds[0], 0.6 * sds[1]) if rng.random() < 0.8 else None
            ties[reading.sha256] = Tie(rng.choice([None, rng.random()]), scale)
    return ties


@pytest.fixture
def grove(tmp_path: Path) -> Grove:
    plan = GrovePlan(trees=4, sites_a_tree=2, years=1.5, infections=0.4, cuts=0.3, unrecorded_openings=0.4, seed=3)
    simulated, settings, rng = simulate_grove(plan), Settings(), random.Random(3)
    names = ("girth", "card tilt", "standoff", "corner noise", "rim", "reader", "softness")
    readings = []
    for reading in simulated.readings:
        area_sd = reading.aperture_area_mm2_sd or 0.0
        parts = {name: area_sd * rng.random() for name in names} if rng.random() < 0.9 else {}
        readings.append(replace(reading, model="drawn 1", settings=settings.reading_hash, area_sd_parts=parts))
    opened = Grove(tmp_path, settings, {}, simulated.register)
    with open_store(opened.database) as store:
        save(store, readings, settings.reading_hash)
        store.save_ties([], with_scale(rng, readings), "1")
        refused = Refusal("x.jpg", "f" * 64, PhotoStage.CARD, "No card.", "Again.", NOON, readings[0].site)
        save(store, [refused], settings.reading_hash)
        photo = readings[len(readings) // 2]
        store.add_review(
            Review(
                "Dao",
                NOON,
                ReviewAnswer.CONFIRMED,
                photo.site,
                photo.sha256,
                sign=Sign.CONK,
                payload={"rim": "accepted"},
            )
        )
    return opened


@pytest.mark.parametrize("workers", [1, 2])
def test_a_surveyed_grove_is_what_its_trees_are(grove: Grove, workers: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(wholegrove, "SITES_A_LOT", 2)
    today = NOON.date()
    with open_store(grove.database) as store:
        healths = assess.assess_trees(grove, store, grove.register.trees, today)
        surveys = list(
            wholegrove.survey_grove(grove, store, grove.register, tuple(grove.register.trees), today, workers)
        )
    assert sum(len(survey.findings) for survey in surveys) > 5
    assert len(surveys) == len(healths)
    for health, survey in zip(healths, surveys, strict=True):
        asked = alerts.questions(health.sites, grove.register, grove.settings, today)
        expected = (health.tree.tree, health.findings, asked, health.status, health.reasons)
        assert (
            differences(expected, (survey.tree, survey.findings, survey.questions, survey.status, survey.reasons)) == []
        )


def test_alerts_of_a_run_and_of_one_tree_are_those_of_its_records(grove: Grove) -> None:
    today = NOON.date()
    with open_store(grove.database) as store:
        first, asked = batch.update_alerts(grove, store, today)
        whole = {alert.finding.key for alert in first.opened}
        healths = assess.assess_trees(grove, store, grove.register.trees, today)
        assert {f.key for health in healths for f in health.findings} <= whole
        assert batch.update_alerts(grove, store, today) == (type(first)(), ())
        assert batch.update_alerts(grove, store, today, trees=list(grove.register.trees)[:1]) == (type(first)(), ())
        by_records = batch.update_alerts(
            grove, store, today, lambda trees: assess.assess_trees(grove, store, trees, today)
        )
        assert by_records == (type(first)(), ())
        assert len({question.key for question in asked}) == len(asked)


def test_the_last_digits_of_a_figure_are_no_news(tmp_path: Path) -> None:
    known = made.finding(figures={"p": 0.4})
    with open_store(tmp_path / "grove.sqlite") as store:
        assert len(store.apply_findings([known], NOON.date()).opened) == 1
        assert store.apply_findings([replace(known, figures={"p": 0.4 + 1e-15})], NOON.date()).updated == ()
        assert len(store.apply_findings([replace(known, figures={"p": 0.4001})], NOON.date()).updated) == 1
        assert len(store.apply_findings([replace(known, figures={"q": 0.4001})], NOON.date()).updated) == 1
