"""Colour against IEC 61966-2-1, CIE 15, Sharma, Wu & Dalal (2005) and scikit-image."""

import io
import struct
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image, ImageCms
from skimage import color as skcolor

from pipeline import camera, card, colour, measure, surface
from pipeline.records import CameraTag, Flag, Photo, Window
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


# ---------------------------------------------------------------- lamps

# CIE 15: chromaticity of illuminant A and of D65
WHITE_A = (0.44757, 0.40745)
WHITE_D65 = (0.31271, 0.32902)


def xyz_of(x: float, y: float) -> np.ndarray:
    return np.array([x / y, 1.0, (1 - x - y) / y])


def under_lamp(pixels: np.ndarray, xy: tuple[float, float]) -> np.ndarray:
    """A picture as a lamp would light it, nothing balanced: von Kries on sharpened cones, written out again here."""
    cones = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    scale = (cones @ xyz_of(*xy)) / (cones @ xyz_of(*WHITE_D65))
    matrix = np.linalg.inv(to_xyz) @ np.linalg.inv(cones) @ np.diag(scale) @ cones @ to_xyz
    light = np.where(pixels <= 10.31, pixels / 255 / 12.92, ((pixels / 255 + 0.055) / 1.055) ** 2.4)
    lit = np.clip(light @ matrix.T / matrix.sum(axis=1).max(), 0, 1)
    shown = np.where(lit <= 0.0031308, lit * 12.92, 1.055 * lit ** (1 / 2.4) - 0.055)
    return np.rint(255 * shown).astype(np.uint8)


def test_adaptation_from_d65_to_d50_is_the_published_one() -> None:
    # the Bradford matrix from D65 to D50 as it is widely published (ICC profiles' "chad" of sRGB; numbers from memory)
    published = [
        [1.0478112, 0.0228866, -0.0501270],
        [0.0295424, 0.9904844, -0.0170491],
        [-0.0092345, 0.0150436, 0.7521316],
    ]
    d50 = np.array([0.96422, 1.0, 0.82521])
    seen = np.linalg.solve(colour.SRGB_TO_XYZ, d50)
    to_d65 = colour.SRGB_TO_XYZ @ colour.adaptation(seen) @ np.linalg.inv(colour.SRGB_TO_XYZ)
    np.testing.assert_allclose(np.linalg.inv(to_d65), published, atol=2e-4)


def test_a_lamp_s_light_is_undone_by_adaptation_and_flagged() -> None:
    view = small(aim_mm=(0.0, -30.0), texture=0.0, ellipse=None, noise=0.0)
    plain = drawn.photo(view)
    found = card.find_card(plain, Settings().card)
    tag = CameraTag(focal_px=view.focal_px)
    photo = Photo("x.jpg", "0" * 64, None, None, under_lamp(plain, WHITE_A), tag)
    fix = surface.fit_surface(photo, found, 2 * np.pi * view.radius_mm, Settings().surface)
    balance = colour.white_balance(photo, found, fix)
    assert balance is not None
    assert Flag.LIGHT_INCANDESCENT in balance.flags
    patch = surface.unroll(photo, fix, Window(-10, 10, -75, -55), 64, balance)
    seen = colour.lab_of_srgb8(np.median(patch.rgb.reshape(-1, 3), axis=0).astype(np.uint8))
    assert colour.delta_e_2000(seen, colour.lab_of_srgb8(np.array(view.bark, np.uint8))) < 2.0
    # gains alone leave more than that
    gained = colour.apply(replace(balance, matrix=()), photo.pixels)
    rough = surface.unroll(replace(photo, pixels=gained), fix, Window(-10, 10, -75, -55), 64, None)
    left = colour.lab_of_srgb8(np.median(rough.rgb.reshape(-1, 3), axis=0).astype(np.uint8))
    assert colour.delta_e_2000(left, colour.lab_of_srgb8(np.array(view.bark, np.uint8))) > 2.0
    # and what greys cannot tell is told as doubt, which goes into the wood's colour
    assert balance.lab_sd[2] > 2 * colour.GOOD_LIGHT_SD[2]
    _, wood_sd = measure.wood_colour(patch, np.ones(patch.valid.shape))
    assert wood_sd[2] > 2 * colour.GOOD_LIGHT_SD[2]


