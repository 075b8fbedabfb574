"""Today's walk: who is on it, in what order, and that the page stands alone."""

from __future__ import annotations

import csv
import dataclasses
import re
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import pytest

from pipeline import flow, rounds
from pipeline.advice import Advice
from pipeline.records import (
    Event,
    EventKind,
    Outcome,
    PhotoFacts,
    PhotoStage,
    Refusal,
    RefusalCode,
    Register,
    Sign,
    SignReading,
    Site,
    Stage,
    Stem,
    Tree,
    WoundKind,
)
from pipeline.rounds import Kind
from pipeline.settings import Settings
from tests import season
from tests.plain_page import PlainPage

TODAY = date(2026, 6, 1)
SETTINGS = Settings()
DAY = timedelta(days=1)


def grove(*sites: Site, trees: tuple[Tree, ...] = (), events: tuple[Event, ...] = ()) -> Register:
    known = {t.tree: t for t in trees} | {s.tree: Tree(s.tree) for s in sites if s.tree not in {t.tree for t in trees}}
    return Register(known, {(s.tree, s.stem): Stem(s.tree, s.stem) for s in sites}, {s.site: s for s in sites}, events)


def site(number: int, tree: str = "T", **changes) -> Site:
    return Site(number, tree, WoundKind.WINDOW, **changes)


def refusal(number: int | None, day: date, code: RefusalCode = RefusalCode.BLURRED) -> Refusal:
    at = datetime.combine(day, time(9), UTC)
    reason, remedy = "The photo is blurred: an edge is 4 mm wide.", "Hold the phone still."
    return Refusal(f"{number}.jpg", f"{number}", PhotoStage.QUALITY, reason, remedy, at, number, code=code)


def plan(register: Register, readings=(), refusals=(), today: date = TODAY, **changes) -> rounds.Round:
    healths = flow.assess_grove(register, readings, SETTINGS, today, refusals=refusals)
    return rounds.plan_round(healths, refusals, register, SETTINGS, today, **changes)


def kinds(walk: rounds.Round) -> dict[int, Kind]:
    return {stop.site.site: stop.kind for stop in walk.stops}


# ---------------------------------------------------------------- who is on it


@pytest.mark.parametrize(
    ("stage", "interval"),
    [(Stage.FRESH, 14), (Stage.CALLUS, 30), (Stage.CLOSED, 90)],
    ids=["fresh", "callus", "closed"],
)
def test_due_after_the_interval_of_the_stage_and_overdue_after_one_and_a_half(stage: Stage, interval: int) -> None:
    # 14, 30 and 90 days: the issue's own table of visit intervals (settings time.visit_interval_days)
    register = grove(site(1, made_on=date(2025, 1, 1)))
    width = 0.0 if stage is Stage.CLOSED else 20.0

    def on(days: int) -> dict[int, Kind]:
        seen = [season.reading(TODAY - days * DAY, width, site=1, stage_p=season.sure(stage, 0.999))]
        return kinds(plan(register, seen))

    assert on(interval - 1) == {}
    assert on(interval) == {1: Kind.DUE}
    assert on(round(1.5 * interval)) == {1: Kind.DUE}
    assert on(round(1.5 * interval) + 1) == {1: Kind.OVERDUE}


def test_a_suspected_sign_is_visited_weekly_and_carries_its_caution() -> None:
    register = grove(site(1, made_on=date(2025, 1, 1)))
    signs = {Sign.CONK: SignReading(0.95, 400.0, 5.0)}
    seen = [season.reading(TODAY - 8 * DAY, 20.0, site=1, n=n, signs=signs) for n in (0, 1)]
    walk = plan(register, seen)
    assert kinds(walk) == {1: Kind.DUE}
    assert walk.stops[0].stage == "suspect"
    assert any("laboratory" in finding.caution for finding in walk.stops[0].alerts)


def test_sites_never_photographed_are_due_at_once() -> None:
    register = grove(site(1), site(2, made_on=TODAY), site(3, made_on=TODAY - 60 * DAY))
    assert kinds(plan(register)) == {1: Kind.FIRST, 2: Kind.DUE, 3: Kind.OVERDUE}


def test_retired_sites_and_removed_stems_are_left_out() -> None:
    gone = (Event(TODAY - 5 * DAY, EventKind.STEM_REMOVED, "U"),)
    register = grove(site(1, retired_on=TODAY), site(2, retired_on=TODAY + DAY), site(3, "U"), events=gone)
    assert kinds(plan(register)) == {2: Kind.FIRST}


