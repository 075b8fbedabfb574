"""A reviewer's shift in a real browser, the same for the test on a small grove and for the benchmark on 5,000 cases."""

from __future__ import annotations

import contextlib
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pipeline.records import Sign
from pipeline.review.verdicts import standing_given

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, BrowserContext, Page

    from pipeline.review import Desk

WORD = "four unrelated words"
PARTS = """() => {
  const e = performance.getEntriesByType("navigation")[0];
  return e ? [e.responseStart - e.startTime, e.loadEventEnd - e.responseStart] : null;
}"""
"""Navigation timing (W3C): from the key to the first byte of the next page, and from there to its load event."""


@contextlib.contextmanager
def page_of(chromium: Browser, address: str, name: str, **options: object) -> Iterator[Page]:
    """A page of a person who signed in with the keyboard; complaints of the browser fail the test."""
    context: BrowserContext = chromium.new_context(**({"viewport": {"width": 1280, "height": 900}} | options))  # type: ignore[arg-type]
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
    with page.expect_navigation(wait_until="load"):
        page.keyboard.press(key)


def site_of(page: Page) -> int:
    """The site of the case that is shown."""
    return int(page.url.partition("/case/")[2].partition("?")[0])


def serious(page: Page) -> list[tuple[str, str]]:
    """Serious and critical findings of axe-core on the page that is shown."""
    from axe_playwright_python.sync_playwright import Axe

    hits: list[dict[str, Any]] = Axe().run(page).response["violations"]
    return [(page.url, hit["id"]) for hit in hits if hit["impact"] in ("serious", "critical")]


@dataclass
class Shift:
    """What came of it."""

    answered: list[int] = field(default_factory=list)
    times_ms: list[float] = field(default_factory=list)
    parts_ms: list[tuple[float, float]] = field(default_factory=list)
    processor_ms: float = float("nan")
    """Processor time of this process, server included, for each case answered by keyboard."""
    rim_moved_mm: float = float("nan")
    drawn: list[str] = field(default_factory=list)
    taken_back: bool = False
    shown_what_changed: bool = False
    both_kept: bool = False
    comes_back: bool = False
    findings: list[tuple[str, str]] = field(default_factory=list)


def work(desk: Desk, chromium: Browser, address: str, cases: int, *, look_ms: int = 0) -> Shift:
    """Two reviewers, Lek and Rin: a queue by keyboard, a rim and a sign drawn, one answer taken back, a stale form.

    Parameters
    ----------
    cases
        How many cases are answered by keyboard.
    look_ms
        How long the person looks at each; the next pictures are fetched meanwhile.
    """
    shift = Shift()
    with page_of(chromium, address, "Lek") as lek:
        shift.findings += serious(lek)
        lek.focus("#begin")
        send(lek)
        shift.findings += serious(lek)
        spent = time.process_time()
        for number in range(cases):
            lek.wait_for_timeout(look_ms)
            shift.answered.append(site_of(lek))
            lek.keyboard.press("1" if number % 3 == 0 else "2")
            if number % 3 == 0 and not lek.is_checked("[name=sign][value=green_film]"):
                lek.keyboard.press("q")  # asked blind: nothing is ticked beforehand
            began = time.perf_counter()
            send(lek)
            shift.times_ms.append(1000 * (time.perf_counter() - began))
            parts = lek.evaluate(PARTS)
            shift.parts_ms.append((float(parts[0]), float(parts[1])))
        shift.processor_ms = 1000 * (time.process_time() - spent) / cases
        assert lek.inner_text("#answered") == str(cases)
        _draw(desk, lek, shift)
        _take_back(desk, lek, shift)
        with page_of(chromium, address, "Rin") as rin:
            _at_one_case(desk, lek, rin, address, shift)
    return shift


def _draw(desk: Desk, page: Page, shift: Shift) -> None:
    """Correct the rim and draw two signs by keyboard alone, and record."""
    # a blind case shows no rim that could be corrected
    while not page.locator("#correct").count():
        page.keyboard.press("2")
        send(page)
    site = site_of(page)
    page.keyboard.press("1")
    if not page.is_checked("[name=sign][value=green_film]"):
        page.keyboard.press("q")
    page.keyboard.press("r")
    handle = page.locator("#now .handle").first
    before = [float(handle.get_attribute(name) or "nan") for name in ("cx", "cy")]
    handle.focus()
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowUp")
    page.keyboard.press("x")  # dark bleeding, of which nothing is drawn yet
    page.keyboard.press("e")  # of the ticked signs the first: it has the network's outline
    page.keyboard.press("e")  # and the next, which has none
    page.keyboard.press("Insert")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("PageUp")
    page.locator("#drawn").press("Enter")
    page.focus("button.main")
    send(page)
    said = desk.store.reviews(sites=[site], standing_only=True)
    rim = next(r.payload["rim_mm"] for r in said if "rim_mm" in r.payload)
    assert isinstance(rim, list)
    # 4 steps of 0.5 mm to the right, one of 0.1 mm up (y of the drawing counts downwards)
    misses = [abs(x - before[0] - 2.0) + abs(-y - before[1] + 0.1) for x, y in rim]
    shift.rim_moved_mm = 2.0 - min(misses)
    shift.drawn = [sign.value for sign in Sign if any(r.sign is sign and "extent_mm" in r.payload for r in said)]


def _take_back(desk: Desk, page: Page, shift: Shift) -> None:
    before = {given.lead for given in standing_given(desk.store.reviews()) if given.who == "Lek"}
    send(page, "u")
    after = {given.lead for given in standing_given(desk.store.reviews()) if given.who == "Lek"}
    shift.taken_back = len(before - after) == 1 and "was taken back" in page.inner_text(".flash")


def _at_one_case(desk: Desk, lek: Page, rin: Page, address: str, shift: Shift) -> None:
    """Both have one case open; Lek answers first, so Rin's form is stale."""
    site = site_of(lek)
    rin.goto(f"{address}/case/{site}")
    lek.keyboard.press("1")
    if not lek.is_checked("[name=sign][value=green_film]"):
        lek.keyboard.press("q")
    send(lek)
    rin.keyboard.press("2")
    rin.fill("[name=note]", "moss, I looked twice")
    rin.focus("button.main")
    send(rin)
    shown = rin.inner_text("main")
    shift.shown_what_changed = "green film" in shown and "Lek" in shown and "moss, I looked twice" in shown
    shift.findings += serious(rin)
    rin.focus("button.main")
    send(rin)
    given = [g for g in standing_given(desk.store.reviews(sites=[site])) if g.is_judgement]
    shift.both_kept = {g.who for g in given} == {"Lek", "Rin"}
    rin.goto(f"{address}/?kind=disagreement")
    shift.comes_back = f"Site {site}" in rin.inner_text("main")
    shift.findings += serious(rin)
