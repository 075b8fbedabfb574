"""From bytes to RGB pixels, with every guard that has to stand before and around a decoder."""

from __future__ import annotations

import io
import re
import struct
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np
import simplejpeg
from PIL import AvifImagePlugin, Image, ImageCms, JpegImagePlugin, PngImagePlugin, WebPImagePlugin

from pipeline.errors import PhotoRefused
from pipeline.intake.formats import Format, jpeg_segments, picture_size
from pipeline.records import PhotoStage, RefusalCode

if TYPE_CHECKING:
    from pipeline.records import ImageRGB
    from pipeline.settings import IntakeSettings

_COPY_AGAIN = "Copy the photo from the phone again."
_CUT_OFF = re.compile(r"premature end|truncated|end of (file|data|image)|not enough data|incomplete|no data", re.I)
_HARMLESS = re.compile(r"Invalid SOS parameters|JFIF revision|Adobe color transform")
_STRAY_BYTES = re.compile(r"(\d+) extraneous bytes before marker 0xd9")
# What Pillow and its plug-ins raise on damaged input.
_DECODER_TROUBLE = (OSError, SyntaxError, ValueError, TypeError, EOFError, RuntimeError, struct.error, zlib.error)
_FRAME_MARKERS = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
"""Start-of-frame markers of a JPEG (ITU-T T.81, table B.1)."""
_FLIPS = {2: 1, 3: -1, 4: 0}
"""Orientations that need no transposition, with the axis as cv2.flip counts it."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A picture whose header was read and whose size is acceptable; no pixel was decoded yet.

    ``image`` is the lazy Pillow picture of every format but JPEG; ``colours`` the number of a JPEG's
    colour components (4 for CMYK).
    """

    width_px: int
    height_px: int
    exif: bytes
    colour_profile: str
    colours: int = 3
    image: Image.Image | None = None


def refused(code: RefusalCode, reason: str, remedy: str) -> PhotoRefused:
    """A refusal at the door."""
    return PhotoRefused(PhotoStage.INTAKE, reason, remedy, code=code)


def _broken(detail: object) -> PhotoRefused:
    if _CUT_OFF.search(str(detail)):
        return refused(RefusalCode.CUT_OFF, "The photo is cut off: only a part of the file is here.", _COPY_AGAIN)
    return refused(RefusalCode.DAMAGED, "The photo's file is damaged.", _COPY_AGAIN)


def open_header(data: bytes, kind: Format, settings: IntakeSettings) -> Opened:
    """Size, tags and colour profile of a photo, without decoding its pixels.

    Raises
    ------
    PhotoRefused
        If the header is damaged or cut off, the picture is too large or an animation, or its
        format needs an optional part that is not installed.
    """
    if kind is Format.JPEG:
        return _open_jpeg(data, settings)
    # Before Pillow sees the data, so that a bomb never reaches its decoders.
    stated = picture_size(data, kind)
    if stated is not None:
        _check_size(*stated, settings)
    try:
        image = _pillow_picture(data, kind)
    except _DECODER_TROUBLE as error:
        raise _broken(error) from None
    _check_size(image.width, image.height, settings)
    if kind is not Format.HEIC and getattr(image, "n_frames", 1) > 1:
        raise refused(RefusalCode.ANIMATION, "The file is an animation.", "Take a single photo of the site.")
    profile = profile_name(image.info.get("icc_profile"))
    return Opened(image.width, image.height, image.info.get("exif") or b"", profile, image=image)


def _pillow_picture(data: bytes, kind: Format) -> Image.Image:
    # The plug-in classes are used directly: Image.open would try every format it knows and
    # apply its own, process-wide pixel limit beside ours.
    stream = io.BytesIO(data)
    if kind is Format.PNG:
        return PngImagePlugin.PngImageFile(stream)
    if kind is Format.WEBP:
        return WebPImagePlugin.WebPImageFile(stream)
    if kind is Format.AVIF:
        return AvifImagePlugin.AvifImageFile(stream)
    try:
        from pillow_heif import HeifImageFile
    except ImportError:
        raise refused(
            RefusalCode.HEIC_NOT_INSTALLED,
            "HEIC photos cannot be read here: the optional part 'heic' is not installed.",
            "Install it with: pip install 'woundwood[heic]', or set the camera to JPEG (most compatible).",
        ) from None
    picture: Image.Image = HeifImageFile(stream)
    return picture


