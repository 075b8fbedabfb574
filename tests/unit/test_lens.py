"""Lenses, bent cards and digital zoom, on corners that OpenCV projects itself."""

import io
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from pipeline import batch, bend, cache, card, classical, lens, ruler, surface, ties
from pipeline.batch import lenses as learning
from pipeline.cli import check
from pipeline.flow import PhotoRead, ReadContext, read_photo
from pipeline.grove import Grove
from pipeline.records import (
    CameraTag,
    CardFix,
    Flag,
    LensFix,
    Photo,
    Reader,
    Refusal,
    Register,
    Site,
    SitePatch,
    SurfaceFix,
    WoundKind,
)
from pipeline.settings import Settings, SurfaceSettings
from pipeline.store import open_store
from tests import made_records as made
from tests import stand_in
from tests.drawn import View, look_at, photo

SETTINGS = SurfaceSettings()
TAG_FOCAL_PX = 3120.0
SIZE = (3000, 4000)
BLANK = np.broadcast_to(np.uint8(0), (SIZE[1], SIZE[0], 3))
PROFILES = 24
PHONE = CameraTag("Example", "Phone One", focal_px=TAG_FOCAL_PX, focal_35mm=26.0, focal_mm=5.1)


def pose_of(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A camera as the site card sheet asks: 30 to 62 cm away, up to 20 degrees off."""
    return look_at(
        rng.uniform(300, 620),
        rng.uniform(-20, 20),
        rng.uniform(-20, 20),
        rng.normal(0, 4),
        (rng.normal(0, 15), rng.uniform(-100, -30)),
    )


def seen_card(
    rng: np.random.Generator,
    focal_px: float = TAG_FOCAL_PX,
    k1: float = 0.0,
    curvature_per_mm: float = 0.0,
    noise_px: float = 0.08,
    pose: tuple[np.ndarray, np.ndarray] | None = None,
) -> CardFix:
    """What edge fits see of a card on a cylinder: lines and parabolas through edge points that OpenCV projects."""
    rotation, translation = pose or pose_of(rng)
    matrix = np.array([[focal_px, 0, (SIZE[0] - 1) / 2], [0, focal_px, (SIZE[1] - 1) / 2], [0, 0, 1]])

    def project(flat: np.ndarray) -> np.ndarray:
        x, y = flat.T
        k = curvature_per_mm
        points = np.column_stack([np.sin(k * x) / k, y, (np.cos(k * x) - 1) / k] if k else [x, y, 0 * x])
        return cv2.projectPoints(points, cv2.Rodrigues(rotation)[0], translation, matrix, np.array([k1, 0, 0, 0]))[0][
            :, 0
        ]

    corners, bows = [], []
    scatter = noise_px * np.sqrt(PROFILES) / 2
    for quad in (card.UPPER_MM, card.LOWER_MM):
        lines = []
        for first, last in zip(quad, np.roll(quad, -1, axis=0), strict=True):
            edge = project(first + np.linspace(0.1, 0.9, PROFILES)[:, None] * (last - first))
            length = np.hypot(*np.diff(project(np.array([first, last])), axis=0)[0])
            way = (edge[-1] - edge[0]) / np.hypot(*(edge[-1] - edge[0]))
            out = np.array([way[1], -way[0]])
            along = (edge - edge.mean(axis=0)) @ way
            off = (edge - edge.mean(axis=0)) @ out + rng.normal(0, scatter, PROFILES)
            slope, middle = np.polyfit(along, off, 1)
            bows.append(-np.polyfit(along / length, off, 2)[0] / 4)
            lines.append((edge.mean(axis=0) + middle * out, way + slope * out))
        for (before, way_before), (after, way_after) in zip([lines[-1], *lines[:-1]], lines, strict=True):
            t = np.linalg.solve(np.column_stack([way_before, -way_after]), after - before)[0]
            corners.append(before + t * way_before)
    squares = np.linspace(-0.4, 0.4, PROFILES) ** 2
    bow_sd = scatter / 4 / np.sqrt(((squares - squares.mean()) ** 2).sum())
    edge_px = float(np.hypot(*(corners[1] - corners[0])))
    return CardFix(1, 2, np.array(corners), card.CARD_MM, noise_px, edge_px, np.array(bows), float(bow_sd))


def fix_of(
    found: CardFix, camera: CameraTag = PHONE, girth_mm: float = 628.0, known: LensFix | None = None
) -> SurfaceFix:
    return surface.fit_surface(Photo("x.jpg", "0" * 64, None, None, BLANK, camera), found, girth_mm, SETTINGS, known)


def photos_of_lens(count: int, factor: float, k1: float, seed: int) -> list[SurfaceFix]:
    rng = np.random.default_rng(seed)
    return [fix_of(seen_card(rng, TAG_FOCAL_PX * factor, k1)) for _ in range(count)]


# ---------------------------------------------------------------- lens


def test_focal_length_and_k1_of_opencv_s_projection_are_learned() -> None:
    known = lens.learn(photos_of_lens(60, 1.03, -0.012, 1), "Example Phone One", 0.02, 0.01)
    assert known is not None
    assert known.focal_factor == pytest.approx(1.03, abs=0.004)
    assert known.k1 == pytest.approx(-0.012, abs=0.004)
    assert known.focal_factor_sd < 0.02 / 2
    assert known.k1_sd < 0.01 / 1.5
    assert known.photos == 60


def test_stated_uncertainties_of_a_lens_cover_its_errors() -> None:
    # 12 lenses of 8 photos each: 97.5 % of chi-squared with 12 degrees of freedom over 12 is 1.94;
    # the uncertainties carry allowances (focusing, print, k2) that are not drawn here, so no lower bound is asked
    misses = []
    for seed in range(12):
        rng = np.random.default_rng([seed, 5])
        factor, k1 = 1 + rng.normal(0, 0.02), rng.normal(0, 0.01)
        known = lens.learn(photos_of_lens(8, factor, k1, seed), "phone", 0.02, 0.01)
        assert known is not None
        misses.append(((known.focal_factor - factor) / known.focal_factor_sd, (known.k1 - k1) / known.k1_sd))
    assert (np.square(misses).mean(axis=0) < 1.94).all()


def test_few_and_square_views_leave_the_prior() -> None:
    rng = np.random.default_rng(3)
    square = [look_at(600.0, rng.normal(0, 1), rng.normal(0, 1)) for _ in range(4)]
    fixes = [fix_of(seen_card(rng, TAG_FOCAL_PX * 1.04, noise_px=0.3, pose=pose)) for pose in square]
    known = lens.learn(fixes, "phone", 0.02, 0.01)
    assert known is not None
    assert abs(known.focal_factor - 1) < 0.01
    assert known.focal_factor_sd > 0.9 * 0.02
    assert lens.learn(fixes[:3], "phone", 0.02, 0.01) is None


def test_one_spoilt_card_in_ten_hardly_moves_a_lens() -> None:
    fixes = photos_of_lens(40, 1.0, 0.0, 6)
    spoilt = [
        replace(fix, corners_px=fix.corners_px + np.array([6.0, 0.0]) * (np.arange(8) == 1)[:, None])
        if k % 10 == 0 and fix.corners_px is not None
        else fix
        for k, fix in enumerate(fixes)
    ]
    clean, dirty = (lens.learn(some, "phone", 0.02, 0.01) for some in (fixes, spoilt))
    assert clean is not None
    assert dirty is not None
    assert abs(dirty.focal_factor - clean.focal_factor) < clean.focal_factor_sd
    assert abs(dirty.k1 - clean.k1) < clean.k1_sd


def test_a_learned_lens_makes_a_photo_s_scale_more_certain_and_more_right() -> None:
    found = seen_card(np.random.default_rng(8), TAG_FOCAL_PX * 1.04, 0.02, noise_px=0.02)
    known = LensFix(PHONE.lens, PHONE.device, 200, 1.04, 0.006, 0.02, 0.004)
    plain, mended = fix_of(found), fix_of(found, known=known)
    assert mended.camera_matrix[0, 0] == pytest.approx(TAG_FOCAL_PX * 1.04)
    assert mended.reprojection_px < plain.reprojection_px
    before, after = (
        ruler.scale_uncertainty(fix, fix.corners_mm, (0.0, -110.0), (40.0, 60.0)).area for fix in (plain, mended)
    )
    assert after["focal length"] < before["focal length"] / 2
    assert after["lens"] < before["lens"] / 2
    assert mended.tag_focal_px == TAG_FOCAL_PX  # what is learned next rests on the tags, not on what was learned


def test_zoomed_cropped_and_untagged_photos_teach_nothing() -> None:
    found = seen_card(np.random.default_rng(9))
    assert lens.usable(fix_of(found))
    for camera in (
        replace(PHONE, digital_zoom=2.0),
        replace(PHONE, focal_rel_doubt=0.15),
        replace(PHONE, focal_px=None, focal_35mm=None),
        CameraTag(focal_px=TAG_FOCAL_PX),
    ):
        assert not lens.usable(fix_of(found, camera))


# ---------------------------------------------------------------- bent cards


@pytest.mark.parametrize(("radius_mm", "share"), [(60.0, 1.0), (60.0, 0.5), (100.0, 1.0)])
def test_a_bent_card_is_told_and_its_curvature_found(radius_mm: float, share: float) -> None:
    curvature = share / radius_mm
    misses, told = [], 0
    for seed in range(24):
        fix = fix_of(seen_card(np.random.default_rng(seed), curvature_per_mm=curvature), girth_mm=2 * np.pi * radius_mm)
        if Flag.CARD_BENT in fix.flags:
            told += 1
            misses.append((fix.bend_per_mm - curvature) / fix.bend_sd_per_mm)
    assert told >= 21
    assert np.median(np.abs(misses)) < 1.0


def test_a_flat_card_is_hardly_ever_called_bent() -> None:
    bent = 0
    for seed in range(60):
        rng = np.random.default_rng([seed, 2])
        bent += Flag.CARD_BENT in fix_of(seen_card(rng, k1=rng.normal(0, 0.01))).flags
    assert bent <= 1


def test_no_card_bends_more_than_its_trunk() -> None:
    fix = fix_of(seen_card(np.random.default_rng(1), curvature_per_mm=1 / 40), girth_mm=2 * np.pi * 100)
    assert fix.bend_per_mm <= bend.ROOM / 100 + 1e-9


def test_modelling_the_bend_mends_the_scale() -> None:
    curvature, plain_error, mended_error = 1 / 60, [], []
    for seed in range(12):
        rng = np.random.default_rng([seed, 7])
        pose = pose_of(rng)
        found = seen_card(rng, curvature_per_mm=curvature, pose=pose)
        for errors, seen in ((plain_error, replace(found, bows_px=None)), (mended_error, found)):
            fix = fix_of(seen, girth_mm=2 * np.pi * 60)
            errors.append(np.linalg.norm(fix.translation_mm - pose[1]) / np.linalg.norm(pose[1]))
    assert np.median(mended_error) < np.median(plain_error) / 3


def test_the_doubt_of_a_bend_is_named() -> None:
    fix = fix_of(seen_card(np.random.default_rng(4), curvature_per_mm=1 / 60), girth_mm=2 * np.pi * 60)
    parts = ruler.scale_uncertainty(fix, fix.corners_mm, (0.0, -110.0), (40.0, 60.0)).area
    assert parts["card bend"] > 0
    flat = fix_of(seen_card(np.random.default_rng(4)))
    assert ruler.scale_uncertainty(flat, flat.corners_mm, (0.0, -110.0), (40.0, 60.0)).area["card bend"] == 0
    assert not lens.usable(fix)


# ---------------------------------------------------------------- digital zoom


@pytest.mark.parametrize("included", [True, False])
def test_the_card_tells_whether_a_zoom_is_in_the_tag(included: bool) -> None:
    rng = np.random.default_rng(12)
    true_px = TAG_FOCAL_PX * (1.0 if included else 2.0)
    found = seen_card(rng, true_px, pose=look_at(450.0, 14.0, 12.0, 0.0, (0.0, -20.0)))
    fix = fix_of(found, replace(PHONE, digital_zoom=2.0))
    assert Flag.DIGITAL_ZOOM in fix.flags
    assert fix.camera_matrix[0, 0] == pytest.approx(true_px)
    assert fix.focal_rel_sd > SETTINGS.focal_rel_sd


def test_a_square_view_leaves_the_zoom_in_doubt() -> None:
    found = seen_card(np.random.default_rng(13), noise_px=0.3, pose=look_at(600.0, aim_mm=(0.0, -4.0)))
    fix = fix_of(found, replace(PHONE, digital_zoom=2.0))
    assert fix.focal_rel_sd > 0.3


# ---------------------------------------------------------------- kept


def test_a_run_learns_and_keeps_the_lens_of_a_phone(tmp_path: Path) -> None:
    grove = Grove(tmp_path, Settings())
    fixes = photos_of_lens(10, 1.03, 0.01, 21)
    blank = SitePatch(np.zeros((8, 8, 3), np.uint8), np.ones((8, 8), np.bool_), 1.0, 0.0, 0.0, 1.0)
    with open_store(grove.database) as store:
        readings = [replace(made.reading(f"{k}.jpg"), device=PHONE.device) for k in range(10)]
        store.use_reader(made.MODEL, made.SETTINGS, made.NOON)
        store.record_arrivals([made.arrival(reading.file) for reading in readings])
        store.save_results(
            readings,
            model=made.MODEL,
            settings=made.SETTINGS,
            read_at=made.NOON,
            program=made.PROGRAM,
            bases={reading.sha256: "" for reading in readings},
        )
        for reading, fix in zip(readings, fixes, strict=True):
            cache.save_patch(grove.cache, reading.sha256, replace(blank, fix=fix))
        learning.learn_lenses(grove, store, lambda: None)
        kept = store.lenses()
        assert list(kept) == [PHONE.lens]
        assert kept[PHONE.lens].photos == 10
        assert kept[PHONE.lens].focal_factor == pytest.approx(1.03, abs=0.02)
        assert store.phones_to_learn(8, 1.25) == {}  # nothing new since
        shown = [row["what"] for row in check._lenses(grove)]
        assert len(shown) == 1
        assert "Phone One, 5.10 mm" in shown[0]
        assert "from 10 photos" in shown[0]
        assert store.phones_to_learn(8, 1.0) == {PHONE.device: 10}


def test_a_run_hands_what_is_known_of_lenses_to_the_reading(tmp_path: Path) -> None:
    grove = stand_in.make_grove(tmp_path / "grove")
    known = LensFix(PHONE.lens, PHONE.device, 60, 1.03, 0.006, 0.01, 0.004)
    handed = []

    def read(data: bytes, file: str, sha256: str, context: ReadContext, reader: Reader) -> PhotoRead | Refusal:
        handed.append(dict(context.lenses))
        return stand_in.read_photo(data, file, sha256, context, reader)

    with open_store(grove.database) as store:
        store.save_lenses(PHONE.device, [known], 60)
        stand_in.drop(grove.inbox, "a.jpg")
        batch.run(
            grove,
            store,
            model=None,
            workers=1,
            progress=lambda _: None,
            now=made.NOON,
            read=read,
            open_reader=stand_in.open_reader,
        )
    assert handed == [{PHONE.lens: known}]


def test_a_photo_is_read_with_the_lens_of_its_own_phone() -> None:
    view = View(width_px=600, height_px=750, focal_px=680.0, ellipse=None)
    sheet, tags = io.BytesIO(), Image.Exif()
    tags[271], tags[272] = "Example", "Phone One"
    tags.get_ifd(34665).update({41989: 31, 37386: 5.1, 36867: "2026:05:03 09:00:00"})
    Image.fromarray(photo(view)).save(sheet, "JPEG", quality=95, exif=tags)
    register = Register(sites={12 * 587 + 345: Site(12 * 587 + 345, "A-1", WoundKind.WINDOW)})
    label = "Example Phone One, 5.10 mm"
    known = LensFix(label, "Example Phone One", 60, 1.03, 0.006, 0.01, 0.004)
    focal = {}
    for name, lenses in (("plain", {}), ("own", {label: known}), ("other", {"another, 5.10 mm": known})):
        context = ReadContext(Settings(), register, made.NOON, classical.READER, lenses=lenses)
        found = read_photo(sheet.getvalue(), "a.jpg", "0" * 64, context, classical.read)
        assert isinstance(found, PhotoRead)
        assert found.patch.fix is not None
        focal[name] = found.patch.fix.camera_matrix[0, 0]
    assert focal["own"] == pytest.approx(1.03 * focal["plain"])
    assert focal["other"] == focal["plain"]


def test_photos_with_and_without_a_learned_lens_do_not_share_what_is_unknown_of_it() -> None:
    found = seen_card(np.random.default_rng(8))
    known = LensFix(PHONE.lens, PHONE.device, 200, 1.02, 0.006, 0.01, 0.004)
    reading = made.reading("a.jpg", device=PHONE.device)
    plain, mended = (ties._view(reading, fix_of(found, known=each)).phone for each in (None, known))
    assert plain != mended
    assert plain == ties._view(reading, fix_of(seen_card(np.random.default_rng(9)))).phone
