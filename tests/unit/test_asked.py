"""A reviewer's request for another photo is an alert, a line of the week and a stop of the round until it comes."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from pipeline import alerts, assess, rounds
from pipeline.alerts.asked import ASKED
from pipeline.records import AlertState, Severity
from pipeline.review.answers import Filled, record, take_back
from pipeline.review.queue import Queue
from pipeline.review.verdicts import Ask, Verdict
from tests.review_grove import NO_DRAWS, TODAY, add_visit, build

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from pipeline.review import Desk


@pytest.fixture
def desk(tmp_path: Path) -> Iterator[Desk]:
    made = build(tmp_path / "grove", trees=1, visits=2, options=NO_DRAWS)
    yield made
    made.store.close()


def ask(desk: Desk, site: int, whom: Ask) -> int:
    sha256 = desk.store.last_looks([site])[-1].sha256
    form = Filled(sha256, 0, Verdict.UNSURE, frozenset(), "", whom.value, None, (), False, "nearer, please")
    return record(desk, site, form, "Lek", Queue(desk).task(site, "Lek")).lead.lead


def open_rules(desk: Desk) -> set[str]:
    return {alert.finding.rule for alert in desk.store.alerts(states=[AlertState.OPEN])}


def walk(desk: Desk, today=TODAY) -> rounds.Round:
    healths = assess.assess_trees(desk.grove, desk.store, desk.register.trees, today)
    return rounds.plan_round(healths, [], desk.register, desk.settings, today)


def test_a_request_goes_on_both_lists_until_the_photo_comes(desk: Desk) -> None:
    assert walk(desk).count(rounds.Kind.ASKED) == 0
    ask(desk, 10, Ask.PHOTO)
    alert = next(a for a in desk.store.alerts(states=[AlertState.OPEN]) if a.finding.rule == ASKED)
    assert alert.finding.severity is Severity.LOOK
    assert "Lek could not tell" in alert.finding.why
    assert "nearer, please" in alert.finding.why
    week = alerts.week_list([a.finding for a in desk.store.alerts(states=[AlertState.OPEN])], desk.register)
    assert any(f.rule == ASKED for entry in week for f in entry.findings)
    stops = [stop for stop in walk(desk).stops if stop.kind is rounds.Kind.ASKED]
    assert [stop.site.site for stop in stops] == [10]
    assert not any(ASKED in f.rule for task in Queue(desk).tasks("Nok") for a in task.case.alerts for f in [a.finding])
    add_visit(desk.store, desk.grove, 10, TODAY, 27.0, True)
    desk.assess("A-001")
    assert ASKED not in open_rules(desk)
    assert walk(desk, TODAY + timedelta(days=1)).count(rounds.Kind.ASKED) == 0


def test_taking_the_answer_back_takes_the_request_back(desk: Desk) -> None:
    lead = ask(desk, 10, Ask.PHOTO)
    assert ASKED in open_rules(desk)
    take_back(desk, 10, lead, desk.store.last_review(10), "Lek")
    assert ASKED not in open_rules(desk)


def test_a_specialists_case_asks_for_no_photo(desk: Desk) -> None:
    ask(desk, 10, Ask.SPECIALIST)
    assert ASKED not in open_rules(desk)
    assert walk(desk).count(rounds.Kind.ASKED) == 0
