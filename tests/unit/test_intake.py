"""The door: every kind of good and bad file, with the sentence the person gets."""

import hashlib
import io
import struct
import warnings
import zipfile
import zlib
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from PIL import ExifTags, Image, ImageCms, ImageOps

from pipeline import intake
from pipeline.errors import PhotoRefused
from pipeline.intake.formats import LONG_HEAD_BYTES, TAIL_BYTES, Format, file_has_its_end, has_its_end, sniff
from pipeline.intake.tags import read_directory
from pipeline.records import Photo, PhotoStage, TimeSource
from pipeline.settings import IntakeSettings

ZONE = ZoneInfo("Asia/Ho_Chi_Minh")
NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
SETTINGS = IntakeSettings()


def picture(width: int = 96, height: int = 64, seed: int = 1) -> Image.Image:
    """A smooth coloured picture that JPEG keeps well and that no turn or mirror maps onto itself."""
    rows, columns = np.mgrid[0:height, 0:width]
    phase = np.random.default_rng(seed).uniform(0, 6, 3)
    bands = [127 + 100 * np.sin(columns / (9 + k) + phase[k]) * np.cos(rows / (7 + k)) for k in range(3)]
    return Image.fromarray(np.stack(bands, -1).astype(np.uint8), "RGB")


def exif(
    orientation: int = 1, taken: str | None = "2026:05:03 10:15:00", offset: str | None = "+07:00", **more: object
) -> Image.Exif:
    """Tags written with Pillow under the names of its own table of the standard (CIPA DC-008)."""
    block = Image.Exif()
    block[ExifTags.Base.Orientation] = orientation
    block[ExifTags.Base.Make] = "Maker"
    block[ExifTags.Base.Model] = "Phone 5"
    detail = block.get_ifd(ExifTags.IFD.Exif)
    if taken is not None:
        detail[ExifTags.Base.DateTimeOriginal] = taken
    if offset is not None:
        detail[ExifTags.Base.OffsetTimeOriginal] = offset
    for name, value in more.items():
        where = block if name in ("DateTime",) else detail
        where[ExifTags.Base[name]] = value
    return block


def encoded(form: str = "JPEG", image: Image.Image | None = None, **options: object) -> bytes:
    stream = io.BytesIO()
    if form == "JPEG":
        options.setdefault("quality", 92)
    (image or picture()).save(stream, form, **options)
    return stream.getvalue()


def opened(data: bytes, file: str = "a.jpg", settings: IntakeSettings = SETTINGS, **options: bool) -> Photo:
    return intake.open_photo(data, file, hashlib.sha256(data).hexdigest(), settings, ZONE, NOW, **options)


def refusal(data: bytes, file: str = "a.jpg", settings: IntakeSettings = SETTINGS) -> PhotoRefused:
    with pytest.raises(PhotoRefused) as caught:
        opened(data, file, settings)
    error = caught.value
    assert error.stage == PhotoStage.INTAKE
    for sentence in (error.reason, error.remedy):
        assert sentence.endswith((".", "'woundwood[heic]'")) and sentence[0].isupper() and len(sentence) <= 120
    return error


# ------------------------------------------------------------------ good photos


def test_a_jpeg_is_read_like_pillow_reads_it() -> None:
    data = encoded(exif=exif(), subsampling=0)
    photo = opened(data)
    reference = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))  # Pillow, libjpeg's accurate transform
    assert photo.pixels.shape == (64, 96, 3)
    # The fast transform differs by a few grey levels, never by a shift or a swapped channel.
    assert np.abs(photo.pixels.astype(int) - reference).mean() < 2.0
    assert photo.taken_at == datetime(2026, 5, 3, 10, 15, tzinfo=timezone(timedelta(hours=7)))
    assert photo.time_source is TimeSource.EXIF_WITH_OFFSET
    assert photo.camera.device == "Maker Phone 5"


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_all_eight_orientations_match_pillow(orientation: int, form: str) -> None:
    # ImageOps.exif_transpose is Pillow's reading of CIPA DC-008, tag 274.
    options = {"lossless": True} if form == "WEBP" else {"subsampling": 0} if form == "JPEG" else {}
    data = encoded(form, exif=exif(orientation), **options)
    reference = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))
    photo = opened(data)
    assert photo.pixels.shape == reference.shape
    assert np.abs(photo.pixels.astype(int) - reference).mean() < (2.0 if form == "JPEG" else 1e-9)
    assert photo.pixels.flags.c_contiguous


