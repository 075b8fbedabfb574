"""What a photo's own tags say: orientation, time of exposure, camera and focal length.

Tag numbers are those of the Exif standard (CIPA DC-008).  A damaged tag counts as not there:
the pixels may still be good, and a missing time is refused later with its own sentence.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.records import CameraTag

if TYPE_CHECKING:
    from collections.abc import Mapping

MAKE, MODEL, ORIENTATION = 271, 272, 274
EXIF_IFD = 34665
DATE_TIME_ORIGINAL, OFFSET_TIME_ORIGINAL, SUBSEC_TIME_ORIGINAL = 36867, 36881, 37521
FOCAL_LENGTH, FOCAL_LENGTH_35MM, DIGITAL_ZOOM_RATIO = 37386, 41989, 41988
PIXEL_X_DIMENSION, PIXEL_Y_DIMENSION = 40962, 40963
FOCAL_PLANE_X_RESOLUTION, FOCAL_PLANE_UNIT = 41486, 41488
BODY_SERIAL_NUMBER = 42033
EXPOSURE_TIME, F_NUMBER, SENSITIVITY, FLASH = 33434, 33437, 34855, 37385

FILM_DIAGONAL_MM = math.hypot(36.0, 24.0)
"""Diagonal of the 36 mm x 24 mm film frame."""
_TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8}
_TYPE_CODES = {1: "B", 3: "H", 4: "I", 5: "II", 6: "b", 8: "h", 9: "i", 10: "ii", 11: "f", 12: "d"}
_UNIT_MM = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}
_SHAPE_TOLERANCE = 0.01
CROP_REL_DOUBT = 0.15
"""Relative standard uncertainty of a cropped picture's focal length: it may have been resized after cropping."""
_PLAUSIBLE_FOCAL_DIAGONALS = (0.25, 12.0)


@dataclass(frozen=True, slots=True)
class Tags:
    """The tags Woundwood uses; texts are empty and numbers ``None`` where they are missing."""

    orientation: int = 1
    taken: str = ""
    offset: str = ""
    subsecond: str = ""
    maker: str = ""
    model: str = ""
    serial: str = ""
    focal_mm: float | None = None
    focal_35mm: float | None = None
    digital_zoom: float | None = None
    focal_plane_px_per_mm: float | None = None
    stated_size: tuple[float, float] | None = None
    flash: bool = False
    exposure_value: float | None = None


def read_tags(exif: bytes) -> Tags:
    """Read an Exif block, with or without its ``Exif`` prefix.

    Whatever is damaged is left out and the rest is kept; an empty block gives no tags.
    """
    block = exif[6:] if exif.startswith(b"Exif\x00\x00") else exif
    order = {b"II*\x00": "<", b"MM\x00*": ">"}.get(block[:4])
    if order is None or len(block) < 8:
        return Tags()
    main = read_directory(block, struct.unpack_from(order + "I", block, 4)[0], order)
    place = main.get(EXIF_IFD)
    detail = read_directory(block, int(place), order) if isinstance(place, (int, float)) else {}
    return _collect(main, detail)


def read_directory(block: bytes, at: int, order: str) -> dict[int, str | float]:
    """One TIFF 6.0 image file directory: texts, and the first number of numeric entries.

    Pillow reads the same, and the tests hold the two together; it is read here because Pillow
    reports damage through Python's warnings, which threads cannot catch separately.

    Parameters
    ----------
    block
        TIFF block from its byte order mark.
    at
        Offset of the directory in the block.
    order
        ``"<"`` or ``">"``.
    """
    found: dict[int, str | float] = {}
    if not 8 <= at <= len(block) - 2:
        return found
    entries = struct.unpack_from(order + "H", block, at)[0]
    for start in range(at + 2, min(at + 2 + 12 * entries, len(block) - 11), 12):
        tag, kind, count = struct.unpack_from(order + "HHI", block, start)
        size = _TYPE_BYTES.get(kind)
        if size is None or count == 0:
            continue
        place = start + 8 if size * count <= 4 else struct.unpack_from(order + "I", block, start + 8)[0]
        if place + size * count > len(block):
            continue
        value = _value(block[place : place + size * count], kind, order)
        if value is not None:
            found[tag] = value
    return found


def _value(raw: bytes, kind: int, order: str) -> str | float | None:
    if kind in (2, 7):
        return raw.split(b"\x00", 1)[0].decode("utf-8", "replace").strip()
    numbers = struct.unpack_from(order + _TYPE_CODES[kind], raw)
    if kind in (5, 10):
        numerator, denominator = numbers
        return numerator / denominator if denominator else None
    return float(numbers[0])


