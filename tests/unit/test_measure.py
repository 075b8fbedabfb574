"""Numbers of a reading on drawn patches whose truth is known in closed form."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime

import cv2
import numpy as np
import pytest
from skimage.color import rgb2lab
from uncertainties import ufloat

from pipeline import measure, outline
from pipeline.records import (
    CameraTag,
    Flag,
    Photo,
    QualityReport,
    ScaleUncertainty,
    Sign,
    SiteMaps,
    SitePatch,
    Stage,
    Tissue,
)
from pipeline.settings import ReadingSettings

SIZE = 120
MM_PER_PX = 0.5
WOOD = (196, 160, 112)
SCALE = ScaleUncertainty(
    area={"tilt": 0.02, "girth": 0.01}, width={"tilt": 0.005, "girth": 0.01}, height={"tilt": 0.018, "girth": 0.0}
)
QUALITY = QualityReport(sharpness_mm=0.4, view_angle_deg=5.0, scale_px_per_mm=6.0, clipped_share=0.0)
PHOTO = Photo(
    "tree 12/a.jpg",
    "0" * 64,
    datetime(2026, 5, 4, 9, 30, tzinfo=UTC),
    None,
    np.zeros((8, 8, 3), np.uint8),
    CameraTag(maker="Maker", model="One"),
)


def cover(radius_mm, cx_mm=30.0, cy_mm=-30.0, k=6):
    """Coverage of each pixel by a disk; the patch's outer top left corner is (0, 0) in mm."""
    axis = (np.arange(SIZE * k) + 0.5) / k * MM_PER_PX
    inside = (axis[None, :] - cx_mm) ** 2 + (-axis[:, None] - cy_mm) ** 2 <= radius_mm**2
    return inside.reshape(SIZE, k, SIZE, k).mean(axis=(1, 3)).astype(np.float32)


def maps_of(aperture, new_tissue=None, signs=None, stage=Stage.FRESH, stage_p=0.9, sign_p=None, **others):
    new_tissue = np.zeros_like(aperture) if new_tissue is None else new_tissue
    tissue = np.zeros((SIZE, SIZE, len(Tissue)), np.float32)
    tissue[..., Tissue.APERTURE] = aperture
    tissue[..., Tissue.NEW_TISSUE] = new_tissue
    tissue[..., Tissue.BARK] = 1 - aperture - new_tissue
    sign_map = np.zeros((SIZE, SIZE, len(Sign)), np.float32)
    probabilities = np.full(len(Sign), 0.02)
    for sign, picture in (signs or {}).items():
        sign_map[..., list(Sign).index(sign)] = picture
        probabilities[list(Sign).index(sign)] = (sign_p or {}).get(sign, 0.9)
    stages = np.full(len(Stage), (1 - stage_p) / 5)
    stages[stage] = stage_p
    return SiteMaps(
        tissue, sign_map, stages, probabilities, not_a_site_p=others.pop("not_a_site_p", 0.05), reader="drawn", **others
    )


def patch_of(rgb=WOOD, **others):
    picture = np.empty((SIZE, SIZE, 3), np.uint8)
    picture[:] = rgb
    return SitePatch(picture, others.pop("valid", np.ones((SIZE, SIZE), bool)), MM_PER_PX, 0.0, 0.0, 6.0, **others)


def read(maps, patch=None, settings=None, flags=Flag.NONE, photo=PHOTO, quality=QUALITY):
    patch, settings = patch or patch_of(), settings or ReadingSettings()
    return measure.measure(
        photo, 205, date(2026, 5, 4), patch, maps, quality, SCALE, flags, settings, "drawn 1", "abc",
        opening=measure.find_opening(patch, maps, settings),
    )  # fmt: skip


def test_sizes_of_a_hole():
    got = read(maps_of(cover(12.0)))
    assert got.aperture_area_mm2 == pytest.approx(math.pi * 144, rel=0.003)
    assert got.aperture_width_mm == pytest.approx(24.0, abs=0.1)
    assert got.aperture_height_mm == pytest.approx(24.0, abs=0.1)
    assert got.aperture_perimeter_mm == pytest.approx(math.pi * 24, rel=0.005)
    assert got.centroid_mm == pytest.approx((30.0, -30.0), abs=0.02)
    assert (got.site, got.visit_on, got.model, got.settings) == (205, date(2026, 5, 4), "drawn 1", "abc")
    assert got.device == "Maker One"
    assert got.flags == Flag.NONE