def test_orientation_6_is_a_quarter_turn_clockwise() -> None:
    # CIPA DC-008: orientation 6, row 0 of the stored picture is its right-hand side.
    stored = np.zeros((32, 48, 3), np.uint8)
    stored[:8] = 255
    photo = opened(encoded("PNG", Image.fromarray(stored), exif=exif(6)))
    assert photo.pixels.shape == (48, 32, 3)
    assert photo.pixels[:, -8:].min() == 255 and photo.pixels[:, :-8].max() == 0


def test_an_orientation_out_of_range_counts_as_upright() -> None:
    assert opened(encoded("PNG", exif=exif(9))).pixels.shape == (64, 96, 3)


def test_avif_turns_as_its_header_says() -> None:
    data = encoded("AVIF", exif=exif(6), quality=95)
    reference = np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(data))).convert("RGB"))
    photo = opened(data)
    assert photo.pixels.shape == reference.shape == (96, 64, 3)
    assert np.array_equal(photo.pixels, reference)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_heic_is_turned_exactly_once(orientation: int) -> None:
    pillow_heif = pytest.importorskip("pillow_heif", reason="extra 'heic' not installed")
    image = picture()
    stream = io.BytesIO()
    pillow_heif.from_pillow(image).save(stream, quality=-1, exif=exif(orientation).tobytes())
    photo = opened(stream.getvalue(), "a.heic")
    block = Image.Exif()
    block[ExifTags.Base.Orientation] = orientation
    image.getexif()[ExifTags.Base.Orientation] = orientation
    reference = np.asarray(ImageOps.exif_transpose(image))
    assert photo.pixels.shape == reference.shape
    assert np.abs(photo.pixels.astype(int) - reference).mean() < 4.0
    assert photo.taken_at is not None and photo.taken_at.day == 3


def test_heic_without_the_extra_names_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "pillow_heif", None)
    error = refusal(b"\x00\x00\x00\x18ftypheic\x00\x00\x00\x00mif1heic" + bytes(100), "a.heic")
    assert "'heic' is not installed" in error.reason
    assert "woundwood[heic]" in error.remedy


@pytest.mark.parametrize("mode", ["CMYK", "L"])
def test_other_colour_spaces_of_jpeg(mode: str) -> None:
    data = encoded(image=picture().convert(mode), exif=exif())
    reference = np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))
    assert np.abs(opened(data).pixels.astype(int) - reference).mean() < 2.0


def test_progressive_jpeg() -> None:
    data = encoded(exif=exif(), progressive=True)
    assert np.abs(opened(data).pixels.astype(int) - np.asarray(picture())).mean() < 12


@pytest.mark.parametrize("mode", ["RGBA", "P", "LA", "1", "I;16"])
def test_other_modes_of_png(mode: str) -> None:
    image = picture()
    if mode == "I;16":
        image = Image.fromarray(np.asarray(image.convert("L")).astype(np.uint16) * 257)
        expected = np.asarray(picture().convert("L"))[..., None].repeat(3, axis=2)
    else:
        image = image.convert(mode)
        expected = np.asarray(image.convert("RGB"))
    assert np.array_equal(opened(encoded("PNG", image, exif=exif())).pixels, expected)


def test_a_motion_photo_keeps_its_picture() -> None:
    # Phones append a short video to the JPEG.
    data = encoded(exif=exif()) + b"\x00\x00\x00\x18ftypmp42" + bytes(range(256)) * 20
    assert opened(data).pixels.shape == (64, 96, 3)


