"""Sizes of outlines against closed forms and scikit-image."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.outline import sizes_of


def test_sizes_of_an_ellipse() -> None:
    # Closed forms: area pi a b, axes 2 a and 2 b; perimeter by Ramanujan (1914), whose error is below 1e-4 here.
    a, b = 11.0, 17.0
    t = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    found = sizes_of([np.column_stack((3 + a * np.cos(t), -130 + b * np.sin(t)))])
    assert found.area_mm2 == pytest.approx(np.pi * a * b, rel=1e-5)
    assert (found.width_mm, found.height_mm) == pytest.approx((2 * a, 2 * b), rel=1e-5)
    ramanujan = np.pi * (3 * (a + b) - np.sqrt((3 * a + b) * (a + 3 * b)))
    assert found.perimeter_mm == pytest.approx(ramanujan, rel=1e-4)


def test_chords_of_a_bent_opening_are_unbroken_stretches() -> None:
    # A U of two arms 4 wide and 10 high on a foot 12 wide and 3 high, by hand.
    u = ((0, 0), (12, 0), (12, 13), (8, 13), (8, 3), (4, 3), (4, 13), (0, 13))
    found = sizes_of([tuple((float(x), float(y)) for x, y in u)])
    assert found.area_mm2 == pytest.approx(12 * 3 + 2 * 4 * 10)
    assert (found.width_mm, found.height_mm) == pytest.approx((12, 13))
    turned = sizes_of([tuple((float(y), float(x)) for x, y in u)[::-1]])
    assert (turned.width_mm, turned.height_mm) == pytest.approx((13, 12))
    # Without the foot only the arms are left.
    arms = sizes_of([((0.0, 0.0), (4.0, 0.0), (4.0, 10.0), (0.0, 10.0))])
    assert (arms.width_mm, arms.height_mm) == pytest.approx((4, 10))


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 10_000))
def test_sizes_agree_with_a_fine_mask(seed: int) -> None:
    # scikit-image fills the same star-shaped outline on a fine grid; its pixels bound area and chords.
    from skimage.draw import polygon2mask

    rng = np.random.default_rng(seed)
    t = (np.arange(9) + rng.uniform(0, 0.8, 9)) * 2 * np.pi / 9  # no gap of half a turn, so it never crosses itself
    r = rng.uniform(4, 18, 9)
    points = np.stack((r * np.cos(t), r * np.sin(t)), 1) + 20
    found = sizes_of([points])
    mask = polygon2mask((800, 800), points[:, ::-1] * 20 - 0.5)
    assert found.area_mm2 == pytest.approx(mask.sum() / 400, abs=0.06 * found.perimeter_mm + 0.05)
    runs = [np.diff(np.flatnonzero(np.diff(np.pad(line.astype(int), 1))))[::2].max() for line in mask if line.any()]
    # A thin tip may slip through the grid, so the mask can only be shorter, by two pixels where it is not.
    assert max(runs) / 20 <= found.width_mm + 0.11


def test_an_island_takes_area_away_and_breaks_chords() -> None:
    # A square of 20 with a square of 6 in its middle, by hand: 400 - 36, 80 + 24; chords past the island stay whole.
    def square(half: float, turn: int) -> np.ndarray:
        return half * np.array([(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)])[::turn]

    found = sizes_of([square(10, 1), square(3, -1)])
    assert (found.area_mm2, found.perimeter_mm) == pytest.approx((364, 104))
    assert (found.width_mm, found.height_mm) == pytest.approx((20, 20))
    # The island as high as the hole leaves two strips of 7.
    strips = [np.array([(-10.0, -3.0), (10.0, -3.0), (10.0, 3.0), (-10.0, 3.0)]), square(3, -1)]
    assert sizes_of(strips).width_mm == pytest.approx(7)


def test_an_outline_of_many_corners_keeps_its_longest_chord() -> None:
    # Closed form: the level chord of an ellipse leaning by t through its middle, 2 a b / sqrt(a² sin² t + b² cos² t).
    a, b, lean = 30.0, 12.0, 0.6
    t = np.linspace(0, 2 * np.pi, 5000, endpoint=False)
    x, y = a * np.cos(t), b * np.sin(t)
    leaning = np.column_stack((x * np.cos(lean) - y * np.sin(lean), x * np.sin(lean) + y * np.cos(lean)))
    chord = 2 * a * b / np.hypot(a * np.sin(lean), b * np.cos(lean))
    assert sizes_of([leaning]).width_mm == pytest.approx(chord, rel=1e-5)