@pytest.mark.parametrize(
    ("stage", "width_mm", "none"),
    [
        (Stage.CLOSED, 1.5, True),
        (Stage.REBARKED, 1.5, True),
        (Stage.CLOSING, 1.5, False),
        (Stage.CLOSED, 4.0, False),
    ],
)
def test_a_dark_slit_in_a_closed_wound_is_its_seam(stage, width_mm, none):
    # 2 A / P of a long slit is its width (closed form: A = w l, P = 2 l + 2 w); limit 2.5 mm.
    x = (np.arange(SIZE) - SIZE / 2 + 0.5) * MM_PER_PX
    slit = np.clip((width_mm / 2 - np.abs(x)[None, :]) / MM_PER_PX + 0.5, 0, 1) * (np.abs(x) < 20)[:, None]
    maps, settings = maps_of(slit, stage=stage), ReadingSettings()
    seen = measure.find_opening(patch_of(), maps, settings)
    assert 2 * seen.area_mm2 / seen.perimeter_mm == pytest.approx(width_mm, rel=0.12)
    assert (measure.seam_as_none(seen, maps, settings) is None) == none
    never = measure.seam_as_none(seen, maps, ReadingSettings(seam_width_mm=0))
    assert never is seen


def test_area_uncertainty_agrees_with_the_package_uncertainties():
    # A = s A0 + p d + e with independent tilt, girth, rim shift d and wandering e, propagated by `uncertainties`.
    settings = ReadingSettings()
    got = read(maps_of(cover(12.0)))
    area, perimeter = got.aperture_area_mm2, got.aperture_perimeter_mm
    blur_mm = QUALITY.sharpness_mm / 2.5631
    shift = ufloat(0, settings.rim_sd_mm)
    wander = ufloat(0, settings.rim_wander_share * blur_mm * math.sqrt(perimeter * settings.rim_wander_mm))
    expected = area * ufloat(1, 0.02) * ufloat(1, 0.01) + perimeter * shift + wander
    assert got.aperture_area_mm2_sd == pytest.approx(expected.std_dev, rel=1e-4)
    assert set(got.area_sd_parts) == {"tilt", "girth", "rim", "softness"}
    assert math.hypot(*got.area_sd_parts.values()) == pytest.approx(got.aperture_area_mm2_sd)
    first, second = (ufloat(0, settings.rim_wander_share * blur_mm) for _ in range(2))
    width = got.aperture_width_mm * ufloat(1, 0.005) * ufloat(1, 0.01) + 2 * shift + first + second
    assert got.aperture_width_mm_sd == pytest.approx(width.std_dev, rel=1e-4)


def test_rim_part_is_boundary_error_and_dominates_small_holes():
    # dA = p d (closed form): 12 mm hole, 0.25 mm: 9.42 mm2 or 8.3 %; the share grows as 1 / diameter.
    small, large = read(maps_of(cover(6.0))), read(maps_of(cover(24.0)))
    assert small.area_sd_parts["rim"] == pytest.approx(9.42, rel=0.01)
    assert small.area_sd_parts["rim"] / small.aperture_area_mm2 == pytest.approx(0.083, rel=0.02)
    share = large.area_sd_parts["rim"] / large.aperture_area_mm2
    assert share == pytest.approx(0.083 / 4, rel=0.02)
    assert small.area_sd_parts["rim"] > small.area_sd_parts["tilt"]
    assert large.area_sd_parts["rim"] > large.area_sd_parts["girth"]


def test_what_a_reader_is_known_to_be_off_widens_area_and_width():
    # Independent contributions add as the root of the sum of squares (JCGM 100:2008, 5.1.2); a chord has two ends.
    maps = maps_of(cover(12.0))
    plain, doubtful = read(maps), read(replace(maps, rim_sd_mm=2.0))
    assert doubtful.area_sd_parts["reader"] == pytest.approx(doubtful.aperture_perimeter_mm * 2.0)
    assert doubtful.aperture_area_mm2_sd == pytest.approx(
        math.hypot(plain.aperture_area_mm2_sd, doubtful.area_sd_parts["reader"])
    )
    assert doubtful.aperture_width_mm_sd == pytest.approx(math.hypot(plain.aperture_width_mm_sd, 4.0))


