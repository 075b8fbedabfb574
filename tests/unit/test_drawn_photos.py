"""Truth in a patch's own frame: found again by the renderer's own projection, and by a turn of the plane."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline import card, surface, trunk
from pipeline.learn import drawn_photos
from pipeline.learn.drawn_figures import drawn_figures, read_row
from pipeline.records import SiteMaps, Tissue, Window, WoundKind
from pipeline.scenes import CameraSpec, CardHang, SceneSpec, WoundState, render
from pipeline.settings import Settings

WINDOW = Window(-40.0, 40.0, -140.0, -60.0)
PX = 80


def patch_of(roll_deg):
    wound = WoundState(kind=WoundKind.WINDOW, seed=3, centre_mm=(0.0, -100.0), width_mm=30.0, height_mm=40.0)
    hang = CardHang(roll_deg=roll_deg, standoff_mm=0.5)
    camera = CameraSpec(width_px=600, height_px=800, distance_mm=420.0, aim_mm=(0.0, -45.0), k1=0.05)
    spec = SceneSpec(trunk_radius_mm=120.0, wounds=(wound,), card=hang, camera=camera, seed=5)
    pixels, truth = render(spec)
    photo = drawn_photos.photo_of(pixels, spec.camera.focal_35mm)
    settings = Settings()
    fix = surface.fit_surface(photo, card.find_card(pixels, settings.card), 2 * np.pi * 120.0, settings.surface)
    return truth, surface.unroll(photo, fix, WINDOW, PX, None)


@pytest.mark.parametrize("roll_deg", [0.0, 6.0])
def test_places_project_to_the_pixels_that_the_patch_was_cut_from(roll_deg):
    truth, patch = patch_of(roll_deg)
    x, y = drawn_photos.true_places_mm(truth, patch)
    places = np.stack([x, y], -1)[10::20, 10::20].reshape(-1, 2)
    rows, columns = np.mgrid[10:PX:20, 10:PX:20]
    at_x = patch.left_mm + (columns.ravel() + 0.5) * patch.mm_per_px
    at_y = patch.top_mm - (rows.ravel() + 0.5) * patch.mm_per_px
    # independent: the renderer projects what it drew; the patch was cut by the measuring stages
    seen = trunk.bark_in_picture(patch.fix, at_x, at_y)
    np.testing.assert_allclose(truth.view.project_site(places), seen, atol=0.01)


def test_a_card_that_hangs_turned_turns_the_truth_with_the_patch():
    truth, patch = patch_of(6.0)
    # the fit takes the card for hanging straight, so the patch is turned about the card by its roll; near the trunk's
    # middle line the bark is a plane, where that is a rotation (closed form)
    patch = replace(patch, fix=replace(patch.fix, roll_rad=0.0, tilt_rad=0.0, yaw_rad=0.0))
    x, y = drawn_photos.true_places_mm(truth, patch)
    row, column = 40, 40
    at = np.array([patch.left_mm + (column + 0.5) * patch.mm_per_px, patch.top_mm - (row + 0.5) * patch.mm_per_px])
    angle = np.deg2rad(6.0)
    turned = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) @ at
    np.testing.assert_allclose([x[row, column], y[row, column]], turned, atol=1.0)
    own, here = drawn_photos.tissue_in_patch(truth, patch), truth.tissue(WINDOW, patch.mm_per_px).argmax(2)
    moved = np.argwhere(own == Tissue.APERTURE).mean(0) - np.argwhere(here == Tissue.APERTURE).mean(0)
    # the wound lies 100 mm below the card: it moves sideways by 100 sin 6 deg = 10.5 mm
    assert abs(moved[1] * patch.mm_per_px) == pytest.approx(100 * np.sin(angle), abs=1.5)


def test_a_reader_that_sees_what_is_there_is_right_in_its_own_frame_and_not_in_the_trunk_s(tmp_path):
    case = drawn_photos.drawn_case(drawn_photos.FIT_SEED, 2, (600, 800))
    assert case is not None
    patches = drawn_photos.DrawnPatches.of([(2, case)])
    patches.save(tmp_path / "one.npz")
    stored = drawn_photos.DrawnPatches.load(tmp_path / "one.npz")
    own = stored.tissue_own[0]

    def seeing(patch):
        tissue = np.eye(5, dtype=np.float32)[own]
        stage = np.eye(6)[stored.stage[0]]
        return SiteMaps(tissue, np.zeros((*own.shape, 5), np.float32), stage, np.zeros(5), 0.0, "seeing")

    reading = read_row(seeing, stored, 0)
    both, either = reading.counts_own[1]
    assert both == either > 0
    trunk_both, trunk_either = reading.counts_trunk[1]
    assert trunk_both < trunk_either
    lines = {line.name: line.confidence for line in drawn_figures([reading], 3)}
    assert lines["aperture IoU, 100 mm2 and more, mean, patch's frame"].value == 1.0
    assert lines["stage, exact"].value == 1.0
    assert lines["opening reported where none is"].cases == 0
    # what is already drawn is not drawn again
    folder = tmp_path / "kept"
    folder.mkdir()
    stored.save(folder / f"{drawn_photos.FIT_SEED}-0000-0001.npz")
    done, taken = next(drawn_photos.draw_patches(folder, drawn_photos.FIT_SEED, 1))
    assert done == 1
    assert taken is not None
    np.testing.assert_array_equal(taken.rgb, stored.rgb)
