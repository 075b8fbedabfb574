"""Many trees surveyed in columns against each tree assessed alone: same findings, questions, statuses and reasons."""

from __future__ import annotations

import itertools
import random
from dataclasses import fields, is_dataclass, replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import alerts, flow, timeline
from pipeline.alerts.screen import SCREENS
from pipeline.lines import median_each, theil_sen, theil_sen_each
from pipeline.records import (
    Flag,
    PhotoStage,
    Reading,
    Refusal,
    Register,
    Review,
    ReviewAnswer,
    Sign,
    SignReading,
    Visit,
)
from pipeline.seasons import growing_day_numbers, growing_days
from pipeline.settings import Settings
from pipeline.simulate import GrovePlan, SimulatedGrove, simulate_grove
from pipeline.survey import survey_trees
from pipeline.timeline.table import SIZES, table_of, visits_in
from pipeline.timeline.visits import SIGNS

SETTINGS = Settings()
seeds = st.integers(0, 10_000)


def grove_of(seed: int) -> SimulatedGrove:
    """A small grove in which much happens."""
    plan = GrovePlan(
        trees=3, sites_a_tree=3, years=2.0, stalls=0.3, infections=0.3, cuts=0.4, unrecorded_openings=0.3,
        second_photos=0.4, seed=seed,
    )  # fmt: skip
    return simulate_grove(plan)


def spoiled(readings: tuple[Reading, ...], rng: random.Random) -> list[Reading]:
    """Readings with everything that a real grove's lack or doubt now and then."""
    found = []
    for reading in readings:
        changes: dict[str, object] = {}
        if rng.random() < 0.1:
            changes["flags"] = reading.flags | rng.choice(list(Flag))
        if rng.random() < 0.05:
            changes |= dict.fromkeys(rng.sample([*SIZES, *(f"{name}_sd" for name in SIZES)], 3))
        if rng.random() < 0.05:
            changes["same_place"] = rng.random()
        if rng.random() < 0.05:
            changes["signs"] = {rng.choice(list(Sign)): SignReading(rng.random(), rng.choice([None, 300.0]))}
        if rng.random() < 0.03:
            changes["area_sd_parts"] = {}
        if rng.random() < 0.9:
            found.append(replace(reading, **changes))  # type: ignore[arg-type]
    rng.shuffle(found)
    return found


def said(register: Register, readings: list[Reading], rng: random.Random) -> tuple[list[Review], list[Refusal]]:
    """Some answers of people, and photos that could not be read."""
    reviews, refusals = [], []
    for number in rng.sample(sorted(register.sites), 3):
        own = [r for r in readings if r.site == number]
        photo = rng.choice(own) if own else None
        reviews.append(
            Review(
                "Dao",
                datetime(2024, 6, 1, 9, tzinfo=UTC),
                rng.choice([ReviewAnswer.CONFIRMED, ReviewAnswer.REJECTED]),
                site=number,
                sha256=photo.sha256 if photo else None,
                sign=rng.choice(list(Sign)),
                id=len(reviews) + 1,
            )
        )
        taken_at = datetime(2024, 11, 1, 9, tzinfo=UTC)
        refusals.append(Refusal("x.jpg", f"{number:064d}", PhotoStage.CARD, "No card.", "Again.", taken_at, number))
    return reviews, refusals


def differences(one: object, other: object, where: str = "") -> list[str]:
    """Places where two results differ by more than rounding."""
    if is_dataclass(one) and type(one) is type(other):
        names = [field.name for field in fields(one)]
        return [d for n in names for d in differences(getattr(one, n), getattr(other, n), f"{where}.{n}")]
    if isinstance(one, float) and isinstance(other, float):
        return [] if one == pytest.approx(other, rel=1e-9, abs=1e-9) else [f"{where}: {one} and {other}"]
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        return [d for key in one for d in differences(one[key], other[key], f"{where}[{key}]")]
    if isinstance(one, tuple) and isinstance(other, tuple) and len(one) == len(other):
        return [d for i, (a, b) in enumerate(zip(one, other, strict=True)) for d in differences(a, b, f"{where}[{i}]")]
    return [] if one == other else [f"{where}: {one!r} and {other!r}"]


@settings(max_examples=12, deadline=None)
@given(seed=seeds, share=st.sampled_from([0.1, 0.4, 0.7, 1.0]))
def test_a_survey_says_what_each_tree_alone_says(seed: int, share: float) -> None:
    grove, rng = grove_of(seed), random.Random(seed)
    begin = date(2023, 3, 1)
    today = begin + timedelta(days=round(share * 730))
    readings = [r for r in spoiled(grove.readings, rng) if r.visit_on <= today]
    reviews, refusals = said(grove.register, readings, rng)
    whole = flow.assess_grove(grove.register, readings, SETTINGS, today, reviews=reviews, refusals=refusals)
    surveyed = survey_trees(
        list(grove.register.trees.values()), grove.register, table_of(readings), SETTINGS, today,
        reviews=flow.by_tree(reviews, grove.register), refusals=flow.by_tree(refusals, grove.register),
    )  # fmt: skip
    assert len(surveyed) == len(whole)
    for health, survey in zip(whole, surveyed, strict=True):
        asked = alerts.questions(health.sites, grove.register, SETTINGS, today)
        expected = (health.tree.tree, health.findings, asked, health.status, health.reasons)
        found = (survey.tree, survey.findings, survey.questions, survey.status, survey.reasons)
        assert differences(expected, found) == []


