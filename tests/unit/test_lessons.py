"""Lessons of a grove: pooling against statsmodels, differences put into simulated groves and found again."""

from __future__ import annotations

import math
import warnings
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from pipeline import flow, lessons
from pipeline.cli import cli
from pipeline.lessons import Comparison, Lessons
from pipeline.records import Register, SiteHistory
from pipeline.settings import Settings
from pipeline.simulate import GrovePlan, SimulatedGrove, simulate_grove

SETTINGS = Settings()
PLAN = GrovePlan(trees=14, years=2.0, stalls=0.0, infections=0.0, unrecorded_openings=0.0, second_photos=0.0)


def histories_of(grove: SimulatedGrove, register: Register | None = None) -> list[SiteHistory]:
    known = register or grove.register
    today = max(reading.visit_on for reading in grove.readings)
    return [h for health in flow.assess_grove(known, grove.readings, SETTINGS, today) for h in health.sites]


@pytest.fixture(scope="module")
def grove() -> SimulatedGrove:
    return simulate_grove(replace(PLAN, seed=5, cuts=0.5))


@pytest.fixture(scope="module")
def found(grove: SimulatedGrove) -> Lessons:
    return lessons.learn(histories_of(grove), grove.register, SETTINGS)


def named(found: Lessons, name: str) -> Comparison:
    return next(c for c in found.comparisons if c.name == name)


def statsmodels_dl(values: np.ndarray, sds: np.ndarray) -> tuple[float, float, float]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from statsmodels.stats.meta_analysis import combine_effects

        result = combine_effects(values, sds**2, method_re="chi2")
    return float(result.mean_effect_re), float(result.sd_eff_w_re), float(result.tau2)


@pytest.mark.parametrize("seed", range(6))
def test_pooling_is_dersimonian_and_lairds(seed: int) -> None:
    """Mean and variance between units against statsmodels.stats.meta_analysis (one-step DerSimonian-Laird)."""
    rng = np.random.default_rng(seed)
    sds = rng.uniform(0.05, 0.4, 9)
    values = 0.6 + rng.normal(0.0, 0.2, 9) + rng.normal(0.0, sds)
    mine = lessons.pool(values, sds, [f"tree {i}" for i in range(9)])
    mean, se, tau2 = statsmodels_dl(values, sds)
    assert mine.mean == pytest.approx(mean, rel=1e-9)
    assert mine.between**2 == pytest.approx(tau2, rel=1e-9, abs=1e-12)
    assert mine.se >= se * (1 - 1e-9)
    assert mine.degrees == 8


def test_the_standard_error_knows_that_sites_of_a_tree_go_together() -> None:
    """Cluster-robust variance against statsmodels' weighted least squares with clusters, small-sample factor aside."""
    rng = np.random.default_rng(1)
    trees = np.repeat(np.arange(8), 4)
    sds = np.full(32, 0.05)
    values = 0.6 + rng.normal(0.0, 0.3, 8)[trees] + rng.normal(0.0, sds)
    mine = lessons.pool(values, sds, [str(tree) for tree in trees])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import statsmodels.api as sm

        weights = 1.0 / (sds**2 + mine.between**2)
        fit = sm.WLS(values, np.ones(32), weights=weights).fit(
            cov_type="cluster", cov_kwds={"groups": trees, "use_correction": False}
        )
    assert mine.mean == pytest.approx(float(fit.params[0]), rel=1e-9)
    assert mine.se == pytest.approx(float(fit.bse[0]) * math.sqrt(8 / 7), rel=1e-9)
    alone = lessons.pool(values, sds, [str(i) for i in range(32)])
    assert mine.se > 1.5 * alone.se


def test_the_mean_rate_of_a_simulated_grove_is_held_by_its_interval(grove: SimulatedGrove, found: Lessons) -> None:
    truth = [t.side_mm_per_growing_month for t in grove.truths.values()]
    mean = found.overall.mean
    assert mean is not None
    assert mean.lo < float(np.mean(truth)) < mean.hi
    assert found.overall.new_site is not None
    share = np.mean([found.overall.new_site.lo <= rate <= found.overall.new_site.hi for rate in truth])
    assert 0.6 <= share <= 0.98
    assert found.season_mm(mean.value) == pytest.approx(14 * mean.value)


