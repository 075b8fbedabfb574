"""Filters go along with an answer without becoming part of it, and an answer never becomes a filter."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from argon2 import PasswordHasher
from starlette.testclient import TestClient

from pipeline.records import ReviewAnswer, Sign
from pipeline.review.accounts import Passwords
from pipeline.review.app import Rooms, build_app
from tests.review_grove import NO_DRAWS, build
from tests.unit.test_review_security import QUICK

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def browser(tmp_path: Path) -> Iterator[tuple[TestClient, Rooms]]:
    desk = build(tmp_path / "grove", trees=2, visits=2, options=NO_DRAWS)
    rooms = Rooms(desk, local_name="Lek", passwords=Passwords(PasswordHasher(**QUICK)))
    made = TestClient(build_app(rooms, ["testserver"]))
    made.get(f"/enter?key={rooms.start_key}")
    yield made, rooms
    desk.store.close()


def form_of(html: str) -> dict[str, list[str]]:
    """The answer's hidden fields, as a browser would send them."""
    part = html.partition('id="answer"')[2].partition("</form>")[0]
    found: dict[str, list[str]] = {}
    for name, value in re.findall(r'type="hidden" name="([^"]*)"[^>]* value="([^"]*)"', part):
        found.setdefault(name, []).append(value)
    return found


def test_a_ticked_sign_does_not_become_a_filter(browser: tuple[TestClient, Rooms]) -> None:
    client, _ = browser
    sent = form_of(client.get("/case/10").text) | {"verdict": ["sign"], "sign": ["green_film"], "then": ["stay"]}
    answer = client.post("/case/10/answer", data=sent, follow_redirects=False)
    assert answer.headers["location"] == "/case/10"


def test_a_filter_does_not_become_a_ticked_sign(browser: tuple[TestClient, Rooms]) -> None:
    client, rooms = browser
    html = client.get("/case/10?sign=green_film&block=A&order=gain").text
    sent = form_of(html) | {"verdict": ["sign"], "sign": ["conk"], "then": ["stay"]}
    answer = client.post("/case/10/answer", data=sent, follow_redirects=False)
    assert answer.headers["location"] == "/case/10?block=A&sign=green_film&order=gain"
    confirmed = {r.sign for r in rooms.desk.store.reviews(sites=[10]) if r.answer is ReviewAnswer.CONFIRMED}
    assert confirmed == {Sign.CONK}
