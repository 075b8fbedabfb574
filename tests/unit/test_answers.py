"""The answer in the shared folder: who is told what, where it lies, and that it stands alone."""

from __future__ import annotations

import base64
import io
import os
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline import answers, clocks, receive
from pipeline.advice import Advice
from pipeline.answers import thumbs
from pipeline.grove import Grove
from pipeline.records import Flag, Outcome, PhotoFacts, RefusalCode, Register, Site, Tree, WoundKind
from pipeline.rounds import Kind, Round, Stop
from pipeline.watch.desk import Desk
from tests import stand_in
from tests.made_records import NOON, sha
from tests.plain_page import PlainPage

TREE = Tree("A-012", block="A", row="1", position="3")
SITE = Site(205, "A-012", WoundKind.WINDOW)
REGISTER = Register({"A-012": TREE}, {}, {205: SITE})
EMPTY = Round(NOON.date(), ())


def photo(file: str, outcome: Outcome = Outcome.READING, at: datetime = NOON, **changes) -> PhotoFacts:
    values = {"site": 205 if outcome is Outcome.READING else None, "taken_at": at} | changes
    return PhotoFacts(file, sha(file), 1, at, outcome, **values)


def told(facts, walk: Round = EMPTY, doubts=()) -> dict[str, answers.FolderAnswer]:
    return {a.folder: a for a in answers.answers_of(facts, walk, doubts, REGISTER, UTC)}


def retake() -> Round:
    return Round(NOON.date(), (Stop(SITE, TREE, Kind.RETAKE, "callus", None, None),))


# ---------------------------------------------------------------- who is told what


def test_each_folder_is_told_of_its_own_photos_and_all_of_what_is_missing() -> None:
    refused = photo("tan/b.jpg", Outcome.REFUSAL, code=RefusalCode.BLURRED)
    found = told([photo("mai/a.jpg"), refused, photo("c.jpg", Outcome.DUPLICATE)], retake())
    assert set(found) == {"mai", "tan", ""}
    assert [v.site for v in found["mai"].last.accepted] == [205]
    assert [v.advice for v in found["tan"].last.again] == [Advice.HOLD_STILL]
    assert found[""].last.doubles == ("c.jpg",)
    assert all(len(answer.missing) == 1 for answer in found.values())


def test_an_answer_is_about_the_last_day_on_which_something_arrived() -> None:
    yesterday = NOON - timedelta(days=1)
    found = told([photo("mai/b.jpg"), photo("mai/a.jpg", at=yesterday), photo("tan/c.jpg", at=yesterday)])
    assert [v.file for v in found["mai"].last.accepted] == ["mai/b.jpg"]
    assert found["tan"].last.arrived_on == yesterday.date()


def test_a_refused_photo_is_mended_when_its_site_needs_no_retake_any_more() -> None:
    known = photo("a.jpg", Outcome.REFUSAL, site=205, code=RefusalCode.BLURRED)
    unknown = photo("b.jpg", Outcome.REFUSAL, code=RefusalCode.NO_CARD)
    assert [v.mended for v in told([known, unknown], retake())[""].last.again] == [False, False]
    assert [v.mended for v in told([known, unknown])[""].last.again] == [True, False]


def test_an_accepted_photo_that_could_be_better_says_how() -> None:
    def hint(flags: Flag) -> Advice | None:
        return told([photo("a.jpg", flags=flags)])[""].last.accepted[0].advice

    assert hint(Flag.CUT_BY_FRAME | Flag.SOFT_FOCUS) is Advice.WHOLE_WOUND
    assert hint(Flag.OBLIQUE_VIEW) is Advice.STRAIGHTER
    assert hint(Flag.GIRTH_ASSUMED) is None


def test_earlier_days_stay_below_the_last_one_and_the_oldest_leave() -> None:
    days = [NOON - timedelta(days=n) for n in range(9)]
    facts = [photo(f"mai/{n}.jpg", at=day, code=RefusalCode.BLURRED) for n, day in enumerate(days)]
    facts.insert(3, photo("mai/bad.jpg", Outcome.REFUSAL, at=days[2], code=RefusalCode.NO_CARD))
    found = told(facts)["mai"]
    assert found.last.arrived_on == NOON.date()
    assert [day.arrived_on for day in found.earlier] == [day.date() for day in days[1:7]]
    assert [v.advice for v in found.earlier[1].again] == [Advice.WHOLE_CARD]