def _collect(main: Mapping[int, str | float], detail: Mapping[int, str | float]) -> Tags:
    orientation = _number(main.get(ORIENTATION))
    width, height = _number(detail.get(PIXEL_X_DIMENSION)), _number(detail.get(PIXEL_Y_DIMENSION))
    resolution, unit = _positive(detail.get(FOCAL_PLANE_X_RESOLUTION)), _number(detail.get(FOCAL_PLANE_UNIT)) or 2
    return Tags(
        orientation=int(orientation) if orientation is not None and orientation in range(1, 9) else 1,
        taken=_text(detail.get(DATE_TIME_ORIGINAL)),
        offset=_text(detail.get(OFFSET_TIME_ORIGINAL)),
        subsecond=_text(detail.get(SUBSEC_TIME_ORIGINAL)),
        maker=_text(main.get(MAKE)),
        model=_text(main.get(MODEL)),
        serial=_text(detail.get(BODY_SERIAL_NUMBER)),
        focal_mm=_positive(detail.get(FOCAL_LENGTH)),
        focal_35mm=_positive(detail.get(FOCAL_LENGTH_35MM)),
        digital_zoom=_positive(detail.get(DIGITAL_ZOOM_RATIO)),
        focal_plane_px_per_mm=resolution / _UNIT_MM[int(unit)] if resolution and unit in _UNIT_MM else None,
        stated_size=(width, height) if width and height else None,
        flash=bool(int(_number(detail.get(FLASH)) or 0) & 1),
        exposure_value=_exposure_value(detail),
    )


def _exposure_value(detail: Mapping[int, str | float]) -> float | None:
    """log2(N² / t) - log2(S / 100): how bright the scene was taken to be (ISO 2720, APEX of Exif)."""
    time_s, f_number = _positive(detail.get(EXPOSURE_TIME)), _positive(detail.get(F_NUMBER))
    sensitivity = _positive(detail.get(SENSITIVITY))
    if time_s is None or f_number is None or sensitivity is None:
        return None
    return math.log2(f_number**2 / time_s) - math.log2(sensitivity / 100)


def camera_of(tags: Tags, width_px: int, height_px: int, colour_profile: str = "") -> CameraTag:
    """Camera of a picture of the given size; the focal length is the same upright or not, pixels being square.

    The 35 mm equivalent is taken by the diagonal: the focal length that sees the same diagonal
    angle on a 36 mm x 24 mm frame (CIPA DCG-001, and how phones state it), so
    ``focal_px = focal_35mm * diagonal_px / 43.267``.  It belongs to the picture as taken, digital zoom
    included (common practice, no source; ``pipeline.pose`` checks it on the card), and survives resizing.  A picture
    cropped afterwards (its shape is not the one the tags state) keeps its focal length in pixels, if it was not
    resized as well: nobody can tell, so :attr:`CameraTag.focal_rel_doubt` is large.  One that outgrows the stated size
    has no known focal length: ``focal_px`` is ``None``.
    """
    focal_px, doubt = _focal_px(tags, width_px, height_px)
    return CameraTag(
        maker=tags.maker,
        model=tags.model,
        serial=tags.serial,
        focal_px=focal_px,
        focal_35mm=tags.focal_35mm if focal_px is not None else None,
        digital_zoom=tags.digital_zoom or 1.0,
        colour_profile=colour_profile,
        focal_mm=tags.focal_mm,
        focal_rel_doubt=doubt,
        flash=tags.flash,
        exposure_value=tags.exposure_value,
    )


def _focal_px(tags: Tags, width_px: int, height_px: int) -> tuple[float | None, float]:
    """Focal length in pixels and what a crop adds to its relative standard uncertainty."""
    long_px, short_px = max(width_px, height_px), min(width_px, height_px)
    resized, doubt = 1.0, 0.0
    diagonal_px = math.hypot(width_px, height_px)
    if tags.stated_size is not None:
        stated_long, stated_short = max(tags.stated_size), min(tags.stated_size)
        if abs(stated_long * short_px / (stated_short * long_px) - 1) > _SHAPE_TOLERANCE:
            if long_px > stated_long or short_px > stated_short:
                return None, 0.0
            diagonal_px, doubt = math.hypot(*tags.stated_size), CROP_REL_DOUBT
        else:
            resized = long_px / stated_long
    if tags.focal_35mm is not None:
        focal_px = tags.focal_35mm * diagonal_px / FILM_DIAGONAL_MM
    elif tags.focal_mm is not None and tags.focal_plane_px_per_mm is not None:
        focal_px = tags.focal_mm * tags.focal_plane_px_per_mm * resized
    else:
        return None, 0.0
    low, high = _PLAUSIBLE_FOCAL_DIAGONALS
    return (focal_px, doubt) if low * diagonal_px <= focal_px <= high * diagonal_px else (None, 0.0)


def _text(value: str | float | None) -> str:
    return value if isinstance(value, str) else ""


def _number(value: str | float | None) -> float | None:
    return value if isinstance(value, float) and math.isfinite(value) else None


def _positive(value: str | float | None) -> float | None:
    number = _number(value)
    return number if number is not None and number > 0 else None
