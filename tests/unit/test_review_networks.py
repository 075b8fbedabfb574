"""The steward's page of networks: figures and pictures of a comparison, for nobody else, and no other file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from argon2 import PasswordHasher
from PIL import Image

from pipeline import adoption, readers
from pipeline.review.accounts import Passwords, Role, make_account
from pipeline.review.app import Rooms
from tests.made_networks import put_comparison, put_network
from tests.review_grove import NO_DRAWS, build, clock
from tests.unit.test_review_security import OWASP, QUICK, WORD, signed_in

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def rooms(tmp_path: Path) -> Iterator[Rooms]:
    desk = build(tmp_path / "grove", trees=1, visits=1, options=NO_DRAWS)
    passwords = Passwords(PasswordHasher(**QUICK))
    for name, role in (("Lek", Role.REVIEWER), ("Mali", Role.STEWARD)):
        make_account(desk.store, passwords, name, role, WORD, 12, "test", desk.now())
    folder = desk.grove.models / "ours-1"
    put_network(folder, "ours-1")
    put_comparison(folder, readers.model_of("released"), "ours-1", picture="001-found.jpg")
    Image.new("RGB", (80, 40), (90, 70, 50)).save(folder / "comparison" / "001-found.jpg")
    Image.new("RGB", (80, 40)).save(folder / "comparison" / "not-listed.jpg")
    yield Rooms(desk, passwords=passwords)
    desk.store.close()


def test_a_steward_sees_what_is_newly_found_as_a_picture(rooms: Rooms) -> None:
    browser = signed_in(rooms, "Mali")
    assert 'href="/networks/ours-1"' in browser.get("/networks").text
    page = browser.get("/networks/ours-1").text
    assert "Newly found: 1" in page and "Newly missed: 0" in page
    assert 'src="/networks/ours-1/001-found.jpg"' in page and "probability 0.20 before, 0.80 now" in page
    assert "+0.200 (+0.100 to +0.300)" in page and "better" in page
    picture = browser.get("/networks/ours-1/001-found.jpg")
    assert picture.status_code == 200 and picture.headers["content-type"] == "image/jpeg"
    for name, value in OWASP.items():
        if name != "cache-control":
            assert picture.headers[name] == value


def test_the_page_says_when_another_network_is_in_use_by_now(rooms: Rooms) -> None:
    put_comparison(rooms.desk.grove.models / "ours-1", "earlier-9", "ours-1")
    assert "compare again before deciding" in signed_in(rooms, "Mali").get("/networks/ours-1").text


def test_who_decided_stands_on_the_page(rooms: Rooms) -> None:
    adoption.adopt(rooms.desk.grove, rooms.desk.store, "models/ours-1", "Nok", clock())
    assert f"Nok {adoption.TOOK} (network ours-1)" in signed_in(rooms, "Mali").get("/networks").text


@pytest.mark.parametrize(
    "path",
    [
        "/networks/ours-1/not-listed.jpg",
        "/networks/ours-1/..%2f..%2f..%2fwoundwood.jpg",
        "/networks/%2e%2e/001-found.jpg",
        "/networks/ours-2",
        "/networks/..%2fours-1",
        "/networks/in-use.yaml",
    ],
)
def test_no_other_file_is_served(rooms: Rooms, path: str) -> None:
    assert signed_in(rooms, "Mali").get(path).status_code == 404


@pytest.mark.parametrize("path", ["/networks", "/networks/ours-1", "/networks/ours-1/001-found.jpg"])
def test_a_reviewer_is_kept_out(rooms: Rooms, path: str) -> None:
    assert signed_in(rooms, "Lek").get(path).status_code == 403
