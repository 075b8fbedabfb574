"""The queue: who is asked what, in which order, and what is drawn blind."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline.records import Alert, AlertState, Finding, Flag, Severity, Sign
from pipeline.review.answers import Filled, record
from pipeline.review.queue import BLIND_WORDS, Filters, Queue, QueueCase, neighbours, ordered, task_for
from pipeline.review.verdicts import Verdict
from pipeline.settings import ReviewSettings
from tests.review_grove import TODAY, add_visit, build

if TYPE_CHECKING:
    from pathlib import Path

DAY = date(2026, 7, 11)
NONE = ReviewSettings(blind_share=0, unflagged_share=0, second_share=0)


def alert(number: int, severity: Severity, sign: Sign = Sign.GREEN_FILM, opened: date = DAY) -> Alert:
    key = f"sign suspected/site {number}/episode 1/{sign.value}"
    finding = Finding(key, "sign suspected", severity, "A", "1", number, opened, f"why {number}", {}, "", "", "", "")
    return Alert(number, finding, AlertState.OPEN, opened, opened)


def case(number: int, severity: Severity | None = Severity.LOOK, p: float = 0.8, **more: object) -> QueueCase:
    values: dict[str, object] = {
        "site": number, "tree": f"T{number % 3}", "stem": "1", "block": "AB"[number % 2], "place": ("", "", "", number),
        "visit_on": DAY, "photos": (f"{number:064x}",), "alerts": (alert(number, severity),) if severity else (),
        "doubts": Flag.NONE, "sign_p": {Sign.GREEN_FILM: p}, "given": (),
    }  # fmt: skip
    return QueueCase(**{**values, **more})  # type: ignore[arg-type]


def test_the_most_urgent_first_with_why() -> None:
    old = case(4, p=0.8, alerts=(alert(4, Severity.LOOK, opened=DAY - timedelta(days=20)),))
    cases = [case(1, None, doubts=Flag.UNSURE_STAGE, p=0.1), case(2, p=0.7), case(3, Severity.ACT, p=0.5), old, case(5)]
    tasks = ordered(cases, "Lek", NONE, Filters())
    assert [t.case.site for t in tasks] == [3, 4, 5, 2, 1]
    assert tasks[0].reasons == ("why 3",)
    assert "stage is uncertain" in tasks[-1].reasons[0]


@pytest.mark.parametrize(
    ("filters", "sites"),
    [
        (Filters(block="A"), {2, 4}),
        (Filters(tree="T1"), {1, 4}),
        (Filters(sign="green_film"), {1, 2, 3}),
        (Filters(sign="conk"), set()),
        (Filters(kind="doubt"), {4}),
    ],
)
def test_filters(filters: Filters, sites: set[int]) -> None:
    cases = [case(1), case(2), case(3), case(4, None, p=0.1, doubts=Flag.UNSURE_SIGN)]
    assert {t.case.site for t in ordered(cases, "Lek", NONE, filters)} == sites


def test_draws_have_their_shares_and_stay() -> None:
    settings = ReviewSettings(blind_share=0.1, unflagged_share=0.02, second_share=0.1)
    flagged = [t for n in range(8_000) if (t := task_for(case(n), "Lek", settings))]
    quiet = [t for n in range(8_000) if (t := task_for(case(n, None, p=0.0), "Lek", settings))]
    assert len(flagged) == 8_000
    # a binomial count lies within four standard deviations of its mean in all but 1 of 16,000
    for count, share in ((sum(t.blind for t in flagged), 0.1), (len(quiet), 0.02)):
        assert abs(count - 8_000 * share) < 4 * np.sqrt(8_000 * share * (1 - share))
    assert all(t.blind and t.reasons == (BLIND_WORDS,) for t in quiet)
    wider = ReviewSettings(blind_share=0.2, unflagged_share=0.02, second_share=0.1)
    before = {t.case.site for t in flagged if t.blind}
    after = {n for n in range(8_000) if (t := task_for(case(n), "Lek", wider)) and t.blind}
    assert before < after  # a larger share only adds cases


def test_blind_cases_look_alike_whatever_their_cause() -> None:
    settings = ReviewSettings(blind_share=1, unflagged_share=1, second_share=1)
    tasks = [task_for(c, "Lek", settings) for c in (case(1), case(2, None), case(3, None, doubts=Flag.UNSURE_SIGN))]
    assert {(t.shown_kind, t.blind, t.reasons) for t in tasks if t} == {("blind", True, (BLIND_WORDS,))}
    assert ordered([case(1)], "Lek", settings, Filters(sign="green_film")) == []


def test_unflagged_cases_are_strewn_over_the_whole_list() -> None:
    settings = ReviewSettings(blind_share=0, unflagged_share=1, second_share=0)
    cases = [case(n) for n in range(400)] + [case(n, None, p=0.0) for n in range(1000, 1200)]
    places = [i / 600 for i, t in enumerate(ordered(cases, "Lek", settings, Filters())) if t.kind == "unflagged"]
    # evenly: mean 1/2, and the largest distance of the distributions below the 0.1 % point of Kolmogorov's test
    assert abs(np.mean(places) - 0.5) < 4 / np.sqrt(12 * 200)
    assert np.max(np.abs(np.sort(places) - (np.arange(200) + 0.5) / 200)) < 1.95 / np.sqrt(200)


def test_neighbours() -> None:
    tasks = ordered([case(1, p=0.9), case(2, p=0.8), case(3, p=0.7)], "Lek", NONE, Filters())
    assert neighbours(tasks, 2) == (1, 3, 2)
    assert neighbours(tasks, 1) == (None, 2, 1)
    assert neighbours(tasks, 3) == (2, None, 3)
    assert neighbours(tasks, 99) == (None, 1, 0)
    assert neighbours([], 99) == (None, None, 0)


def test_looking_again_at_what_changed_gives_what_looking_at_everything_gives(tmp_path: Path) -> None:
    desk = build(tmp_path / "grove", trees=3)
    kept = Queue(desk)
    kept.cases()
    sha256 = desk.store.last_looks([10])[-1].sha256
    form = Filled(sha256, 0, Verdict.NOT, frozenset(), "moss", "", None, (), False, "")
    record(desk, 10, form, "Lek", kept.task(10, "Lek"))
    assert kept.cases() == Queue(desk).cases()
    add_visit(desk.store, desk.grove, 40, TODAY - timedelta(days=1), 20.0, True, Flag.UNSURE_SIGN)
    desk.assess("A-002")
    assert kept.cases() == Queue(desk).cases()
    assert kept.cases()[40].doubts == Flag.UNSURE_SIGN
    closing = next(a for a in desk.store.alerts(states=[AlertState.OPEN]) if a.finding.site == 30)
    desk.store.close_alert(closing.id, "somebody else", desk.now(), "by another program")
    assert kept.cases() == Queue(desk).cases()
    assert closing.id not in {a.id for a in kept.cases()[30].alerts}
    desk.store.use_reader("another", "drawn", desk.now())
    assert kept.cases() == Queue(desk).cases()
    desk.store.close()
