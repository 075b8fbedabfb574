"""The card: the marker family's published figures, the layout's round trip, corners, and every way to refuse."""

from datetime import date

import cv2
import numpy as np
import pytest

from pipeline import card, cardspec
from pipeline.errors import PhotoRefused
from pipeline.records import CardFix, Flag, Register, Site, WoundKind
from pipeline.settings import CardSettings
from tests import drawn

SETTINGS = CardSettings()


def view(**changes: object) -> drawn.View:
    base = {"width_px": 460, "height_px": 600, "focal_px": 760.0, "noise": 2.0, "roll_deg": 2.0, "blur_px": 0.6}
    return drawn.View(**{**base, **changes})


def truth(of: drawn.View) -> np.ndarray:
    # corners typed from the card's sheet, not read from the package
    square = np.array([(-15, 15), (15, 15), (15, -15), (-15, -15)], float)
    flat = np.concatenate([square + np.array([0, 22]), square + np.array([0, -30])])
    return drawn.project(of, np.column_stack([flat, np.zeros(8)]))


# ---------------------------------------------------------------- the family


def family_bits() -> np.ndarray:
    """All codes in all four orientations, shape (587, 4, 36)."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    tiles = [cv2.aruco.generateImageMarker(family, code, 8, borderBits=1)[1:7, 1:7] > 127 for code in range(587)]
    with pytest.raises(cv2.error):
        cv2.aruco.generateImageMarker(family, 587, 8, borderBits=1)
    return np.stack([[np.rot90(tile, k).ravel() for k in range(4)] for tile in tiles])


def test_family_has_587_codes_at_least_11_bits_apart() -> None:
    # AprilTag 36h11 in the OpenXR specification's words: 587 codes, minimum Hamming distance 11
    bits = family_bits().astype(np.int16)
    upright = bits[:, 0]
    ones = upright.sum(axis=1)
    least = 36
    for k in range(4):
        turned = bits[:, k]
        distance = ones[:, None] + turned.sum(axis=1)[None, :] - 2 * upright @ turned.T
        np.fill_diagonal(distance, 36)
        least = min(least, int(distance.min()))
    assert len(bits) == cardspec.FAMILY_CODES == 587
    assert least == 11


def test_site_number_round_trip() -> None:
    for site in (0, 1, 586, 587, 120513, cardspec.SITE_LIMIT - 1):
        assert cardspec.site_of_codes(*cardspec.codes_of_site(site)) == site
    assert cardspec.SITE_LIMIT == 344_569


# ---------------------------------------------------------------- finding


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"azimuth_deg": 18.0, "elevation_deg": -12.0, "roll_deg": 8.0},
        {"distance_mm": 520.0, "blur_px": 1.2, "roll_deg": -4.0},
        {"distance_mm": 360.0, "aim_mm": (10.0, -20.0), "blur_px": 0.8},
    ],
)
def test_corners_within_a_fraction_of_a_pixel(changes: dict) -> None:
    scene = view(**changes)
    fix = card.find_card(drawn.photo(scene), SETTINGS)
    assert (fix.upper_code, fix.lower_code) == scene.codes
    miss = fix.corners_px - truth(scene)
    assert np.sqrt((miss**2).mean()) < 0.12
    assert np.abs(miss.mean(axis=0)).max() < 0.06  # no half-pixel slip


def test_codes_and_corners_of_a_large_picture_searched_in_small_copies() -> None:
    scene = view(width_px=1200, height_px=1500, focal_px=1900.0, supersample=3, blur_px=0.8)
    fix = card.find_card(drawn.photo(scene), SETTINGS)
    assert (fix.upper_code, fix.lower_code) == scene.codes
    assert np.sqrt(((fix.corners_px - truth(scene)) ** 2).mean()) < 0.12


def test_dirt_on_half_an_edge_does_not_move_it() -> None:
    scene = view()
    pixels = drawn.photo(scene).astype(np.float32)
    corners = truth(scene)
    x, y = np.meshgrid(np.arange(460), np.arange(600))
    middle = corners[:4].mean(axis=0)
    dirty = (x > middle[0]) & (y < middle[1])
    pixels[dirty] *= 0.6
    fix = card.find_card(pixels.astype(np.uint8), SETTINGS)
    assert np.sqrt(((fix.corners_px - corners) ** 2).mean()) < 0.15


@pytest.mark.parametrize("turn, up", [(0, 2.0), (1, 272.0), (2, 182.0), (3, 92.0)])
def test_turned_photo_reads_alike_and_tells_where_up_is(turn: int, up: float) -> None:
    scene = view()
    pixels = np.ascontiguousarray(np.rot90(drawn.photo(scene), turn))
    fix = card.find_card(pixels, SETTINGS)
    assert (fix.upper_code, fix.lower_code) == scene.codes
    assert abs((card.up_direction_deg(fix) - up + 180) % 360 - 180) < 2


def refusal(pixels: np.ndarray, settings: CardSettings = SETTINGS) -> PhotoRefused:
    with pytest.raises(PhotoRefused) as caught:
        card.find_card(pixels, settings)
    assert caught.value.stage == "card"
    assert caught.value.remedy
    return caught.value


def test_no_card() -> None:
    assert "No site card" in refusal(drawn.photo(view(drawn_codes=(False, False)))).reason


def test_mirrored_photo() -> None:
    assert "mirrored" in refusal(np.ascontiguousarray(drawn.photo(view())[:, ::-1])).reason


def test_two_cards() -> None:
    scene = view(card_at_mm=((-30.0, 0.0), (30.0, 0.0)))
    assert "2 site cards" in refusal(drawn.photo(scene)).reason


def test_card_too_small() -> None:
    scene = view(distance_mm=420.0)
    assert "too small" in refusal(drawn.photo(scene), CardSettings(min_edge_px=70.0)).reason


def test_stray_marker_beside_a_complete_card_is_ignored() -> None:
    scene = view()
    pixels = drawn.photo(scene).copy()
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    tile = cv2.aruco.generateImageMarker(family, 77, 48, borderBits=1)
    pixels[440:504, 40:104] = 240
    pixels[448:496, 48:96] = tile[:, :, None]
    fix = card.find_card(pixels, SETTINGS)
    assert (fix.upper_code, fix.lower_code) == scene.codes


@pytest.mark.parametrize("upper", [True, False])
def test_half_a_card_gives_the_marker_and_its_place(upper: bool) -> None:
    scene = view(drawn_codes=(upper, not upper))
    fix = card.find_card(drawn.photo(scene), SETTINGS)
    assert fix.corners_px.shape == (4, 2)
    assert (fix.upper_code, fix.lower_code) == ((12, None) if upper else (None, 345))
    np.testing.assert_allclose(fix.corners_px, truth(scene)[:4] if upper else truth(scene)[4:], atol=0.3)


# ---------------------------------------------------------------- the register


def fix_with(upper: int | None, lower: int | None) -> CardFix:
    whole = upper is not None and lower is not None
    mm = card.CARD_MM if whole else (card.UPPER_MM if upper is not None else card.LOWER_MM)
    return CardFix(upper, lower, mm.copy(), mm.copy(), 0.1, 100.0)


def register(*sites: int) -> Register:
    return Register(sites={s: Site(s, "A-1", WoundKind.WINDOW, retired_on=date(2020, 1, 1)) for s in sites})


def test_both_markers_name_a_registered_site_even_a_retired_one() -> None:
    site = cardspec.site_of_codes(12, 345)
    assert card.site_of(fix_with(12, 345), register(site)) == (site, Flag.NONE)


def test_unknown_site_is_refused_with_its_number() -> None:
    with pytest.raises(PhotoRefused, match=str(cardspec.site_of_codes(12, 345))):
        card.site_of(fix_with(12, 345), register(5))


def test_one_marker_names_the_only_site_that_shares_it() -> None:
    first, second = cardspec.site_of_codes(12, 345), cardspec.site_of_codes(13, 346)
    flags = Flag.ONE_MARKER | Flag.SITE_FROM_ONE_MARKER
    assert card.site_of(fix_with(12, None), register(first, second)) == (first, flags)
    assert card.site_of(fix_with(None, 346), register(first, second)) == (second, flags)


@pytest.mark.parametrize("sites", [[(12, 345), (12, 346)], [(345, 12)], []])
def test_one_marker_that_fits_several_or_none_is_refused(sites: list[tuple[int, int]]) -> None:
    with pytest.raises(PhotoRefused, match="upper marker"):
        card.site_of(fix_with(12, None), register(*(cardspec.site_of_codes(*s) for s in sites)))
