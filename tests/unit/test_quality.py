"""Photo quality in physical terms, on photos drawn with known blur, distance and light."""

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.stats import norm

from pipeline import card, colour, edges, quality, surface
from pipeline.errors import PhotoRefused
from pipeline.records import CameraTag, Flag, Photo, QualityReport, Window
from pipeline.settings import CardSettings, QualitySettings, SurfaceSettings
from tests import drawn

SETTINGS = QualitySettings()
TEN_TO_NINETY = 2 * norm.ppf(0.9)
"""10 to 90 % width of a step blurred by a Gaussian of standard deviation 1."""


def slanted_square(sigma_px: float) -> tuple[np.ndarray, np.ndarray]:
    """A dark square on white, turned by 5 degrees, blurred by a Gaussian: linear light and its corners."""
    turn = np.radians(5)
    corners = (
        60
        * np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)])
        @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        + 120
    )
    k = 4
    sub = (np.arange(240 * k) + 0.5) / k - 0.5
    x, y = np.meshgrid(sub, sub)
    middle, way = corners.mean(axis=0), (corners[1] - corners[0]) / 120
    u, v = (x - middle[0]) * way[0] + (y - middle[1]) * way[1], -(x - middle[0]) * way[1] + (y - middle[1]) * way[0]
    fine = np.where((np.abs(u) < 60) & (np.abs(v) < 60), 0.05, 0.85)
    light = gaussian_filter(fine, sigma_px * k).reshape(240, k, 240, k).mean(axis=(1, 3))
    return light.astype(np.float32), corners


@pytest.mark.parametrize("sigma_px", [1.0, 2.0, 4.0])
def test_edge_width_of_a_known_blur(sigma_px: float) -> None:
    # a step blurred by a Gaussian has a 10 to 90 % width of 2 x 1.28155 sigma; the pixel (1/12 px^2) and the
    # bilinear look-up (about 1/6) add to the variance.  ISO 12233 in closed form: MTF50 = sqrt(ln 2 / 2)/(pi sigma).
    light, corners = slanted_square(sigma_px)
    width = edges.edge_width_px(light, corners[None], 4.0)
    assert width is not None
    seen_sigma = width / TEN_TO_NINETY
    assert seen_sigma == pytest.approx(np.sqrt(sigma_px**2 + 1 / 12 + 1 / 6), rel=0.06)
    mtf50 = np.sqrt(np.log(2) / 2) / (np.pi * seen_sigma)
    assert mtf50 == pytest.approx(0.1874 / sigma_px, rel=0.16 if sigma_px == 1.0 else 0.08)


def test_edges_of_a_known_square_are_found_to_hundredths_of_a_pixel() -> None:
    light, corners = slanted_square(1.2)
    rough = corners + np.array([(2, -1), (-3, 2), (1, 3), (-2, -2)])
    fix = edges.refine_quads(light, rough[None], 4.0, 2.6)[0]
    assert fix is not None
    np.testing.assert_allclose(fix.corners_px, corners, atol=0.03)


def test_no_edge_no_fix() -> None:
    flat = np.full((240, 240), 0.5, np.float32)
    assert edges.refine_quads(flat, slanted_square(1.0)[1][None], 4.0, 2.6) == [None]
    assert edges.edge_width_px(flat, slanted_square(1.0)[1][None], 4.0) is None


# ---------------------------------------------------------------- whole photos


def assessed(view: drawn.View, settings: QualitySettings = SETTINGS, window: Window | None = None) -> QualityReport:
    pixels = drawn.photo(view)
    photo = Photo("x.jpg", "0" * 64, None, None, pixels, CameraTag(focal_px=view.focal_px))
    found = card.find_card(pixels, CardSettings())
    fix = surface.fit_surface(photo, found, 2 * np.pi * view.radius_mm, SurfaceSettings())
    patch = surface.unroll(photo, fix, window or Window(-40, 40, -132, -52), 128, None)
    return quality.assess(photo, found, fix, patch, settings)


def view(**changes: object) -> drawn.View:
    return drawn.View(
        **{
            "width_px": 400,
            "height_px": 560,
            "focal_px": 800.0,
            "roll_deg": 2.0,
            "blur_px": 0.6,
            "supersample": 3,
            **changes,
        }
    )


def test_good_photo_has_its_figures_and_no_flag_for_blur_or_view() -> None:
    report = assessed(view(azimuth_deg=10.0))
    # the angle between sight and normal at the card's middle: about the azimuth
    assert report.view_angle_deg == pytest.approx(10.0, abs=4.0)
    # focal length over distance to the bark
    assert report.scale_px_per_mm == pytest.approx(800 / 425, rel=0.05)
    assert report.clipped_share < 0.01
    assert not report.flags & (Flag.OBLIQUE_VIEW | Flag.SOFT_FOCUS | Flag.CLIPPED_LIGHT)


def test_sharpness_is_in_mm_of_bark() -> None:
    blur = 2.0
    report = assessed(view(blur_px=blur))
    wanted = TEN_TO_NINETY * np.sqrt(blur**2 + 0.25) / report.scale_px_per_mm
    assert report.sharpness_mm == pytest.approx(wanted, rel=0.12)
    assert Flag.SOFT_FOCUS in report.flags


