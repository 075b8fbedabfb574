"""Colour against IEC 61966-2-1, CIE 15, Sharma, Wu & Dalal (2005) and scikit-image."""

import numpy as np
import pytest
from skimage import color as skcolor

from pipeline import camera, card, colour, surface
from pipeline.records import CameraTag, Flag, Photo
from pipeline.settings import Settings
from tests import drawn

# Sharma, Wu & Dalal, "The CIEDE2000 color-difference formula", Color Res. Appl. 30 (2005), Table 1:
# L1 a1 b1 L2 a2 b2 dE00.
SHARMA = """
50.0000 2.6772 -79.7751 50.0000 0.0000 -82.7485 2.0425
50.0000 3.1571 -77.2803 50.0000 0.0000 -82.7485 2.8615
50.0000 2.8361 -74.0200 50.0000 0.0000 -82.7485 3.4412
50.0000 -1.3802 -84.2814 50.0000 0.0000 -82.7485 1.0000
50.0000 -1.1848 -84.8006 50.0000 0.0000 -82.7485 1.0000
50.0000 -0.9009 -85.5211 50.0000 0.0000 -82.7485 1.0000
50.0000 0.0000 0.0000 50.0000 -1.0000 2.0000 2.3669
50.0000 -1.0000 2.0000 50.0000 0.0000 0.0000 2.3669
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0009 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0010 7.1792
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0011 7.2195
50.0000 2.4900 -0.0010 50.0000 -2.4900 0.0012 7.2195
50.0000 -0.0010 2.4900 50.0000 0.0009 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0010 -2.4900 4.8045
50.0000 -0.0010 2.4900 50.0000 0.0011 -2.4900 4.7461
50.0000 2.5000 0.0000 50.0000 0.0000 -2.5000 4.3065
50.0000 2.5000 0.0000 73.0000 25.0000 -18.0000 27.1492
50.0000 2.5000 0.0000 61.0000 -5.0000 29.0000 22.8977
50.0000 2.5000 0.0000 56.0000 -27.0000 -3.0000 31.9030
50.0000 2.5000 0.0000 58.0000 24.0000 15.0000 19.4535
50.0000 2.5000 0.0000 50.0000 3.1736 0.5854 1.0000
50.0000 2.5000 0.0000 50.0000 3.2972 0.0000 1.0000
50.0000 2.5000 0.0000 50.0000 1.8634 0.5757 1.0000
50.0000 2.5000 0.0000 50.0000 3.2592 0.3350 1.0000
60.2574 -34.0099 36.2677 60.4626 -34.1751 39.4387 1.2644
63.0109 -31.0961 -5.8663 62.8187 -29.7946 -4.0864 1.2630
61.2901 3.7196 -5.3901 61.4292 2.2480 -4.9620 1.8731
35.0831 -44.1164 3.7933 35.0232 -40.0716 1.5901 1.8645
22.7233 20.0904 -46.6940 23.0331 14.9730 -42.5619 2.0373
36.4612 47.8580 18.3852 36.2715 50.5065 21.2231 1.4146
90.8027 -2.0831 1.4410 91.1528 -1.6435 0.0447 1.4441
90.9257 -0.5406 -0.9208 88.6381 -0.8985 -0.7239 1.5381
6.7747 -0.2908 -2.4247 5.8714 -0.0985 -2.2286 0.6377
2.0776 0.0795 -1.1350 0.9033 -0.0636 -0.5514 0.9082
"""


def sharma_rows() -> np.ndarray:
    rows = np.array([[float(v) for v in line.split()] for line in SHARMA.strip().splitlines()])
    assert rows.shape == (34, 7)
    return rows


def test_all_34_pairs_of_sharma_in_both_orders() -> None:
    rows = sharma_rows()
    first, second, published = rows[:, :3], rows[:, 3:6], rows[:, 6]
    np.testing.assert_allclose(colour.delta_e_2000(first, second), published, atol=1e-4)
    np.testing.assert_allclose(colour.delta_e_2000(second, first), published, atol=1e-4)


def test_black_and_white_differ_by_100() -> None:
    # CIE 142-2001: with kL = 1 the lightness term of black against white is exactly 100
    assert colour.delta_e_2000(np.array([0.0, 0, 0]), np.array([100.0, 0, 0])) == pytest.approx(100.0, abs=1e-6)


def test_srgb_decoding_at_published_levels() -> None:
    # IEC 61966-2-1, values computed from its formula
    levels = [10, 11, 64, 119, 128, 188]
    light = [0.0030352698, 0.0033465358, 0.0512694584, 0.1844749945, 0.2158605001, 0.5028864580]
    np.testing.assert_allclose(colour.LINEAR_OF_8BIT[levels], light, atol=1e-9)


def test_srgb_is_continuous_where_its_branches_meet() -> None:
    below, above = colour.linear_of_srgb(np.array([0.04045, 0.04045 + 1e-9]))
    assert below == pytest.approx(above, abs=1e-6)


def test_srgb_round_trip_of_every_level() -> None:
    back = colour.srgb_of_linear(colour.LINEAR_OF_8BIT)
    np.testing.assert_array_equal(np.rint(back * 255), np.arange(256))