def test_a_refused_photo_asks_for_a_retake_until_one_can_be_read() -> None:
    register = grove(site(1, made_on=date(2025, 1, 1)))
    before = [season.reading(TODAY - 10 * DAY, 20.0, site=1)]
    bad = [refusal(1, TODAY - 2 * DAY), refusal(1, TODAY - DAY, RefusalCode.TOO_FAR)]
    walk = plan(register, before, bad)
    assert kinds(walk) == {1: Kind.RETAKE}
    assert walk.stops[0].advice is Advice.CLOSER  # the latest one counts
    assert kinds(plan(register, [*before, season.reading(TODAY - DAY, 20.0, site=1)], bad)) == {}


def test_refused_photos_without_a_site_are_listed_for_a_week() -> None:
    register = grove(site(1, made_on=TODAY))
    week = SETTINGS.alerts.retake_days
    bad = [refusal(None, TODAY - n * DAY, RefusalCode.NO_CARD) for n in (0, week, week + 1)]
    walk = plan(register, refusals=bad)
    assert [u.advice for u in walk.unplaced] == [Advice.WHOLE_CARD] * 2


def test_a_look_ahead_takes_along_what_falls_due_soon() -> None:
    register = grove(site(1, made_on=date(2025, 1, 1)))
    seen = [season.reading(TODAY - 25 * DAY, 20.0, site=1)]
    assert kinds(plan(register, seen)) == {}
    assert kinds(plan(register, seen, ahead_days=5)) == {1: Kind.DUE}


# ---------------------------------------------------------------- the order


def test_by_block_row_and_position_with_numbers_as_numbers() -> None:
    trees = [
        ("a", "B", "1", "1"),
        ("b", "A", "10", "1"),
        ("c", "A", "2", "10"),
        ("d", "A", "2", "9"),
        ("e", "A", "2", ""),
    ]
    register = grove(trees=tuple(Tree(n, block=b, row=r, position=p) for n, b, r, p in trees))
    assert rounds.in_walking_order("abcde", register) == ["e", "d", "c", "b", "a"]


def test_else_to_the_nearest_next_one_from_where_the_walk_stands() -> None:
    # On a line the nearest next tree is the next one along it, worked out by hand.
    spots = {"p": 30.0, "q": 10.0, "r": 20.0, "s": -5.0}
    register = grove(trees=tuple(Tree(n, x_m=x, y_m=0.0) for n, x in spots.items()))
    assert rounds.in_walking_order(spots, register) == ["s", "q", "r", "p"]
    rowed = Tree("row", row="1", x_m=31.0, y_m=0.0)
    mixed = grove(trees=(*register.trees.values(), rowed, Tree("nowhere")))
    assert rounds.in_walking_order(["nowhere", *spots, "row"], mixed) == ["row", "p", "r", "q", "s", "nowhere"]


def test_trees_with_a_retake_come_first_and_no_tree_is_walked_to_twice() -> None:
    trees = tuple(Tree(n, row="1", position=str(i)) for i, n in enumerate("abc", 1))
    sites = [site(10 * i + k, n) for i, n in enumerate("abc", 1) for k in (1, 2)]
    walk = plan(grove(*sites, trees=trees), refusals=[refusal(32, TODAY), refusal(21, TODAY)])
    assert [stop.site.site for stop in walk.stops] == [21, 22, 32, 31, 11, 12]
    assert walk.trees == 3


# ---------------------------------------------------------------- the page and the table


def written(tmp_path: Path, language: str = "en") -> tuple[rounds.Round, str]:
    trees = (Tree("<b>A-1</b>", block="A", row="1", position="1"), Tree("A-2", block="A", row="1", position="2"))
    sites = (site(205, "<b>A-1</b>", height_cm=120.0, bearing_deg=184.0), site(206, "A-2", stem="2"))
    walk = plan(grove(*sites, trees=trees), refusals=[refusal(205, TODAY), refusal(None, TODAY, RefusalCode.NO_CARD)])
    page = rounds.write_page(walk, tmp_path / "round.html", grove_name="Kebun & Co", language=language)
    return walk, page.read_text(encoding="utf-8")


def test_the_page_stands_alone_and_says_all(tmp_path: Path) -> None:
    _, text = written(tmp_path)
    page = PlainPage(text)
    assert (page.asked, page.open, page.scripts) == ([], [], 0)
    assert "url(" not in text
    assert "@page { size: A4" in text
    assert 'name="viewport"' in text
    for words in ("Kebun &amp; Co", "&lt;b&gt;A-1", "205", "206", "Take again", "Hold still.", "120 cm up", "south"):
        assert words in text, words
    for words in ("wasps", "stem 2", "None.jpg", "Show the whole card, sharp."):
        assert words in text, words
    assert text.index("205") < text.index("206")


def test_a_walk_of_nothing_says_so(tmp_path: Path) -> None:
    page = rounds.write_page(rounds.Round(TODAY, ()), tmp_path / "round.html", grove_name="G", language="en")
    assert "Nothing is due today." in page.read_text(encoding="utf-8")


