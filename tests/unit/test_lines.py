"""Robust lines and quantiles against scipy, hand-worked examples and closed forms."""

import numpy as np
import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from pipeline.lines import (
    THEIL_SEN_VARIANCE,
    chi_square_quantile,
    line_through,
    mann_kendall,
    median,
    student_quantile,
    theil_sen,
)

# Mann-Kendall worked by hand by J. Little, College of the Holy Cross: 72 pairs up, 18 down, 1 tie
LITTLE = [12.9, 14.8, 13.2, 15.7, 13.8, 15.6, 12.9, 11.0, 17.3, 15.9, 19.0, 18.3, 20.1, 21.7]


def test_mann_kendall_of_littles_example() -> None:
    found = mann_kendall(LITTLE)
    assert found.score == 54
    assert found.variance == pytest.approx((14 * 13 * 33 - 2 * 1 * 9) / 18)
    assert found.z == pytest.approx(2.9058, abs=5e-5)
    assert found.p == pytest.approx(0.00366, abs=5e-6)


def test_theil_sen_of_the_same_data_and_its_robustness() -> None:
    slope, intercept = theil_sen(np.arange(14), LITTLE)
    assert (slope, intercept) == pytest.approx((0.566667, 11.96667), abs=5e-6)  # scipy, pymannkendall
    wild, _ = theil_sen(np.arange(14), [*LITTLE[:-1], 99.0])
    assert abs(wild - slope) < 0.15
    assert np.polyfit(np.arange(14), [*LITTLE[:-1], 99.0], 1)[0] - slope > 1.0


def test_four_points_by_hand() -> None:
    # pair slopes -1, 2, 2.5, 3.333, 5, 6 (style of Gilbert 1987, numbers from memory, recomputed by hand)
    assert theil_sen([0, 1, 2, 3], [10, 15, 14, 20])[0] == pytest.approx((2.5 + 10 / 3) / 2)
    assert mann_kendall([10, 15, 14, 20]).score == 4


@given(st.lists(st.integers(-40, 40), min_size=3, max_size=14), st.integers(0, 2**31))
def test_theil_sen_agrees_with_scipy(y: list[int], seed: int) -> None:
    x = np.cumsum(np.random.default_rng(seed).uniform(0.5, 3.0, len(y)))
    expected = scipy.stats.theilslopes(y, x)
    assert theil_sen(x, y) == pytest.approx((expected.slope, expected.intercept), abs=1e-9)


@pytest.mark.parametrize("p", [0.9, 0.95, 0.975, 0.99])
@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 6, 10, 30])
def test_quantiles_agree_with_scipy(p: float, degrees: int) -> None:
    assert student_quantile(p, degrees) == pytest.approx(
        scipy.stats.t.ppf(p, degrees), rel=0.03 if degrees < 5 else 2e-3
    )
    assert chi_square_quantile(p, degrees) == pytest.approx(scipy.stats.chi2.ppf(p, degrees), rel=0.03)


def test_line_recovers_its_slope_with_honest_intervals() -> None:
    """Coverage over 600 drawn lines; the bounds are three binomial standard deviations wide."""
    rng = np.random.default_rng(5)
    x = np.array([0.0, 1.0, 1.9, 3.2, 4.0, 5.1, 6.0])
    held = 0
    for _ in range(600):
        line = line_through(x, 2.0 - 0.7 * x + rng.normal(0, 0.3, x.size), np.full(x.size, 0.3))
        held += abs(line.slope + 0.7) <= line.factor(0.95) * line.slope_sd
    assert 0.92 <= held / 600 <= 0.995


def test_slope_uncertainty_is_that_of_least_squares_times_the_theil_sen_factor() -> None:
    x = np.array([0.0, 1.0, 2.0, 4.0])
    line = line_through(x, 3.0 + 2.0 * x, np.full(4, 0.5))
    expected = 0.5 / np.sqrt(np.square(x - x.mean()).sum()) * np.sqrt(THEIL_SEN_VARIANCE)
    assert line.slope == pytest.approx(2.0)
    assert line.slope_sd == pytest.approx(expected)
    assert line.level == pytest.approx(11.0)


def test_scatter_beyond_the_uncertainties_widens_the_interval() -> None:
    x = np.arange(8.0)
    y = np.array([0, 3, -2, 5, 0, 6, 1, 8.0])
    narrow = line_through(x, y, np.full(8, 10.0))
    wide = line_through(x, y, np.full(8, 0.1))
    assert narrow.birge == 1.0
    assert narrow.degrees is None
    assert wide.birge > 5
    assert wide.degrees == 6


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=120))
def test_median_is_numpys(values: list[float]) -> None:
    assert median(np.array(values)) == pytest.approx(float(np.median(values)), rel=1e-12, abs=1e-9)
