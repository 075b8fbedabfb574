"""Pose, trunk, unrolling and their uncertainty against OpenCV, closed forms and photos drawn independently."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.special import j1

from pipeline import card, ruler, surface, trunk
from pipeline.errors import PhotoRefused
from pipeline.records import CameraTag, CardFix, Flag, Photo, Site, SitePatch, SurfaceFix, Window, WoundKind
from pipeline.settings import CardSettings, PatchSettings, SurfaceSettings
from tests import drawn

SETTINGS = SurfaceSettings()
PATCH = PatchSettings()


def photo_of(view: drawn.View, pixels: np.ndarray | None = None, focal: bool = True) -> Photo:
    if pixels is None:
        pixels = np.zeros((view.height_px, view.width_px, 3), np.uint8)
    return Photo("x.jpg", "0" * 64, None, None, pixels, CameraTag(focal_px=view.focal_px if focal else None))


def true_card(view: drawn.View, noise_px: float = 0.0, seed: int = 0, markers: slice = slice(0, 8)) -> CardFix:
    corners = drawn.project(view, np.column_stack([card.CARD_MM, np.zeros(8)]))
    corners = corners + np.random.default_rng(seed).normal(0, noise_px, corners.shape) if noise_px else corners
    codes = (1 if markers.start == 0 else None, 2 if markers.stop == 8 else None)
    edge = float(np.hypot(*(corners[1] - corners[0])))
    return CardFix(*codes, corners[markers], card.CARD_MM[markers], max(noise_px, 1e-3), edge)


def fix_of(view: drawn.View, **settings: float) -> SurfaceFix:
    girth = 2 * np.pi * view.radius_mm
    chosen = SurfaceSettings(**{"standoff_mm": view.standoff_mm, **settings})
    fix = surface.fit_surface(photo_of(view), true_card(view), girth, chosen)
    return replace(fix, tilt_rad=float(np.radians(view.tilt_deg)))


VIEWS = [
    drawn.View(),
    drawn.View(azimuth_deg=15, elevation_deg=-10, roll_deg=7, radius_mm=60),
    drawn.View(distance_mm=330, azimuth_deg=-18, elevation_deg=14, tilt_deg=3.0, standoff_mm=2.0),
]


# ---------------------------------------------------------------- pose and projection


@pytest.mark.parametrize("view", VIEWS)
def test_pose_of_exact_corners_is_exact(view: drawn.View) -> None:
    fix = fix_of(view)
    rotation, translation = view.pose
    np.testing.assert_allclose(fix.rotation, rotation, atol=2e-5)
    np.testing.assert_allclose(fix.translation_mm, translation, rtol=2e-5, atol=5e-3)
    assert fix.reprojection_px < 1e-2


@pytest.mark.parametrize("view", VIEWS)
def test_bark_places_fall_where_opencv_projects_them(view: drawn.View) -> None:
    rotation, translation = view.pose
    fix = replace(
        fix_of(view), rotation=rotation, translation_mm=translation, distortion=np.array([-0.05, 0.02, 1e-3, 0, 0])
    )
    lens = replace_view(view, distortion=(-0.05, 0.02, 1e-3, 0.0, 0.0))
    places = np.random.default_rng(2).uniform((-50, -150), (50, -50), (40, 2))
    ours = trunk.bark_in_picture(fix, places[:, 0], places[:, 1])
    np.testing.assert_allclose(ours, drawn.project(lens, drawn.bark_points(lens, places)), atol=1e-6)


@pytest.mark.parametrize("view", VIEWS)
def test_bark_that_opencv_projects_is_found_again(view: drawn.View) -> None:
    rotation, translation = view.pose
    lens = replace_view(view, distortion=(-0.05, 0.02, 1e-3, 0.0, 0.0))
    fix = replace(
        fix_of(view), rotation=rotation, translation_mm=translation, distortion=np.array([-0.05, 0.02, 1e-3, 0, 0])
    )
    places = np.random.default_rng(3).uniform((-40, -150), (40, -50), (40, 2))
    seen = drawn.project(lens, drawn.bark_points(lens, places))
    np.testing.assert_allclose(trunk.bark_of_picture(fix, seen), places, atol=1e-4)


def test_sight_that_passes_the_trunk_by_meets_no_bark() -> None:
    assert np.isnan(trunk.bark_of_picture(fix_of(drawn.View()), np.array([[-5000.0, 500.0]]))).all()


def replace_view(view: drawn.View, **changes: object) -> drawn.View:
    return drawn.View(**{**vars(view), **changes})


@pytest.mark.parametrize("markers", [slice(0, 4), slice(4, 8)])
def test_one_marker_gives_a_pose_too(markers: slice) -> None:
    view = drawn.View(azimuth_deg=14, elevation_deg=-9)
    fix = surface.fit_surface(photo_of(view), true_card(view, markers=markers), 560.0, SETTINGS)
    assert Flag.ONE_MARKER in fix.flags
    np.testing.assert_allclose(fix.translation_mm, view.pose[1], rtol=0.01, atol=0.5)


def test_what_is_assumed_is_flagged_and_less_certain() -> None:
    view = drawn.View()
    known = surface.fit_surface(photo_of(view), true_card(view), 500.0, SETTINGS)
    guessed = surface.fit_surface(photo_of(view, focal=False), true_card(view), None, SETTINGS)
    assert known.flags == Flag.NONE
    assert guessed.flags == Flag.FOCAL_ASSUMED | Flag.GIRTH_ASSUMED
    assert guessed.focal_rel_sd > known.focal_rel_sd
    assert guessed.radius_rel_sd > known.radius_rel_sd


def test_oblique_view_is_refused_with_a_remedy() -> None:
    view = drawn.View(azimuth_deg=58)
    with pytest.raises(PhotoRefused, match="side") as caught:
        surface.fit_surface(photo_of(view), true_card(view), 560.0, SETTINGS)
    assert caught.value.stage == "surface"
    assert "squarely" in caught.value.remedy


def test_corners_of_no_flat_card_are_refused() -> None:
    view = drawn.View()
    bent = true_card(view)
    bent.corners_px[1] += 25
    with pytest.raises(PhotoRefused, match="corners"):
        surface.fit_surface(photo_of(view), bent, 560.0, SETTINGS)


# ---------------------------------------------------------------- areas


def far_view(radius_mm: float) -> drawn.View:
    # from 40 m, nearly orthographic, so that the closed forms for parallel light hold
    return drawn.View(
        width_px=700, height_px=900, focal_px=200_000.0, distance_mm=40_000.0, radius_mm=radius_mm, standoff_mm=0.0
    )


def flat_and_unrolled_area(width_mm: float, radius_mm: float, ellipse: bool) -> tuple[float, float]:
    """Area of a shape as seen flat over its area on the unrolled bark, both over the true one."""
    view = far_view(radius_mm)
    fix = fix_of(view)
    if ellipse:
        turn = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
        outline = np.stack([width_mm / 2 * np.cos(turn), -100 + 20 * np.sin(turn)], axis=1)
        true = np.pi * width_mm / 2 * 20
    else:
        side = np.linspace(-0.5, 0.5, 1001)
        x = np.concatenate([side, np.full(1001, 0.5), side[::-1], np.full(1001, -0.5)]) * width_mm
        y = np.concatenate([np.full(1001, 0.5), -side, np.full(1001, -0.5), side]) * 40 - 100
        outline, true = np.stack([x, y], axis=1), width_mm * 40
    seen = drawn.project(view, drawn.bark_points(view, outline))
    flat = polygon_area(seen) * (view.distance_mm / view.focal_px) ** 2
    back = bark_of_picture(fix, seen, outline)
    return flat / true, polygon_area(back) / true


def polygon_area(points: np.ndarray) -> float:
    x, y = points.T
    return float(abs(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2)


def bark_of_picture(fix: SurfaceFix, seen: np.ndarray, start: np.ndarray) -> np.ndarray:
    """Bark places of picture points by Newton steps on the package's projection."""
    place = start + 0.5
    for _ in range(7):
        h = 1e-3
        at = trunk.bark_in_picture(fix, place[:, 0], place[:, 1])
        ds = (trunk.bark_in_picture(fix, place[:, 0] + h, place[:, 1]) - at) / h
        dy = (trunk.bark_in_picture(fix, place[:, 0], place[:, 1] + h) - at) / h
        place = place + np.linalg.solve(np.stack([ds, dy], axis=-1), (seen - at)[..., None])[..., 0]
    return place