def test_what_a_reader_does_alike_at_every_visit_is_told_apart():
    maps = maps_of(cover(12.0))
    whole, parted = read(replace(maps, rim_sd_mm=2.0)), read(replace(maps, rim_sd_mm=2.0, rim_repeat_sd_mm=0.6))
    assert parted.aperture_area_mm2_sd == pytest.approx(whole.aperture_area_mm2_sd)
    assert parted.area_sd_parts["reader"] == pytest.approx(parted.aperture_perimeter_mm * 0.6)
    both = math.hypot(parted.area_sd_parts["reader"], parted.area_sd_parts["reader's habit"])
    assert both == pytest.approx(whole.area_sd_parts["reader"])
    assert "reader's habit" not in whole.area_sd_parts


def test_a_blurred_rim_is_less_certain():
    sharp, soft = cover(12.0), cv2.GaussianBlur(cover(12.0), (0, 0), 4.0)
    assert read(maps_of(soft)).area_sd_parts["softness"] > 5 * read(maps_of(sharp)).area_sd_parts["softness"]


@pytest.mark.parametrize("stage", [Stage.CLOSED, Stage.REBARKED])
def test_closed_site_has_area_zero(stage):
    got = read(maps_of(np.zeros((SIZE, SIZE), np.float32), stage=stage))
    assert got.aperture_area_mm2 == 0.0
    # Uniform between 0 and the smallest opening that counts: a / sqrt(3) (GUM 4.3.7).
    assert got.aperture_area_mm2_sd == pytest.approx(ReadingSettings().min_aperture_mm2 / math.sqrt(3))
    assert (got.aperture_width_mm, got.aperture_height_mm, got.aperture_perimeter_mm) == (0.0, 0.0, 0.0)
    assert got.aperture_width_mm_sd > 0
    assert got.wood_lab is None
    assert got.centroid_mm is None
    assert Flag.NO_APERTURE in got.flags


@pytest.mark.parametrize("stage", [Stage.FRESH, Stage.RESINOUS, Stage.CALLUS, Stage.CLOSING])
def test_opening_that_should_be_there_and_is_not_seen_is_not_measured(stage):
    got = read(maps_of(np.zeros((SIZE, SIZE), np.float32), stage=stage))
    assert got.aperture_area_mm2 is None
    assert got.aperture_area_mm2_sd is None
    assert got.area_sd_parts == {}
    assert Flag.NO_APERTURE in got.flags


def test_new_tissue_width_of_a_ring():
    # A ring of width w round a disk: area pi (2 r w + w²).
    got = read(maps_of(cover(10.0), cover(14.0) - cover(10.0)))
    assert got.new_tissue_width_mm == pytest.approx(4.0, rel=0.01)
    assert read(maps_of(cover(10.0))).new_tissue_width_mm is None


def test_new_tissue_of_a_closed_site_is_half_its_width():
    got = read(maps_of(np.zeros((SIZE, SIZE), np.float32), cover(8.0), stage=Stage.CLOSED))
    assert got.new_tissue_width_mm == pytest.approx(8.0, abs=0.1)


def test_wood_colour_agrees_with_scikit_image():
    got = read(maps_of(cover(12.0)))
    expected = rgb2lab(np.array([[WOOD]], np.uint8) / 255.0)[0, 0]
    assert got.wood_lab == pytest.approx(expected, abs=0.05)
    assert got.wood_lab_sd[0] >= 1.0
    assumed = read(maps_of(cover(12.0)), patch_of(white_balanced=False))
    assert assumed.wood_lab_sd[0] > got.wood_lab_sd[0]
    assert Flag.WHITE_BALANCE_ASSUMED in assumed.flags


def test_wood_colour_is_of_the_wood_not_of_bark_or_a_drop():
    patch = patch_of((60, 55, 50))
    wood = cover(15.0) > 0.5
    patch.rgb[wood] = WOOD
    patch.rgb[cover(4.0, cx_mm=34.0) > 0.5] = (30, 10, 5)
    got = read(maps_of(cover(15.0)), patch)
    assert got.wood_lab == pytest.approx(rgb2lab(np.array([[WOOD]], np.uint8) / 255.0)[0, 0], abs=0.05)