def _check_size(width_px: int, height_px: int, settings: IntakeSettings) -> None:
    megapixels = width_px * height_px / 1e6
    if megapixels > settings.max_megapixels:
        raise refused(
            RefusalCode.TOO_MANY_PIXELS,
            f"The picture has {megapixels:.0f} megapixels; at most {settings.max_megapixels:.0f} are read.",
            "Choose a smaller picture size in the camera's settings.",
        )
    if megapixels <= 0:
        raise refused(RefusalCode.NO_PIXELS, "The picture has no pixels.", _COPY_AGAIN)


def _open_jpeg(data: bytes, settings: IntakeSettings) -> Opened:
    segments, end = jpeg_segments(data)
    size: tuple[int, int] | None = None
    colours, exif, profile = 3, b"", []
    for marker, body in segments:
        if marker in _FRAME_MARKERS and len(body) >= 6:
            size, colours = (int.from_bytes(body[3:5], "big"), int.from_bytes(body[1:3], "big")), body[5]
        elif marker == 0xE1 and not exif and body.startswith(b"Exif\x00\x00"):
            exif = body
        elif marker == 0xE2 and body.startswith(b"ICC_PROFILE\x00"):
            profile.append((body[12:13], body[14:]))
    if size is None:
        raise _broken("truncated" if end + 4 > len(data) else "no frame")
    _check_size(*size, settings)
    name = profile_name(b"".join(part for _, part in sorted(profile)))
    return Opened(*size, exif, name, colours=colours)


def profile_name(icc: bytes | None) -> str:
    """Description inside an ICC profile, such as ``Display P3``; ``""`` if there is none or it cannot be read."""
    if not icc:
        return ""
    try:
        return ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(icc))).strip()
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return ""


def decode(data: bytes, opened: Opened) -> ImageRGB:
    """Pixels as they are stored, shape (H, W, 3), not yet turned upright.

    Raises
    ------
    PhotoRefused
        If the picture data is damaged or cut off; half a picture is never returned.
    """
    if opened.image is not None:
        return _decode_pillow(opened.image)
    if opened.colours != 4:
        try:
            pixels: ImageRGB = simplejpeg.decode_jpeg(data, "RGB", fastdct=True, fastupsample=True)
        except KeyError:
            pass  # a chroma subsampling that simplejpeg has no name for
        except ValueError as error:
            _stop_unless_harmless(data, str(error))
        else:
            return pixels
    try:
        return _decode_pillow(JpegImagePlugin.JpegImageFile(io.BytesIO(data)))
    except _DECODER_TROUBLE as error:
        raise _broken(error) from None


def _stop_unless_harmless(data: bytes, warning: str) -> None:
    """Refuse on a decoder's warning, unless it is one that leaves every pixel as it was.

    Some phones write wrong scan parameters, an odd JFIF version, or padding before the end marker.
    Stray bytes that are not padding mean that the picture data was damaged further up.
    """
    if _HARMLESS.search(warning):
        return
    stray = _STRAY_BYTES.search(warning)
    if stray is not None:
        end = data.rfind(b"\xff\xd9")
        padding = data[max(0, end - int(stray.group(1))) : end]
        if len(set(padding)) <= 1:
            return
    raise _broken(warning)


def _decode_pillow(image: Image.Image) -> ImageRGB:
    try:
        image.load()
        if image.mode.startswith("I;16"):
            grey = (np.asarray(image) >> 8).astype(np.uint8)
            return np.repeat(grey[..., np.newaxis], 3, axis=2)
        return np.array(image.convert("RGB"), dtype=np.uint8)
    except _DECODER_TROUBLE as error:
        raise _broken(error) from None


def upright(pixels: ImageRGB, orientation: int) -> ImageRGB:
    """Turn and mirror stored pixels as Exif orientation 1 to 8 asks (CIPA DC-008, tag 274).

    ``pixels`` may be changed in place: flips of 12 megapixels then cost 4 ms instead of 12.
    """
    if orientation in _FLIPS:
        cv2.flip(pixels, _FLIPS[orientation], pixels)
        return pixels
    if orientation == 6:
        turned: ImageRGB = cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE)
    elif orientation == 8:
        turned = cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE)
    elif orientation in (5, 7):
        turned = cv2.transpose(pixels)
        if orientation == 7:
            cv2.flip(turned, -1, turned)
    else:
        turned = pixels
    return turned
