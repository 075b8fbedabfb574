"""Whether a sign is there, over visits: against hmmlearn, and what one photo and two photos settle."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import numpy as np
import pytest

from pipeline.presence import COMING, presence
from pipeline.seasons import DAYS_A_MONTH


def test_filter_against_hmmlearn():
    """hmmlearn 0.3: the last posterior of each beginning of a chain is the filter's."""
    hmm = pytest.importorskip("hmmlearn.hmm", reason="hmmlearn is not installed")
    photos = [[0.02], [0.6], [0.4, 0.9], [0.1], [0.97]]
    days = [0, 30, 60, 90, 120]
    turn = math.exp(-(COMING.appears + COMING.goes) * 30 / DAYS_A_MONTH)
    settled = COMING.appears / (COMING.appears + COMING.goes)
    chain = np.array([[1 - settled * (1 - turn), settled * (1 - turn)], [0.0, 0.0]])
    chain[1] = [(1 - settled) * (1 - turn), 1 - (1 - settled) * (1 - turn)]
    speaks = []
    for visit in photos:
        each = [
            ((1 - COMING.odd) * p / COMING.base + COMING.odd)
            / ((1 - COMING.odd) * (1 - p) / (1 - COMING.base) + COMING.odd)
            for p in visit
        ]
        speaks.append(np.prod([COMING.missed if p < COMING.weak else s for s, p in zip(each, visit, strict=True)]))

    class Given(hmm.CategoricalHMM):
        """Likelihoods as given instead of from a table."""

        def _compute_log_likelihood(self, rows):
            return np.log([[1.0, speaks[int(row)]] for row in rows[:, 0]])

        def _compute_likelihood(self, rows):
            return np.exp(self._compute_log_likelihood(rows))

    model = Given(n_components=2)
    model.n_features = len(photos)
    model.startprob_, model.transmat_ = np.array([1 - COMING.begins, COMING.begins]), chain
    model.emissionprob_ = np.full((2, len(photos)), 1 / len(photos))
    got = presence(days, photos)
    for k in range(1, len(photos) + 1):
        posterior = model.predict_proba(np.arange(k)[:, None])[-1, 1]
        assert got[k - 1] == pytest.approx(posterior, rel=1e-9)


def test_one_photo_never_settles_it_two_do_and_weak_ones_never_add_up():
    assert presence([0, 30, 60], [[0.05], [0.05], [0.95]])[-1] < 0.5
    assert presence([0, 30, 60], [[0.05], [0.6], [0.6]])[-1] > 0.5
    assert presence([0], [[0.9, 0.9]])[-1] > 0.9
    assert presence(list(range(0, 900, 30)), [[0.3]] * 30)[-1] < 0.02


def test_what_visits_no_longer_show_is_let_go():
    seen = presence([0, 30, 60, 90, 120, 150], [[0.9], [0.9], [0.03], [0.03], [0.03], [0.03]])
    assert seen[1] > 0.9
    assert all(later < before for before, later in itertools.pairwise(seen[1:]))
    assert seen[-1] < 0.5


def test_nothing_seen_tends_to_the_settled_share():
    """Closed form of a two-state chain: appears / (appears + goes)."""
    after = presence([0, 100_000], [[], []])[-1]
    assert after == pytest.approx(COMING.appears / (COMING.appears + COMING.goes), rel=1e-6)


@pytest.mark.parametrize("photo", [0.99, 1.0, 0.0])
def test_hundreds_of_photos_of_one_visit_are_weighed_without_rounding_to_a_division_by_zero(photo):
    # Bayes in exact fractions: each photo multiplies the odds by the same factor.
    many = 900
    found = presence([0, 0, 40], [[photo] * many, [], [0.1]])
    factor = Fraction(presence_odds(photo))
    odds = Fraction(COMING.begins) / (1 - Fraction(COMING.begins)) * factor**many
    assert found[0] == pytest.approx(float(odds / (1 + odds)), abs=1e-12)
    assert found[1] == found[0]
    assert 0.0 < found[2] < 1.0


def presence_odds(photo):
    """What one photo multiplies the odds by, from two runs of the filter."""
    with_photo, without = presence([0], [[photo]])[0], COMING.begins
    return with_photo / (1 - with_photo) / (without / (1 - without))
