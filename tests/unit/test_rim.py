"""Sizes of drawn shapes against closed forms, and level lines against scikit-image."""

import math

import cv2
import numpy as np
import pytest
from scipy.special import ellipe
from skimage import measure as ski

from pipeline import outline, rim

MM_PER_PX = 0.5


def draw(inside, shape=(96, 96), k=8, blur_px=0.0):
    """Coverage of each pixel by a shape, `k` x `k` samples a pixel; ``inside(x, y)`` in pixels."""
    height, width = shape
    x = (np.arange(width * k) + 0.5) / k - 0.5
    y = (np.arange(height * k) + 0.5) / k - 0.5
    cover = inside(x[None, :], y[:, None]).reshape(height, k, width, k).mean(axis=(1, 3))
    return cv2.GaussianBlur(cover, (0, 0), blur_px) if blur_px else cover


def ellipse(a, b, cx=47.3, cy=48.6, turn_deg=0.0):
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return lambda x, y: (((x - cx) * c + (y - cy) * s) / a) ** 2 + (((y - cy) * c - (x - cx) * s) / b) ** 2 <= 1


def box(left, right, top, bottom):
    return lambda x, y: (x >= left) & (x <= right) & (y >= top) & (y <= bottom)


def measured(p, min_area_mm2=1.0, valid=None, mm_per_px=MM_PER_PX):
    valid = np.ones(p.shape, bool) if valid is None else valid
    return rim.measure_region(p, rim.Grid(valid, mm_per_px), min_area_mm2)


def ellipse_perimeter(a, b):
    """Complete elliptic integral of the second kind, 4 a E(1 - b²/a²)."""
    return 4 * a * ellipe(1 - (b / a) ** 2)


@pytest.mark.parametrize("radius_px", [6.0, 8.0, 15.0, 30.0])
@pytest.mark.parametrize("blur_px", [0.0, 1.2])
def test_disk_area_is_not_biased_by_blur(radius_px, blur_px):
    got = measured(draw(ellipse(radius_px, radius_px), blur_px=blur_px))
    assert got.area_mm2 == pytest.approx(math.pi * radius_px**2 * MM_PER_PX**2, rel=0.01)


@pytest.mark.parametrize("radius_px", [8.0, 15.0, 30.0])
def test_polygon_through_pixel_centres_would_be_too_small(radius_px):
    # Why cv2.contourArea is never used: it loses about half a pixel all round, 1 / radius of the area.
    mask = (draw(ellipse(radius_px, radius_px)) >= 0.5).astype(np.uint8)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    true = math.pi * radius_px**2
    loss = 1 - cv2.contourArea(contours[0]) / true
    assert loss > 0.7 / radius_px
    soft = measured(draw(ellipse(radius_px, radius_px)), mm_per_px=1.0)
    assert abs(1 - soft.area_mm2 / true) < 0.1 * loss


@pytest.mark.parametrize(("a", "b"), [(30.0, 30.0), (30.0, 18.0), (36.0, 10.0)])
@pytest.mark.parametrize("turn_deg", [0.0, 30.0])
def test_ellipse_area_and_perimeter(a, b, turn_deg):
    got = measured(draw(ellipse(a, b, turn_deg=turn_deg)), mm_per_px=1.0)
    assert got.area_mm2 == pytest.approx(math.pi * a * b, rel=0.003)
    assert got.perimeter_mm == pytest.approx(ellipse_perimeter(a, b), rel=0.005)


def test_upright_ellipse_has_its_axes_as_width_and_height():
    got = measured(draw(ellipse(20.0, 32.0)))
    assert got.width_mm == pytest.approx(20.0, abs=0.1)
    assert got.height_mm == pytest.approx(32.0, abs=0.1)
    assert got.bbox.width_mm == pytest.approx(20.0, abs=0.1)
    assert got.centroid_mm == pytest.approx((47.8 * MM_PER_PX, -49.1 * MM_PER_PX), abs=0.02)