def test_daylight_is_no_lamp_and_adds_no_doubt() -> None:
    balance, _ = balanced(small(gains=(0.9, 0.8, 0.7)))
    assert balance is not None
    assert Flag.LIGHT_INCANDESCENT not in balance.flags
    np.testing.assert_allclose(balance.lab_sd, colour.GOOD_LIGHT_SD, atol=0.5)


def test_greys_of_one_hue_tell_nothing_of_the_light_and_a_stained_one_does() -> None:
    shares = np.array([0.97, 1.0, 1.04])[:, None] * np.ones(3)
    assert not colour.is_artificial(CameraTag(), shares)
    # one of three greys 12 % short of blue: hues of (1, 1, 0.88) over their mean, root mean square of nine by hand
    stained = shares * [[1, 1, 1], [1, 1, 0.88], [1, 1, 1]]
    assert np.sqrt((2 * (1 / 0.96 - 1) ** 2 + (0.88 / 0.96 - 1) ** 2) / 9) == pytest.approx(0.0340, abs=1e-4)
    assert not colour.is_artificial(CameraTag(), stained)
    assert colour.is_artificial(CameraTag(), shares * [[1, 1, 1], [1, 1, 0.82], [1, 1, 1]])


@pytest.mark.parametrize(
    ("tag", "raised"),
    [
        (CameraTag(flash=True), True),
        # ISO 2720: 2.5 lx times 2^EV; a lamp-lit room has some 100 lx, open shade some 10,000
        (CameraTag(exposure_value=np.log2(100 / 2.5)), True),
        (CameraTag(exposure_value=np.log2(10_000 / 2.5)), False),
        (CameraTag(), False),
    ],
)
def test_flash_and_dim_light_widen_the_colour_s_uncertainty(tag: CameraTag, raised: bool) -> None:
    view = small(gains=(0.9, 0.8, 0.7))
    _, photo = balanced(view)
    found = card.find_card(photo.pixels, Settings().card)
    fix = surface.fit_surface(photo, found, 2 * np.pi * view.radius_mm, Settings().surface)
    balance = colour.white_balance(
        replace(photo, camera=replace(photo.camera, flash=tag.flash, exposure_value=tag.exposure_value)), found, fix
    )
    assert balance is not None
    assert (Flag.LIGHT_ARTIFICIAL in balance.flags) is raised
    assert (balance.lab_sd[1] > 4) is raised


# ---------------------------------------------------------------- Display P3

P3_PRIMARIES = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))
"""SMPTE EG 432-1."""


def p3_profile() -> bytes:
    """A Display P3 profile after ICC.1:2022: primaries adapted to D50 by Bradford, the curve of sRGB."""
    primaries = np.stack([xyz_of(*xy) for xy in P3_PRIMARIES], axis=1)
    matrix = primaries * np.linalg.solve(primaries, xyz_of(0.3127, 0.3290))
    cones = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
    d50 = np.array([0.9642, 1.0, 0.8249])
    scale = (cones @ d50) / (cones @ xyz_of(0.3127, 0.3290))
    columns = (np.linalg.inv(cones) @ np.diag(scale) @ cones @ matrix).T

    def fixed(*values: float) -> bytes:
        return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))

    name = "Display P3".encode("utf-16-be")
    text = b"mluc" + bytes(4) + struct.pack(">II2s2sII", 1, 12, b"en", b"US", len(name), 28) + name
    curve = b"para" + bytes(4) + struct.pack(">HH", 3, 0) + fixed(2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)
    tags = {b"desc": text, b"cprt": text, b"wtpt": b"XYZ " + bytes(4) + fixed(*d50)}
    for letter, column in zip("rgb", columns, strict=True):
        tags[f"{letter}XYZ".encode()] = b"XYZ " + bytes(4) + fixed(*column)
        tags[f"{letter}TRC".encode()] = curve
    at, table, body = 128 + 4 + 12 * len(tags), struct.pack(">I", len(tags)), b""
    for key, content in tags.items():
        table += struct.pack(">4sII", key, at + len(body), len(content))
        body += content + bytes(-len(content) % 4)
    size = at + len(body)
    head = struct.pack(">I4sI4s4s4s12s4s", size, bytes(4), 0x04300000, b"mntr", b"RGB ", b"XYZ ", bytes(12), b"acsp")
    return head + bytes(28) + fixed(*d50) + bytes(48) + table + body


