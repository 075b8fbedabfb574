"""The classical reader on small drawn patches: what it must find, and what it must leave alone."""

import cv2
import numpy as np
import pytest

from pipeline import classical, metrics
from pipeline.records import Sign, SitePatch, Stage, Tissue

SIZE = 192
MM_PER_PX = 0.8
BARK = (124, 112, 98)
FRESH = (222, 200, 158)
BROWN = (120, 78, 50)
DARK = (58, 34, 24)
CALLUS = (206, 184, 134)
HOLE = (14, 11, 10)


def bark(seed=3, rgb=BARK):
    """Bark with blotches and grain, float RGB."""
    rng = np.random.default_rng(seed)
    blotch = cv2.GaussianBlur(rng.normal(size=(SIZE, SIZE)), (0, 0), 9.0) * 9
    grain = cv2.GaussianBlur(rng.normal(size=(SIZE, SIZE)), (0, 0), 1.2) * 1.6
    return np.asarray(rgb, float) * (1 + 0.09 * (blotch + grain))[..., None]


def box(left_mm, right_mm, top_mm, bottom_mm):
    """Coverage by a rectangle; mm from the patch's upper left corner."""
    k = 4
    axis = (np.arange(SIZE * k) + 0.5) / k * MM_PER_PX
    across, along = (axis > left_mm) & (axis < right_mm), (axis > top_mm) & (axis < bottom_mm)
    inside = along[:, None] & across[None, :]
    return inside.reshape(SIZE, k, SIZE, k).mean(axis=(1, 3))


def disk(x_mm, y_mm, radius_mm):
    k = 4
    axis = (np.arange(SIZE * k) + 0.5) / k * MM_PER_PX
    inside = (axis[None, :] - x_mm) ** 2 + (axis[:, None] - y_mm) ** 2 < radius_mm**2
    return inside.reshape(SIZE, k, SIZE, k).mean(axis=(1, 3))


def lay(picture, cover, rgb, seed=5, grain=0.06):
    """Paint a colour with upright grain over the picture."""
    rng = np.random.default_rng(seed)
    streaks = cv2.GaussianBlur(rng.normal(size=(SIZE, SIZE)), (0, 0), sigmaX=1.0, sigmaY=9.0) * 5
    colour = np.asarray(rgb, float) * (1 + grain * streaks)[..., None]
    return picture + cover[..., None] * (colour - picture)


def patch(picture, valid=None):
    rgb = np.clip(cv2.GaussianBlur(picture, (0, 0), 0.7), 0, 255).astype(np.uint8)
    return SitePatch(rgb, np.ones((SIZE, SIZE), bool) if valid is None else valid, MM_PER_PX, -76.8, -52.0, 4.0)


WINDOW = box(52, 102, 40, 100)
FACE = box(56, 98, 44, 96)


def window(rgb):
    return lay(bark(), WINDOW, rgb)


def callus_window():
    return lay(lay(bark(), WINDOW, CALLUS, grain=0.01), FACE, BROWN)


def closing_window():
    return lay(lay(bark(), WINDOW, CALLUS, grain=0.01), box(70, 84, 52, 88), DARK)


def aperture(maps):
    return maps.tissue[..., Tissue.APERTURE] > 0.5


@pytest.mark.parametrize(
    ("picture", "truth", "stage"),
    [
        (window(FRESH), WINDOW, Stage.FRESH),
        (window(BROWN), WINDOW, Stage.RESINOUS),
        (window(DARK), WINDOW, Stage.RESINOUS),
        (callus_window(), FACE, Stage.CALLUS),
        (closing_window(), box(70, 84, 52, 88), Stage.CLOSING),
    ],
    ids=["fresh", "browned", "dark with resin", "callus", "closing"],
)
def test_finds_the_opening_and_its_stage(picture, truth, stage):
    maps = classical.read(patch(picture))
    assert metrics.iou(aperture(maps), truth > 0.5) > 0.9
    assert Stage(int(maps.stage_p.argmax())) is stage
    assert maps.not_a_site_p < 0.5


def test_small_drill_hole():
    truth = disk(78, 60, 5.0)
    maps = classical.read(patch(lay(bark(), truth, HOLE, grain=0.0)))
    assert metrics.iou(aperture(maps), truth > 0.5) > 0.6
    assert maps.stage_p[Stage.CLOSED] + maps.stage_p[Stage.REBARKED] < 0.3