def test_width_of_a_leaning_slot_is_its_chord_not_its_extent():
    # Horizontal chord of an ellipse leaning by t: 2 a b / sqrt(a² sin² t + b² cos² t), analytic geometry.
    a, b, turn = 36.0, 5.0, math.radians(45)
    got = measured(draw(ellipse(a, b, turn_deg=45)), mm_per_px=1.0)
    chord = 2 * a * b / math.hypot(a * math.sin(turn), b * math.cos(turn))
    extent = 2 * math.hypot(a * math.cos(turn), b * math.sin(turn))
    assert got.width_mm == pytest.approx(chord, rel=0.02)
    assert got.bbox.width_mm == pytest.approx(extent, rel=0.02)
    assert got.width_mm < 0.3 * got.bbox.width_mm


def test_rectangle():
    got = measured(draw(box(20.0, 60.0, 30.0, 80.0)), mm_per_px=1.0)
    assert got.area_mm2 == pytest.approx(2000, rel=0.002)
    assert got.width_mm == pytest.approx(40, abs=0.02)
    assert got.height_mm == pytest.approx(50, abs=0.02)
    # The smoothing of 0.8 px rounds each corner and so cuts about 0.85 px off.
    assert got.perimeter_mm == pytest.approx(180, abs=4.0)


def gilman_mm(first, second):
    """Linear advance (A1 - A2) / ((p1 + p2) / 2), Gilman 1990, Wounds 2:95-101."""
    return (first.area_mm2 - second.area_mm2) / ((first.perimeter_mm + second.perimeter_mm) / 2)


@pytest.mark.parametrize(
    ("first", "second", "expected"),
    [
        (ellipse(40.0, 40.0), ellipse(32.0, 32.0), 8.0),  # concentric circles: exactly r1 - r2
        (box(5.0, 90.0, 30.0, 60.0), box(13.0, 82.0, 38.0, 52.0), 8.0),  # uniform inward offset: exact
        (ellipse(40.0, 20.0), ellipse(32.0, 12.0), None),  # no uniform offset: elliptic integral
        (box(0.0, 90.0, 30.0, 50.0), box(0.0, 90.0, 37.0, 43.0), None),  # a slot whose ends stay
    ],
)
def test_gilman_advance_from_measured_area_and_perimeter(first, second, expected):
    if expected is None and first(np.array([0.0]), np.array([31.0]))[0]:
        expected = (90 * 20 - 90 * 6) / ((220 + 192) / 2)  # under-reads: each side moved 7
    elif expected is None:
        expected = math.pi * (800 - 384) / ((ellipse_perimeter(40, 20) + ellipse_perimeter(32, 12)) / 2)
    got = gilman_mm(measured(draw(first), mm_per_px=1.0), measured(draw(second), mm_per_px=1.0))
    assert got == pytest.approx(expected, rel=0.02)


def test_boundary_error_grows_as_one_over_diameter():
    # dA = p d: a 12 mm hole whose rim is 0.25 mm off is wrong by 37.70 * 0.25 = 9.42 mm2, 8.3 % (closed form).
    hole = measured(draw(ellipse(24.0, 24.0)), mm_per_px=0.25)
    assert hole.perimeter_mm * 0.25 == pytest.approx(9.42, rel=0.005)
    assert hole.perimeter_mm * 0.25 / hole.area_mm2 == pytest.approx(0.0833, rel=0.01)


def test_island_of_new_bark_is_taken_off():
    ring = draw(ellipse(30.0, 30.0)) - draw(ellipse(10.0, 10.0))
    got = measured(ring, mm_per_px=1.0)
    assert got.area_mm2 == pytest.approx(math.pi * (900 - 100), rel=0.003)
    assert got.perimeter_mm == pytest.approx(2 * math.pi * 40, rel=0.005)
    assert got.openings == 1
    assert sorted(np.sign([outline.polygon_area(ring) for ring in got.outlines])) == [-1, 1]
    assert sum(outline.polygon_area(ring) for ring in got.outlines) == pytest.approx(got.area_mm2, rel=0.01)


def test_island_smaller_than_the_smallest_opening_is_counted_as_opening():
    speck = draw(ellipse(30.0, 30.0)) - draw(ellipse(2.0, 2.0))
    got = measured(speck, mm_per_px=1.0, min_area_mm2=20.0)
    assert got.area_mm2 == pytest.approx(math.pi * 900, rel=0.003)
    assert len(got.outlines) == 1


