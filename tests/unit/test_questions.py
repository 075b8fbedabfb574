"""Questions and their answers: clocks set right, cuts written down, photos without a card settled; all reversible.

Times expected here are sums that anybody can check by hand.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from pipeline import intake, receive
from pipeline.batch import asked
from pipeline.cli import cli
from pipeline.errors import PhotoRefused, UsageError
from pipeline.grove import Grove
from pipeline.records import ClockShift, EventKind, Question, Reading, RefusalCode
from pipeline.settings import IntakeSettings
from pipeline.store import open_store
from pipeline.watch.desk import Desk
from tests import stand_in
from tests.made_records import NOON, sha

DAY = timedelta(days=1)


@pytest.fixture
def grove(tmp_path: Path) -> Grove:
    made = stand_in.make_grove(tmp_path / "grove")
    made.register_folder.joinpath("sites.csv").write_text(
        "site,tree,stem,kind,made_on\n205,A-012,1,window,2026-01-01\n206,A-012,1,window,\n207,B-001,1,drill hole,\n"
    )
    return stand_in.make_grove(tmp_path / "grove")


def turn(grove: Grove, now: datetime = NOON) -> None:
    quick = {"intake.settle_s": 0, "intake.cut_off_wait_s": 0}
    desk = Desk(grove.root, (), quick, read=stand_in.read_photo, open_reader=stand_in.open_reader)
    try:
        desk.turn(receive.scan(grove.inbox, grove.settings.intake, now), now)
    finally:
        desk.close()


def visits(grove: Grove, site: int = 205) -> list[tuple[date, datetime, datetime | None]]:
    with open_store(grove.database) as store:
        return [(r.visit_on, r.taken_at, r.stated_at) for r in store.readings_of([site])]


def text(grove: Grove, folder: str = "mai") -> str:
    return (grove.inbox / folder / "ANSWER.txt").read_text(encoding="utf-8")


def call(grove: Grove, *arguments: str) -> str:
    done = CliRunner().invoke(cli, ["questions", str(grove.root), *arguments])
    assert done.exit_code == 0, done.output
    return done.output


def drop_wrong(grove: Grove, **says: object) -> None:
    """A photo of 3 May whose phone believes that it is 2 December of the year before."""
    stand_in.drop(
        grove.inbox,
        "mai/IMG_1.jpg",
        **{"name": "IMG_1", "taken_at": "2025-12-02T09:00:00+07:00", "device": "Phone X 1"} | says,
    )


# ---------------------------------------------------------------- clocks


def test_an_answered_clock_question_moves_the_visit_and_can_be_taken_back(grove: Grove) -> None:
    drop_wrong(grove)
    turn(grove)
    assert "Is the phone's date right?" in text(grove)
    stated = datetime.fromisoformat("2025-12-02T09:00:00+07:00")
    assert visits(grove) == [(date(2025, 12, 2), stated, None)]
    (row,) = json.loads(call(grove, "--json"))["questions"]
    assert row["question"]["about"]["device"] == "Phone X 1"

    call(grove, "--answer", "1", "--taken", "2026-05-03 08:30", "--by", "Mai", "--note", "battery was out")
    true = datetime.fromisoformat("2026-05-03T08:30:00+07:00")
    assert visits(grove) == [(date(2026, 5, 3), true, stated)]
    assert json.loads(call(grove, "--json"))["questions"] == []
    turn(grove, NOON + timedelta(minutes=5))
    assert "Is the phone's date right?" not in text(grove)

    shown = json.loads(call(grove, "--all", "--json"))["clock_shifts"]
    assert [(s["who"], s["note"], s["device"], s["folder"]) for s in shown] == [
        ("Mai", "battery was out", "Phone X 1", "mai")
    ]
    call(grove, "--answer", "1", "--right", "--by", "Tan")
    assert visits(grove) == [(date(2025, 12, 2), stated, None)]
    with open_store(grove.database) as store:
        assert store.shifts() == []
        assert len(store.shifts(standing_only=False)) == 2  # both words stay on record


def test_a_corrected_clock_holds_for_the_phone_its_folder_and_the_time_named_alone(grove: Grove) -> None:
    def drop(file: str, site: int, hour: int, device: str = "Phone X 1", day: int = 2) -> None:
        at = f"2025-12-{day:02}T{hour:02}:00:00+07:00"
        stand_in.drop(grove.inbox, file, name=file, site=site, taken_at=at, device=device)

    drop("mai/a.jpg", 205, 9)
    drop("mai/b.jpg", 206, 10)
    drop("mai/late.jpg", 206, 10, day=4)
    drop("mai/other.jpg", 206, 11, device="Phone Y")
    drop("tan/c.jpg", 207, 12)
    turn(grove)
    with open_store(grove.database) as store:
        question = next(q for q, _ in store.questions() if "a.jpg" in q.words)
        first, last = asked.days_of(question, grove)
        moved = asked.answer_clock(grove, store, question, asked.Clock(30 * DAY, first, last), "Mai", NOON)
        assert (moved.photos, moved.sites) == (2, {205, 206})
        days = {r.file: r.visit_on for r in store.readings_of([205, 206, 207])}
    assert days == {
        "mai/a.jpg": date(2026, 1, 1),
        "mai/b.jpg": date(2026, 1, 1),
        "mai/late.jpg": date(2025, 12, 4),
        "mai/other.jpg": date(2025, 12, 2),
        "tan/c.jpg": date(2025, 12, 2),
    }
    # A photo of that walk that comes later is corrected too, and another turn changes nothing.
    drop("mai/d.jpg", 206, 17)
    turn(grove, NOON + timedelta(hours=1))
    turn(grove, NOON + timedelta(hours=2))
    with open_store(grove.database) as store:
        days |= {"mai/d.jpg": date(2026, 1, 1)}
        assert {r.file: r.visit_on for r in store.readings_of([205, 206, 207])} == days


def test_alerts_and_timelines_follow_a_corrected_clock(grove: Grove) -> None:
    """Visits on 3 January and 3 May, the second misdated before the first: the round counts the days since the last."""
    stand_in.drop(grove.inbox, "mai/old.jpg", name="old", taken_at="2026-01-03T09:00:00+07:00", device="Phone Y")
    drop_wrong(grove)
    turn(grove)
    assert "205 Overdue" in text(grove)
    with open_store(grove.database) as store:
        before = {a.finding.key for a in store.alerts() if a.finding.rule == "visit overdue"}
    assert before
    call(grove, "--answer", "1", "--taken", "2026-05-03 08:30", "--by", "Mai")
    with open_store(grove.database) as store:
        (question,) = [q for q, a in store.questions() if a is not None]
        asked.follow(grove, store, NOON, frozenset({question.site}))
        assert {
            a.finding.key for a in store.alerts() if a.finding.rule == "visit overdue" and a.state == "open"
        } == set()
    turn(grove, NOON + timedelta(minutes=5))
    assert "205" not in text(grove).partition("Still missing today")[2]


def test_an_answer_that_cannot_be_is_not_taken(grove: Grove) -> None:
    drop_wrong(grove)
    turn(grove)
    with open_store(grove.database) as store:
        question = asked.find_question(store, 1)
        first, last = asked.days_of(question, grove)

        def refuse(clock: asked.Clock, match: str) -> None:
            with pytest.raises(UsageError, match=match):
                asked.answer_clock(grove, store, question, clock, "Mai", NOON)

        refuse(asked.Clock(400 * DAY, first, last), "in the future")
        refuse(asked.Clock(0 * DAY, first, last), "by that much")
        refuse(asked.Clock(DAY, last, first), "first moment lies after")
        refuse(asked.Clock(DAY, first + DAY, last + DAY), "not in the time named")
        with pytest.raises(UsageError, match="is about a clock"):
            asked.answer_event(grove, store, question, EventKind.CUT, "Mai", NOON)
        with pytest.raises(UsageError, match="no question 9"):
            asked.find_question(store, 9)
        assert store.questions(open_only=True) == [(question, None)]
        assert store.shifts(standing_only=False) == []


def test_the_words_of_the_command_line(grove: Grove) -> None:
    drop_wrong(grove)
    turn(grove)
    for arguments, words in {
        ("--answer", "1", "--right"): "Say who",
        ("--answer", "1", "--by", "Mai"): "Give one answer",
        ("--answer", "1", "--right", "--nothing", "--by", "Mai"): "Give one answer",
        ("--answer", "1", "--ahead", "nine", "--by", "Mai"): "not a span",
        ("--answer", "1", "--event", "danced", "--by", "Mai"): "none of",
        ("--photo", "x.jpg", "--settled", "--by", "Mai"): "No refused photo",
    }.items():
        done = CliRunner().invoke(cli, ["questions", str(grove.root), *arguments])
        assert done.exit_code == 2, done.output
        assert words in done.output
    call(grove, "--answer", "1", "--behind", "2d 3h 30min", "--by", "Mai")
    ((day, at, _),) = visits(grove)
    assert (day, at.isoformat()) == (date(2025, 12, 4), "2025-12-04T12:30:00+07:00")


# ---------------------------------------------------------------- the real door


def jpeg(at: str) -> bytes:
    import io

    exif = Image.Exif()
    exif[271], exif[272] = "Maker", "Phone X"
    exif.get_ifd(0x8769)[36867] = at
    stream = io.BytesIO()
    Image.fromarray(np.full((48, 64, 3), 120, np.uint8)).save(stream, "JPEG", exif=exif)
    return stream.getvalue()


def test_a_correction_lets_a_photo_of_the_future_in_and_keeps_what_it_states() -> None:
    """Tags written with Pillow, times by hand: 2 h behind in the summer of 2031 is 3 May 2026 less five years."""
    data, settings = jpeg("2031:05-03 09:00:00".replace("-", ":")), IntakeSettings()
    with pytest.raises(PhotoRefused) as refused:
        intake.open_photo(data, "mai/a.jpg", sha("a"), settings, UTC, NOON)
    assert refused.value.code == RefusalCode.DATE_IN_FUTURE
    five_years = timedelta(days=1826)  # 2028 is the only leap year between
    shift = ClockShift("Mai", NOON, -five_years, datetime(2031, 1, 1, tzinfo=UTC), datetime(2032, 1, 1, tzinfo=UTC),
                       device="Maker Phone X", folder="mai", id=1)  # fmt: skip
    photo = intake.open_photo(data, "mai/a.jpg", sha("a"), settings, UTC, NOON, shifts=[shift])
    assert photo.taken_at == datetime(2026, 5, 3, 9, tzinfo=UTC)
    assert photo.stated_at == datetime(2031, 5, 3, 9, tzinfo=UTC)
    with pytest.raises(PhotoRefused):
        intake.open_photo(data, "tan/a.jpg", sha("a"), settings, UTC, NOON, shifts=[shift])


# ---------------------------------------------------------------- cuts


def test_an_answered_cut_becomes_an_event_and_can_be_taken_back(grove: Grove) -> None:
    question = Question(
        "opened/site 205/1", 205, NOON.date(), date(2026, 4, 1), date(2026, 5, 1), "Was wood taken out?"
    )
    with open_store(grove.database) as store:
        store.ask([question])
    assert "Was wood taken out?" in call(grove)
    done = CliRunner().invoke(
        cli, ["questions", str(grove.root), "--answer", "1", "--event", "cut", "--on", "2026-06-01", "--by", "Mai"]
    )
    assert "lies outside" in str(done.exception)
    call(grove, "--answer", "1", "--event", "cut", "--on", "2026-04-20", "--by", "Mai")
    with open_store(grove.database) as store:
        ((_, answer),) = store.questions()
        assert answer is not None
        assert answer.event is not None
        assert (answer.event.event, answer.event.on, answer.event.tree) == (EventKind.CUT, date(2026, 4, 20), "A-012")
    call(grove, "--answer", "1", "--nothing", "--by", "Tan")
    with open_store(grove.database) as store:
        assert store.answered_events() == []


# ---------------------------------------------------------------- photos without a card


def test_a_photo_without_a_card_is_settled_by_a_persons_word(grove: Grove) -> None:
    stand_in.drop(grove.inbox, "mai/x.jpg", name="x", do="refuse")
    turn(grove)
    with open_store(grove.database) as store:
        assert [r.file for r in store.refusals()] == ["mai/x.jpg"]
        asked.settle_photo(grove, store, store.refusals()[0].sha256, "Mai", NOON, site=205)
        assert {w.site for w in store.settled().values()} == {205}
        with pytest.raises(UsageError, match="no site 999"):
            asked.settle_photo(grove, store, store.refusals()[0].sha256, "Mai", NOON, site=999)
        asked.settle_photo(grove, store, store.refusals()[0].sha256, "Mai", NOON, standing=False)
        assert store.settled() == {}
    call(grove, "--photo", "x.jpg", "--site", "205", "--by", "Mai")


def test_a_stored_reading_keeps_both_times(grove: Grove) -> None:
    drop_wrong(grove)
    turn(grove)
    with open_store(grove.database) as store:
        asked.answer_clock(
            grove, store, question := asked.find_question(store, 1),
            asked.Clock(152 * DAY, *asked.days_of(question, grove)), "Mai", NOON,
        )  # fmt: skip
        found = store.result_of(question.about["sha256"])
        assert isinstance(found, Reading)
        assert found.stated_at is not None
        assert found.taken_at - found.stated_at == 152 * DAY