@pytest.mark.parametrize("x", [0.25, 0.5, 1.0])
def test_ellipse_on_a_cylinder(x: float) -> None:
    # an ellipse of arc width w on a trunk of diameter D, seen from afar: 2 J1(x)/x of its area, x = w/D
    flat, unrolled = flat_and_unrolled_area(x * 2 * 80, 80.0, ellipse=True)
    assert flat == pytest.approx(2 * j1(x) / x, abs=0.002)
    assert unrolled == pytest.approx(1.0, abs=0.001)


@pytest.mark.parametrize("x", [0.25, 0.5, 1.0])
def test_strip_on_a_cylinder(x: float) -> None:
    # a strip of arc width w, seen from afar: sin(x)/x of its area, x = w/D
    flat, unrolled = flat_and_unrolled_area(x * 2 * 80, 80.0, ellipse=False)
    assert flat == pytest.approx(np.sin(x) / x, abs=0.002)
    assert unrolled == pytest.approx(1.0, abs=0.001)


def test_arc_of_a_chord() -> None:
    # s = D asin(c/D): on a trunk of diameter 100 a chord of 47.943 mm has an arc of 50.000 mm
    points = trunk.bark_points(np.array([-25.0, 25.0]), np.zeros(2), 50.0)
    assert float(np.hypot(*(points[1] - points[0])[[0, 2]])) == pytest.approx(47.943, abs=5e-4)


