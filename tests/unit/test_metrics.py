"""Agreement figures against worked values of the literature and against scikit-learn."""

import numpy as np
import pytest
from sklearn import metrics as sk

from pipeline import metrics

COHEN = np.array([[0.44, 0.07, 0.09], [0.05, 0.20, 0.05], [0.01, 0.03, 0.06]])
"""Cohen's example, proportions of n = 200, as printed in the help of R's `psych::cohen.kappa`."""
FLEISS = np.array([[106, 10, 4], [22, 28, 10], [2, 12, 6]])
"""Counts printed as an example by Fleiss, Cohen and Everitt (1969)."""


def test_cohens_example_gives_the_published_kappa() -> None:
    # Published as .492 and, with Cohen's own weights, .348.
    assert metrics.kappa_of_table(COHEN) == pytest.approx(0.491525, abs=1e-6)
    assert round(metrics.kappa_of_table(COHEN), 3) == 0.492
    weights = [[0, 1, 3], [1, 0, 6], [3, 6, 0]]
    assert round(metrics.kappa_of_table(COHEN, weights), 3) == 0.348


@pytest.mark.parametrize(("weights", "expected"), [("linear", 0.473684), ("quadratic", 0.454545)])
def test_cohens_example_weighted(weights: metrics.Weights, expected: float) -> None:
    assert metrics.kappa_of_table(COHEN, weights) == pytest.approx(expected, abs=1e-6)


def test_counts_of_fleiss() -> None:
    assert metrics.kappa_of_table(FLEISS) == pytest.approx(0.428571, abs=1e-6)
    assert metrics.kappa_of_table(FLEISS, "quadratic") == pytest.approx(0.566667, abs=1e-6)


@pytest.mark.parametrize(
    ("table", "expected"),
    [([[20, 5], [10, 15]], 0.4), ([[45, 15], [25, 15]], 0.1304), ([[25, 35], [5, 35]], 0.2593)],
)
def test_same_agreement_different_margins(table: list[list[int]], expected: float) -> None:
    # Textbook tables (from memory); kappa follows from the definition by hand, e.g. (0.7 - 0.5) / 0.5.
    assert metrics.kappa_of_table(table) == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(("ours", "theirs"), [("none", None), ("linear", "linear"), ("quadratic", "quadratic")])
def test_kappa_agrees_with_scikit_learn(ours: metrics.Weights, theirs: str | None) -> None:
    rng = np.random.default_rng(3)
    truth = rng.integers(0, 6, 300)
    answer = np.clip(truth + rng.integers(-1, 3, 300), 0, 5)
    expected = sk.cohen_kappa_score(truth, answer, labels=range(6), weights=theirs)
    assert metrics.kappa(truth, answer, 6, ours) == pytest.approx(expected, abs=1e-12)


def test_kappa_without_anything_to_disagree_on_is_not_a_number() -> None:
    assert np.isnan(metrics.kappa([2, 2, 2], [2, 2, 2], 6))


CONFIDENCE = [0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 0.65, 0.6, 0.55, 0.52]
HIT = [1, 1, 1, 0, 1, 1, 0, 1, 0, 1]


@pytest.mark.parametrize(("bins", "expected"), [(5, 0.153), (10, 0.153), (15, 0.243)])
def test_calibration_error_by_hand(bins: int, expected: float) -> None:
    # Definition: Guo et al. 2017, arXiv 1706.04599, bins (a, b]; figures worked by hand from it.
    assert metrics.expected_calibration_error(CONFIDENCE, HIT, bins) == pytest.approx(expected, abs=1e-9)


def test_calibration_error_of_a_sure_and_always_wrong_reader_is_one() -> None:
    assert metrics.expected_calibration_error([1.0, 1.0], [0, 0]) == pytest.approx(1.0)
    assert metrics.expected_calibration_error([0.0, 1.0], [0, 1]) == 0.0


def test_roc_area_agrees_with_scikit_learn_with_ties() -> None:
    rng = np.random.default_rng(5)
    truth = rng.random(400) < 0.3
    score = np.round(rng.normal(truth * 1.0, 1.0), 1)
    assert metrics.roc_area(truth, score) == pytest.approx(sk.roc_auc_score(truth, score), abs=1e-12)


def test_roc_area_needs_both_groups() -> None:
    assert np.isnan(metrics.roc_area([True, True], [0.1, 0.4]))


def test_iou_agrees_with_the_jaccard_index_of_scikit_learn() -> None:
    rng = np.random.default_rng(6)
    a, b = rng.random((20, 30)) < 0.4, rng.random((20, 30)) < 0.5
    assert metrics.iou(a, b) == pytest.approx(sk.jaccard_score(a.ravel(), b.ravel()), abs=1e-12)
    empty = np.zeros((3, 3), bool)
    assert metrics.iou(empty, empty) == 1.0
    assert metrics.iou(a, np.zeros_like(a)) == 0.0


def test_recall_agrees_with_the_roc_curve_of_scikit_learn() -> None:
    rng = np.random.default_rng(7)
    truth = rng.random(500) < 0.4
    score = rng.normal(truth * 1.5, 1.0)
    false_rate, true_rate, _ = sk.roc_curve(truth, score, drop_intermediate=False)
    recall, threshold = metrics.recall_at_false_alarms(truth, score, 0.03)
    assert recall == pytest.approx(true_rate[false_rate <= 0.03].max())
    assert np.mean(score[~truth] >= threshold) <= 0.03


def test_recall_with_no_false_alarm_allowed_and_a_tie() -> None:
    assert metrics.recall_at_false_alarms([True, True, False], [0.9, 0.5, 0.5], 0.0)[0] == 0.5


def test_confusion_agrees_with_scikit_learn_and_checks_lengths() -> None:
    truth, answer = [0, 1, 2, 2, 1], [0, 2, 2, 1, 1]
    assert np.array_equal(metrics.confusion(truth, answer, 4), sk.confusion_matrix(truth, answer, labels=range(4)))
    with pytest.raises(ValueError, match="equally long"):
        metrics.confusion([0], [0, 1], 4)


def test_bootstrap_interval_of_a_mean_agrees_with_the_normal_theory() -> None:
    # Central limit theorem: 95 % interval of a mean is about 1.96 sd / sqrt(n) to each side.
    values = np.random.default_rng(8).normal(10, 2, 400)
    got = metrics.bootstrap(lambda k: float(values[k].mean()), values.size, draws=2000)
    half = 1.96 * values.std() / 20
    assert got.value == pytest.approx(values.mean())
    assert got.hi - got.value == pytest.approx(half, rel=0.1)
    assert got.value - got.lo == pytest.approx(half, rel=0.1)
    assert got.cases == 400


def test_bootstrap_of_nothing_is_not_a_number() -> None:
    assert np.isnan(metrics.bootstrap(lambda k: 1.0, 0).value)
