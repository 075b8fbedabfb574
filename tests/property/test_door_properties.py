"""Properties of the door that hold for any input: names, times, registers, formats."""

import csv
import io
import os
import string
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import RegisterError
from pipeline.intake.decode import upright
from pipeline.intake.formats import has_its_end, picture_size, sniff
from pipeline.intake.tags import read_tags
from pipeline.intake.times import clock_problem, from_name, from_tags
from pipeline.receive import safe_name
from pipeline.records import EventKind, WoundKind
from pipeline.register import COLUMNS, load
from pipeline.settings import IntakeSettings

file_names = st.binary(min_size=1, max_size=24).map(
    lambda raw: os.fsdecode(raw.replace(b"/", b"_").replace(b"\0", b"_"))
)


@given(file_names, file_names)
def test_shown_names_are_storable_printable_and_told_apart(one: str, other: str) -> None:
    shown = safe_name(Path("folder", one))
    assert shown.encode("utf-8").decode("utf-8") == shown
    assert shown.isprintable()
    if Path(one) != Path(other):
        assert safe_name(Path(one)) != safe_name(Path(other))


@given(
    st.datetimes(datetime.fromisoformat("2001-01-01"), datetime.fromisoformat("2030-01-01")),
    st.integers(-12 * 4, 14 * 4),
    st.booleans(),
)
def test_a_time_written_as_the_standard_says_comes_back(naive: datetime, quarters: int, buddhist: bool) -> None:
    # CIPA DC-008: DateTimeOriginal "YYYY:MM:DD HH:MM:SS", OffsetTimeOriginal "+HH:MM", SubSecTimeOriginal digits.
    offset = timedelta(minutes=15 * quarters)
    hours, minutes = divmod(abs(15 * quarters), 60)
    year = naive.year + 543 if buddhist else naive.year
    text = f"{year:04}:{naive:%m:%d %H:%M:%S}"
    taken = from_tags(text, f"{'-' if quarters < 0 else '+'}{hours:02}:{minutes:02}", f"{naive.microsecond:06}", UTC)
    assert taken is not None
    assert taken.at == naive.replace(tzinfo=timezone(offset))


@given(st.text(max_size=40), st.text(max_size=12), st.text(max_size=8))
def test_any_text_is_a_time_or_none(original: str, offset: str, subsecond: str) -> None:
    taken = from_tags(original, offset, subsecond, UTC)
    assert taken is None or taken.at.tzinfo is not None


@given(
    st.dates(date(2001, 1, 1), date(2026, 6, 1)),
    st.sampled_from(["", "-", "_", "."]),
    st.text(string.ascii_letters + "_- ", max_size=8),
    st.text(string.ascii_letters + " ", max_size=8),
)
def test_a_day_in_a_name_is_found(day: date, gap: str, before: str, after: str) -> None:
    name = f"{before}{day:%Y}{gap}{day:%m}{gap}{day:%d}{after}.jpg"
    taken = from_name(name, UTC, IntakeSettings(), datetime(2026, 6, 1, tzinfo=UTC))
    assert taken is not None and taken.at.date() == day


@given(st.text(max_size=60))
def test_a_day_from_any_name_is_plausible(name: str) -> None:
    now = datetime(2026, 6, 1, tzinfo=UTC)
    taken = from_name(name, UTC, IntakeSettings(), now)
    assert taken is None or clock_problem(taken.at, IntakeSettings(), now) == ""


@given(st.binary(max_size=80))
def test_any_bytes_have_a_format_and_tags(data: bytes) -> None:
    kind = sniff(data)
    picture_size(data, kind)
    has_its_end(data)
    for start in (b"II*\x00\x08\x00\x00\x00", b"MM\x00*\x00\x00\x00\x08", b"Exif\x00\x00II*\x00\x08\x00\x00\x00"):
        assert read_tags(start + data).orientation in range(1, 9)


# Orientation as a map of stored onto shown pixels (CIPA DC-008): composing a turn with its
# opposite gives the stored picture again.
UNDONE_BY = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}


@given(st.sampled_from(sorted(UNDONE_BY)), st.integers(1, 9), st.integers(1, 9), st.integers(0, 2**31))
def test_every_orientation_has_its_opposite(orientation: int, height: int, width: int, seed: int) -> None:
    pixels = np.random.default_rng(seed).integers(0, 255, (height, width, 3), dtype=np.uint8)
    shown = upright(pixels.copy(), orientation)
    assert np.array_equal(upright(shown.copy(), UNDONE_BY[orientation]), pixels)


labels = st.text(string.ascii_letters + string.digits + "-.กขคđế ", min_size=1, max_size=8).map(
    lambda text: " ".join(text.split())
)
days = st.dates(date(1950, 1, 1), date(2100, 1, 1))
rows = st.lists(
    st.tuples(st.integers(0, 344_568), st.sampled_from(list(WoundKind)), days, st.integers(1, 20_000)),
    unique_by=lambda row: row[0],
    max_size=6,
)


@settings(deadline=None, max_examples=40)
@given(
    labels.filter(bool),
    rows,
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n"]),
    st.booleans(),
    st.text(max_size=20),
)
def test_a_register_written_by_the_standard_library_comes_back(
    tree: str, sites: list[tuple[int, WoundKind, date, int]], separator: str, line_end: str, mark: bool, note: str
) -> None:
    note = note.replace("\0", "").replace("\r", "").encode("utf-8", "ignore").decode()
    tables = {
        "trees.csv": [(tree, "", "", "", "", "", "", "")],
        "sites.csv": [
            (number, tree, "", kind.value, day.isoformat(), "", "", f"{girth / 10:.1f}", "", "", "")
            for number, kind, day, girth in sites
        ],
        "events.csv": [("2026-01-02", tree, "", "", EventKind.CUT.value, "", "", "", note)],
    }
    with TemporaryDirectory() as name:
        for file, table in tables.items():
            text = io.StringIO(newline="")
            writer = csv.writer(text, delimiter=separator, lineterminator=line_end)
            writer.writerow(COLUMNS[file])
            writer.writerows(table)
            Path(name, file).write_bytes(text.getvalue().encode("utf-8-sig" if mark else "utf-8"))
        register = load(Path(name))
    assert register.problems == ()
    assert {entry.site: (entry.kind, entry.made_on, entry.girth_mm) for entry in register.sites.values()} == {
        number: (kind, day, float(girth)) for number, kind, day, girth in sites
    }
    assert len(register.events) == 1


@settings(deadline=None, max_examples=60)
@given(st.text(string.ascii_letters + string.digits + '",;\n\r\t -./ก', max_size=120))
def test_any_text_below_a_header_loads_or_is_told(text: str) -> None:
    with TemporaryDirectory() as name:
        Path(name, "trees.csv").write_text("tree,planted_on,x_m\n" + text, encoding="utf-8", newline="")
        Path(name, "sites.csv").write_text("site,tree,kind\n", encoding="utf-8")
        try:
            register = load(Path(name))
        except RegisterError as error:
            assert error.remedy
            return
    lines = text.replace("\r\n", "\n").replace("\r", "\n").count("\n") + 2
    for problem in register.problems:
        assert 2 <= problem.line <= lines
        assert problem.reason.endswith((".", *string.digits))