@pytest.mark.parametrize(
    "view",
    [
        drawn.View(width_px=560, height_px=760, focal_px=900, texture=6),
        drawn.View(width_px=560, height_px=760, focal_px=900, texture=6, azimuth_deg=15, elevation_deg=8, radius_mm=60),
        drawn.View(
            width_px=560,
            height_px=760,
            focal_px=900,
            texture=6,
            azimuth_deg=-12,
            elevation_deg=-12,
            roll_deg=5,
            ellipse=(12.0, -105.0, 60.0, 50.0),
        ),
    ],
)
def test_area_in_the_unrolled_patch_of_a_drawn_photo(view: drawn.View) -> None:
    pixels = drawn.photo(view)
    photo = photo_of(view, pixels)
    fix = surface.fit_surface(photo, card.find_card(pixels, CardSettings()), 2 * np.pi * view.radius_mm, SETTINGS)
    assert view.ellipse is not None
    patch = surface.unroll(photo, fix, Window(-60, 60, -160, -52), 384, None)
    dark = (patch.rgb.astype(int).sum(axis=2) < 230) & patch.valid
    x, y, width, height = view.ellipse
    assert dark.sum() * patch.mm_per_px**2 == pytest.approx(np.pi / 4 * width * height, rel=0.015)
    rows, columns = np.nonzero(dark)
    assert patch.left_mm + (columns.mean() + 0.5) * patch.mm_per_px == pytest.approx(x, abs=0.5)
    assert patch.top_mm - (rows.mean() + 0.5) * patch.mm_per_px == pytest.approx(y, abs=0.5)


# ---------------------------------------------------------------- unrolling


def test_every_patch_pixel_shows_the_place_its_numbers_say() -> None:
    # a photo whose colours are its own coordinates
    view = drawn.View(width_px=250, height_px=250, focal_px=260.0, azimuth_deg=10, elevation_deg=-8)
    x, y = np.meshgrid(np.arange(250), np.arange(250))
    photo = photo_of(view, np.stack([x, y, np.zeros_like(x)], axis=-1).astype(np.uint8))
    fix = fix_of(view)
    window = Window(-30.0, 50.0, -130.0, -60.0)
    patch = surface.unroll(photo, fix, window, 160, None)
    assert patch.rgb.shape == (140, 160, 3)
    assert patch.mm_per_px == pytest.approx(0.5)
    columns, rows = np.meshgrid(np.arange(160), np.arange(140))
    places = np.stack([-30.0 + (columns + 0.5) * 0.5, -60.0 - (rows + 0.5) * 0.5], axis=-1).reshape(-1, 2)
    wanted = drawn.project(view, drawn.bark_points(view, places)).reshape(140, 160, 2)
    inside = patch.valid
    assert inside.mean() > 0.9
    assert np.abs(patch.rgb[..., :2].astype(float) - wanted)[inside].max() < 0.6  # rounding to whole levels is 0.5


def test_beyond_the_horizon_and_outside_the_picture_is_not_valid() -> None:
    view = drawn.View(radius_mm=50.0)
    photo = photo_of(view, np.full((1000, 800, 3), 90, np.uint8))
    fix = fix_of(view)
    patch = surface.unroll(photo, fix, Window(-100, 100, -150, -50), 200, None)
    arc = patch.left_mm + (np.arange(200) + 0.5) * patch.mm_per_px
    # seen from distance d of the axis, the horizon of a cylinder lies at acos(R/d)
    horizon = 50.0 * np.arccos(50.0 / (view.distance_mm + 50.0 + view.standoff_mm))
    assert not patch.valid[:, np.abs(arc) > horizon].any()
    assert patch.valid[:, np.abs(arc) < 50.0].all()
    assert (patch.rgb[~patch.valid] == 0).all()
    with pytest.raises(PhotoRefused, match="not in the picture"):
        surface.unroll(photo, fix, Window(-50, 50, -900, -800), 100, None)