def test_p3_to_xyz_follows_from_the_published_primaries() -> None:
    primaries = np.stack([xyz_of(*xy) for xy in P3_PRIMARIES], axis=1)
    matrix = primaries * np.linalg.solve(primaries, xyz_of(0.3127, 0.3290))
    np.testing.assert_allclose(colour.P3_TO_XYZ, matrix, atol=1e-12)


def test_p3_is_converted_as_littlecms_does() -> None:
    # LittleCMS through Pillow is the reference; colours outside sRGB are clipped by both
    rgb = np.random.default_rng(5).integers(0, 256, (40, 50, 3), dtype=np.uint8)
    rgb[:20] = rgb[:20] // 3 + 80  # duller ones, well inside
    source = ImageCms.ImageCmsProfile(io.BytesIO(p3_profile()))
    theirs = ImageCms.profileToProfile(
        Image.fromarray(rgb), source, ImageCms.createProfile("sRGB"), ImageCms.Intent.RELATIVE_COLORIMETRIC
    )
    ours = colour.srgb_of(rgb, ImageCms.getProfileDescription(source).strip())
    apart = np.abs(ours.astype(int) - np.asarray(theirs).astype(int))
    assert apart[:20].max() <= 1
    assert np.quantile(apart, 0.999) <= 2
    assert np.abs(ours.astype(int) - rgb).max() > 10
    assert colour.srgb_of(rgb, "sRGB IEC61966-2.1") is rgb


def test_wood_in_a_p3_photo_has_the_colour_of_the_same_photo_in_srgb() -> None:
    view = small(gains=(0.85, 0.7, 0.6), aim_mm=(0.0, -30.0), texture=0.0, ellipse=None, noise=0.0)
    balance, photo = balanced(view)
    linear = colour.LINEAR_OF_8BIT[photo.pixels] @ np.linalg.inv(colour.P3_TO_SRGB).T
    stored = np.rint(255 * colour.srgb_of_linear(linear)).astype(np.uint8)
    wide = replace(photo, pixels=stored, camera=replace(photo.camera, colour_profile="Display P3"))
    found = card.find_card(photo.pixels, Settings().card)
    fix = surface.fit_surface(photo, found, 2 * np.pi * view.radius_mm, Settings().surface)
    window = Window(-10, 10, -75, -55)
    patches = [
        surface.unroll(photo, fix, window, 64, balance),
        surface.unroll(wide, fix, window, 64, colour.white_balance(wide, found, fix)),
        surface.unroll(replace(wide, camera=photo.camera), fix, window, 64, None),
        surface.unroll(wide, fix, window, 64, None),
        surface.unroll(photo, fix, window, 64, None),
    ]
    balanced_lab, wide_lab, misread, converted, plain = (
        colour.lab_of_srgb8(np.median(patch.rgb.reshape(-1, 3), axis=0).astype(np.uint8)) for patch in patches
    )
    assert colour.delta_e_2000(balanced_lab, wide_lab) < 0.7
    assert colour.delta_e_2000(converted, plain) < 0.7
    assert colour.delta_e_2000(misread, plain) > 1.0