def test_two_openings_are_added_and_a_speck_is_left_out():
    two = np.maximum(draw(ellipse(10.0, 14.0, cx=20)), draw(ellipse(8.0, 8.0, cx=70)))
    speck = np.maximum(two, draw(ellipse(2.0, 2.0, cx=47, cy=20), blur_px=0.5))
    got = measured(speck, mm_per_px=1.0, min_area_mm2=30.0)
    assert got.openings == 2
    assert got.area_mm2 == pytest.approx(math.pi * (140 + 64), rel=0.005)
    assert got.width_mm == pytest.approx(20, abs=0.2)
    assert got.height_mm == pytest.approx(28, abs=0.2)


def test_faint_haze_away_from_the_rim_adds_nothing():
    clear = draw(ellipse(20.0, 20.0), blur_px=1.0)
    hazy = np.maximum(clear, 0.2)
    assert measured(hazy).area_mm2 == pytest.approx(measured(clear).area_mm2, rel=0.06)


def test_unsure_inside_counts_in_full():
    p = 0.8 * draw(ellipse(25.0, 25.0))
    assert measured(p, mm_per_px=1.0).area_mm2 == pytest.approx(math.pi * 625, rel=0.05)


def test_softness_is_the_blur_of_the_rim():
    for blur_px in (1.0, 2.0, 3.0):
        got = measured(draw(ellipse(28.0, 28.0), blur_px=blur_px), mm_per_px=1.0)
        assert got.rim_softness_mm == pytest.approx(blur_px, rel=0.08)
    assert measured(draw(ellipse(28.0, 28.0)), mm_per_px=1.0).rim_softness_mm < 0.35


def test_cut_by_the_border_and_by_what_the_photo_does_not_show():
    assert not measured(draw(ellipse(20.0, 20.0))).cut
    assert measured(draw(ellipse(20.0, 20.0, cx=5.0))).cut
    valid = np.ones((96, 96), bool)
    valid[:, 60:] = False
    got = measured(draw(ellipse(20.0, 20.0)), valid=valid, mm_per_px=1.0)
    assert got.cut
    assert got.bbox.right_mm == pytest.approx(60.0, abs=0.5)


def test_nothing_there_and_wrong_shapes():
    assert measured(np.zeros((20, 20))) is None
    assert measured(np.full((20, 20), 0.4)) is None
    assert measured(draw(ellipse(1.5, 1.5)), min_area_mm2=20.0) is None
    with pytest.raises(ValueError, match="same shape"):
        rim.measure_region(np.zeros((4, 4)), rim.Grid(np.ones((5, 4), bool)))


def test_all_opening_fills_the_picture():
    got = measured(np.ones((20, 30)), mm_per_px=1.0)
    assert got.area_mm2 == pytest.approx(600)
    assert (got.width_mm, got.height_mm) == pytest.approx((30, 20))
    assert got.cut


def blobs(seed, size=48):
    """A smooth field; smooth enough to have no saddle cell, on which the two programs decide differently."""
    field = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=(size, size)), (0, 0), 3.5)
    return (field - field.min()) / np.ptp(field)


@pytest.mark.parametrize("seed", range(4))
def test_level_lines_agree_with_scikit_image(seed):
    field = np.pad(blobs(seed), 2)
    ours = rim.level_lines(field)
    theirs = ski.find_contours(field, 0.5)
    assert len(ours) == len(theirs)
    # scikit-image repeats the first corner and writes (row, column).
    lengths = sorted(np.hypot(*np.diff(line, axis=0).T).sum() for line in theirs)
    assert sorted(outline.ring_length(ring.points) for ring in ours) == pytest.approx(lengths)
    corners = {tuple(np.round(corner, 6)) for line in theirs for corner in line[:, ::-1]}
    assert {tuple(np.round(corner, 6)) for ring in ours for corner in ring.points} == corners


