"""Measures of an opening do not depend on where and how it lies; areas scale with the square of length."""

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import outline, rim

SIZE = 64


def soft_ellipse(a, b, cx, cy, turn):
    """An ellipse with a soft rim, exact enough for invariances: 6 x 6 samples a pixel, then blurred."""
    k = 6
    axis = (np.arange(SIZE * k) + 0.5) / k - 0.5
    x, y = axis[None, :] - cx, axis[:, None] - cy
    c, s = math.cos(turn), math.sin(turn)
    inside = ((x * c + y * s) / a) ** 2 + ((y * c - x * s) / b) ** 2 <= 1
    cover = inside.reshape(SIZE, k, SIZE, k).mean(axis=(1, 3))
    return cv2.GaussianBlur(cover, (0, 0), 0.8)


def measured(p, mm_per_px=1.0, left_mm=0.0, top_mm=0.0):
    got = rim.measure_region(p, rim.Grid(np.ones(p.shape, bool), mm_per_px, left_mm, top_mm))
    assert got is not None
    return got


axes = st.floats(7.0, 18.0)
offsets = st.floats(-6.0, 6.0)
turns = st.floats(0.0, math.pi)


@settings(max_examples=30, deadline=None)
@given(a=axes, b=axes, dx=offsets, dy=offsets, turn=turns)
def test_shift_and_turn_change_neither_area_nor_perimeter(a, b, dx, dy, turn):
    still = measured(soft_ellipse(a, b, 31.5, 31.5, 0.0))
    moved = measured(soft_ellipse(a, b, 31.5 + dx, 31.5 + dy, turn))
    assert moved.area_mm2 == pytest.approx(still.area_mm2, rel=0.012)
    assert moved.perimeter_mm == pytest.approx(still.perimeter_mm, rel=0.015)
    assert moved.centroid_mm == pytest.approx((32.0 + dx, -32.0 - dy), abs=0.08)


@settings(max_examples=30, deadline=None)
@given(a=axes, b=axes, turn=turns, mm_per_px=st.floats(0.05, 3.0), left=st.floats(-90, 90), top=st.floats(-300, 0))
def test_area_scales_with_the_square_of_length(a, b, turn, mm_per_px, left, top):
    p = soft_ellipse(a, b, 31.5, 31.5, turn)
    one, other = measured(p), measured(p, mm_per_px, left, top)
    assert other.area_mm2 == pytest.approx(one.area_mm2 * mm_per_px**2)
    assert other.perimeter_mm == pytest.approx(one.perimeter_mm * mm_per_px)
    assert other.width_mm == pytest.approx(one.width_mm * mm_per_px)
    assert other.rim_softness_mm == pytest.approx(one.rim_softness_mm * mm_per_px, abs=1e-9)
    assert other.centroid_mm[0] == pytest.approx(left + one.centroid_mm[0] * mm_per_px, abs=1e-6)
    assert other.bbox.top_mm == pytest.approx(top + one.bbox.top_mm * mm_per_px, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.3, 0.7))
def test_rings_of_any_picture_enclose_what_they_should(seed, share):
    field = cv2.GaussianBlur(np.random.default_rng(seed).random((24, 24)), (0, 0), 1.2)
    field = np.clip((field - np.quantile(field, share)) * 3 + 0.5, 0, 1)
    rings = rim.level_lines(field)
    # Signed areas of all rings add up to the area above the level, up to half a pixel along the rims.
    enclosed = -sum(outline.polygon_area(ring.points) for ring in rings)
    length = sum(outline.ring_length(ring.points) for ring in rings)
    assert abs(enclosed - np.count_nonzero(field >= 0.5)) <= 0.5 * length
    # Every corner lies on a line between two neighbouring pixel centres, where the picture takes the level.
    padded = np.pad(field, 1)
    for ring in rings:
        x, y = ring.points.T + 1
        x0, y0 = np.floor(x).astype(int), np.floor(y).astype(int)
        fx, fy = x - x0, y - y0
        assert np.all((fx == 0) | (fy == 0))
        x1, y1 = np.minimum(x0 + 1, 25), np.minimum(y0 + 1, 25)
        across = padded[y0, x0] * (1 - fx) + padded[y0, x1] * fx
        along = padded[y0, x0] * (1 - fy) + padded[y1, x0] * fy
        assert np.where(fy == 0, across, along) == pytest.approx(0.5, abs=1e-6)


@settings(max_examples=25, deadline=None)
@given(a=axes, b=axes, turn=turns)
def test_quarter_turn_swaps_width_and_height(a, b, turn):
    p = soft_ellipse(a, b, 30.0, 33.0, turn)
    one, turned = measured(p), measured(np.rot90(p).copy())
    assert turned.width_mm == pytest.approx(one.height_mm, abs=1e-4)
    assert turned.height_mm == pytest.approx(one.width_mm, abs=1e-4)
    assert turned.area_mm2 == pytest.approx(one.area_mm2, rel=1e-4)
    # A chord is never longer than the caliper extent, and length times width never less than the area.
    assert one.width_mm <= one.bbox.width_mm + 1e-6
    assert one.bbox.width_mm * one.bbox.height_mm >= one.area_mm2