def test_padding_before_the_end_marker_is_harmless() -> None:
    data = encoded(exif=exif(), subsampling=0)
    padded = data[:-2] + bytes(40) + data[-2:]
    assert np.abs(opened(padded).pixels.astype(int) - opened(data).pixels).mean() < 2.0


def test_a_profile_is_named() -> None:
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))
    photo = opened(encoded(exif=exif(), icc_profile=profile.tobytes()))
    assert "sRGB" in photo.camera.colour_profile
    assert opened(encoded(exif=exif())).camera.colour_profile == ""


# ------------------------------------------------------------------ focal length


def test_focal_length_from_its_35_mm_equivalent() -> None:
    # The equivalent sees the same diagonal angle on 36 mm x 24 mm film (CIPA DCG-001, from memory):
    # 2 atan(43.267 / (2 * 26)) = 79.52 deg, to be found again across the picture's diagonal.
    photo = opened(encoded(exif=exif(FocalLengthIn35mmFilm=26)))
    assert photo.camera.focal_35mm == 26
    diagonal_px = np.hypot(96, 64)
    angle_deg = 2 * np.degrees(np.arctan(diagonal_px / (2 * photo.camera.focal_px)))
    assert angle_deg == pytest.approx(79.52, abs=0.01)


def test_focal_length_from_the_focal_plane() -> None:
    # 50 mm lens, 3937 px/inch = 155 px/mm: 50 * 155 = 7750 px for the full picture of 960 x 640;
    # this one was resized to a tenth.
    tags = exif(
        FocalLength=50.0,
        FocalPlaneXResolution=3937.0,
        FocalPlaneResolutionUnit=2,
        ExifImageWidth=960,
        ExifImageHeight=640,
    )
    assert opened(encoded(exif=tags)).camera.focal_px == pytest.approx(775.0, rel=1e-4)


def test_a_cropped_photo_keeps_its_focal_length_in_pixels_with_doubt() -> None:
    # 96 x 96 as taken, 96 x 64 left: a pixel still sees the same angle, unless it was resized as well
    tags = exif(FocalLengthIn35mmFilm=26, ExifImageWidth=96, ExifImageHeight=96)
    camera = opened(encoded(exif=tags)).camera
    assert camera.focal_px == pytest.approx(26 * np.hypot(96, 96) / np.hypot(36, 24))
    assert camera.focal_rel_doubt > 0.1


def test_a_photo_of_another_shape_that_outgrows_its_stated_size_has_no_known_focal_length() -> None:
    tags = exif(FocalLengthIn35mmFilm=26, ExifImageWidth=48, ExifImageHeight=48)
    camera = opened(encoded(exif=tags)).camera
    assert camera.focal_px is None
    assert camera.focal_35mm is None
    resized = exif(FocalLengthIn35mmFilm=26, ExifImageWidth=960, ExifImageHeight=640)
    camera = opened(encoded(exif=resized)).camera
    assert camera.focal_px is not None
    assert camera.focal_rel_doubt == 0


def test_flash_and_exposure_are_read() -> None:
    # Exif tag 0x9209: bit 0 is "fired". The "sunny 16" rule: f/16 and 1/100 s at ISO 100 are log2(256 * 100) = 14.64.
    said = opened(encoded(exif=exif(Flash=0x19, ExposureTime=0.01, FNumber=16.0, ISOSpeedRatings=100))).camera
    assert said.flash and said.exposure_value == pytest.approx(14.64, abs=0.01)
    # four times the sensitivity for the same exposure: a quarter of the light
    dimmer = opened(encoded(exif=exif(Flash=0x10, ExposureTime=0.01, FNumber=16.0, ISOSpeedRatings=400))).camera
    assert not dimmer.flash and dimmer.exposure_value == pytest.approx(12.64, abs=0.01)
    silent = opened(encoded(exif=exif(FNumber=1.8))).camera
    assert not silent.flash and silent.exposure_value is None


