"""When a photo was taken: from its tags, else from its name; never from the file's own dates.

Only DateTimeOriginal (tag 36867, CIPA DC-008: "when the original image data was generated")
is a time of exposure.  DateTime (306) is the time of the last change of the file, so a
photo edited in June would move its May visit; DateTimeDigitized (36868) is the time of
scanning.  Neither is used.  Dates of the file system are those of the last copy.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import TYPE_CHECKING

from pipeline.records import TimeSource

if TYPE_CHECKING:
    from pipeline.settings import IntakeSettings

BUDDHIST_ERA_YEARS = 543
"""The Buddhist era, in everyday use in Thailand, is 543 years ahead; some phones write it into the tags."""
NOON_HOUR = 12
"""Hour given to a photo of which only the day is known: the visit's day is then right in any zone the grove has."""

_EXIF_TIME = re.compile(r"(\d{4})[:\-/.](\d{2})[:\-/.](\d{2})[ T](\d{2}):(\d{2}):(\d{2})")
_EXIF_OFFSET = re.compile(r"([+-])(\d{2}):(\d{2})")
_NAME_DATE = re.compile(
    r"(?<!\d)(?P<year>\d{4})(?P<gap>[-_.]?)(?P<month>\d{2})(?P=gap)(?P<day>\d{2})"
    r"(?:(?:[-_ T.]?|\sat\s)(?P<hour>\d{2})(?P<colon>[-_.:h]?)(?P<minute>\d{2})(?P=colon)(?P<second>\d{2})\d{0,3})?"
    r"(?!\d)"
)
_UTC_NAME = re.compile(r"PXL_\d{8}_\d{9}", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Taken:
    """A time of exposure and where it comes from."""

    at: datetime
    source: TimeSource
    stated_at: datetime | None = None
    """What the photo itself says, where a person corrected it."""


def from_tags(original: str, offset: str, subsecond: str, zone: tzinfo) -> Taken | None:
    """Time of exposure from the texts of DateTimeOriginal, OffsetTimeOriginal and SubSecTimeOriginal.

    Parameters
    ----------
    original
        ``"YYYY:MM:DD HH:MM:SS"``; blanks or zeros mean unknown (CIPA DC-008).
    offset
        ``"+HH:MM"`` or ``"-HH:MM"``; anything else counts as not given.
    subsecond
        Digits after the decimal point of the seconds.
    zone
        Used where there is no offset.
    """
    match = _EXIF_TIME.match(original.strip())
    if match is None:
        return None
    year, month, day, hour, minute, second = (int(part) for part in match.groups())
    digits = re.match(r"\d+", subsecond.strip())
    microsecond = int(digits.group().ljust(6, "0")[:6]) if digits else 0
    known_offset = parse_offset(offset)
    at = _datetime(year, month, day, hour, minute, second, microsecond, known_offset or zone)
    if at is None:
        return None
    return Taken(at, TimeSource.EXIF_WITH_OFFSET if known_offset else TimeSource.EXIF_GROVE_ZONE)


def parse_offset(text: str) -> timezone | None:
    """Zone of an Exif offset ``"+HH:MM"``; ``None`` if blank, malformed or beyond 14 hours."""
    match = _EXIF_OFFSET.fullmatch(text.strip())
    if match is None:
        return None
    sign, hours, minutes = match.group(1), int(match.group(2)), int(match.group(3))
    if minutes > 59 or hours * 60 + minutes > 14 * 60:
        return None
    ahead = timedelta(hours=hours, minutes=minutes)
    return timezone(-ahead if sign == "-" else ahead)


def from_name(file: str, zone: tzinfo, settings: IntakeSettings, now: datetime) -> Taken | None:
    """Time from a date in the file's own name, year first, such as ``IMG_20260503_101500.jpg``.

    A name is weak evidence, so a date counts only if it exists, is not before
    ``settings.earliest_year`` and not in the future, and if the name holds no second,
    different date.  Day-first forms are ambiguous and are not taken.  A date without a
    time is put at noon.  Names of the form ``PXL_yyyymmdd_hhmmssmmm`` are in UTC (from memory).
    """
    name = re.split(r"[/\\]", file)[-1]
    found: dict[tuple[int, int, int], datetime] = {}
    for match in _NAME_DATE.finditer(name):
        at = _named(match, UTC if _UTC_NAME.match(name) else zone)
        if at is not None and clock_problem(at, settings, now) == "":
            day = (at.year, at.month, at.day)
            if day not in found or match["hour"]:
                found[day] = at
    if len(found) != 1:
        return None
    return Taken(next(iter(found.values())), TimeSource.FILE_NAME)


def _named(match: re.Match[str], zone: tzinfo) -> datetime | None:
    year, month, day = int(match["year"]), int(match["month"]), int(match["day"])
    if match["hour"]:
        clock = int(match["hour"]), int(match["minute"]), int(match["second"])
        at = _datetime(year, month, day, *clock, 0, zone)
        if at is not None:
            return at
    return _datetime(year, month, day, NOON_HOUR, 0, 0, 0, zone)


def _datetime(
    year: int, month: int, day: int, hour: int, minute: int, second: int, microsecond: int, zone: tzinfo
) -> datetime | None:
    # A leap second (60) exists in the standard's notation and not in Python's.
    second = min(second, 59) if second == 60 else second
    # 1 January 2500 BE is 1957: no camera of either era writes a year between the two calendars.
    if year >= 2500:
        year -= BUDDHIST_ERA_YEARS
    try:
        return datetime(year, month, day, hour, minute, second, microsecond, zone)
    except ValueError:
        return None


def clock_problem(at: datetime, settings: IntakeSettings, now: datetime) -> str:
    """Sentence that says why a time cannot be right, or ``""``."""
    if at.year < settings.earliest_year:
        return f"The photo is dated {at:%Y-%m-%d}, which is too long ago."
    if at > now + timedelta(hours=settings.future_tolerance_h):
        return f"The photo is dated {at:%Y-%m-%d}, which is in the future."
    return ""
