"""Times of exposure from tags and names."""

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest

from pipeline.intake.times import clock_problem, from_name, from_tags, parse_offset
from pipeline.records import TimeSource
from pipeline.settings import IntakeSettings

ZONE = ZoneInfo("Asia/Bangkok")
NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
SETTINGS = IntakeSettings()


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        # "+HH:MM" or "-HH:MM" (CIPA DC-008, tags 36880 to 36882)
        ("+07:00", 420),
        ("-03:30", -210),
        ("+00:00", 0),
        ("+14:00", 840),
        ("+05:45\x00".rstrip("\x00"), 345),
        ("7:00", None),
        ("+7:00", None),
        ("+0700", None),
        ("   :  ", None),
        ("", None),
        ("+15:00", None),
        ("+07:60", None),
        ("Z", None),
    ],
)
def test_offsets(text: str, minutes: int | None) -> None:
    zone = parse_offset(text)
    assert zone == (None if minutes is None else timezone(timedelta(minutes=minutes)))


def test_an_offset_beats_the_groves_zone() -> None:
    taken = from_tags("2026:05:03 23:30:00", "+09:00", "", ZONE)
    assert taken is not None
    assert taken.at.astimezone(UTC) == datetime(2026, 5, 3, 14, 30, tzinfo=UTC)
    assert taken.source is TimeSource.EXIF_WITH_OFFSET


def test_without_an_offset_the_zone_knows_summer_time() -> None:
    # Santiago, southern summer: UTC-3 in January, UTC-4 in July (IANA time zone database).
    zone = ZoneInfo("America/Santiago")
    january = from_tags("2026:01:10 12:00:00", "", "", zone)
    july = from_tags("2025:07:10 12:00:00", "", "", zone)
    assert january is not None and january.at.astimezone(UTC).hour == 15
    assert july is not None and july.at.astimezone(UTC).hour == 16


@pytest.mark.parametrize(
    ("digits", "microsecond"), [("5", 500_000), ("123", 123_000), ("0012345", 1_234), ("", 0), ("x", 0)]
)
def test_subseconds_are_decimals(digits: str, microsecond: int) -> None:
    taken = from_tags("2026:05:03 10:15:00", "+07:00", digits, ZONE)
    assert taken is not None and taken.at.microsecond == microsecond


@pytest.mark.parametrize(
    "text",
    [
        "",
        "    :  :     :  :  ",
        "0000:00:00 00:00:00",
        "2026:13:01 00:00:00",
        "2026:02:29 10:00:00",
        "yesterday",
        "2026:05:03",
    ],
)
def test_unknown_times_are_none(text: str) -> None:
    # Blanks mean unknown (CIPA DC-008); some cameras write zeros.
    assert from_tags(text, "+07:00", "", ZONE) is None


def test_the_buddhist_calendar_of_some_phones() -> None:
    # 2569 BE is 2026 CE (543 years); 29 February 2567 BE is a real day, 2024 being a leap year.
    taken = from_tags("2569:05:03 10:15:00", "+07:00", "", ZONE)
    assert taken is not None and taken.at == datetime(2026, 5, 3, 10, 15, tzinfo=ZONE)
    leap = from_tags("2567:02:29 10:15:00", "", "", ZONE)
    assert leap is not None and (leap.at.year, leap.at.month, leap.at.day) == (2024, 2, 29)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("2026-05-03.jpg", (2026, 5, 3, 12, 0, 0)),
        ("2026-05-03_photo.jpg", (2026, 5, 3, 12, 0, 0)),
        ("20260503_101500.jpg", (2026, 5, 3, 10, 15, 0)),
        ("IMG_20260503_101500_1.jpg", (2026, 5, 3, 10, 15, 0)),
        ("20260503101500.jpg", (2026, 5, 3, 10, 15, 0)),
        ("IMG-20260503-WA0001.jpg", (2026, 5, 3, 12, 0, 0)),
        ("Photo 2026-05-03 at 10.15.30.jpeg", (2026, 5, 3, 10, 15, 30)),
        ("2026.05.03 10-15-30.jpg", (2026, 5, 3, 10, 15, 30)),
        ("2026_05_03_10_15_30.jpg", (2026, 5, 3, 10, 15, 30)),
        ("IMG_25690503_101500.jpg", (2026, 5, 3, 10, 15, 0)),
        ("20260503_997700.jpg", (2026, 5, 3, 12, 0, 0)),
        ("hàng 3/สวน/20260503_101500.jpg", (2026, 5, 3, 10, 15, 0)),
        ("a\nb 2026-05-03.jpg", (2026, 5, 3, 12, 0, 0)),
    ],
)
def test_dates_in_names(name: str, expected: tuple[int, ...]) -> None:
    taken = from_name(name, ZONE, SETTINGS, NOW)
    assert taken is not None
    assert taken.at == datetime(*expected, tzinfo=ZONE)
    assert taken.source is TimeSource.FILE_NAME


def test_one_family_of_names_is_in_utc() -> None:
    # From memory: the camera program that writes PXL_ names uses UTC in them.
    taken = from_name("PXL_20260503_231500123.jpg", ZONE, SETTINGS, NOW)
    assert taken is not None
    assert taken.at.astimezone(ZONE) == datetime(2026, 5, 4, 6, 15, 0, tzinfo=ZONE)


@pytest.mark.parametrize(
    "name",
    [
        "DSC_0042.jpg",
        "03-05-2026.jpg",  # day or month first: not to be told
        "03042026.jpg",
        "2026-02-30.jpg",
        "2026-13-01.jpg",
        "1999-05-03.jpg",  # before earliest_year
        "2027-05-03.jpg",  # in the future
        "2026-05-03 copy of 2026-04-01.jpg",  # two days
        "1777777777777.jpg",  # milliseconds since 1970: when it was sent
        "912026050312.jpg",  # inside a longer number
        "2026-0503.jpg",
        "2026-05-03/DSC_0042.jpg",  # the folder's name says who or when it was copied
    ],
)
def test_names_without_a_plausible_date(name: str) -> None:
    assert from_name(name, ZONE, SETTINGS, NOW) is None


def test_the_same_day_twice_is_one_day() -> None:
    taken = from_name("2026-05-03 IMG_20260503_101500.jpg", ZONE, SETTINGS, NOW)
    assert taken is not None and taken.at.hour == 10


def test_the_clock_is_judged_in_absolute_time() -> None:
    edge = NOW + timedelta(hours=SETTINGS.future_tolerance_h)
    assert clock_problem(edge, SETTINGS, NOW) == ""
    assert "in the future" in clock_problem(edge + timedelta(seconds=1), SETTINGS, NOW)
    assert "too long ago" in clock_problem(datetime(1999, 12, 31, tzinfo=ZONE), SETTINGS, NOW)