def test_lenses_of_one_phone_are_told_apart_by_their_true_focal_length() -> None:
    wide = opened(encoded(exif=exif(FocalLengthIn35mmFilm=13, FocalLength=1.5))).camera
    main = opened(encoded(exif=exif(FocalLengthIn35mmFilm=26, FocalLength=5.1))).camera
    assert wide.device == main.device
    assert wide.lens != main.lens
    assert opened(encoded(exif=exif(FocalLength=5.1))).camera.lens == ""


@pytest.mark.parametrize("value", [0, 1, 9000])
def test_unknown_or_impossible_focal_length(value: int) -> None:
    # 0 means unknown (CIPA DC-008).
    assert opened(encoded(exif=exif(FocalLengthIn35mmFilm=value))).camera.focal_px is None


def test_digital_zoom_is_told() -> None:
    assert opened(encoded(exif=exif(DigitalZoomRatio=2.0))).camera.digital_zoom == 2.0
    assert opened(encoded(exif=exif(DigitalZoomRatio=0.0))).camera.digital_zoom == 1.0


# ------------------------------------------------------------------ when it was taken


def test_without_an_offset_the_groves_zone_holds() -> None:
    photo = opened(encoded(exif=exif(offset=None)))
    assert photo.taken_at == datetime(2026, 5, 3, 3, 15, tzinfo=UTC)  # Ho Chi Minh City is UTC+7
    assert photo.time_source is TimeSource.EXIF_GROVE_ZONE


def test_the_time_of_the_last_change_is_not_the_time_of_exposure() -> None:
    error = refusal(encoded(exif=exif(taken=None, DateTime="2026:05:20 09:00:00")))
    assert error.reason == "The photo carries no date."
    photo = opened(encoded(exif=exif(DateTime="2026:05:20 09:00:00")))
    assert photo.taken_at is not None and photo.taken_at.day == 3


def test_a_date_in_the_name_helps_out() -> None:
    photo = opened(encoded(), "loc/IMG-20260503-WA0001.jpg")
    assert photo.taken_at == datetime(2026, 5, 3, 12, 0, tzinfo=ZONE)
    assert photo.time_source is TimeSource.FILE_NAME


def test_no_date_is_refused_and_look_does_not_mind() -> None:
    error = refusal(encoded(), "DSC_0042.jpg")
    assert error.reason == "The photo carries no date."
    assert "2026-05-03" in error.remedy
    photo = opened(encoded(), "DSC_0042.jpg", need_time=False)
    assert photo.taken_at is None and photo.time_source is None


def test_a_date_in_the_future_is_refused() -> None:
    # 26 hours of tolerance cover a phone that is a day ahead in the farthest time zone.
    error = refusal(encoded(exif=exif(taken="2027:01:01 00:00:00")), "2026-05-03.jpg")
    assert error.reason == "The photo is dated 2027-01-01, which is in the future."
    assert "phone" in error.remedy
    assert opened(encoded(exif=exif(taken="2026:06:02 12:00:00", offset="+00:00"))).taken_at is not None


def test_a_date_long_ago_is_refused() -> None:
    error = refusal(encoded(exif=exif(taken="1970:01:01 00:00:00")))
    assert error.reason == "The photo is dated 1970-01-01, which is too long ago."


