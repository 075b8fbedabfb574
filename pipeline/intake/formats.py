"""What a file is, told from its first bytes and never from its name.

The same table says which formats are photos, how originals are named on disk, and what to
tell the person who dropped something else.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from pipeline.records import RefusalCode

if TYPE_CHECKING:
    from pathlib import Path

LONG_HEAD_BYTES, TAIL_BYTES = 1 << 17, 1 << 16
"""Read of a large JPEG to see whether it is whole: more than tags with a thumbnail take; what may pad the end."""
HEAD_BYTES = 512
"""Bytes from the start of a file that are enough to tell its format."""


class Format(StrEnum):
    """Formats that are told apart; the value is the extension of a stored original."""

    JPEG = "jpg"
    PNG = "png"
    WEBP = "webp"
    HEIC = "heic"
    AVIF = "avif"
    TIFF = "tif"
    RAW = "raw"
    GIF = "gif"
    BMP = "bmp"
    PSD = "psd"
    JPEG_XL = "jxl"
    JPEG_2000 = "jp2"
    VIDEO = "mp4"
    SOUND = "mp3"
    PDF = "pdf"
    ZIP = "zip"
    ARCHIVE = "arc"
    WEB_PAGE = "html"
    TEXT = "txt"
    ZEROS = "nul"
    UNKNOWN = "bin"


PHOTO_FORMATS = frozenset({Format.JPEG, Format.PNG, Format.WEBP, Format.HEIC, Format.AVIF})
"""Formats from which a photo is read."""


@dataclass(frozen=True, slots=True)
class Advice:
    """Why a file of some format is not read, and what to do."""

    code: RefusalCode
    reason: str
    remedy: str


_AS_JPEG = "Set the camera to JPEG and photograph the site again, or save this picture as JPEG with its date."
_PHOTO_ONLY = "Put only photos into the inbox."

ADVICE: dict[Format, Advice] = {
    Format.TIFF: Advice(RefusalCode.OTHER_PICTURE, "The file is a TIFF picture, which is not read.", _AS_JPEG),
    Format.RAW: Advice(RefusalCode.OTHER_PICTURE, "The file is a raw camera file, which is not read.", _AS_JPEG),
    Format.GIF: Advice(RefusalCode.OTHER_PICTURE, "The file is a GIF, which has too few colours to be read.", _AS_JPEG),
    Format.BMP: Advice(RefusalCode.OTHER_PICTURE, "The file is a BMP picture, which keeps no date.", _AS_JPEG),
    Format.PSD: Advice(RefusalCode.OTHER_PICTURE, "The file belongs to a picture editor and is not a photo.", _AS_JPEG),
    Format.JPEG_XL: Advice(RefusalCode.OTHER_PICTURE, "The file is a JPEG XL picture, which is not read.", _AS_JPEG),
    Format.JPEG_2000: Advice(
        RefusalCode.OTHER_PICTURE, "The file is a JPEG 2000 picture, which is not read.", _AS_JPEG
    ),
    Format.VIDEO: Advice(RefusalCode.VIDEO, "The file is a video.", "Take a photo of the site, not a video."),
    Format.SOUND: Advice(RefusalCode.SOUND, "The file is a sound recording.", _PHOTO_ONLY),
    Format.PDF: Advice(RefusalCode.DOCUMENT, "The file is a PDF document.", "Put the photo itself into the inbox."),
    Format.ZIP: Advice(
        RefusalCode.ARCHIVE,
        "The file is a ZIP archive or an office document.",
        "Unpack it and put the photos themselves into the inbox.",
    ),
    Format.ARCHIVE: Advice(
        RefusalCode.ARCHIVE, "The file is a packed archive.", "Unpack it and put the photos themselves into the inbox."
    ),
    Format.WEB_PAGE: Advice(
        RefusalCode.WEB_PAGE,
        "The file is a web page, probably left by a download that failed.",
        "Download or send the photo again.",
    ),
    Format.TEXT: Advice(RefusalCode.TEXT, "The file is a text.", _PHOTO_ONLY),
    Format.ZEROS: Advice(
        RefusalCode.ONLY_ZEROS,
        "The file holds only zeros; copying it broke off.",
        "Copy the photo from the phone again.",
    ),
    Format.UNKNOWN: Advice(RefusalCode.NOT_A_PICTURE, "The file is not a picture.", _PHOTO_ONLY),
}

_STARTS: tuple[tuple[bytes, Format], ...] = (
    (b"\xff\xd8\xff", Format.JPEG),
    (b"\x89PNG\r\n\x1a\n", Format.PNG),
    (b"GIF87a", Format.GIF),
    (b"GIF89a", Format.GIF),
    (b"8BPS", Format.PSD),
    (b"\xff\x0a", Format.JPEG_XL),
    (b"\x00\x00\x00\x0cJXL ", Format.JPEG_XL),
    (b"\x00\x00\x00\x0cjP  ", Format.JPEG_2000),
    (b"\xff\x4f\xff\x51", Format.JPEG_2000),
    (b"IIRO", Format.RAW),
    (b"IIRS", Format.RAW),
    (b"IIU\x00", Format.RAW),
    (b"FUJIFILMCCD-RAW", Format.RAW),
    (b"II*\x00\x10\x00\x00\x00CR", Format.RAW),
    (b"II*\x00", Format.TIFF),
    (b"MM\x00*", Format.TIFF),
    (b"%PDF", Format.PDF),
    (b"PK\x03\x04", Format.ZIP),
    (b"PK\x05\x06", Format.ZIP),
    (b"Rar!", Format.ARCHIVE),
    (b"7z\xbc\xaf\x27\x1c", Format.ARCHIVE),
    (b"\x1f\x8b", Format.ARCHIVE),
    (b"\xfd7zXZ\x00", Format.ARCHIVE),
    (b"BZh", Format.ARCHIVE),
    (b"\xd0\xcf\x11\xe0", Format.ZIP),
    (b"\x1a\x45\xdf\xa3", Format.VIDEO),
    (b"\x00\x00\x01\xba", Format.VIDEO),
    (b"\x00\x00\x01\xb3", Format.VIDEO),
    (b"FLV", Format.VIDEO),
    (b"ID3", Format.SOUND),
    (b"OggS", Format.SOUND),
    (b"fLaC", Format.SOUND),
    (b"#!AMR", Format.SOUND),
    (b"BM", Format.BMP),
)

_HEIC_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"hevm", b"hevs"})
_AVIF_BRANDS = frozenset({b"avif", b"avis"})
_PICTURE_BRANDS = frozenset({b"mif1", b"mif2", b"msf1", b"miaf"})
_TEXT_BYTES = frozenset(range(0x20, 0x7F)) | {0x09, 0x0A, 0x0D}


def sniff(head: bytes) -> Format:
    """Format of a file from its first :data:`HEAD_BYTES` bytes (fewer if it is shorter)."""
    for start, kind in _STARTS:
        if head.startswith(start):
            return kind
    if head[:4] == b"RIFF":
        return {b"WEBP": Format.WEBP, b"AVI ": Format.VIDEO, b"WAVE": Format.SOUND}.get(head[8:12], Format.UNKNOWN)
    if head[4:8] == b"ftyp":
        return _iso_media(head)
    if head[4:8] in (b"moov", b"mdat", b"wide", b"free", b"skip"):
        return Format.VIDEO
    if head and not any(head):
        return Format.ZEROS
    return _text(head)


def _iso_media(head: bytes) -> Format:
    """Tell HEIC, AVIF, raw and video apart by the brands of an ISO base media file."""
    end = min(int.from_bytes(head[:4], "big"), len(head))
    brands = {head[8:12]} | {head[at : at + 4] for at in range(16, end - 3, 4)}
    if brands & _HEIC_BRANDS:
        return Format.HEIC
    if brands & _AVIF_BRANDS:
        return Format.AVIF
    if b"crx " in brands:
        return Format.RAW
    return Format.HEIC if brands & _PICTURE_BRANDS else Format.VIDEO


def _text(head: bytes) -> Format:
    stripped = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if stripped.startswith((b"<!doctype html", b"<html")):
        return Format.WEB_PAGE
    return Format.TEXT if len(head) > 0 and all(byte in _TEXT_BYTES for byte in head) else Format.UNKNOWN


def picture_size(data: bytes, kind: Format) -> tuple[int, int] | None:
    """Width and height that a PNG or WebP file announces, read without decoding; ``None`` if it does not say."""
    if kind is Format.PNG and data[12:16] == b"IHDR" and len(data) >= 24:
        return int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")
    if kind is Format.WEBP and len(data) >= 30:
        chunk = data[12:16]
        if chunk == b"VP8X":
            return 1 + int.from_bytes(data[24:27], "little"), 1 + int.from_bytes(data[27:30], "little")
        if chunk == b"VP8L":
            bits = int.from_bytes(data[21:25], "little")
            return 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
        if chunk == b"VP8 ":
            return int.from_bytes(data[26:28], "little") & 0x3FFF, int.from_bytes(data[28:30], "little") & 0x3FFF
    return None


def jpeg_segments(data: bytes) -> tuple[list[tuple[int, bytes]], int]:
    """Marker and content of the segments before the picture data of a JPEG, and the offset where they end.

    Stops at the first damage.  Read here rather than by Pillow because this works on a file that
    is cut off, and opens nothing twice.
    """
    found: list[tuple[int, bytes]] = []
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        marker = data[at + 1]
        if marker == 0xFF:
            at += 1
            continue
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if marker == 0xDA or length < 2:
            break
        found.append((marker, data[at + 4 : at + 2 + length]))
        at += 2 + length
    return found, at


def has_its_end(data: bytes) -> bool:
    """Whether a file seems to have arrived whole; ``True`` for formats whose end cannot be told.

    Says nothing of damage in between: that is for the decoder.
    """
    kind = sniff(data[:HEAD_BYTES])
    if kind is Format.JPEG:
        # After the picture data has begun: a thumbnail in the tags has an end marker of its own.
        return data.find(b"\xff\xd9", jpeg_segments(data)[1]) >= 0
    if kind is Format.PNG:
        return b"IEND" in data[-64:]
    if kind is Format.WEBP:
        return len(data) >= 8 + int.from_bytes(data[4:8], "little")
    if kind in (Format.HEIC, Format.AVIF, Format.VIDEO) and data[4:8] == b"ftyp":
        return _boxes_are_whole(data)
    return len(data) > 0 and kind is not Format.ZEROS


def file_has_its_end(path: Path) -> bool:
    """The same of a file: of a large JPEG only its beginning and its end are read where they are enough.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with path.open("rb") as stream:
        head = stream.read(LONG_HEAD_BYTES)
        if len(head) == LONG_HEAD_BYTES and sniff(head[:HEAD_BYTES]) is Format.JPEG:
            begins = jpeg_segments(head)[1]
            if begins + 4 <= len(head):  # else the tags go on behind what was read
                size = stream.seek(0, os.SEEK_END)
                stream.seek(max(begins, size - TAIL_BYTES))
                if b"\xff\xd9" in stream.read():
                    return True
        stream.seek(0)
        return has_its_end(stream.read())


def _boxes_are_whole(data: bytes) -> bool:
    """Walk the top-level boxes of an ISO base media file (ISO/IEC 14496-12, clause 4.2)."""
    at = 0
    while at < len(data):
        size = int.from_bytes(data[at : at + 4], "big")
        if size == 0:  # "to the end of the file"
            return True
        if size == 1:
            size = int.from_bytes(data[at + 8 : at + 16], "big")
        if size < 8:
            return True
        at += size
    return at == len(data)
