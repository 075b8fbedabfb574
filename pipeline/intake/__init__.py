"""The door: bytes of a file in, one upright dated :class:`~pipeline.records.Photo` out, or a refusal.

    bytes ──formats──> what it is ──decode──> size, tags ──times──> when ──decode──> pixels ──> Photo

The format is told by content, sizes are checked before anything is decoded, a picture that is
cut off is refused rather than half read, and a time comes from the exposure or not at all.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline import clocks
from pipeline.errors import PhotoRefused
from pipeline.intake import times
from pipeline.intake.decode import decode, open_header, refused, upright
from pipeline.intake.formats import ADVICE, HEAD_BYTES, PHOTO_FORMATS, Format, file_has_its_end, sniff
from pipeline.intake.tags import Tags, camera_of, read_tags
from pipeline.records import Photo, RefusalCode, TimeSource

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime, tzinfo
    from pathlib import Path

    from pipeline.records import ClockShift
    from pipeline.settings import IntakeSettings

__all__ = ["HEAD_BYTES", "Format", "bytes_of", "file_has_its_end", "open_file", "open_photo", "probe_time", "sniff"]

_SCREENSHOT = re.compile(
    r"screen[ _-]?shot|screen[ _-]?capture|ภาพหน้าจอ|ảnh chụp màn hình|tangkapan layar", re.IGNORECASE
)


def bytes_of(path: Path, settings: IntakeSettings) -> bytes:
    """A file's bytes; of one that is too large only so many that :func:`open_photo` sees that it is.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    with path.open("rb") as file:
        return file.read(int(settings.max_file_mb * 1e6) + 1)


def open_file(path: Path, sha256: str, settings: IntakeSettings, zone: tzinfo, now: datetime) -> Photo:
    """A photo that lies on the disk, to be looked at: a date is read where there is one, and not asked for.

    Raises
    ------
    PhotoRefused
        As :func:`open_photo`.
    OSError
        If the file cannot be read.
    """
    return open_photo(bytes_of(path, settings), path.name, sha256, settings, zone, now, need_time=False)


def open_photo(
    data: bytes,
    file: str,
    sha256: str,
    settings: IntakeSettings,
    zone: tzinfo,
    now: datetime,
    *,
    need_time: bool = True,
    shifts: Sequence[ClockShift] = (),
) -> Photo:
    """Read one photo.

    Parameters
    ----------
    data
        The file's bytes.
    file
        Name in the inbox; a date in it is used if the tags hold none.
    sha256
        Hex digest of ``data``.
    zone
        The grove's time zone, for tags and names that carry none.
    now
        Aware; photos dated later than this by ``settings.future_tolerance_h`` are refused.
    need_time
        Whether a photo without a usable time is refused; otherwise its ``taken_at`` is ``None``.
    shifts
        What people said of wrong clocks; a corrected time counts, also for what is too long ago or in the future.

    Raises
    ------
    PhotoRefused
        With one sentence of reason and one of remedy.
    """
    kind = _identify(data, file, settings)
    opened = open_header(data, kind, settings)
    tags = read_tags(opened.exif)
    if not tags.maker and _SCREENSHOT.search(re.split(r"[/\\]", file)[-1]):
        raise refused(
            RefusalCode.SCREENSHOT,
            "The file is a picture of a screen, not a photo.",
            "Put the camera's own photo into the inbox.",
        )
    camera = camera_of(tags, opened.width_px, opened.height_px, opened.colour_profile)

    def corrected(stated_at: datetime) -> datetime | None:
        return clocks.true_time(shifts, camera.device, file, sha256, stated_at)

    taken, problem = _time(tags, file, settings, zone, now, corrected if shifts else None)
    if need_time and problem is not None:
        raise problem
    pixels = upright(decode(data, opened), tags.orientation)
    return Photo(
        file=file,
        sha256=sha256,
        taken_at=taken.at if taken is not None else None,
        time_source=taken.source if taken is not None else None,
        pixels=pixels,
        camera=camera,
        stated_at=taken.stated_at if taken is not None else None,
    )


def probe_time(
    data: bytes, file: str, settings: IntakeSettings, zone: tzinfo, now: datetime
) -> tuple[datetime, TimeSource] | None:
    """When a photo was taken, without decoding its pixels; ``None`` if that cannot be told.

    For photos that are refused for another reason, so that the refusal lands on its own day.
    """
    try:
        tags = read_tags(open_header(data, _identify(data, file, settings), settings).exif)
    except PhotoRefused:
        tags = Tags()
    taken, _ = _time(tags, file, settings, zone, now)
    return None if taken is None else (taken.at, taken.source)


def _identify(data: bytes, file: str, settings: IntakeSettings) -> Format:
    if not data:
        raise refused(RefusalCode.EMPTY_FILE, "The file is empty (0 bytes).", "Copy the photo from the phone again.")
    if len(data) > settings.max_file_mb * 1e6:
        raise refused(
            RefusalCode.FILE_TOO_LARGE,
            f"The file has more than {settings.max_file_mb:.0f} MB.",
            "Choose a smaller picture size in the camera's settings.",
        )
    kind = sniff(data[:HEAD_BYTES])
    if kind in PHOTO_FORMATS:
        return kind
    advice = ADVICE[kind]
    raise refused(advice.code, advice.reason, advice.remedy)


def _time(
    tags: Tags,
    file: str,
    settings: IntakeSettings,
    zone: tzinfo,
    now: datetime,
    corrected: Callable[[datetime], datetime | None] | None = None,
) -> tuple[times.Taken | None, PhotoRefused | None]:
    """Time of exposure, or the refusal that its absence deserves."""
    taken = times.from_tags(tags.taken, tags.offset, tags.subsecond, zone)
    if taken is not None:
        taken = _shifted(taken, corrected)
        wrong = times.clock_problem(taken.at, settings, now)
        if not wrong:
            return taken, None
        # A wrong clock is not mended from the file's name, which the same clock wrote.
        code = RefusalCode.DATE_TOO_OLD if taken.at < now else RefusalCode.DATE_IN_FUTURE
        return None, refused(code, wrong, "Set date and time on the phone, then photograph the site again.")
    taken = times.from_name(file, zone, settings, now)
    if taken is not None:
        return _shifted(taken, corrected), None
    return None, refused(
        RefusalCode.NO_DATE,
        "The photo carries no date.",
        "Copy it from the phone as a file, not by messenger, or put the day into its name: 2026-05-03_photo.jpg.",
    )


def _shifted(taken: times.Taken, corrected: Callable[[datetime], datetime | None] | None) -> times.Taken:
    """The time that a person gave instead of what the photo states, if anybody did."""
    at = corrected(taken.at) if corrected is not None else None
    return taken if at is None else replace(taken, at=at, stated_at=taken.at)