def test_fine_texture_is_averaged_not_aliased() -> None:
    # a checkerboard of single photo pixels must come out grey where the patch is coarser than the photo
    view = drawn.View(width_px=800, height_px=1000, focal_px=1200.0)
    x, y = np.meshgrid(np.arange(800), np.arange(1000))
    pixels = np.repeat((255 * ((x + y) % 2)).astype(np.uint8)[:, :, None], 3, axis=2)
    patch = surface.unroll(photo_of(view, pixels), fix_of(view), Window(-40, 40, -140, -60), 64, None)
    assert patch.rgb[patch.valid].std() < 12


# ---------------------------------------------------------------- windows


def test_overview_is_below_the_card_and_grows_with_the_register() -> None:
    plain = surface.overview_window(None, PATCH)
    assert plain.top_mm == pytest.approx(-50 - PATCH.gap_below_card_mm)
    assert plain.width_mm == plain.height_mm == pytest.approx(PATCH.overview_mm)
    tall = surface.overview_window(Site(1, "A", WoundKind.STRIP, first_width_mm=40, first_height_mm=200), PATCH)
    assert tall.height_mm >= 200 + 60
    assert tall.top_mm == plain.top_mm
    huge = surface.overview_window(Site(1, "A", WoundKind.STRIP, first_height_mm=5000), PATCH)
    assert huge.height_mm == PATCH.max_window_mm


def overview(scale: float = 6.0) -> SitePatch:
    size = PATCH.overview_px
    mm = PATCH.overview_mm / size
    return SitePatch(
        np.zeros((size, size, 3), np.uint8), np.ones((size, size), bool), mm, -PATCH.overview_mm / 2, -52.0, scale
    )


def test_small_opening_is_looked_at_from_closer() -> None:
    window = surface.closer_window(Window(-6, 6, -96, -84), overview(), cut=False, settings=PATCH)
    assert window is not None
    assert (window.left_mm + window.right_mm) / 2 == pytest.approx(0)
    assert window.left_mm < -6 < 6 < window.right_mm
    assert window.width_mm < PATCH.overview_mm / 2


def test_large_opening_needs_no_second_look_and_a_cut_one_needs_a_larger() -> None:
    opening = Window(-40, 40, -190, -80)
    assert surface.closer_window(opening, overview(), cut=False, settings=PATCH) is None
    larger = surface.closer_window(Window(-40, 40, -228, -80), overview(), cut=True, settings=PATCH)
    assert larger is not None
    assert larger.bottom_mm < -228
    assert larger.top_mm == pytest.approx(overview().top_mm)


def test_photo_without_card_is_taken_as_100_mm_wide() -> None:
    pixels = np.zeros((300, 500, 3), np.uint8)
    pixels[:, 250:] = 200
    patch = surface.relative_patch(photo_of(drawn.View(), pixels), 100)
    assert patch.rgb.shape == (100, 100, 3)
    assert not patch.has_scale
    assert patch.window.width_mm == pytest.approx(100)
    assert patch.rgb[:, :49].max() == 0
    assert patch.rgb[:, 51:].min() == 200


# ---------------------------------------------------------------- uncertainty


def test_scale_noise_of_one_marker_seen_from_afar() -> None:
    # perimeter scale of a square of edge L from corners of standard deviation s: s/(sqrt(2) L).  From afar a
    # pose has no perspective to go by; held squarely, its scale is that of the square.
    edge, sd = 120.0, 0.3
    rng = np.random.default_rng(4)
    square = np.array([(0, 0), (edge, 0), (edge, edge), (0, edge)])
    noisy = square + rng.normal(0, sd, (20000, 4, 2))
    perimeter = np.hypot(*np.moveaxis(np.roll(noisy, -1, axis=1) - noisy, -1, 0)).sum(axis=1)
    assert perimeter.std() / perimeter.mean() == pytest.approx(sd / (np.sqrt(2) * edge), rel=0.03)