def test_a_refused_photo_still_tells_its_day() -> None:
    whole = encoded(exif=exif())
    cut = whole[: len(whole) // 2]
    refusal(cut)
    at, source = intake.probe_time(cut, "a.jpg", SETTINGS, ZONE, NOW)
    assert at == datetime(2026, 5, 3, 3, 15, tzinfo=UTC) and source is TimeSource.EXIF_WITH_OFFSET
    assert intake.probe_time(b"", "DSC1.jpg", SETTINGS, ZONE, NOW) is None
    named = intake.probe_time(b"junk", "2026-05-03.jpg", SETTINGS, ZONE, NOW)
    assert named is not None and named[1] is TimeSource.FILE_NAME


def test_damaged_tags_count_as_no_tags() -> None:
    block = bytearray(exif().tobytes())
    block[10:14] = b"\xff\xff\xff\x7f"  # the first directory lies outside the block
    photo = opened(encoded(exif=bytes(block)), "2026-05-03.jpg")
    assert photo.time_source is TimeSource.FILE_NAME


def test_one_damaged_tag_leaves_the_others() -> None:
    block = bytearray(exif().tobytes())
    make = next(at for at in range(16, 64, 12) if block[at : at + 2] in (b"\x0f\x01", b"\x01\x0f"))
    block[make + 8 : make + 12] = b"\xff\xff\xff\x7f"  # the maker's name lies outside the block
    photo = opened(encoded(exif=bytes(block)))
    assert photo.camera.maker == "" and photo.camera.model == "Phone 5"
    assert photo.time_source is TimeSource.EXIF_WITH_OFFSET


@pytest.mark.parametrize("order", ["<", ">"])
def test_tags_are_read_as_pillow_reads_them(order: str) -> None:
    block = exif(3, FocalLength=4.25, FocalLengthIn35mmFilm=26, BodySerialNumber="77", ExposureBiasValue=-0.5)
    block.endian = order
    data = block.tobytes()[6:]
    detail = read_directory(data, int(read_directory(data, 8, order)[ExifTags.IFD.Exif]), order)
    again = Image.Exif()
    again.load(block.tobytes())
    for tag, value in again.get_ifd(ExifTags.IFD.Exif).items():
        assert detail[tag] == (value if isinstance(value, str) else pytest.approx(float(value), rel=1e-6))
    assert len(detail) == 6


# ------------------------------------------------------------------ bad files


def test_zero_bytes() -> None:
    assert refusal(b"").reason == "The file is empty (0 bytes)."


def test_nothing_but_zeros() -> None:
    assert refusal(bytes(5000)).reason == "The file holds only zeros; copying it broke off."


@pytest.mark.parametrize("missing", [1, 2, 3, 100, 400])
@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"restart_marker_rows": 1}])
def test_a_cut_off_jpeg_is_refused(missing: int, options: dict[str, object]) -> None:
    data = encoded(exif=exif(), **options)
    assert refusal(data[:-missing]).reason == "The photo is cut off: only a part of the file is here."


@pytest.mark.parametrize("keep", [3, 10, 60, 300])
def test_a_jpeg_cut_off_in_its_header_is_refused(keep: int) -> None:
    assert "photo" in refusal(encoded(exif=exif())[:keep]).reason


