"""Drift of a network's scores and corrections: against SciPy, closed forms and the laws of the figures themselves."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from pipeline import drift


def test_stability_by_hand():
    # Two bins with equal parts of the reference, three quarters and one quarter now: (0.25) ln(1.5) + (-0.25) ln(0.5),
    # the formula of Siddiqi 2006; half a case a bin changes it by less than 0.2 % at these numbers.
    reference = np.repeat([0.0, 1.0], 2000)
    current = np.repeat([0.0, 1.0], [3000, 1000])
    closed = 0.25 * math.log(0.75 / 0.5) - 0.25 * math.log(0.25 / 0.5)
    assert drift.population_stability(reference, current, bins=2) == pytest.approx(closed, rel=2e-3)
    assert drift.population_stability(reference, reference, bins=2) == pytest.approx(0.0, abs=1e-12)


def test_stability_without_change_follows_chi_squared():
    # Yurdakul 2018: psi / (1/n + 1/m) is about chi-squared with bins - 1 degrees of freedom.
    rng = np.random.default_rng(1)
    n, m = 2000, 400
    values = np.array([drift.population_stability(rng.random(n), rng.random(m)) for _ in range(600)])
    scaled = values / (1 / n + 1 / m)
    assert scaled.mean() == pytest.approx(9, rel=0.06)
    assert np.mean(scaled > stats.chi2.ppf(0.95, 9)) == pytest.approx(0.05, abs=0.03)
    assert pytest.approx(stats.chi2.ppf(0.999, 9), abs=1e-3) == drift.CHI2_9_999
    assert drift.stability_limit(40, 40) == pytest.approx(stats.chi2.ppf(0.999, 9) / 20, abs=1e-3)


@pytest.mark.parametrize(("n", "m", "shift"), [(80, 120, 0.0), (80, 120, 0.25), (500, 300, 0.1)])
def test_ks_agrees_with_scipy(n, m, shift):
    rng = np.random.default_rng(n + m)
    a, b = rng.normal(0, 1, n), rng.normal(shift, 1, m)
    distance, p = drift.ks_distance(a, b)
    reference = stats.ks_2samp(a, b, method="exact")
    assert distance == pytest.approx(reference.statistic, abs=1e-12)
    # Stephens' form is within a few per cent of the exact p at these sizes.
    assert p == pytest.approx(reference.pvalue, abs=0.03)


def test_ks_with_ties_agrees_with_scipy():
    a, b = np.repeat([0.1, 0.2, 0.9], [5, 3, 2]), np.repeat([0.1, 0.5], [4, 4])
    assert drift.ks_distance(a, b)[0] == pytest.approx(stats.ks_2samp(a, b).statistic, abs=1e-12)


@pytest.mark.parametrize("table", [(9, 30, 3, 60), (0, 12, 0, 9), (5, 5, 1, 40), (2, 50, 20, 60)])
def test_more_than_before_is_fishers_exact_test(table):
    now, of_now, before, of_before = table
    reference = stats.fisher_exact([[now, of_now - now], [before, of_before - before]], alternative="greater").pvalue
    assert drift.more_than_before(*table) == pytest.approx(reference, rel=1e-9)


def _months(count: int, photos: int, shift_from: int, shift: float, seed: int = 0) -> list[drift.Scores]:
    rng = np.random.default_rng(seed)
    found = []
    for month in range(1, count + 1):
        draws = rng.beta(1, 9, photos)
        if month >= shift_from:
            draws = np.clip(draws + shift, 0, 1)
        found += [drift.Scores(f"2026-{month:02d}", {"green film": float(p), "conk": 0.02}) for p in draws]
    return found


def test_scores_that_move_ask_for_labels_and_steady_ones_do_not():
    moved = drift.watch(_months(8, 120, 6, 0.15), [])
    assert moved.label
    assert not moved.retrain
    assert [m.month for m in moved.months if m.has_moved] == ["2026-06", "2026-07", "2026-08"]
    assert all(m.moved == "green film" for m in moved.months if m.has_moved)
    assert [m.is_reference for m in moved.months[:3]] == [True, True, False]
    steady = drift.watch(_months(8, 120, 99, 0.0), [])
    assert not steady.label
    assert steady.reasons == ("Nothing speaks for training anew.",)
    few = drift.watch(_months(2, 40, 99, 0.0), [])
    assert "nothing to compare with" in few.reasons[0]


def test_steady_months_are_rarely_called_moved():
    called = sum(m.has_moved for seed in range(40) for m in drift.watch(_months(6, 100, 99, 0.0, seed), []).months)
    # 40 groves with four later months each; both measures at one in 1,000 leave hardly any.
    assert called <= 1


def test_people_who_correct_more_ask_for_training():
    scores = _months(7, 120, 99, 0.0)
    answers = [drift.Checked(f"2026-{m:02d}", k < (3 if m <= 2 else 12)) for m in range(1, 8) for k in range(30)]
    found = drift.watch(scores, answers)
    assert found.retrain
    assert "36 of 90" in found.reasons[0]
    assert "6 of 60" in found.reasons[0]
    same = [drift.Checked(f"2026-{m:02d}", k < 3) for m in range(1, 8) for k in range(30)]
    assert not drift.watch(scores, same).retrain
