"""The page of questions: what is open is shown, an answer does what it says, readers only look."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from pipeline import receive
from pipeline.records import EventKind, Question
from pipeline.review import Desk
from pipeline.review.accounts import Role
from pipeline.review.app import Rooms, build_app
from pipeline.store import open_store
from pipeline.watch.desk import Desk as WatchDesk
from tests import stand_in
from tests.made_records import NOON

CUT = Question("opened/site 206/1", 206, NOON.date(), date(2026, 4, 1), date(2026, 5, 1), "Was wood taken out at 206?")


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    grove = stand_in.make_grove(tmp_path / "grove")
    (grove.register_folder / "sites.csv").write_text(
        "site,tree,stem,kind,made_on\n205,A-012,1,window,2026-01-01\n206,A-012,1,window,\n"
    )
    grove = stand_in.make_grove(tmp_path / "grove")
    stand_in.drop(
        grove.inbox, "mai/<b>1.jpg", name="1", taken_at="2025-12-02T09:00:00+07:00", device="Phone X", site=205
    )
    stand_in.drop(grove.inbox, "mai/lost.jpg", name="lost", do="refuse")
    watcher = WatchDesk(grove.root, (), {"intake.settle_s": 0, "intake.cut_off_wait_s": 0},
                        read=stand_in.read_photo, open_reader=stand_in.open_reader)  # fmt: skip
    watcher.turn(receive.scan(grove.inbox, grove.settings.intake, NOON), NOON)
    watcher.close()
    store = open_store(grove.database)
    store.ask([CUT])
    yield Desk(grove, store, lambda: NOON)
    store.close()


@pytest.fixture
def browser(desk: Desk) -> TestClient:
    rooms = Rooms(desk, local_name="Mai")
    made = TestClient(build_app(rooms, ["testserver"]), raise_server_exceptions=False)
    made.get(f"/enter?key={rooms.start_key}")
    return made


def send(browser: TestClient, path: str, **fields: str) -> str:
    page = browser.get("/questions").text
    form = re.search(rf'action="{path}"[^>]*>\s*<input type="hidden" name="form" value="([^"]*)"', page)
    assert form, path
    done = browser.post(path, data={"form": form.group(1), **fields})
    return done.text


def test_every_open_question_and_lost_photo_is_shown_and_nothing_is_taken_for_html(browser: TestClient) -> None:
    page = browser.get("/questions").text
    assert "Is the phone&#39;s date right?" in page
    assert "Was wood taken out at 206?" in page
    assert "lost.jpg" in page
    assert "&lt;b&gt;1.jpg" in page
    assert "<b>1.jpg" not in page
    assert "it states 2025-12-02 09:00" in page


def test_a_clock_is_corrected_and_taken_back_on_the_page(desk: Desk, browser: TestClient) -> None:
    assert "1 photos have another date now" in send(
        browser, "/questions/1", act="wrong", way="behind", days="151", hours="2.5", minutes=""
    )
    (reading,) = desk.store.readings_of([205])
    assert reading.stated_at is not None
    # 2 December and 151 days is 2 May: 29 days of December, 31 + 28 + 31 + 30 and 2
    assert (reading.visit_on, reading.taken_at - reading.stated_at) == (
        date(2026, 5, 2),
        timedelta(days=151, hours=2.5),
    )
    page = browser.get("/questions").text
    assert "dates moved by 151 days" in page
    send(browser, "/questions/1", act="right")
    (reading,) = desk.store.readings_of([205])
    assert (reading.visit_on, reading.stated_at) == (date(2025, 12, 2), None)
    acts = [(e.who, e.act) for e in desk.store.log_entries()]
    assert acts[:2] == [("Mai", "answered a question")] * 2


def test_a_cut_is_written_down(desk: Desk, browser: TestClient) -> None:
    assert "lies outside" in send(browser, "/questions/2", act="event", event="cut", on="2026-06-01")
    send(browser, "/questions/2", act="event", event="cut", on="2026-04-20", note="a chip")
    (event,) = desk.store.answered_events()
    assert (event.event, event.on, event.by, event.note) == (EventKind.CUT, date(2026, 4, 20), "Mai", "a chip")
    send(browser, "/questions/2", act="nothing")
    assert desk.store.answered_events() == []


def test_a_lost_photo_is_settled(desk: Desk, browser: TestClient) -> None:
    (lost,) = desk.store.refusals()
    assert "no site 999" in send(browser, "/questions/photo", photo=lost.sha256, site="999")
    assert "A site is a number" in send(browser, "/questions/photo", photo=lost.sha256, site="two")
    assert "waits for nobody" in send(browser, "/questions/photo", photo="0" * 64, site="")
    assert "it is asked for no more" in send(browser, "/questions/photo", photo=lost.sha256, site="206")
    assert desk.store.settled()[lost.sha256].site == 206
    assert "lost.jpg" not in browser.get("/questions").text


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({"act": "wrong", "way": "ahead", "days": "x"}, "are numbers"),
        ({"act": "wrong", "way": "ahead"}, "by that much"),
        ({"act": "wrong", "way": "behind", "days": "4000"}, "in the future"),
        ({"act": "wrong", "way": "ahead", "hours": "9", "first": "yesterday"}, "not a day or time"),
        ({"act": "event", "event": "danced"}, "no such event"),
        ({"act": "dance"}, "cannot be read"),
    ],
)
def test_an_answer_that_cannot_be_is_a_sentence_and_records_nothing(
    desk: Desk, browser: TestClient, fields: dict[str, str], words: str
) -> None:
    assert words in send(browser, "/questions/1", **fields)
    assert desk.store.shifts(standing_only=False) == []
    assert len(desk.store.questions(open_only=True)) == 2


def test_a_reader_sees_the_questions_and_no_form(desk: Desk) -> None:
    rooms = Rooms(desk, local_name="Mai")
    rooms.role_of = lambda name, local: Role.READER  # type: ignore[method-assign]
    reader = TestClient(build_app(rooms, ["testserver"]), raise_server_exceptions=False)
    reader.get(f"/enter?key={rooms.start_key}")
    page = reader.get("/questions").text
    assert "Was wood taken out at 206?" in page
    assert 'action="/questions' not in page
    assert reader.post("/questions/1", data={"act": "right"}).status_code == 403