def test_every_rule_has_a_screen() -> None:
    """One without a screen is looked at for every site: right, but slow."""
    assert {rule.name for rule in alerts.RULES} == set(SCREENS)


@settings(max_examples=8, deadline=None)
@given(seed=seeds)
def test_visits_in_columns_are_the_visits(seed: int) -> None:
    grove, rng = grove_of(seed), random.Random(seed)
    readings = spoiled(grove.readings, rng)
    visits: list[Visit] = []
    for site in sorted(grove.register.sites):
        visits += timeline.visits_of(site, [r for r in readings if r.site == site], SETTINGS.time)
    table = visits_in(table_of([*readings, *readings[:5]]), SETTINGS.time)
    assert table.site.tolist() == [v.site for v in visits]
    assert table.day.tolist() == [v.visit_on.toordinal() for v in visits]
    assert table.flags.tolist() == [int(v.flags) for v in visits]
    assert [table.readings.sha256[k] for k in table.chosen] == [v.chosen_sha256 for v in visits]
    assert [table.readings.sha256[k] for k in table.photos] == [sha256 for v in visits for sha256 in v.photos]

    def same(column: np.ndarray, values: list[object]) -> None:
        np.testing.assert_allclose(column, np.array(values, dtype=np.float64), rtol=1e-9, atol=1e-12)

    for k, name in enumerate(SIZES):
        same(table.size[:, k], [getattr(v, name) for v in visits])
        same(table.size_sd[:, k], [getattr(v, f"{name}_sd") for v in visits])
    same(table.stage_p, [v.stage_p for v in visits])
    same(table.common_rel_sd, [v.area_common_rel_sd for v in visits])
    same(table.same_place, [v.same_place for v in visits])
    same(table.sign_p, [[v.signs[sign].p for sign in SIGNS] for v in visits])
    same(table.sign_area_mm2, [[v.signs[sign].area_mm2 for sign in SIGNS] for v in visits])


@settings(max_examples=8, deadline=None)
@given(seed=seeds)
def test_episodes_and_filtered_stages_in_columns_are_those_of_each_site(seed: int) -> None:
    grove, rng = grove_of(seed), random.Random(seed)
    readings = spoiled(grove.readings, rng)
    register = grove.register
    table = visits_in(table_of(readings), SETTINGS.time)
    numbers = np.array(sorted(register.sites))
    begin, end = np.searchsorted(table.site, numbers, "left"), np.searchsorted(table.site, numbers, "right")
    sites = [register.sites[n] for n in numbers.tolist()]
    events = [timeline.events_of_site(site, register.events) for site in sites]
    episode, posterior, flags = timeline.follow(sites, events, table, begin, end, SETTINGS.time)
    visits = [
        visit
        for site in sites
        for visit in timeline.site_history(site, readings, register.events, SETTINGS.time, SETTINGS.grove).visits
    ]
    assert episode.tolist() == [v.episode for v in visits]
    assert flags.tolist() == [int(v.flags) for v in visits]
    np.testing.assert_allclose(posterior, [v.stage_posterior for v in visits], rtol=1e-9, atol=1e-12)


@given(st.lists(st.lists(st.integers(-30, 30) | st.none(), min_size=5, max_size=5), min_size=1, max_size=4))
def test_lines_through_many_series_are_the_lines_through_each(rows: list[list[int | None]]) -> None:
    """numpy.nanmedian, and the line of one series."""
    y = np.array(rows, dtype=np.float64)
    x = np.tile([0.0, 1.0, 1.0, 2.5, 4.0], (len(rows), 1))
    slopes, offsets = theil_sen_each(x, y)
    for k in range(len(rows)):
        known = ~np.isnan(y[k])
        if np.unique(x[k, known]).size < 2:
            assert np.isnan(slopes[k])
            continue
        slope, _ = theil_sen(x[k, known], y[k, known])
        assert slopes[k] == pytest.approx(slope)
        assert offsets[k] == pytest.approx(np.nanmedian(y[k] - slope * x[k]))
    some = ~np.isnan(y).all(axis=1)
    assert median_each(y)[some] == pytest.approx(np.nanmedian(y[some], axis=1))


@given(st.lists(st.dates(date(1990, 1, 1), date(2090, 1, 1)), min_size=2, max_size=6))
def test_numbers_of_growing_days_differ_by_growing_days(days: list[date]) -> None:
    months = SETTINGS.grove.growing_months
    numbers = growing_day_numbers(np.array([day.toordinal() for day in days]), months)
    assert np.diff(numbers).tolist() == [growing_days(a, b, months) for a, b in itertools.pairwise(days)]
