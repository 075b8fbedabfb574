"""What to label next: entropy against SciPy, greedy centres against a plain search, properties of the order."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pipeline import picking


def test_entropy_agrees_with_scipy():
    p = np.random.default_rng(2).dirichlet(np.ones(6), 50)
    np.testing.assert_allclose(picking.entropy_bits(p), stats.entropy(p, base=2, axis=1), atol=1e-12)
    assert picking.entropy_bits([1.0, 0.0]) == 0.0


def test_doubt_is_the_larger_of_sign_and_stage():
    # One bit at 1/2, none at 0 or 1 (Shannon 1948); six equal stages are log2(6) bits, which counts as 1.
    sure = [1.0, 0, 0, 0, 0, 0]
    even = [1 / 6] * 6
    found = picking.doubt([[0.5, 0.0], [0.0, 1.0], [0.0, 0.0]], [sure, sure, even])
    np.testing.assert_allclose(found, [1.0, 0.0, 1.0], atol=1e-12)


def test_equal_doubt_gives_the_greedy_k_centre_order():
    # Gonzalez 1985: each pick is the point farthest from those picked; recomputed here from all distances.
    x = np.random.default_rng(3).normal(size=(40, 3))
    order = picking.order_by_gain(np.full(40, 0.5), x, count=12)
    distances = np.linalg.norm(x[:, None] - x[None], axis=2)
    for place in range(1, 12):
        nearest = distances[:, order[:place]].min(1)
        assert nearest[order[place]] == pytest.approx(nearest.max())
    # The cover radius is at most twice the best one (the theorem of the same paper), so far below the first spread.
    assert distances[:, order[:12]].min(1).max() < 0.6 * distances[:, order[:1]].min(1).max()


def test_twins_of_labelled_cases_come_last():
    x = np.array([[0.0, 0.0], [5.0, 0.0], [0.0, 0.0], [5.0, 0.1]])
    order = picking.order_by_gain([0.9, 0.5, 0.9, 0.4], x, labelled=[[0.0, 0.0]])
    assert order[0] == 1
    assert set(order[-2:]) == {0, 2}


@given(st.integers(1, 25), st.integers(0, 30), st.integers(0, 10_000))
def test_every_case_comes_once(cases, count, seed):
    rng = np.random.default_rng(seed)
    order = picking.order_by_gain(rng.random(cases), rng.normal(size=(cases, 2)), count=count)
    assert sorted(order) == list(range(cases))