def test_a_photo_that_is_settled_is_not_asked_for_again() -> None:
    lost = photo("a.jpg", Outcome.REFUSAL, code=RefusalCode.NO_CARD)
    (answer,) = answers.answers_of([lost], EMPTY, (), REGISTER, UTC, settled={lost.sha256})
    assert [v.mended for v in answer.last.again] == [True]


# ---------------------------------------------------------------- the page and the text


def write(folder: Path, language: str = "en", **changes) -> tuple[str, str]:
    """An answer with everything in it."""
    facts = [
        photo("mai/good.jpg"),
        photo("mai/soft.jpg", flags=Flag.SOFT_FOCUS),
        photo("mai/<b>bad.jpg", Outcome.REFUSAL, site=205, code=RefusalCode.BLURRED),
        photo("mai/nocard.jpg", Outcome.REFUSAL, code=RefusalCode.NO_CARD),
        photo("mai/same.jpg", Outcome.KNOWN),
        photo("mai/new.jpg", Outcome.WAITING),
    ]
    doubt = clocks.Doubt(clocks.BEFORE_MADE, facts[0], 205, date(2020, 1, 1))
    answer = told(facts, retake(), [doubt])["mai"]
    pages = answers.write_answer(answer, folder, grove_name="Kebun & Co", language=language, **changes)
    return tuple(page.read_text(encoding="utf-8") for page in pages)  # type: ignore[return-value]


def test_the_page_stands_alone_and_says_all(tmp_path: Path) -> None:
    html, text = write(tmp_path, thumbnail=lambda sha256: f"data:image/jpeg;base64,{sha256}")
    page = PlainPage(html)
    assert (page.asked, page.open, page.scripts) == ([], [], 0)
    assert "url(" not in html
    assert 'name="viewport"' in html
    assert len(page.pictures) == 5
    assert all(picture["alt"] for picture in page.pictures)
    assert html.count("<svg") == 4  # two to take again, one hint, one to ask the office about
    assert "<b>bad" not in html
    for words in ("Hold still. Tap on the card first.", "Show the whole card, sharp.", "205", "A-012", "2020-01-01",
                  "mai", "Photos that had come before: 1", "Still being read: 1", "Take again"):  # fmt: skip
        assert words in html, words
        assert words in text, words
    assert "&amp;" in html
    assert "Kebun & Co" in text
    assert "<" not in text.replace("<b>bad.jpg", "")


def test_only_the_latest_accepted_photos_are_shown_and_the_others_counted(tmp_path: Path) -> None:
    facts = [photo(f"{n:03}.jpg") for n in range(7)]
    for page in answers.write_answer(told(facts)[""], tmp_path, grove_name="G", language="en", photos_shown=5):
        text = page.read_text(encoding="utf-8")
        assert "and 2 more" in text
        assert "7" in text


def test_an_answer_that_says_the_same_is_not_written_again(tmp_path: Path) -> None:
    write(tmp_path)
    before = {p.name: (p.stat().st_ino, p.stat().st_mtime_ns) for p in tmp_path.iterdir()}
    write(tmp_path)
    assert {p.name: (p.stat().st_ino, p.stat().st_mtime_ns) for p in tmp_path.iterdir()} == before
    assert set(before) == {"ANSWER.html", "ANSWER.txt"}


@pytest.mark.parametrize("language", ["th", "vi", "id"])
def test_the_answer_in_other_languages(tmp_path: Path, language: str) -> None:
    html, text = write(tmp_path, language)
    english = ("accepted", "missing", "Hold still", "Next time", "office")
    assert not [words for words in english if words in html.partition("</style>")[2] or words in text]
    assert f'<html lang="{language}">' in html
    assert PlainPage(html).open == []


# ---------------------------------------------------------------- thumbnails