def test_a_difference_put_into_the_grove_is_found_and_no_other(grove: SimulatedGrove) -> None:
    """Sites facing north are given twice the rate by thinning time: their true rates decide the side that they face."""
    rates = {number: truth.side_mm_per_growing_month for number, truth in grove.truths.items()}
    middle = float(np.median(list(rates.values())))
    sites = {
        number: replace(site, bearing_deg=0.0 if rates[number] > middle else 180.0)
        for number, site in grove.register.sites.items()
    }
    turned = replace(grove.register, sites=sites)
    found = lessons.learn(histories_of(grove, turned), turned, SETTINGS)
    sides = named(found, "side of the trunk")
    assert sides.differ is True
    assert [g.label for g in sides.groups] == ["north", "south"]
    assert all(g.mean is not None for g in sides.groups)
    assert "differs by side of the trunk" in found.words
    assert named(found, "height above ground").differ is not True


def test_groups_with_few_sites_or_trees_say_what_is_missing() -> None:
    small = simulate_grove(replace(PLAN, trees=2, seed=2))
    found = lessons.learn(histories_of(small), small.register, SETTINGS)
    assert found.overall.mean is None
    assert "not enough yet: 6 of 5 sites and 2 of 3 trees" in found.overall.why_not
    assert "does not teach anything yet" in found.words
    assert all(c.differ is None for c in found.comparisons)
    nothing = lessons.learn([], Register(), SETTINGS)
    assert nothing.overall.sites == 0
    assert nothing.tree_years == ()


def test_classes_are_in_order_and_hold_every_site_once(grove: SimulatedGrove, found: Lessons) -> None:
    widths = named(found, "first width")
    order = ["under 10 mm", "10 to 20 mm", "20 to 40 mm", "40 mm and more"]
    assert [g.label for g in widths.groups] == [label for label in order if label in {g.label for g in widths.groups}]
    kinds = named(found, "kind of wound")
    assert sum(g.sites for g in kinds.groups) == found.overall.sites
    assert [g.label for g in named(found, "season").groups] == ["2023", "2024"]
    assert {g.label for g in named(found, "age of the stem").groups} == {"5 to 10 years"}


def test_wood_taken_stands_beside_how_the_tree_answered(grove: SimulatedGrove, found: Lessons) -> None:
    weighed = [e for e in grove.register.events if e.amount is not None]
    assert weighed
    per_year: dict[tuple[str, int], float] = {}
    for event in weighed:
        key = (event.tree, event.on.year)
        per_year[key] = per_year.get(key, 0.0) + (event.amount or 0.0)
    shown = {(row.tree, row.year): row.wood_g for row in found.tree_years if row.wood_g is not None}
    assert shown == pytest.approx(per_year)
    assert any(row.rate is not None for row in found.tree_years)
    assert all(row.rate is None for row in found.tree_years if row.sites < 3)


def test_the_picture_is_written_twice(found: Lessons, tmp_path: Path) -> None:
    from pipeline import report

    png, svg = report.lessons_picture(found, "Test grove", tmp_path / "lessons")
    again, _ = report.lessons_picture(found, "Test grove", tmp_path / "again")
    assert png.read_bytes()[:4] == b"\x89PNG"
    assert png.read_bytes() == again.read_bytes()
    assert "<svg" in svg.read_text(encoding="utf-8")


def test_the_command_says_that_an_empty_grove_teaches_nothing_yet(tmp_path: Path) -> None:
    runner = CliRunner()
    assert runner.invoke(cli, ["init", str(tmp_path / "g")]).exit_code == 0
    result = runner.invoke(cli, ["lessons", str(tmp_path / "g"), "--on", date(2026, 1, 1).isoformat()])
    assert result.exit_code == 0, result.output
    assert "does not teach anything yet" in result.output
    assert (tmp_path / "g" / "reports" / "lessons.png").exists()
