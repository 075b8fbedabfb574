"""The review page in a real headless Chromium: by keyboard, by mouse, without scripts, by two people at once.

The same on 5,000 cases, with times, is ``benchmarks/review_page.py``.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import shutil
import socket
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from argon2 import PasswordHasher

from pipeline.records import AlertState, ReviewAnswer, Sign
from pipeline.review import rims
from pipeline.review.accounts import Passwords, Role, make_account
from pipeline.review.app import Rooms, build_app
from tests.e2e.review_shift import WORD, page_of, send, serious, work
from tests.review_grove import build

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

    from pipeline.review import Desk

CHROMIUM = os.environ.get("WOUNDWOOD_CHROMIUM") or next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
)
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here (Debian: apt-get install chromium)"),
]
SHARES = {"review.blind_share": 0.0, "review.unflagged_share": 0.0, "review.second_share": 0.0}


@contextlib.contextmanager
def serving(rooms: Rooms) -> Iterator[str]:
    """The real server in a thread, on a free port."""
    import uvicorn

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    app = build_app(rooms, ["127.0.0.1"])
    server = uvicorn.Server(
        uvicorn.Config(app, port=port, log_level="error", server_header=False, ws="none", lifespan="off")
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + 20
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    assert server.started, "the server did not start within 20 s"
    try:
        yield f"http://127.0.0.1:{port}"
    finally:
        server.should_exit = True
        thread.join(10)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Desk]:
    made = build(tmp_path_factory.mktemp("grove"), trees=9, visits=2, options=SHARES)
    passwords = Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    for name in ("Lek", "Rin", "Ton"):
        make_account(
            made.store, passwords, name, Role.STEWARD if name == "Ton" else Role.REVIEWER, WORD, 12, "test", made.now()
        )
    yield made
    made.store.close()


@pytest.fixture(scope="module")
def address(desk: Desk) -> Iterator[str]:
    rooms = Rooms(desk, passwords=Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)))
    with serving(rooms) as where:
        yield where


@pytest.fixture(scope="module")
def chromium() -> Iterator[Browser]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield browser
        browser.close()


def test_a_shift_of_two_reviewers(desk: Desk, chromium: Browser, address: str) -> None:
    # by keyboard: signing in, answers, a rim, a drawn sign, one answer taken back, a stale form, a disagreement
    shift = work(desk, chromium, address, 3)
    assert len(set(shift.answered)) == 3
    assert shift.rim_moved_mm == pytest.approx(2.0, abs=0.03)
    assert shift.drawn == ["dark_bleeding"], "an outline that was only looked at is nobody's"
    assert shift.taken_back and shift.shown_what_changed and shift.both_kept and shift.comes_back
    assert shift.findings == []


def test_single_keys_are_letters_in_a_note(desk: Desk, chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Rin") as page:
        page.goto(f"{address}/case/150")
        page.keyboard.press("1")
        page.focus("textarea")
        page.keyboard.type("n p u 2 are letters here")
        page.keyboard.press("Tab")  # to the button
        send(page)
        confirmed = next(r for r in desk.store.reviews(sites=[150]) if r.answer is ReviewAnswer.CONFIRMED)
        assert (confirmed.who, confirmed.note) == ("Rin", "n p u 2 are letters here")
        rules = {a.finding.rule for a in desk.store.alerts(states=[AlertState.OPEN]) if a.finding.site == 150}
        assert "sign confirmed" in rules and "sign suspected" not in rules


def circle(page: Page, x: float, y: float, radius: float) -> None:
    """Drag once round a circle, in pixels of the page."""
    page.mouse.move(x + radius, y)
    page.mouse.down()
    for step in range(1, 41):
        page.mouse.move(x + radius * math.cos(step * math.pi / 20), y + radius * math.sin(step * math.pi / 20))
    page.mouse.up()


def test_a_sign_is_sketched_dragged_and_taken_back_step_by_step(chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Ton") as page:
        page.goto(f"{address}/case/170")
        page.keyboard.press("1")
        page.click("[data-draw=conk]")
        assert page.is_checked("[name=sign][value=conk]"), "what is outlined is ticked"
        place = page.locator("#now").bounding_box()
        assert place
        scale = float((page.get_attribute("#now", "data-home") or "").split()[2]) / place["width"]
        x, y = place["x"] + place["width"] / 4, place["y"] + place["height"] / 4
        circle(page, x, y, 40)
        drawn = json.loads(page.input_value("#extent"))["conk"]
        # closed form: a circle of 40 px has the area pi 40^2 px^2; what is kept are 20 corners of it
        assert len(drawn) == 1 and len(drawn[0]) <= 20
        assert abs(rims.area_mm2(drawn[0])) == pytest.approx(math.pi * (40 * scale) ** 2, rel=0.06)
        grip = page.locator("#now .grip").bounding_box()
        assert grip
        page.mouse.move(grip["x"] + grip["width"] / 2, grip["y"] + grip["height"] / 2)
        page.mouse.down()
        page.mouse.move(grip["x"] + grip["width"] / 2 + 60, grip["y"] + grip["height"] / 2)
        page.mouse.up()
        moved = json.loads(page.input_value("#extent"))["conk"]
        shift = [b[0] - a[0] for a, b in zip(drawn[0], moved[0], strict=True)]
        assert shift == pytest.approx([60 * scale] * len(shift), abs=0.2)
        page.keyboard.press("Control+z")
        assert json.loads(page.input_value("#extent"))["conk"] == drawn
        page.uncheck("[name=sign][value=conk]")
        assert page.input_value("#extent") == "", "a sign that is not ticked has no outline"
        page.check("[name=sign][value=conk]")
        page.keyboard.press("Escape")
        assert page.input_value("#extent") == "" and not page.is_visible("#drawing")


def test_a_finger_draws_a_sign_on_a_tablet(desk: Desk, chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Ton", viewport={"width": 820, "height": 1180}, has_touch=True) as page:
        page.goto(f"{address}/case/170")
        page.tap("[name=verdict][value=sign]")
        page.tap("[data-draw=conk]")
        place = page.locator("#now").bounding_box()
        assert place
        touch = page.context.new_cdp_session(page)

        def finger(kind: str, angle: float) -> None:
            at = {"x": place["x"] + 120 + 50 * math.cos(angle), "y": place["y"] + 120 + 50 * math.sin(angle)}
            touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [] if kind == "touchEnd" else [at]})

        finger("touchStart", 0.0)
        for step in range(1, 31):
            finger("touchMove", step * math.pi / 15)
        finger("touchEnd", 0.0)
        assert len(json.loads(page.input_value("#extent"))["conk"]) == 1
        page.tap("#drawn")
        with page.expect_navigation():
            page.tap("button[name=then][value=stay]")
        found = [r for r in desk.store.reviews(sites=[170]) if "extent_mm" in r.payload]
        assert [(r.who, r.sign) for r in found] == [("Ton", Sign.CONK)]
        assert "its outline (drawn by Ton) is right" in (page.text_content(".judge") or "")
        with page.expect_navigation():
            page.tap(".flash button")


def test_pictures_are_compared_zoomed_and_measured(chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Rin") as page:
        page.goto(f"{address}/case/170")
        width = page.locator("#now").bounding_box()
        assert width and page.locator("#then").bounding_box()["width"] == pytest.approx(width["width"], abs=1)  # type: ignore[index]
        page.keyboard.press("w")
        assert page.is_visible("#now .over") and not page.is_visible("#then")
        page.locator("#wipe").fill("25")
        box = [float(v) for v in (page.get_attribute("#now", "data-home") or "").split()]
        assert float(page.get_attribute("#now .cut", "width") or 0) == pytest.approx(box[2] / 4)
        page.keyboard.press("s")
        page.keyboard.press("o")
        assert not page.is_visible("#now .shapes")
        page.keyboard.press("o")
        page.keyboard.press("+")
        zoomed = [float(v) for v in (page.get_attribute("#now", "viewBox") or "").split()]
        assert zoomed[2] == pytest.approx(box[2] / 1.5)
        assert page.get_attribute("#then", "viewBox") == page.get_attribute("#now", "viewBox")
        page.keyboard.press("0")
        page.keyboard.press("m")
        place = page.locator("#now").bounding_box()
        assert place
        page.mouse.move(place["x"] + 20, place["y"] + 50)
        page.mouse.down()
        page.mouse.move(place["x"] + 20 + place["width"] / 2, place["y"] + 50)
        page.mouse.up()
        measured = float(page.inner_text("#said").partition(" mm")[0])
        assert measured == pytest.approx(box[2] / 2, rel=0.02)  # half the width of the window
        page.keyboard.press("Escape")
        page.keyboard.press("r")
        dragged = page.locator("#now .handle").nth(3)
        at = dragged.bounding_box()
        assert at
        before = float(dragged.get_attribute("cx") or 0)
        page.mouse.move(at["x"] + at["width"] / 2, at["y"] + at["height"] / 2)
        page.mouse.down()
        page.mouse.move(at["x"] + at["width"] / 2 + 40, at["y"] + at["height"] / 2)
        page.mouse.up()
        moved = float(dragged.get_attribute("cx") or 0) - before
        assert moved == pytest.approx(40 * box[2] / place["width"], rel=0.1)


def test_blink_stands_still_where_motion_is_not_wanted(chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Rin", reduced_motion="reduce") as page:
        page.goto(f"{address}/case/170")
        page.keyboard.press("b")
        shown = page.is_visible("#now .over")
        page.wait_for_timeout(2200)
        assert page.is_visible("#now .over") == shown
        page.keyboard.press("b")
        assert page.is_visible("#now .over") != shown


def test_everything_that_records_an_answer_works_without_scripts(desk: Desk, chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Lek", java_script_enabled=False) as page:
        page.goto(f"{address}/case/150?block=B")
        assert page.is_visible("#then") and page.is_visible("#now .shapes")
        page.uncheck("#show-shapes")
        assert not page.is_visible("#now .shapes")
        page.check("[name=verdict][value=unsure]")
        page.check("[name=rim_right]")
        page.select_option("[name=stage]", "callus")
        page.click("button[name=then][value=stay]")
        assert "Cannot tell, asks for another photo" in page.inner_text("main")
        assert sum(r.who == "Lek" for r in desk.store.reviews(sites=[150], standing_only=True)) == 3
        page.click(".flash button")
        assert "was taken back" in page.inner_text(".flash")


PAGES = (
    "/",
    "/case/170",
    "/case/110/print",
    "/round",
    "/agreement",
    "/labels",
    "/networks",
    "/help",
    "/me",
    "/people",
    "/log",
    "/case/999",
)


def test_no_serious_finding_of_the_accessibility_check(chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Ton") as page:
        for path in PAGES:
            page.goto(f"{address}{path}")
            assert serious(page) == []
        page.goto(f"{address}/case/170")
        page.keyboard.press("1")
        page.click("[data-draw=conk]")
        page.keyboard.press("Insert")
        assert serious(page) == [], "while something is drawn"


@pytest.mark.parametrize(("width", "height"), [(390, 844), (820, 1180)])
def test_a_phone_and_a_tablet_need_no_sideways_scrolling(
    chromium: Browser, address: str, width: int, height: int
) -> None:
    with page_of(chromium, address, "Ton") as page:
        page.set_viewport_size({"width": width, "height": height})
        for path in PAGES:
            page.goto(f"{address}{path}")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, path
        page.goto(f"{address}/case/170")
        # 24 px is the least size of a target in WCAG 2.2, 2.5.8
        small = page.evaluate(
            "[...document.querySelectorAll('button, input:not([type=hidden]), select, .step a')]"
            ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 20).map(e => e.outerHTML)"
        )
        assert small == []


def test_paper_holds_a_case_on_one_sheet(chromium: Browser, address: str, tmp_path: Path) -> None:
    with page_of(chromium, address, "Ton") as page:
        page.goto(f"{address}/case/170/print")
        content = page.pdf(format="A4", prefer_css_page_size=True)
        assert content.count(b"/Type /Page\n") + content.count(b"/Type /Page ") == 1


def test_any_two_visits_stand_side_by_side(chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Ton") as page:
        page.goto(f"{address}/case/170")
        days = page.locator(".shot .day").all_inner_texts()
        assert len(days) == 2
        page.get_by_label(f"{days[1]} on the right; change sides").click()
        page.wait_for_load_state()
        assert (page.inner_text(".then .day"), page.inner_text(".now .day")) == (days[0], days[1])
        assert "You judge the photo of" in page.inner_text(".viewer")
        page.keyboard.press("w")
        assert page.is_visible("#now .over")
        page.click("text=Back to the last photo")
        page.wait_for_load_state()
        assert page.inner_text(".now .day") == days[0]