def test_saddle_is_decided_by_the_mean_of_its_four_pixels():
    joined = np.array([[0.9, 0.3], [0.3, 0.9]])
    split = np.array([[0.7, 0.1], [0.1, 0.7]])
    assert len(rim.level_lines(joined)) == 1
    assert len(rim.level_lines(split)) == 2
    assert len(rim.level_lines(joined[:, ::-1])) == 1
    assert len(rim.level_lines(split[:, ::-1])) == 2
    for field in (joined, split, joined[:, ::-1], split[:, ::-1]):
        # The picture's y runs down, so counter-clockwise round the high side is negative here.
        assert all(outline.polygon_area(ring.points) < 0 for ring in rim.level_lines(field))


def test_hard_mask_agrees_with_scikit_image_regionprops():
    mask = draw(ellipse(30.0, 18.0, turn_deg=20)) >= 0.5
    props = ski.regionprops(mask.astype(int))[0]
    got = measured(mask.astype(float), mm_per_px=1.0)
    assert got.area_mm2 == pytest.approx(props.area, rel=0.002)
    assert got.perimeter_mm == pytest.approx(props.perimeter_crofton, rel=0.01)
    row, column = props.centroid
    assert got.centroid_mm == pytest.approx((column + 0.5, -(row + 0.5)), abs=0.05)


# ---------------------------------------------------------------- a rim put elsewhere


def soft(inward_px: np.ndarray, blur_px: float = 1.0) -> np.ndarray:
    return np.clip(0.5 + inward_px / (2 * blur_px), 0, 1).astype(np.float32)


@pytest.mark.parametrize("outward_px", [-1.5, -0.4, 0.3, 0.9, 1.5])
def test_a_rim_moved_outward_obeys_steiners_formula(outward_px):
    # Steiner: the parallel body of a rectangle with sides a, b at distance d has area ab + 2 (a + b) d + pi d²; of the
    # rounded rectangle that has this body, with corners of radius r, moving by d gives radius r + d.
    a, b, corner = 50.0, 90.0, 12.0
    rows, columns = np.indices((160, 120))
    x, y = np.abs(columns - 60.3) - a / 2 + corner, np.abs(rows - 79.6) - b / 2 + corner
    inward = corner - np.hypot(np.maximum(x, 0), np.maximum(y, 0)) - np.minimum(np.maximum(x, y), 0)
    p = soft(inward)

    def area(radius: float, d: float) -> float:
        inner_a, inner_b = a - 2 * corner, b - 2 * corner
        return inner_a * inner_b + 2 * (inner_a + inner_b) * (radius + d) + math.pi * (radius + d) ** 2

    moved = rim.moved_outward(p, p, outward_px)
    got = rim.measure_region(moved, rim.Grid(np.ones(p.shape, bool)))
    around = 2 * (a + b) - 8 * corner + 2 * math.pi * (corner + outward_px)
    # to a thirtieth of a pixel all round
    assert (got.area_mm2 - area(corner, outward_px)) / around == pytest.approx(0, abs=0.03)
    assert got.width_mm == pytest.approx(a + 2 * outward_px, abs=0.08)
    assert got.height_mm == pytest.approx(b + 2 * outward_px, abs=0.08)


def test_an_island_shrinks_as_its_opening_grows():
    # Closed form: a ring of radii R and r with both rims moved by d has area pi ((R + d)² - (r - d)²).
    rows, columns = np.indices((150, 150))
    away = np.hypot(rows - 75.2, columns - 74.7)
    p = soft(np.minimum(60 - away, away - 20))
    got = rim.measure_region(rim.moved_outward(p, p, 0.8), rim.Grid(np.ones(p.shape, bool)))
    assert got.area_mm2 == pytest.approx(math.pi * (60.8**2 - 19.2**2), rel=0.003)


def test_maps_that_add_up_to_one_still_do():
    rng = np.random.default_rng(2)
    maps = rng.dirichlet(np.ones(4), (60, 60)).astype(np.float32)
    rows, columns = np.indices((60, 60))
    moved = rim.moved_outward(maps, soft(15 - np.hypot(rows - 30, columns - 30)), 0.7)
    np.testing.assert_allclose(moved.sum(axis=2), 1, atol=1e-5)
    # far from the rim nothing moves
    np.testing.assert_array_equal(moved[:3], maps[:3])
    np.testing.assert_array_equal(moved[30, 30], maps[30, 30])
