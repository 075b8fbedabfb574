"""The review page in a real headless Chromium: by keyboard, by mouse, without scripts, by two people at once.

The same on 5,000 cases, with times, is ``benchmarks/review_page.py``.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from argon2 import PasswordHasher

from pipeline.records import AlertState, ReviewAnswer
from pipeline.review.accounts import Passwords, Role, make_account
from pipeline.review.app import Rooms, build_app
from tests.review_grove import build

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, BrowserContext, Page

    from pipeline.review import Desk

CHROMIUM = os.environ.get("WOUNDWOOD_CHROMIUM") or next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
)
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(CHROMIUM is None, reason="no Chromium here (Debian: apt-get install chromium)"),
]
WORD = "four unrelated words"
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


@contextlib.contextmanager
def page_of(chromium: Browser, address: str, name: str, **options: object) -> Iterator[Page]:
    """A page of a person who signed in with the keyboard; complaints of the browser fail the test."""
    context: BrowserContext = chromium.new_context(viewport={"width": 1280, "height": 900}, **options)  # type: ignore[arg-type]
    context.set_default_timeout(20_000)
    page = context.new_page()
    said: list[str] = []
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("console", lambda message: said.append(message.text) if "Content Security" in message.text else None)
    page.goto(f"{address}/sign-in")
    page.focus("#name")
    page.keyboard.type(name)
    page.keyboard.press("Tab")
    page.keyboard.type(WORD)
    page.keyboard.press("Enter")
    page.wait_for_selector("h1:has-text('Cases that need a person')")
    yield page
    context.close()
    assert not said, said


def send(page: Page, key: str = "Enter") -> None:
    """Press a key that sends a form, and wait for the page that comes."""
    with page.expect_navigation():
        page.keyboard.press(key)


def site_of(page: Page) -> int:
    return int(page.url.partition("/case/")[2].partition("?")[0])


def test_a_queue_worked_by_keyboard_with_a_rim_corrected_and_an_answer_taken_back(
    desk: Desk, chromium: Browser, address: str
) -> None:
    with page_of(chromium, address, "Lek") as page:
        page.focus("#begin")
        send(page)
        seen = []
        for _ in range(3):
            seen.append(site_of(page))
            page.keyboard.press("2")
            assert page.is_checked("[name=verdict][value=not]")
            send(page)
        assert len(set(seen)) == 3
        assert page.inner_text("#answered") == "3"
        assert f"site {seen[-1]}" in page.inner_text(".flash")

        send(page, "u")  # take the last answer back
        assert site_of(page) == seen[-1]
        assert "was taken back" in page.inner_text(".flash")

        page.keyboard.press("r")
        handle = page.locator("#now .handle").first
        corner = [float(handle.get_attribute(name) or "nan") for name in ("cx", "cy")]
        handle.focus()
        for _ in range(4):
            page.keyboard.press("ArrowRight")
        page.keyboard.press("Shift+ArrowUp")
        page.keyboard.press("1")
        assert page.is_checked("[name=sign][value=green_film]")
        page.focus("textarea")
        page.keyboard.type("n p u 2 are letters here")
        page.keyboard.press("Tab")  # to the button
        send(page)
        said = desk.store.reviews(sites=[seen[-1]], standing_only=True)
        rim = next(r.payload["rim_mm"] for r in said if "rim_mm" in r.payload)
        assert isinstance(rim, list)
        # 4 steps of 0.5 mm to the right, one of 0.1 mm up (y of the drawing counts downwards)
        assert min(abs(x - corner[0] - 2.0) + abs(-y - corner[1] + 0.1) for x, y in rim) < 0.03
        confirmed = next(r for r in said if r.answer is ReviewAnswer.CONFIRMED)
        assert (confirmed.who, confirmed.note) == ("Lek", "n p u 2 are letters here")
        rules = {a.finding.rule for a in desk.store.alerts(states=[AlertState.OPEN]) if a.finding.site == seen[-1]}
        assert "sign confirmed" in rules and "sign suspected" not in rules


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


def test_two_people_at_one_case_and_nothing_is_lost(desk: Desk, chromium: Browser, address: str) -> None:
    with page_of(chromium, address, "Lek") as first, page_of(chromium, address, "Rin") as second:
        for page in (first, second):
            page.goto(f"{address}/case/130")
        first.keyboard.press("1")
        send(first)
        second.keyboard.press("2")
        second.select_option("[name=instead]", "moss")
        second.fill("[name=note]", "moss, I looked twice")
        second.focus("button.main")
        send(second)
        shown = second.inner_text("main")
        assert "Sign: green film" in shown and "Lek" in shown and "moss, I looked twice" in shown
        second.focus("button.main")
        send(second)
        notes = [r.note for r in desk.store.reviews(sites=[130])]
        assert "moss, I looked twice" in notes
        second.goto(f"{address}/?kind=disagreement")
        assert "Lek and Rin see different things" in second.inner_text("main")


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
        assert len(desk.store.reviews(sites=[150], standing_only=True)) == 3
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
    from axe_playwright_python.sync_playwright import Axe

    with page_of(chromium, address, "Ton") as page:
        found = []
        for path in PAGES:
            page.goto(f"{address}{path}")
            for hit in Axe().run(page).response["violations"]:
                if hit["impact"] in ("serious", "critical"):
                    found.append((path, hit["id"], [node["target"] for node in hit["nodes"]][:3]))
        assert not found


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