@pytest.mark.parametrize("view", VIEWS)
def test_corner_noise_part_agrees_with_monte_carlo(view: drawn.View) -> None:
    # JCGM 101: draw the corners, fit the pose again, measure the same piece of the picture again
    noise, at, size = 0.1, (10.0, -100.0), (40.0, 60.0)
    fix = replace(fix_of(view), corner_sd_px=noise)
    stated = ruler.scale_uncertainty(fix, fix.corners_mm, at, size).area["corner noise"]
    half_w, half_h = (np.sqrt(np.pi) / 4 * s for s in size)
    box = np.array(
        [
            (at[0] - half_w, at[1] + half_h),
            (at[0] + half_w, at[1] + half_h),
            (at[0] + half_w, at[1] - half_h),
            (at[0] - half_w, at[1] - half_h),
        ]
    )
    sides = np.linspace(0, 1, 6, endpoint=False)[:, None]
    outline = np.concatenate([a + sides * (b - a) for a, b in zip(box, np.roll(box, -1, axis=0), strict=True)])
    seen = trunk.bark_in_picture(fix, outline[:, 0], outline[:, 1])
    areas = []
    for seed in range(1, 81):
        drawn_fix = surface.fit_surface(
            photo_of(view), true_card(view, noise, seed), 2 * np.pi * view.radius_mm, SETTINGS
        )
        moved = replace(drawn_fix, standoff_mm=fix.standoff_mm, tilt_rad=fix.tilt_rad)
        areas.append(polygon_area(bark_of_picture(moved, seen, outline)))
    assert np.std(areas) / np.mean(areas) == pytest.approx(stated, rel=0.25)


@pytest.mark.parametrize(
    ("name", "one_sd"),
    [
        ("girth", ("radius_mm", 90.0 * 0.02)),
        ("card tilt", ("tilt_rad", np.radians(1.5))),
        ("card roll", ("roll_rad", np.radians(2.0))),
        ("card yaw", ("yaw_rad", np.radians(1.5))),
        ("standoff", ("standoff_mm", 0.7)),
    ],
)
def test_each_part_is_the_change_that_one_standard_deviation_makes(name: str, one_sd: tuple[str, float]) -> None:
    view = drawn.View(azimuth_deg=12, elevation_deg=-8)
    fix = fix_of(view)
    at, size = (25.0, -110.0), (30.0, 40.0)
    stated = surface.area_sd_parts(fix, at, size).area[name]
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    outline = np.stack([at[0] + 15 * np.cos(turn), at[1] + 20 * np.sin(turn)], axis=1)
    seen = trunk.bark_in_picture(fix, outline[:, 0], outline[:, 1])
    field, sd = one_sd
    more, less = (replace(fix, **{field: getattr(fix, field) + sign * sd}) for sign in (1, -1))
    spread = polygon_area(bark_of_picture(more, seen, outline)) - polygon_area(bark_of_picture(less, seen, outline))
    assert abs(spread) / 2 / polygon_area(outline) == pytest.approx(stated, rel=0.1, abs=2e-4)


def test_uncertainty_combines_in_quadrature_and_grows_with_the_card_s_tilt() -> None:
    view = drawn.View()
    calm = surface.area_sd_parts(fix_of(view, tilt_sd_deg=0.5), (0, -100), (40, 60))
    loose = surface.area_sd_parts(fix_of(view, tilt_sd_deg=3.0), (0, -100), (40, 60))
    assert calm.area_rel_sd == pytest.approx(np.sqrt(sum(v**2 for v in calm.area.values())))
    assert loose.area["card tilt"] == pytest.approx(6 * calm.area["card tilt"], rel=1e-6)
    assert loose.area_rel_sd > calm.area_rel_sd


def test_card_nearer_than_the_wound_by_dz() -> None:
    # a marker dz nearer than the wound makes lengths too small by dz/Z: 10 mm at 410 mm is 2.4 %
    view = drawn.View(distance_mm=400.0, standoff_mm=10.0, aim_mm=(0.0, 0.0))
    seen = drawn.project(view, drawn.bark_points(view, np.array([[-2.0, 0.0], [2.0, 0.0]])))
    flat = np.hypot(*(seen[1] - seen[0])) * 400.0 / view.focal_px / 4.0
    assert flat - 1 == pytest.approx(-0.0244, abs=0.0005)
    fix = fix_of(view)
    back = bark_of_picture(fix, seen, np.array([[-2.0, 0.0], [2.0, 0.0]]))
    assert back[1, 0] - back[0, 0] == pytest.approx(4.0, abs=1e-3)


def test_opencv_agrees_on_the_pose_of_noisy_corners() -> None:
    view = drawn.View(azimuth_deg=11)
    noisy = true_card(view, 0.2, 3)
    fix = surface.fit_surface(photo_of(view), noisy, 560.0, SETTINGS)
    points = np.column_stack([card.CARD_MM, np.zeros(8)])
    _, turn, shift = cv2.solvePnP(points, noisy.corners_px, view.camera_matrix, None, flags=cv2.SOLVEPNP_ITERATIVE)
    np.testing.assert_allclose(fix.translation_mm, shift.ravel(), rtol=1e-3, atol=0.05)
    np.testing.assert_allclose(fix.rotation, cv2.Rodrigues(turn)[0], atol=2e-3)
