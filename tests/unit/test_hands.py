"""The careless hand of the simulator: nothing is invented, only what was skipped is lost, and truth names the days."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from pipeline.hands import Carelessness, ellipse, handle
from pipeline.records import Flag
from pipeline.simulate import GrovePlan, simulate_grove


@pytest.fixture(scope="module")
def careful():
    grove = simulate_grove(GrovePlan(trees=12, seed=3))
    return grove.readings, {number: site.tree for number, site in grove.register.sites.items()}


def test_a_careful_hand_changes_nothing(careful):
    readings, trees = careful
    delivered, spoiled = handle(readings, trees, 0.0, np.random.default_rng(1))
    assert sorted(r.sha256 for r in delivered) == sorted(r.sha256 for r in readings)
    assert not spoiled


def test_every_photo_is_delivered_once_or_was_skipped(careful):
    readings, trees = careful
    ways = Carelessness(skips=0.3, wrong_card=0.2, swaps=0.2, blurs=0.2)
    delivered, spoiled = handle(readings, trees, 0.8, np.random.default_rng(1), ways)
    counts = Counter(r.sha256 for r in delivered)
    assert set(counts.values()) == {1}
    assert set(counts) < {r.sha256 for r in readings}
    before = {r.sha256: r for r in readings}
    moved = [r for r in delivered if r.site != before[r.sha256].site]
    blurred = [r for r in delivered if Flag.SOFT_FOCUS in r.flags and Flag.SOFT_FOCUS not in before[r.sha256].flags]
    assert moved
    assert blurred
    for reading in moved:
        # A card is mistaken for another one of the same tree, on the day of the photo.
        assert trees[reading.site] == trees[before[reading.sha256].site]
        assert reading.visit_on in spoiled[reading.site]
    for reading in blurred:
        assert reading.visit_on in spoiled[reading.site]
        before_sd = before[reading.sha256].aperture_area_mm2_sd
        assert not before_sd or reading.aperture_area_mm2_sd > before_sd


def test_ellipse_against_known_values():
    # Circle: pi d; an ellipse of axes 2 and 1 has the perimeter 4.84422 (complete elliptic integral of scipy).
    from scipy.special import ellipe

    area, perimeter = ellipse(10.0, 10.0)
    assert area == pytest.approx(np.pi * 25)
    assert perimeter == pytest.approx(np.pi * 10)
    assert ellipse(2.0, 1.0)[1] == pytest.approx(4 * ellipe(1 - 0.25), rel=1e-6)
    assert ellipse(0.0, 3.0) == (0.0, 0.0)
