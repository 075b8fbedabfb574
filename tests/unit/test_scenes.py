"""The renderer's truth against closed forms and reference libraries."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta, timezone
from itertools import pairwise

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps
from scipy import special

from pipeline import cardspec
from pipeline.records import Sign, Stage, Tissue, Window, WoundKind
from pipeline.scenes import (
    BarkSpec,
    CameraSpec,
    CardHang,
    LightSpec,
    PhotoTags,
    SceneSpec,
    SignSpec,
    WoundState,
    growth,
    render,
    truth_of,
    write_photo,
)
from pipeline.scenes.cardface import printed_face
from pipeline.scenes.chance import at_stage, random_scene, random_wound
from pipeline.scenes.geometry import view_of
from pipeline.scenes.noise import Grid, texture
from pipeline.scenes.story import Change, SignStory, SiteStory
from pipeline.scenes.truth import opening_truth

SMALL = CameraSpec(width_px=240, height_px=320, distance_mm=420)
ELLIPSE = WoundState(
    kind=WoundKind.DRILL_HOLE, width_mm=40.0, height_mm=60.0, ragged_mm=0.0, lobes=0.0, centre_mm=(5.0, -110.0)
)
OBLIQUE = SceneSpec(
    trunk_radius_mm=70.0,
    taper=0.01,
    card=CardHang(site=200_001, standoff_mm=4.0, tilt_deg=3.0, roll_deg=-2.0, yaw_deg=1.5),
    camera=CameraSpec(600, 800, azimuth_deg=12, elevation_deg=-9, roll_deg=4, k1=0.05, k2=-0.02, distance_mm=380),
)


# ---------------------------------------------------------------- openings


def test_ellipse_has_the_area_and_perimeter_of_the_closed_form() -> None:
    # area pi a b; perimeter 4 a E(m), complete elliptic integral of the second kind (scipy.special.ellipe)
    truth = opening_truth(ELLIPSE)
    assert truth.area_mm2 == pytest.approx(np.pi * 20 * 30, rel=1e-3)
    assert truth.perimeter_mm == pytest.approx(4 * 30 * special.ellipe(1 - (20 / 30) ** 2), rel=2e-3)
    assert truth.width_mm == pytest.approx(40.0, abs=0.02)
    assert truth.height_mm == pytest.approx(60.0, abs=0.02)


def test_sharp_box_closes_by_its_rim_advance() -> None:
    # a w x h box whose four sides advance evenly by d leaves (w - 2 d)(h - 2 d)
    box = WoundState(width_mm=50, height_mm=80, corner_mm=0, ragged_mm=0, lobes=0, end_share=1.0, advance_mm=6.0)
    truth = opening_truth(box)
    assert truth.first_area_mm2 == pytest.approx(50 * 80, rel=2e-3)
    assert truth.area_mm2 == pytest.approx(38 * 68, rel=2e-3)
    assert (truth.width_mm, truth.height_mm) == pytest.approx((38, 68), abs=0.05)


def test_round_hole_closes_when_the_rim_has_gone_the_radius() -> None:
    hole = replace(ELLIPSE, width_mm=20, height_mm=20, end_share=1.0)
    assert growth.fully_closed_advance_mm(hole) == pytest.approx(10.0, abs=0.15)
    half = growth.advance_for_share(hole, 0.25)
    assert half == pytest.approx(5.0, abs=0.15)  # a quarter of a disk's area is left at half its radius


@pytest.mark.parametrize("seed", range(4))
def test_an_opening_never_grows_as_its_rim_advances(seed: int) -> None:
    wound = random_wound(np.random.default_rng(seed), WoundKind.WINDOW, Stage.FRESH)
    x, y = Grid(-60, -40, 1.5, 300, 180).x_mm, Grid(-60, -40, 1.5, 300, 180).y_mm
    fields = [growth.opening(replace(wound, advance_mm=a), x, y) for a in (0.0, 1.0, 3.0, 9.0)]
    assert all(np.all(later <= earlier + 1e-4) for earlier, later in pairwise(fields))
    areas = [opening_truth(replace(wound, advance_mm=a)).area_mm2 for a in (0.0, 1.0, 3.0, 9.0)]
    assert areas == sorted(areas, reverse=True)
    assert areas[0] > areas[-1]


@pytest.mark.parametrize("stage", list(Stage))
@pytest.mark.parametrize("kind", [WoundKind.DRILL_HOLE, WoundKind.WINDOW])
def test_a_wound_brought_to_a_stage_is_at_that_stage(kind: WoundKind, stage: Stage) -> None:
    rng = np.random.default_rng([int(stage), len(kind)])
    wound = at_stage(rng, random_wound(rng, kind, Stage.FRESH), stage)
    assert opening_truth(wound).stage is stage


# ---------------------------------------------------------------- masks


def test_mask_shares_sum_to_one_and_to_the_true_area() -> None:
    window = Window(-60, 60, -200, -52)
    truth = truth_of(SceneSpec(wounds=(replace(ELLIPSE, advance_mm=4.0, lobes=0.3, ragged_mm=0.8),)))
    tissue = truth.tissue(window, 0.5)
    assert tissue.shape == (296, 240, len(Tissue))
    np.testing.assert_allclose(tissue.sum(axis=2), 1, atol=1e-6)
    area = tissue[..., Tissue.APERTURE].sum() * 0.5**2
    assert area == pytest.approx(truth.aperture_area_mm2, rel=5e-3)
    assert tissue[..., Tissue.NEW_TISSUE].sum() * 0.5**2 > truth.openings[0].first_area_mm2 - area


def test_mask_lies_where_the_wound_is() -> None:
    tissue = truth_of(SceneSpec(wounds=(ELLIPSE,))).tissue(Window(-60, 60, -200, -52), 0.5)
    open_share = tissue[..., Tissue.APERTURE]
    rows, columns = np.indices(open_share.shape)
    x = (-60 + (columns + 0.5) * 0.5) * open_share
    y = (-52 - (rows + 0.5) * 0.5) * open_share
    total = open_share.sum()
    assert (x.sum() / total, y.sum() / total) == pytest.approx((5.0, -110.0), abs=0.05)


def test_the_card_hides_bark_behind_it_and_the_far_side_is_not_seen() -> None:
    scene = SceneSpec(trunk_radius_mm=60.0, wounds=(), camera=SMALL)
    tissue = truth_of(scene).tissue(Window(-120, 120, -70, 60), 1.0, oversample=1)
    # frontal view from far: the card hides its own width, a little more by perspective
    middle = tissue[60, :, Tissue.FOREIGN]
    assert 44 <= middle.sum() <= 50
    # horizon of a cylinder seen from distance d to its axis: angle arccos(R / d)
    reach = 60 * np.arccos(60 / (420 + 60))
    assert tissue[60, :, Tissue.BACKGROUND].sum() == pytest.approx(240 - 2 * reach, abs=2)


def test_sign_mask_is_where_the_sign_is_and_only_there() -> None:
    sign = SignSpec(Sign.CONK, (20.0, -120.0), 30.0, 20.0)
    truth = truth_of(SceneSpec(signs=(sign,)))
    masks = truth.sign_masks(Window(-60, 60, -200, -52), 0.5)
    order = list(Sign).index(Sign.CONK)
    assert masks[..., order].sum() * 0.25 == pytest.approx(np.pi * 15 * 10, rel=0.15)
    assert masks.sum() == pytest.approx(masks[..., order].sum())
    assert truth.signs_present == {Sign.CONK}


# ---------------------------------------------------------------- geometry


def test_corners_are_where_opencv_projects_them() -> None:
    view = view_of(OBLIQUE)
    flat = np.concatenate([
        cardspec.marker_corners_mm(cardspec.UPPER_MARKER_CENTRE_MM),
        cardspec.marker_corners_mm(cardspec.LOWER_MARKER_CENTRE_MM),
    ])  # fmt: skip
    turn, _ = cv2.Rodrigues(view.card_rotation)
    expected, _ = cv2.projectPoints(
        np.column_stack([flat, np.zeros(8)]), turn, view.card_translation_mm, view.matrix, view.distortion
    )
    np.testing.assert_allclose(view.corners_px, expected[:, 0], atol=1e-6)


def test_a_ray_through_a_projected_place_comes_back_to_it() -> None:
    view = view_of(OBLIQUE)
    places = np.array([[0.0, -60.0], [40.0, -110.0], [-50.0, -140.0], [15.0, 30.0]])
    for place, (column, row) in zip(places, view.project_site(places), strict=True):
        u, v = view.rays(np.array([column], np.float32), np.array([row], np.float32))
        x, y, root = view.on_trunk(u, v)
        assert root[0, 0] > 0
        assert (float(x[0, 0]), float(y[0, 0])) == pytest.approx(tuple(place), abs=0.01)


def test_positive_tilt_brings_the_lower_edge_nearer_to_the_camera() -> None:
    view = view_of(replace(OBLIQUE, card=CardHang(tilt_deg=5.0), camera=SMALL))
    depth = [(view.card_rotation @ [0, y, 0] + view.card_translation_mm)[2] for y in (-50.0, 50.0)]
    assert depth[0] < depth[1]


@pytest.mark.parametrize("x", [0.25, 0.5, 1.0])
def test_frontal_ellipse_is_foreshortened_as_the_closed_form_says(x: float) -> None:
    # an ellipse of full width w on a cylinder of diameter D, seen square on from far, shows the share
    # 2 J1(x)/x, x = w/D, of its unrolled area (closed form with the Bessel function; scipy.special.j1)
    distance_mm = 200_000.0
    camera = CameraSpec(400, 400, focal_35mm=40_000, distance_mm=distance_mm, aim_mm=(0.0, -110.0))
    wound = replace(ELLIPSE, centre_mm=(0.0, -110.0), width_mm=120 * x)
    view = view_of(SceneSpec(trunk_radius_mm=60.0, wounds=(wound,), camera=camera))
    pixels = np.arange(400, dtype=np.float64)
    arc, along, root = view.on_trunk(*view.rays(pixels, pixels))
    mm_per_px = distance_mm / view.matrix[0, 0]
    seen = np.clip(growth.opening(wound, arc, along) / mm_per_px + 0.5, 0, 1) * (root > 0)
    expected = np.pi * 60 * x * 30 * 2 * special.j1(x) / x
    assert seen.sum() * mm_per_px**2 == pytest.approx(expected, rel=5e-3)


def test_a_picture_shows_the_opening_where_the_geometry_puts_it() -> None:
    # a black opening on a white trunk without lens, noise or light: its dark pixels fill the projected outline
    plain = BarkSpec("picture", picture=np.full((8, 8, 3), 235, np.uint8), relief_mm=0.0)
    wound = replace(ELLIPSE, width_mm=50.0, depth_mm=0.0, browning=1.6)
    camera = CameraSpec(400, 400, distance_mm=300, azimuth_deg=15, aim_mm=(0.0, -110.0), noise=0, sharpen=0)
    scene = SceneSpec(bark=plain, wounds=(wound,), card=CardHang(site=None), camera=camera, light=LightSpec(sun=0))
    image, truth = render(scene)
    bare, _ = render(replace(scene, wounds=()))
    turn = np.linspace(0, 2 * np.pi, 721)[:-1]
    rim = np.column_stack([5 + 25 * np.cos(turn), -110 + 30 * np.sin(turn)])
    px, py = truth.view.project_site(rim).T
    expected_px = 0.5 * abs(np.sum(px * np.roll(py, -1) - py * np.roll(px, -1)))  # the shoelace formula
    share = (image[..., 1] / 255.0) ** 2.2 / np.maximum((bare[..., 1] / 255.0) ** 2.2, 1e-3)
    share /= np.median(share[:40])  # the two pictures are exposed differently
    near = np.hypot(*(np.indices((400, 400))[::-1] - np.array([px.mean(), py.mean()])[:, None, None])) < 90
    assert ((share < 0.5) & near).sum() == pytest.approx(expected_px, rel=0.02)


# ---------------------------------------------------------------- pictures


def test_the_card_is_read_by_opencv_and_its_corners_agree() -> None:
    image, truth = render(OBLIQUE)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    found, ids, _ = detector.detectMarkers(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY))
    from_top = np.argsort([marker[0, 0, 1] for marker in found])
    assert tuple(np.ravel(ids)[from_top].tolist()) == cardspec.codes_of_site(200_001)
    assert truth.corners_px is not None
    for corners in found:
        apart = np.linalg.norm(truth.corners_px.reshape(2, 4, 2) - corners, axis=2).mean(axis=1)
        # OpenCV's unrefined corners lie within about 1.5 px; refined to the edge crossing they come closer
        assert apart.min() < 2.0
        grey = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY)
        criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 0.001)
        fine = cv2.cornerSubPix(grey, corners[0].copy(), (4, 4), (-1, -1), criteria)
        nearest = truth.corners_px.reshape(2, 4, 2)[int(apart.argmin())]
        assert np.abs((fine - nearest).mean(axis=0)).max() < 0.15


def test_card_face_follows_the_sheet() -> None:
    face = printed_face(123_456)
    assert face.shape == (1600, 704)
    for (x, y), grey in zip(cardspec.PATCH_CENTRES_MM, cardspec.PATCH_SRGB, strict=True):
        assert face[round((50 - y) * 16), round((22 + x) * 16)] == grey
    number = face[round((50 - 42.2) * 16) - 4 : round((50 - 38.2) * 16) + 4] < 100
    rows, columns = np.flatnonzero(number.any(axis=1)), np.flatnonzero(number.any(axis=0))
    assert (rows[-1] - rows[0] + 1) / 16 == pytest.approx(4.0, abs=0.25)
    assert columns[0] / 16 - 22 == pytest.approx(-14.0, abs=0.1)


def test_same_spec_same_picture_other_seed_other_picture() -> None:
    spec = SceneSpec(camera=SMALL, signs=(SignSpec(Sign.GREEN_FILM, (0.0, -100.0), 30, 30),), seed=5)
    first, again, other = render(spec)[0], render(spec)[0], render(replace(spec, seed=6))[0]
    np.testing.assert_array_equal(first, again)
    assert first.shape == (320, 240, 3)
    assert first.dtype == np.uint8
    assert np.any(first != other)


def test_random_scenes_are_drawn_again_by_the_same_seed() -> None:
    a, b = (random_scene(np.random.default_rng(11), size_px=(120, 160)) for _ in range(2))
    np.testing.assert_array_equal(render(a)[0], render(b)[0])


def test_a_place_of_the_bark_looks_alike_on_any_grid() -> None:
    one = texture(Grid(-50, 20, 4.0, 200, 200), (8.0, 20.0), 3, 3)
    moved = texture(Grid(-45, 15, 4.0, 100, 100), (8.0, 20.0), 3, 3)
    np.testing.assert_allclose(one[20:120, 20:120], moved, atol=0.12)


def test_each_sign_changes_the_picture_only_near_itself() -> None:
    plain = SceneSpec(camera=replace(SMALL, noise=0.0), wounds=())
    bare, truth = render(plain)
    for sign in Sign:
        image, _ = render(replace(plain, signs=(SignSpec(sign, (0.0, -110.0), 30.0, 36.0),)))
        change = np.abs(image.astype(int) - bare).max(axis=2)
        middle = truth.view.project_site(np.array([[0.0, -110.0]]))[0].round().astype(int)
        assert change[middle[1] - 6 : middle[1] + 7, middle[0] - 6 : middle[0] + 7].mean() > 8, sign
        assert np.median(change[: int(middle[1]) - 80]) <= 4, sign


# ---------------------------------------------------------------- files


@pytest.mark.parametrize("orientation", range(1, 9))
def test_pillow_turns_the_stored_photo_upright(tmp_path, orientation: int) -> None:
    image = np.zeros((40, 60, 3), np.uint8)
    image[:20, :30], image[20:, :30], image[:20, 30:] = (250, 0, 0), (0, 250, 0), (0, 0, 250)
    taken = datetime(2026, 3, 5, 7, 30, 15, tzinfo=timezone(timedelta(hours=8)))
    path = tmp_path / "photo.png"
    write_photo(path, image, CameraSpec(), PhotoTags(taken, orientation=orientation))
    with Image.open(path) as stored:
        exif = stored.getexif()
        assert exif[0x0112] == orientation
        inner = exif.get_ifd(0x8769)
        assert inner[0x9003] == "2026:03:05 07:30:15"
        assert inner[0x9011] == "+08:00"
        assert inner[0xA405] == 26
        upright = np.asarray(ImageOps.exif_transpose(stored).convert("RGB"))
    np.testing.assert_array_equal(upright, image)


def test_jpeg_without_a_date_has_none(tmp_path) -> None:
    path = tmp_path / "photo.jpg"
    write_photo(path, np.full((32, 32, 3), 120, np.uint8), CameraSpec(), PhotoTags(None, focal_35mm=False))
    with Image.open(path) as stored:
        assert stored.format == "JPEG"
        inner = stored.getexif().get_ifd(0x8769)
        assert 0x9003 not in inner
        assert 0xA405 not in inner


# ---------------------------------------------------------------- stories

STORY = SiteStory(
    site=205,
    made_on=date(2025, 8, 1),
    wound=WoundState(width_mm=40, height_mm=50, seed=4),
    bark=BarkSpec(seed=4),
    card=CardHang(site=205),
    advance_mm_per_month=3.0,
    changes=(Change(date(2026, 7, 1), 50, 64),),
    signs=(SignStory(Sign.GREEN_FILM, date(2026, 9, 1), (0, -100), 20, 20),),
)


def test_a_story_rests_in_the_dry_months_and_begins_again_at_a_cut() -> None:
    # 1 August + 35 days lag = 5 September; growing to the end of October: 57 days at 3 mm a month of 30.4375 days
    assert STORY.wound_on(date(2025, 12, 1)).advance_mm == pytest.approx(57 * 3 / 30.4375)
    assert STORY.wound_on(date(2026, 3, 1)).advance_mm == pytest.approx(57 * 3 / 30.4375)
    assert STORY.wound_on(date(2026, 6, 30)).advance_mm > 57 * 3 / 30.4375
    cut = STORY.wound_on(date(2026, 7, 1))
    assert (cut.advance_mm, cut.width_mm) == (0.0, 50)
    assert opening_truth(cut).stage is Stage.FRESH
    assert not STORY.signs_on(date(2026, 8, 31))
    assert STORY.signs_on(date(2026, 10, 1))[0].width_mm > 20


def test_a_story_refuses_a_day_before_the_wound() -> None:
    with pytest.raises(ValueError, match="was made on"):
        STORY.wound_on(date(2025, 7, 31))