def test_a_cut_off_jpeg_with_an_end_marker_is_refused() -> None:
    data = encoded(exif=exif())
    assert "cut off" in refusal(data[: len(data) * 2 // 3] + b"\xff\xd9").reason


@pytest.mark.parametrize("options", [{}, {"restart_marker_rows": 1}])
def test_a_jpeg_with_a_hole_of_zeros_is_refused(options: dict[str, object]) -> None:
    noise = Image.fromarray(np.random.default_rng(3).integers(0, 255, (256, 256, 3), dtype=np.uint8))
    data = encoded(image=noise, exif=exif(), **options)
    middle = len(data) // 2
    assert refusal(data[:middle] + bytes(4096) + data[middle + 4096 :])


@pytest.mark.parametrize("form", ["PNG", "WEBP", "AVIF"])
def test_other_formats_cut_off_are_refused(form: str) -> None:
    data = encoded(form, exif=exif())
    assert "photo" in refusal(data[: len(data) // 2]).reason


def test_cut_off_heic_is_refused() -> None:
    pillow_heif = pytest.importorskip("pillow_heif", reason="extra 'heic' not installed")
    stream = io.BytesIO()
    pillow_heif.from_pillow(picture(256, 256)).save(stream, quality=90, exif=exif().tobytes())
    data = stream.getvalue()
    assert "photo" in refusal(data[: len(data) // 2], "a.heic").reason


def test_a_wrong_extension_does_not_matter() -> None:
    assert opened(encoded("PNG", exif=exif()), "a.jpg").pixels.shape == (64, 96, 3)
    assert opened(encoded("JPEG", exif=exif()), "a.png").pixels.shape == (64, 96, 3)
    assert opened(encoded("JPEG", exif=exif()), "noextension").pixels.shape == (64, 96, 3)


def _zip() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.writestr("a.jpg", encoded())
    return stream.getvalue()


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"just some words\n" * 40, "The file is a text."),
        (b"\x01\x02\xfe\xff" * 200, "The file is not a picture."),
        (b"<!DOCTYPE html><html>404</html>", "The file is a web page, probably left by a download that failed."),
        (b"%PDF-1.7\n" + bytes(100), "The file is a PDF document."),
        (_zip(), "The file is a ZIP archive or an office document."),
        (b"\x00\x00\x00\x18ftypmp42\x00\x00\x00\x00isommp42" + bytes(99), "The file is a video."),
        (b"\x00\x00\x00\x14ftypqt  \x00\x00\x00\x00qt  " + bytes(99), "The file is a video."),
        (b"\x1a\x45\xdf\xa3" + bytes(99), "The file is a video."),
        (b"RIFF\x10\x00\x00\x00AVI LIST" + bytes(99), "The file is a video."),
        (encoded("GIF", picture()), "The file is a GIF, which has too few colours to be read."),
        (encoded("BMP", picture()), "The file is a BMP picture, which keeps no date."),
        (encoded("TIFF", picture()), "The file is a TIFF picture, which is not read."),
        (
            b"\x00\x00\x00\x18ftypcrx \x00\x00\x00\x01crx isom" + bytes(99),
            "The file is a raw camera file, which is not read.",
        ),
    ],
)
def test_what_is_not_a_photo(data: bytes, reason: str) -> None:
    assert refusal(data, "a.jpg").reason == reason


@pytest.mark.parametrize("form", ["PNG", "WEBP"])
def test_an_animation_is_refused(form: str) -> None:
    data = encoded(form, picture(), save_all=True, append_images=[picture(seed=2)], exif=exif())
    assert refusal(data).reason == "The file is an animation."


def test_a_picture_of_a_screen_is_refused() -> None:
    assert "picture of a screen" in refusal(encoded("PNG"), "Screenshot_20260503-101500.png").reason


def test_too_large_a_file() -> None:
    settings = IntakeSettings(max_file_mb=0.001)
    assert "more than 0 MB" in refusal(encoded(exif=exif()), settings=settings).reason


def test_of_a_huge_file_only_the_beginning_is_loaded(tmp_path) -> None:
    """A film of gigabytes in the inbox must not fill the memory; a sparse file takes no room on the disk."""
    film = tmp_path / "film.mp4"
    with film.open("wb") as file:
        file.truncate(3_000_000_000)
    settings = IntakeSettings(max_file_mb=1.0)
    data = intake.bytes_of(film, settings)
    assert len(data) == 1_000_001
    assert "more than 1 MB" in refusal(data, settings=settings).reason


def _png_that_claims(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(99))) + chunk(b"IEND", b"")
    )


def _jpeg_that_claims(width: int, height: int) -> bytes:
    data = bytearray(encoded(exif=exif()))
    at = data.index(b"\xff\xc0")
    data[at + 5 : at + 9] = struct.pack(">HH", height, width)
    return bytes(data)


@pytest.mark.parametrize("data", [_png_that_claims(20000, 10000), _jpeg_that_claims(20000, 10000)])
def test_a_bomb_of_200_megapixels_is_refused_unread(data: bytes) -> None:
    error = refusal(data, "2026-05-03.png")
    assert error.reason == "The picture has 200 megapixels; at most 120 are read."


@pytest.mark.parametrize("form", ["WEBP", "AVIF"])
def test_the_size_is_checked_in_every_format(form: str) -> None:
    for options in ({}, {"lossless": True}) if form == "WEBP" else ({},):
        data = encoded(form, picture(400, 300), **options)
        assert "megapixels" in refusal(data, settings=IntakeSettings(max_megapixels=0.1)).reason


def test_a_108_megapixel_phone_is_no_bomb() -> None:
    # Pillow alone would warn from 89 megapixels on; the project's own limit is 120.
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert "cut off" in refusal(_jpeg_that_claims(12000, 9000)).reason


@pytest.mark.filterwarnings("ignore::UserWarning:PIL")  # Pillow's own remarks on damaged AVIF tags
def test_no_input_escapes_as_another_error() -> None:
    # Random damage to real files: every outcome is a photo or a refusal.
    rng = np.random.default_rng(5)
    for form in ("JPEG", "PNG", "WEBP", "AVIF"):
        whole = np.frombuffer(encoded(form, exif=exif()), np.uint8)
        for _ in range(60):
            data = whole.copy()
            data[rng.integers(0, len(data), rng.integers(1, 12))] = rng.integers(0, 256)
            try:
                opened(data[: rng.integers(1, len(data) + 1)].tobytes(), "2026-05-03.x")
            except PhotoRefused as error:
                assert error.reason


def test_formats_are_told_by_content() -> None:
    for form, kind in (("JPEG", Format.JPEG), ("PNG", Format.PNG), ("WEBP", Format.WEBP), ("AVIF", Format.AVIF)):
        assert sniff(encoded(form)[:512]) is kind


# ------------------------------------------------------------------ has it arrived whole?


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP", "AVIF"])
def test_the_end_of_a_file_is_noticed(form: str) -> None:
    data = encoded(form, exif=exif())
    assert has_its_end(data)
    for missing in (20, len(data) // 2, len(data) - 40):
        assert not has_its_end(data[:-missing])


def test_the_end_of_a_thumbnail_is_not_the_end_of_the_photo() -> None:
    thumbnail = encoded(image=picture(16, 12))
    assert thumbnail.endswith(b"\xff\xd9")
    block = exif().tobytes() + thumbnail
    data = encoded(exif=block)
    assert data.find(b"\xff\xd9") < data.rfind(b"\xff\xd9")
    assert has_its_end(data)
    assert not has_its_end(data[: len(data) - 100])


def test_what_has_no_end_to_be_told() -> None:
    assert has_its_end(b"words") and has_its_end(b"%PDF-1.7")
    assert not has_its_end(b"") and not has_its_end(bytes(9000))


@pytest.mark.parametrize("length", [0, 1, 200, LONG_HEAD_BYTES + 1, LONG_HEAD_BYTES + TAIL_BYTES + 9])
@pytest.mark.parametrize("padding", [0, 100, TAIL_BYTES - 1, 2 * TAIL_BYTES])
def test_a_file_is_judged_as_its_bytes_are(tmp_path: Path, length: int, padding: int) -> None:
    """Whole, cut off at any place, with a thumbnail and its own end marker, with something behind the picture."""
    noise = Image.fromarray(np.random.default_rng(3).integers(0, 255, (400, 500, 3)).astype(np.uint8))
    thumbnail = encoded(image=picture(16, 12))
    whole = encoded(image=noise, exif=exif().tobytes() + thumbnail) + bytes(padding)
    assert len(whole) > LONG_HEAD_BYTES + TAIL_BYTES
    for data in (whole[:-length] if length else whole, whole[: length + 1], thumbnail[: length + 1]):
        (tmp_path / "a.jpg").write_bytes(data)
        assert file_has_its_end(tmp_path / "a.jpg") == has_its_end(data)
    assert has_its_end(whole)


def test_a_file_with_more_tags_than_are_read_at_first(tmp_path: Path) -> None:
    comment = b"\xff\xfe\xff\xff" + bytes(65_533)
    plain = encoded()
    for data in (plain[:2] + 4 * comment + plain[2:], plain[:2] + 4 * comment + plain[2:-9]):
        (tmp_path / "a.jpg").write_bytes(data)
        assert file_has_its_end(tmp_path / "a.jpg") == has_its_end(data)