def test_flags() -> None:
    strict = QualitySettings(flag_view_angle_deg=5.0, flag_px_per_mm=3.0, refuse_clipped_share=1.0)
    report = assessed(view(azimuth_deg=10.0), strict)
    assert Flag.OBLIQUE_VIEW in report.flags
    assert Flag.LOW_SCALE in report.flags
    burnt = assessed(view(gains=(4.0, 5.0, 6.0), bark=(150, 150, 150)), strict)
    assert Flag.CLIPPED_LIGHT in burnt.flags
    assert burnt.clipped_share > 0.3


@pytest.mark.parametrize(
    ("changes", "limits", "reason", "remedy"),
    [
        ({}, {"refuse_px_per_mm": 2.5}, "too far", "Come closer"),
        ({"blur_px": 2.0}, {"refuse_sharpness_mm": 1.5}, "blurred", "still"),
        ({"gains": (4.0, 5.0, 6.0), "bark": (150, 150, 150)}, {"refuse_clipped_share": 0.3}, "burnt out", "Shade"),
    ],
)
def test_refusals_say_what_to_do(changes: dict, limits: dict, reason: str, remedy: str) -> None:
    with pytest.raises(PhotoRefused, match=reason) as caught:
        assessed(view(**changes), QualitySettings(**limits))
    assert caught.value.stage == "quality"
    assert remedy in caught.value.remedy


# ---------------------------------------------------------------- what covers the card

SKIN = {"light": (224, 172, 140), "dark": (90, 60, 45)}
"""sRGB of skin in daylight: rough values."""
LEAF = (70, 110, 45)


def over_card(seen: drawn.View, corners_mm: list[tuple[float, float]], srgb: tuple[int, int, int]) -> np.ndarray:
    """The drawn photo with something flat of a colour, lit as the card is, over a polygon of the card."""
    pixels = drawn.photo(seen).copy()
    linear = colour.linear_of_srgb(np.array(srgb) / 255) * np.array(seen.gains)
    shown = np.rint(255 * colour.srgb_of_linear(linear))
    flat = np.column_stack([corners_mm, np.zeros(len(corners_mm))])
    cv2.fillPoly(pixels, [np.rint(drawn.project(seen, flat)).astype(np.int32)], shown.tolist())
    return pixels


def covered(seen: drawn.View, pixels: np.ndarray) -> float:
    photo = Photo("x.jpg", "0" * 64, None, None, pixels, CameraTag(focal_px=seen.focal_px))
    found = card.find_card(pixels, CardSettings())
    fix = surface.fit_surface(photo, found, 2 * np.pi * seen.radius_mm, SurfaceSettings())
    return quality.covered_share(photo, found, fix)


FINGERTIP = [(24.0, -26.0), (12.0, -26.0), (8.0, -34.0), (8.0, -52.0), (24.0, -52.0)]
THUMB = [(-24.0, 12.0), (-16.0, 12.0), (-14.0, 30.0), (-24.0, 34.0)]


@pytest.mark.parametrize("gains", [(1.0, 1.0, 1.0), (0.9, 0.75, 0.5)])
def test_a_whole_card_is_covered_nowhere(gains: tuple[float, float, float]) -> None:
    seen = view(gains=gains, noise=2.0, azimuth_deg=8.0)
    assert covered(seen, drawn.photo(seen)) < 0.005


@pytest.mark.parametrize("gains", [(1.0, 1.0, 1.0), (0.9, 0.75, 0.5)])
@pytest.mark.parametrize("skin", list(SKIN))
@pytest.mark.parametrize("finger", [FINGERTIP, THUMB])
def test_a_finger_on_the_card_is_seen(
    finger: list[tuple[float, float]], skin: str, gains: tuple[float, float, float]
) -> None:
    seen = view(gains=gains, noise=2.0)
    share = covered(seen, over_card(seen, finger, SKIN[skin]))
    # what the finger hides of the card, by the shoelace formula over the part on the card
    on_card = np.clip(finger, (-22, -50), (22, 50))
    x, y = on_card.T
    hidden = abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) / 2 / (44 * 100)
    assert share > SETTINGS.flag_covered_share
    assert share < 2.5 * hidden + 0.01


def test_a_leaf_on_the_card_is_flagged() -> None:
    seen = view()
    pixels = over_card(seen, [(-24.0, -52.0), (-24.0, -40.0), (24.0, -44.0), (24.0, -52.0)], LEAF)
    photo = Photo("x.jpg", "0" * 64, None, None, pixels, CameraTag(focal_px=seen.focal_px))
    found = card.find_card(pixels, CardSettings())
    fix = surface.fit_surface(photo, found, 2 * np.pi * seen.radius_mm, SurfaceSettings())
    patch = surface.unroll(photo, fix, Window(-40, 40, -132, -52), 128, None)
    report = quality.assess(photo, found, fix, patch, SETTINGS)
    assert Flag.CARD_COVERED in report.flags
    assert report.card_covered_share > SETTINGS.flag_covered_share


def test_the_edge_of_a_shadow_covers_nothing() -> None:
    # half of the card out of the sun: a third of the light, from the blue sky
    seen = view(noise=2.0)
    linear = colour.LINEAR_OF_8BIT[drawn.photo(seen)]
    corner = drawn.project(seen, np.array([(2.0, 0.0, 0.0)]))[0]
    linear[:, : int(corner[0])] *= np.array((0.29, 0.32, 0.36))
    pixels = np.rint(255 * colour.srgb_of_linear(linear)).astype(np.uint8)
    assert covered(seen, pixels) < SETTINGS.flag_covered_share