def test_lab_of_primaries() -> None:
    # CIELAB of the sRGB primaries under D65; libraries differ by up to 0.021 in the matrix's rounding
    rgb = np.array([[255, 0, 0], [0, 255, 0], [0, 0, 255]], np.uint8)
    wanted = [[53.2406, 80.0923, 67.2028], [87.7351, -86.1830, 83.1797], [32.2957, 79.1856, -107.8573]]
    np.testing.assert_allclose(colour.lab_of_srgb8(rgb), wanted, atol=0.05)


def test_lab_of_greys_is_neutral() -> None:
    greys = np.repeat(np.array([64, 119, 128, 186, 255], np.uint8)[:, None], 3, axis=1)
    lab = colour.lab_of_srgb8(greys)
    np.testing.assert_allclose(lab[:, 0], [27.093, 50.034, 53.585, 75.515, 100.0], atol=0.002)
    assert np.abs(lab[:, 1:]).max() < 0.01


def test_lab_agrees_with_scikit_image_on_random_colours() -> None:
    rgb = np.random.default_rng(3).integers(0, 256, (500, 3), dtype=np.uint8)
    theirs = skcolor.rgb2lab(rgb[None] / 255.0)[0]
    np.testing.assert_allclose(colour.lab_of_srgb8(rgb), theirs, atol=0.05)


def test_cielab_constants() -> None:
    # CIE 15: the break and slope as exact fractions
    assert pytest.approx(0.008856451679) == colour.CIELAB_EPSILON
    assert pytest.approx(903.2962962963) == colour.CIELAB_KAPPA


# ---------------------------------------------------------------- white balance


def balanced(view: drawn.View) -> tuple[colour.WhiteBalance | None, Photo]:
    pixels = drawn.photo(view)
    photo = Photo("x.jpg", "0" * 64, None, None, pixels, CameraTag(focal_px=view.focal_px))
    found = card.find_card(pixels, Settings().card)
    fix = surface.fit_surface(photo, found, 2 * np.pi * view.radius_mm, Settings().surface)
    return colour.white_balance(photo, found, fix), photo


def small(**changes: object) -> drawn.View:
    return drawn.View(
        **{"width_px": 420, "height_px": 520, "focal_px": 620.0, "aim_mm": (0.0, 0.0), "noise": 1.5, **changes}
    )


@pytest.mark.parametrize("light", [(1.0, 1.0, 1.0), (0.9, 0.7, 0.5), (0.55, 0.7, 0.95), (0.5, 0.5, 0.5)])
def test_gains_undo_the_light(light: tuple[float, float, float]) -> None:
    balance, _ = balanced(small(gains=light))
    assert balance is not None
    np.testing.assert_allclose(np.array(balance.gains) * light, 1.0, atol=0.03)
    assert balance.residual_share < 0.05
    assert Flag.SHADOW_EDGE not in balance.flags


def test_balanced_bark_has_its_true_colour_within_two_ciede2000() -> None:
    view = small(gains=(0.85, 0.7, 0.6), aim_mm=(0.0, -30.0), texture=0.0, ellipse=None)
    balance, photo = balanced(view)
    assert balance is not None
    at = np.rint(drawn.project(view, drawn.bark_points(view, np.array([[0.0, -65.0]]))))[0].astype(int)
    block = colour.apply(balance, photo.pixels[at[1] - 6 : at[1] + 7, at[0] - 6 : at[0] + 7])
    seen = colour.lab_of_srgb8(np.median(block.reshape(-1, 3), axis=0).astype(np.uint8))
    assert colour.delta_e_2000(seen, colour.lab_of_srgb8(np.array(view.bark, np.uint8))) < 2.0


def test_burnt_patches_are_left_out_and_flagged() -> None:
    balance, _ = balanced(small(gains=(2.4, 2.4, 2.4)))
    assert balance is not None
    assert Flag.CLIPPED_LIGHT in balance.flags
    np.testing.assert_allclose(balance.gains, 1 / 2.4, atol=0.02)


def test_apply_is_a_gain_in_linear_light() -> None:
    balance = colour.WhiteBalance((2.0, 1.0, 0.5), 0.0, 0.0)
    out = colour.apply(balance, np.full((1, 1, 3), 100, np.uint8))
    np.testing.assert_allclose(
        colour.LINEAR_OF_8BIT[out[0, 0]], colour.LINEAR_OF_8BIT[100] * np.array([2, 1, 0.5]), atol=0.004
    )


# ---------------------------------------------------------------- camera (shares this file's small helpers)


def test_projection_agrees_with_opencv() -> None:
    import cv2

    rng = np.random.default_rng(5)
    points = rng.uniform(-100, 100, (50, 3))
    turn, shift = np.array([0.2, -0.3, 0.1]), np.array([10.0, -5.0, 450.0])
    matrix = camera.camera_matrix(2900.0, 4000, 3000)
    lens = np.array([-0.08, 0.03, 0.001, -0.0007, 0.01])
    theirs, _ = cv2.projectPoints(points, turn, shift, matrix, lens)
    ours = camera.project(points, camera.rotation_of(turn), shift, matrix, lens)
    np.testing.assert_allclose(ours, theirs[:, 0], atol=1e-8)
    np.testing.assert_allclose(camera.rotation_of(turn), cv2.Rodrigues(turn)[0], atol=1e-12)


def test_focal_length_from_35_mm_equivalent() -> None:
    # CIPA DC-X010 compares diagonals: 43.27 mm on full frame, so 43.2666 mm sees a picture's diagonal in pixels
    assert camera.focal_px_of_35mm(43.2666153, 4000, 3000) == pytest.approx(5000.0, rel=1e-6)