def picture(path: Path, size=(640, 480), orientation: int = 1, form: str = "JPEG") -> Path:
    image = Image.fromarray(np.full((size[1], size[0], 3), (200, 40, 40), np.uint8))
    exif = Image.Exif()
    exif[274] = orientation
    image.save(path, form, exif=exif)
    return path


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_a_thumbnail_is_a_small_upright_jpeg_inside_the_page(tmp_path: Path, form: str) -> None:
    grove = stand_in.make_grove(tmp_path / "grove")
    address = thumbs.data_address(grove, sha("x"), picture(tmp_path / "x", orientation=6, form=form), NOON)
    head, content = address.split(",")
    assert head == "data:image/jpeg;base64"
    with Image.open(io.BytesIO(base64.b64decode(content))) as small:
        assert small.size == (84, 112)
        assert np.asarray(small).reshape(-1, 3).mean(axis=0) == pytest.approx((200, 40, 40), abs=6)
    (tmp_path / "x").unlink()
    assert thumbs.data_address(grove, sha("x"), tmp_path / "x", NOON) == address  # kept in the cache


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04", b"\xff\xd8\xff\xe0 half a photo", b"%PDF-1.7"])
def test_what_is_no_photo_has_no_thumbnail(tmp_path: Path, content: bytes) -> None:
    grove = stand_in.make_grove(tmp_path / "grove")
    (tmp_path / "x").write_bytes(content)
    assert thumbs.data_address(grove, sha("x"), tmp_path / "x", NOON) == ""


def test_a_bomb_is_not_decoded_for_a_thumbnail(tmp_path: Path) -> None:
    grove = stand_in.make_grove(tmp_path / "grove", **{"intake.max_megapixels": 0.2})
    assert thumbs.data_address(grove, sha("x"), picture(tmp_path / "x"), NOON) == ""


# ---------------------------------------------------------------- where it lies, through a whole turn


@pytest.fixture
def grove(tmp_path: Path) -> Grove:
    return stand_in.make_grove(tmp_path / "grove")


def turn(grove: Grove, now: datetime = NOON, **options) -> None:
    quick = {"intake.settle_s": 0, "intake.cut_off_wait_s": 0} | options
    desk = Desk(grove.root, (), quick, read=stand_in.read_photo, open_reader=stand_in.open_reader)
    try:
        desk.turn(receive.scan(grove.inbox, grove.settings.intake, now), now)
    finally:
        desk.close()


def test_the_answer_lies_beside_the_days_photos_and_is_never_taken_for_one(grove: Grove) -> None:
    stand_in.drop(grove.inbox, "mai/2026-05-03/a.jpg")
    stand_in.drop(grove.inbox, "mai/2026-05-03/b.jpg", do="refuse")
    turn(grove)
    folder = grove.inbox / "mai" / "2026-05-03"
    assert sorted(p.name for p in folder.iterdir()) == ["ANSWER.html", "ANSWER.txt"]
    assert "[x] b.jpg: Show the whole card, sharp." in (folder / "ANSWER.txt").read_text(encoding="utf-8")
    assert (grove.inbox / "ROUND.html").exists()
    turn(grove)
    assert sorted(p.name for p in folder.iterdir()) == ["ANSWER.html", "ANSWER.txt"]


def test_a_folder_that_is_gone_is_answered_in_the_nearest_one_above(grove: Grove) -> None:
    stand_in.drop(grove.inbox, "mai/today/a.jpg", name="a")
    stand_in.drop(grove.inbox, "mai/b.jpg", name="b")
    turn(grove)
    for name in ("ANSWER.html", "ANSWER.txt"):
        (grove.inbox / "mai" / "today" / name).unlink()
    (grove.inbox / "mai" / "today").rmdir()
    turn(grove, NOON + timedelta(minutes=1))
    text = (grove.inbox / "mai" / "ANSWER.txt").read_text(encoding="utf-8")
    assert "a.jpg" in text
    assert "b.jpg" in text
    assert not (grove.inbox / "mai" / "today").exists()


def test_a_hand_who_looks_a_day_later_still_finds_everything(grove: Grove) -> None:
    stand_in.drop(grove.inbox, "mai/a.jpg", name="a")
    stand_in.drop(grove.inbox, "mai/lost.jpg", name="lost", do="refuse")
    turn(grove)
    before = (grove.inbox / "mai" / "ANSWER.txt").read_text(encoding="utf-8")
    stand_in.drop(grove.inbox, "mai/c.jpg", name="c", site=206, taken_at="2026-05-04T09:00:00+07:00")
    turn(grove, NOON + timedelta(days=1))
    text = (grove.inbox / "mai" / "ANSWER.txt").read_text(encoding="utf-8")
    assert text.index("Answer of 2026-05-04") < text.index("Earlier days") < text.index("2026-05-03")
    for line in ("[v] 205, Tree A-012: a.jpg", "[x] lost.jpg: Show the whole card, sharp."):
        assert line in before
        assert line in text.partition("Earlier days")[2]
    html = (grove.inbox / "mai" / "ANSWER.html").read_text(encoding="utf-8")
    assert PlainPage(html).open == []
    assert html.count("<details") == 1
    # Weeks later, with the day out of the list: gone from the page, not from the grove.
    stand_in.drop(grove.inbox, "mai/d.jpg", name="d", site=207, taken_at="2026-07-04T09:00:00+07:00")
    turn(grove, NOON + timedelta(days=62))
    assert "Earlier days" not in (grove.inbox / "mai" / "ANSWER.txt").read_text(encoding="utf-8")