def test_the_table_is_what_the_csv_module_reads(tmp_path: Path) -> None:
    walk, _ = written(tmp_path)
    with rounds.write_csv(walk, tmp_path / "round.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [(r["order"], r["site"], r["why"], r["stem"]) for r in rows] == [
        ("1", "205", "retake", "1"),
        ("2", "206", "first", "2"),
    ]
    assert rows[0]["reason"].startswith("The photo is blurred")
    assert rows[0]["height_cm"] == "120"
    assert rows[1]["height_cm"] == ""


def test_a_page_that_says_the_same_is_not_written_again(tmp_path: Path) -> None:
    written(tmp_path)
    before = (tmp_path / "round.html").stat()
    written(tmp_path)
    after = (tmp_path / "round.html").stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert [p.name for p in tmp_path.iterdir()] == ["round.html"]


@pytest.mark.parametrize("language", ["th", "vi", "id", "ms"])
def test_the_page_speaks_the_groves_language(tmp_path: Path, language: str) -> None:
    _, text = written(tmp_path, language)
    assert "Take again" not in text
    assert "Hold still" not in text
    assert re.search(rf'<html lang="{language}">', text)
    assert "205" in text


# ---------------------------------------------------------------- photos without a card


def took(
    file: str, minute: int, number: int | None, day: date = TODAY, device: str = "Phone", hour: int = 9
) -> PhotoFacts:
    at = datetime.combine(day, time(hour, minute), UTC)
    outcome = Outcome.REFUSAL if number is None else Outcome.READING
    return PhotoFacts(f"mai/{file}.jpg", file, 1, at, outcome, at, number, device=device)


ROW = grove(
    *(site(n, f"T{n}") for n in range(1, 7)), trees=[Tree(f"T{n}", row="1", position=str(n)) for n in range(1, 7)]
)
HALF_AN_HOUR = timedelta(minutes=30)


def settled(photos: list[PhotoFacts], missing: set[str]) -> set[str]:
    return set(rounds.answered_by_the_walk(photos, missing, ROW, HALF_AN_HOUR))


def test_a_lost_photo_is_answered_when_nothing_is_missing_where_it_was_taken() -> None:
    walk = [took("a", 0, 2), took("lost", 2, None), took("b", 4, 3), took("c", 6, 4)]
    assert settled(walk, set()) == {"lost"}
    assert settled(walk, {"T6"}) == {"lost"}  # far from where it was
    assert settled(walk, {"T3"}) == set()  # it may be the one that is missing
    assert settled(walk, {"T2"}) == set()
    assert settled([took("a", 0, 2), took("lost", 2, None)], set()) == set()  # nothing came after it
    assert settled([took("lost", 2, None)], set()) == set()


def test_a_lost_photo_with_a_neighbour_on_one_side_may_be_of_the_next_tree() -> None:
    walk = [took("lost", 2, None), took("b", 4, 3)]
    assert settled(walk, set()) == {"lost"}
    for tree in ("T2", "T3", "T4"):
        assert settled(walk, {tree}) == set()
    assert settled(walk, {"T5"}) == {"lost"}


def test_a_retake_of_another_day_answers_a_lost_photo_and_another_phone_does_not() -> None:
    first = [took("a", 0, 2), took("lost", 2, None), took("b", 4, 4)]
    assert settled([*first[:2], took("b", 1, 4)], set()) == set()  # the other site was there before
    again = took("again", 0, 3, TODAY + DAY)
    assert settled([took("a", 0, 2), took("lost", 2, None), took("b", 2, 4), again], set()) == {"lost"}
    assert settled([took("a", 0, 2), took("lost", 2, None), took("b", 4, 4, device="Other")], set()) == set()
    assert settled([took("lost", 2, None), took("b", 45, 3)], set()) == set()  # too long after


def test_a_file_sent_again_under_its_name_answers_the_broken_one() -> None:
    broken, good = took("x", 0, None), took("x", 5, 2)
    good = dataclasses.replace(good, sha256="other")
    assert rounds.sent_again([broken, good]) == {"x"}
    assert rounds.sent_again([broken, dataclasses.replace(good, file="tan/x.jpg")]) == set()
    assert rounds.sent_again([dataclasses.replace(broken, arrived_at=good.arrived_at + DAY), good]) == set()


def test_settled_photos_leave_the_end_of_the_round() -> None:
    lost = [refusal(None, TODAY, RefusalCode.NO_CARD)]
    register = grove(site(1))
    assert len(plan(register, refusals=lost).unplaced) == 1
    assert plan(register, refusals=lost, settled={lost[0].sha256}).unplaced == ()
