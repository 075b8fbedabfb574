"""Doubts about a phone's clock: what is asked about, and what is not."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

from pipeline import clocks
from pipeline.records import Outcome, PhotoFacts, Register, Site, Tree, WoundKind
from pipeline.settings import ClockSettings

NINE = datetime(2026, 5, 20, 9, 0, tzinfo=UTC)
TREES = {n: Tree(n, x_m=x, y_m=0.0) for n, x in (("a", 0.0), ("b", 20.0), ("c", 300.0))} | {"n": Tree("n")}
SITES = {i: Site(i, tree, WoundKind.WINDOW, made_on=date(2026, 5, 1)) for i, tree in enumerate(("a", "b", "c", "n"), 1)}
REGISTER = Register(TREES, {}, SITES)
PHONE = "Maker Model"


def photo(file: str, site: int = 1, at: datetime = NINE, device: str = PHONE, **changes) -> PhotoFacts:
    return PhotoFacts(file, file, 1, NINE, changes.get("outcome", Outcome.READING), at, site, device=device)


def ask(*photos: PhotoFacts, history=None) -> list[tuple[str, str]]:
    found = clocks.doubts(photos, history or {}, REGISTER, ClockSettings(), UTC)
    return [(doubt.rule, doubt.photo.file) for doubt in found]


def test_nothing_odd_about_an_ordinary_day() -> None:
    walk = [photo(f"IMG_{100 + n}.jpg", 1 + n % 2, NINE + timedelta(minutes=n)) for n in range(6)]
    assert ask(*walk, history={PHONE: [("old", date(2026, 4, 1))]}) == []


def test_photos_of_three_weeks_ago_that_arrive_today_are_not_asked_about() -> None:
    late = photo("IMG_0090.jpg", at=datetime(2026, 5, 2, 9, 0, tzinfo=UTC))
    assert ask(late, photo("IMG_0100.jpg"), history={PHONE: [("old", date(2026, 5, 19))]}) == []


def test_before_the_wound_was_made() -> None:
    assert ask(photo("x.jpg", at=datetime(2026, 4, 29, 9, 0, tzinfo=UTC))) == [(clocks.BEFORE_MADE, "x.jpg")]
    assert ask(photo("x.jpg", at=datetime(2026, 4, 30, 9, 0, tzinfo=UTC))) == []


def test_a_clock_that_fell_back_to_its_first_day() -> None:
    sites = {1: Site(1, "a", WoundKind.WINDOW)}
    odd = photo("x.jpg", at=datetime(2015, 1, 1, 0, 3, tzinfo=UTC))
    register = Register(TREES, {}, sites)
    for history, rules in (
        ({PHONE: [("old", date(2026, 4, 1))]}, [clocks.BEFORE_PHONE]),
        ({PHONE: [("old", date(2015, 2, 20))]}, []),  # 50 days: a late photo
        ({PHONE: [("x.jpg", date(2015, 1, 1))]}, []),  # itself says nothing
        ({"another": [("old", date(2026, 4, 1))]}, []),
    ):
        assert [d.rule for d in clocks.doubts([odd], history, register, ClockSettings(), UTC)] == rules


def test_the_running_number_went_on_while_the_clock_went_back() -> None:
    back = NINE - timedelta(days=3)
    assert ask(photo("mai/IMG_0412.jpg"), photo("mai/IMG_0413.jpg", at=back)) == [(clocks.NUMBERS, "mai/IMG_0413.jpg")]
    assert ask(photo("mai/IMG_0412.jpg"), photo("tan/IMG_0413.jpg", at=back)) == []  # another roll
    assert ask(photo("IMG_9999.jpg"), photo("IMG_0001.jpg", at=NINE + timedelta(hours=1))) == []  # begins again
    assert ask(photo("IMG_0412.jpg"), photo("IMG_0413.jpg", at=back, device="")) == []


def test_one_phone_at_two_far_places_within_seconds() -> None:
    # 300 m in 60 s is 5 m/s: a sprint; in 120 s 2.5 m/s: a brisk walk. 20 m are near whatever the time.
    def after(seconds: int, site: int = 3, **changes) -> list[tuple[str, str]]:
        return ask(photo("p.jpg"), photo("q.jpg", site, NINE + timedelta(seconds=seconds), **changes))

    assert after(60) == [(clocks.FAR_APART, "q.jpg")]
    assert after(120) == []
    assert after(1, site=2) == []
    assert after(1, site=4) == []  # nobody knows where that tree stands
    assert after(1, device="Another Phone") == []


def test_refused_photos_and_photos_without_a_card_are_left_alone() -> None:
    assert ask(photo("x.jpg", at=datetime(2020, 1, 1, tzinfo=UTC), outcome=Outcome.REFUSAL)) == []


def test_a_question_is_one_for_a_phone_and_a_day() -> None:
    day = datetime(2026, 4, 2, 9, 0, tzinfo=UTC)
    found = clocks.doubts([photo("x.jpg", at=day), photo("y.jpg", at=day)], {}, REGISTER, ClockSettings(), UTC)
    questions = [doubt.question(date(2026, 5, 20)) for doubt in found]
    assert len({question.key for question in questions}) == 1
    assert questions[0].from_on == date(2026, 4, 2)
    assert "x.jpg" in questions[0].words
    assert "2026-04-02" in questions[0].words