def test_a_link_in_the_place_of_a_folder_is_not_written_through(grove: Grove, tmp_path: Path) -> None:
    stand_in.drop(grove.inbox, "mai/a.jpg")
    turn(grove)
    outside = tmp_path / "outside"
    (grove.inbox / "mai").rename(outside)
    (outside / "ANSWER.txt").unlink()
    (grove.inbox / "mai").symlink_to(outside)
    turn(grove, NOON + timedelta(minutes=1))
    assert not (outside / "ANSWER.txt").exists()
    assert "a.jpg" in (grove.inbox / "ANSWER.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    "name", ["a b", "Čermák", "ต้นไม้", 'it\'s "x" & <y>', "line\nfeed", "back\\slash", os.fsdecode(b"\xff\xfe")]
)
def test_folders_with_any_name_are_answered(grove: Grove, name: str) -> None:
    stand_in.drop(grove.inbox, f"{name}/a.jpg", name="a")
    turn(grove)
    assert "a.jpg" in (grove.inbox / name / "ANSWER.txt").read_text(encoding="utf-8")
    assert PlainPage((grove.inbox / name / "ANSWER.html").read_text(encoding="utf-8")).open == []


def test_late_photos_land_on_their_own_day_and_are_answered_today(grove: Grove) -> None:
    stand_in.drop(grove.inbox, "old.jpg", taken_at="2026-03-12T09:00:00+07:00")
    turn(grove)
    text = (grove.inbox / "ANSWER.txt").read_text(encoding="utf-8")
    assert "Answer of 2026-05-03" in text
    assert "[v] 205" in text
    assert re.search(r"205 (Due|Overdue)", text)  # seven weeks ago is not today's visit


def test_a_clock_set_back_hides_no_photo(grove: Grove) -> None:
    stand_in.drop(grove.inbox, "a.jpg", name="a")
    turn(grove)
    stand_in.drop(grove.inbox, "b.jpg", name="b", site=206)
    turn(grove, NOON - timedelta(hours=20))
    stand_in.drop(grove.inbox, "c.jpg", name="c", site=207)
    turn(grove, NOON + timedelta(hours=1))
    text = (grove.inbox / "ANSWER.txt").read_text(encoding="utf-8")
    assert "c.jpg" in text


def test_the_inbox_note_speaks_the_groves_language_and_a_note_of_somebody_else_stays(grove: Grove) -> None:
    note = grove.inbox / "READ ME.txt"
    assert note.read_text(encoding="utf-8").startswith("Put photos")
    turn(grove, **{"grove.language": "vi"})
    assert note.read_text(encoding="utf-8").startswith("Để ảnh")
    turn(grove, NOON + timedelta(minutes=1), **{"grove.language": "id"})
    assert note.read_text(encoding="utf-8").startswith("Taruh foto")
    note.write_text("Ask Mai for the key.\n", encoding="utf-8")
    turn(grove, NOON + timedelta(minutes=2), **{"grove.language": "en"})
    assert note.read_text(encoding="utf-8") == "Ask Mai for the key.\n"


def test_a_photo_of_another_day_says_which(tmp_path: Path) -> None:
    late = photo("mai/late.jpg", taken_at=NOON - timedelta(days=21))
    (answer,) = answers.answers_of([late, photo("mai/new.jpg")], EMPTY, (), REGISTER, UTC)
    assert [v.taken_on for v in answer.last.accepted] == [date(2026, 4, 12), None]
    _, text = answers.write_answer(answer, tmp_path, grove_name="g", language="en")
    assert "late.jpg (taken 2026-04-12)" in text.read_text(encoding="utf-8")