def test_callus_lies_between_bark_and_opening():
    maps = classical.read(patch(callus_window()))
    band = (WINDOW > 0.5) & (FACE < 0.5)
    assert metrics.iou(maps.tissue[..., Tissue.NEW_TISSUE] > 0.5, band) > 0.6


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_plain_bark_has_no_opening_and_is_hardly_a_site(seed):
    maps = classical.read(patch(bark(seed)))
    assert aperture(maps).mean() < 0.005
    assert maps.not_a_site_p > 0.5
    assert maps.sign_p.max() < 0.5


def test_resin_dark_wood_is_seen_as_resin_and_is_no_sign():
    run = box(70, 73, 100, 130)
    maps = classical.read(patch(lay(window(DARK), run, (70, 38, 20))))
    assert maps.resin_p > 0.5
    assert maps.sign_p.max() < 0.25


def test_ants_are_no_sign():
    picture = window(FRESH)
    rng = np.random.default_rng(9)
    for x, y in rng.uniform((50, 40), (105, 110), (30, 2)):
        picture = lay(picture, disk(x, y, 1.2), (28, 20, 16), grain=0.0)
    assert classical.read(patch(picture)).sign_p.max() < 0.25


def test_green_film_on_the_face():
    picture = lay(window(BROWN), disk(80, 70, 13.0) * 0.8, (86, 118, 84), grain=0.02)
    maps = classical.read(patch(picture))
    p = dict(zip(Sign, maps.sign_p, strict=True))
    assert p[Sign.GREEN_FILM] > 0.5
    assert max(value for sign, value in p.items() if sign is not Sign.GREEN_FILM) < 0.3
    placed = maps.signs[..., list(Sign).index(Sign.GREEN_FILM)] > 0.5
    assert metrics.iou(placed, disk(80, 70, 13.0) > 0.5) > 0.6


def test_white_mycelium_on_the_face():
    picture = lay(window(DARK), disk(80, 70, 13.0), (232, 228, 214), grain=0.01)
    maps = classical.read(patch(picture))
    assert maps.sign_p[list(Sign).index(Sign.WHITE_MYCELIUM)] > 0.5


def test_moss_on_the_bark_away_from_the_wound_is_a_lookalike_not_a_sign():
    picture = lay(window(BROWN), box(4, 26, 30, 140), (84, 104, 52), grain=0.02)
    maps = classical.read(patch(picture))
    assert maps.sign_p[list(Sign).index(Sign.GREEN_FILM)] < 0.3
    assert maps.lookalike_p > 0.5


@pytest.mark.parametrize("picture", [bark(), window(FRESH), callus_window(), closing_window()])
def test_probabilities_are_probabilities_and_never_sure(picture):
    maps = classical.read(patch(picture))
    assert maps.tissue.sum(axis=2) == pytest.approx(1.0, abs=1e-5)
    assert maps.tissue.min() >= 0
    assert maps.stage_p.sum() == pytest.approx(1.0)
    assert maps.stage_p.min() > 0
    assert 0 < maps.sign_p.min() <= maps.sign_p.max() < 1
    assert 0 < maps.not_a_site_p < 1
    assert maps.reader == classical.READER


def test_equal_patches_give_equal_maps():
    one, two = classical.read(patch(callus_window())), classical.read(patch(callus_window()))
    assert np.array_equal(one.tissue, two.tissue)
    assert np.array_equal(one.stage_p, two.stage_p)
    assert np.array_equal(one.sign_p, two.sign_p)


def test_what_the_photo_does_not_show_is_background():
    valid = np.ones((SIZE, SIZE), bool)
    valid[:, 150:] = False
    picture = window(FRESH)
    picture[:, 150:] = 0
    maps = classical.read(patch(picture, valid))
    assert np.all(maps.tissue[:, 150:, Tissue.BACKGROUND] == 1)
    assert metrics.iou(aperture(maps), WINDOW > 0.5) > 0.9


def test_any_shape_of_patch():
    picture = patch(window(BROWN)).rgb
    tall = SitePatch(picture[:, 40:160].copy(), np.ones((SIZE, 120), bool), MM_PER_PX, -48.0, -52.0, 4.0)
    assert metrics.iou(aperture(classical.read(tall)), WINDOW[:, 40:160] > 0.5) > 0.85
    black = SitePatch(np.zeros((16, 24, 3), np.uint8), np.zeros((16, 24), bool), 1.0, 0.0, 0.0, 1.0)
    maps = classical.read(black)
    assert maps.tissue.shape == (16, 24, 5)
    assert not aperture(maps).any()