def test_wood_colour_is_averaged_in_linear_light():
    # Fine black and white stripes average to half the light: sRGB 188 and L* 76.07, not 128 and L* 53.6.
    patch = patch_of()
    patch.rgb[::2], patch.rgb[1::2] = 0, 255
    got = read(maps_of(cover(14.0)), patch)
    assert got.wood_lab[0] == pytest.approx(76.07, abs=0.05)


def test_sign_has_area_and_distance_from_the_rim():
    film = cover(4.0, cx_mm=50.0)
    got = read(maps_of(cover(10.0), signs={Sign.GREEN_FILM: film}))
    assert got.signs[Sign.GREEN_FILM].p == pytest.approx(0.9)
    assert got.signs[Sign.GREEN_FILM].area_mm2 == pytest.approx(math.pi * 16, rel=0.01)
    assert got.signs[Sign.GREEN_FILM].rim_distance_mm == pytest.approx(6.0, abs=0.3)
    assert got.signs[Sign.CONK].area_mm2 is None
    assert set(got.outlines.signs) == {Sign.GREEN_FILM}
    touching = read(maps_of(cover(10.0), signs={Sign.GREEN_FILM: cover(4.0, cx_mm=41.0)}))
    assert touching.signs[Sign.GREEN_FILM].rim_distance_mm == 0.0


def test_unlikely_sign_is_not_placed_and_an_unsure_one_is_flagged():
    film = {Sign.CONK: cover(4.0, cx_mm=50.0)}
    unlikely = read(maps_of(cover(10.0), signs=film, sign_p={Sign.CONK: 0.1}))
    assert unlikely.signs[Sign.CONK].area_mm2 is None
    assert Flag.UNSURE_SIGN not in unlikely.flags
    unsure = read(maps_of(cover(10.0), signs=film, sign_p={Sign.CONK: 0.4}))
    assert unsure.signs[Sign.CONK].area_mm2 is not None
    assert Flag.UNSURE_SIGN in unsure.flags


def test_unknown_sharpness_leaves_the_uncertainty_a_number():
    unknown = replace(QUALITY, sharpness_mm=float("nan"))
    soft = maps_of(cv2.GaussianBlur(cover(12.0), (0, 0), 2.0))
    got = read(soft, quality=unknown)
    assert 0 < got.area_sd_parts["softness"] < got.aperture_area_mm2_sd


def test_flags():
    two = np.maximum(cover(6.0, cx_mm=15.0), cover(6.0, cx_mm=45.0))
    assert Flag.SEVERAL_APERTURES in read(maps_of(two)).flags
    assert Flag.CUT_BY_FRAME in read(maps_of(cover(10.0, cx_mm=2.0))).flags
    assert Flag.UNSURE_STAGE in read(maps_of(cover(10.0), stage_p=0.4)).flags
    assert Flag.NOT_LIKE_A_SITE in read(maps_of(cover(10.0), not_a_site_p=0.8)).flags
    assert Flag.NO_SCALE in read(maps_of(cover(10.0)), patch_of(has_scale=False)).flags
    assert Flag.ONE_MARKER in read(maps_of(cover(10.0)), flags=Flag.ONE_MARKER).flags


def test_photo_without_a_time_counts_as_midnight_of_its_day():
    got = read(maps_of(cover(10.0)), photo=replace(PHOTO, taken_at=None))
    assert got.taken_at == datetime(2026, 5, 4, tzinfo=UTC)


def test_maps_must_fit_the_patch():
    small = SitePatch(np.zeros((4, 4, 3), np.uint8), np.ones((4, 4), bool), 1.0, 0.0, 0.0, 1.0)
    with pytest.raises(ValueError, match="same shape"):
        read(maps_of(cover(10.0)), small)


def test_outlines_enclose_the_area():
    got = read(maps_of(cover(12.0)))
    assert sum(outline.polygon_area(line) for line in got.outlines.aperture) == pytest.approx(
        got.aperture_area_mm2, rel=0.01
    )
