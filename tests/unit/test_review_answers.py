"""What an answer does: to alerts, to the history, to the next person's queue; taking back; stale forms; the log."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest
from sqlalchemy.exc import IntegrityError

from pipeline.errors import StoreError, UsageError
from pipeline.records import AlertState, Review, ReviewAnswer, Severity, Sign, Stage, Window
from pipeline.review import answers, rims
from pipeline.review.answers import Filled, record, take_back
from pipeline.review.cases import case_view, past_answers
from pipeline.review.pages import Ready
from pipeline.review.queue import Queue
from pipeline.review.verdicts import Verdict
from pipeline.store.audit import LogEntry
from pipeline.store.casebook import StaleAnswer
from tests.review_grove import NO_DRAWS, TODAY, add_visit, build, desks, ellipse

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.records import Alert
    from pipeline.review import Desk
    from pipeline.review.answers import Recorded

SITE = 10


template, desk = desks(trees=1)


def filled(desk: Desk, verdict: Verdict | None, *signs: Sign, **more: object) -> Filled:
    last = desk.store.last_looks([SITE])[-1].sha256
    empty = Filled(last, desk.store.last_review(SITE), verdict, frozenset(signs), "", "", None, (), False, "")
    return replace(empty, **more)


def answer(desk: Desk, who: str, form: Filled, **more: bool) -> Recorded:
    return record(desk, SITE, form, who, Queue(desk).task(SITE, who), **more)


def open_alerts(desk: Desk) -> dict[str, Alert]:
    found = desk.store.alerts(states=[AlertState.OPEN])
    return {alert.finding.rule: alert for alert in found if alert.finding.site == SITE}


# ---------------------------------------------------------------- effect


def test_a_confirmed_sign_becomes_an_act_in_the_persons_name(desk: Desk) -> None:
    assert open_alerts(desk)["sign suspected"].finding.severity is Severity.LOOK
    done = answer(desk, "Lek", filled(desk, Verdict.SIGN, Sign.GREEN_FILM))
    found = open_alerts(desk)
    assert set(found) == {"sign confirmed"}
    assert found["sign confirmed"].finding.severity is Severity.ACT
    assert "by Lek" in found["sign confirmed"].finding.why
    assert {a.finding.rule for a in done.opened} == {"sign confirmed"}
    suspected = next(a for a in desk.store.alerts() if a.finding.rule == "sign suspected")
    assert (suspected.state, suspected.closed_by) == (AlertState.CLOSED, "Lek")


def test_a_rejected_sign_closes_its_alert_and_the_same_photos_do_not_open_it_again(desk: Desk) -> None:
    answer(desk, "Lek", filled(desk, Verdict.NOT, instead="moss"))
    assert not open_alerts(desk)
    alert = next(a for a in desk.store.alerts() if a.finding.site == SITE)
    assert (alert.state, alert.closed_by) == (AlertState.CLOSED, "Lek")
    assert "moss" in desk.store.alert_history(alert.id)[-1].note
    desk.assess("A-001")
    assert not open_alerts(desk)


def test_cannot_tell_leaves_the_alert_open_and_asks_until_a_new_photo_comes(desk: Desk) -> None:
    answer(desk, "Lek", filled(desk, Verdict.UNSURE, ask="another photo"))
    assert set(open_alerts(desk)) == {"sign suspected", "another photo asked for"}
    assert Queue(desk).task(SITE, "Lek") is None
    add_visit(desk.store, desk.grove, SITE, TODAY - timedelta(days=1), 22.0, True)
    desk.assess("A-001")
    task = Queue(desk).task(SITE, "Lek")
    assert task is not None and task.kind == "flagged"


def test_a_suspected_sign_left_unticked_is_recorded_as_not_there(desk: Desk) -> None:
    answer(desk, "Lek", filled(desk, Verdict.SIGN, Sign.CONK))
    said = {(r.sign, r.answer) for r in desk.store.reviews(sites=[SITE])}
    assert said == {(Sign.CONK, ReviewAnswer.CONFIRMED), (Sign.GREEN_FILM, ReviewAnswer.REJECTED)}
    assert set(open_alerts(desk)) == {"sign confirmed"}
    assert open_alerts(desk)["sign confirmed"].finding.key.endswith("/conk")


# ---------------------------------------------------------------- changing and taking back


def test_an_answer_can_be_changed_and_the_history_stays(desk: Desk) -> None:
    answer(desk, "Lek", filled(desk, Verdict.SIGN, Sign.GREEN_FILM))
    answer(desk, "Lek", filled(desk, Verdict.NOT, instead="algae"))
    assert not open_alerts(desk)
    past = past_answers(desk.store.reviews(sites=[SITE]))
    assert [(p.given.verdict, p.standing) for p in past] == [(Verdict.NOT, True), (Verdict.SIGN, False)]


@pytest.mark.parametrize(("verdict", "signs"), [(Verdict.NOT, ()), (Verdict.SIGN, (Sign.GREEN_FILM,))])
def test_taking_back_brings_everything_back(desk: Desk, verdict: Verdict, signs: tuple[Sign, ...]) -> None:
    before = {rule: (a.id, a.state, a.finding) for rule, a in open_alerts(desk).items()}
    done = answer(desk, "Lek", filled(desk, verdict, *signs, stage=Stage.CALLUS, rim=ellipse(0, -130, 10, 15)))
    take_back(desk, SITE, done.lead.lead, desk.store.last_review(SITE), "Lek")
    assert {rule: (a.id, a.state, a.finding) for rule, a in open_alerts(desk).items()} == before
    assert not [r for r in desk.store.reviews(sites=[SITE], standing_only=True) if r.answer is not ReviewAnswer.NOTE]
    task = Queue(desk).task(SITE, "Lek")
    assert task is not None and task.kind == "flagged"
    (past,) = past_answers(desk.store.reviews(sites=[SITE]))
    assert past.taken_back_by == "Lek"


def test_taking_back_a_change_lets_the_earlier_answer_stand_again(desk: Desk) -> None:
    answer(desk, "Lek", filled(desk, Verdict.SIGN, Sign.GREEN_FILM))
    second = answer(desk, "Lek", filled(desk, Verdict.NOT, instead="moss"))
    take_back(desk, SITE, second.lead.lead, desk.store.last_review(SITE), "Lek")
    assert set(open_alerts(desk)) == {"sign confirmed"}
    case = Queue(desk).cases()[SITE]
    assert [g.verdict for g in case.given] == [Verdict.SIGN]


def test_only_ones_own_standing_answer_can_be_taken_back(desk: Desk) -> None:
    done = answer(desk, "Lek", filled(desk, Verdict.NOT))
    seen = desk.store.last_review(SITE)
    for who, lead in (("Rin", done.lead.lead), ("Lek", done.lead.lead + 99)):
        with pytest.raises(StoreError, match="no answer of yours"):
            take_back(desk, SITE, lead, seen, who)
    take_back(desk, SITE, done.lead.lead, seen, "Lek")
    with pytest.raises(StoreError, match="no answer of yours"):
        take_back(desk, SITE, done.lead.lead, desk.store.last_review(SITE), "Lek")


def test_a_stage_alone_does_not_settle_a_suspected_sign(desk: Desk) -> None:
    answer(desk, "Lek", filled(desk, None, stage=Stage.CALLUS))
    task = Queue(desk).task(SITE, "Lek")
    assert task is not None and task.kind == "flagged"
    (review,) = desk.store.reviews(sites=[SITE])
    assert (review.answer, review.stage) == (ReviewAnswer.CORRECTED, Stage.CALLUS)
    assert review.payload["stage_read"] == int(Stage.CLOSING)


# ---------------------------------------------------------------- several people


def test_a_stale_answer_is_refused_whole_and_says_what_changed(desk: Desk) -> None:
    mine = filled(desk, Verdict.NOT, instead="moss", note="green is moss")
    task = Queue(desk).task(SITE, "Rin")
    answer(desk, "Lek", filled(desk, Verdict.SIGN, Sign.GREEN_FILM))
    count, lines = len(desk.store.reviews()), desk.store.log_length()
    with pytest.raises(StaleAnswer) as caught:
        record(desk, SITE, mine, "Rin", task)
    assert [r.who for r in caught.value.newer] == ["Lek"]
    assert (len(desk.store.reviews()), desk.store.log_length()) == (count, lines)


def test_an_answer_given_without_knowing_the_other_is_kept_and_never_closes(desk: Desk) -> None:
    answer(desk, "Lek", filled(desk, Verdict.SIGN, Sign.GREEN_FILM))
    answer(desk, "Rin", filled(desk, Verdict.NOT, instead="moss"), unseen=True)
    assert set(open_alerts(desk)) == {"sign confirmed"}
    task = Queue(desk).task(SITE, "Ton")
    assert task is not None and task.kind == "disagreement" and "Lek and Rin" in task.reasons[0]
    answer(desk, "Ton", filled(desk, Verdict.NOT, instead="moss"))
    assert Queue(desk).task(SITE, "Ton") is None
    assert not open_alerts(desk)


def test_a_second_person_who_sees_a_sign_is_heard_at_once(tmp_path: Path) -> None:
    desk = build(tmp_path / "grove", trees=1, options={**NO_DRAWS, "review.second_share": 1.0})
    answer(desk, "Lek", filled(desk, Verdict.NOT, instead="moss"))
    assert Queue(desk).task(SITE, "Lek") is None
    task = Queue(desk).task(SITE, "Rin")
    assert task is not None and (task.kind, task.blind) == ("second", True)
    answer(desk, "Rin", filled(desk, Verdict.SIGN, Sign.GREEN_FILM))
    assert set(open_alerts(desk)) == {"sign confirmed"}
    again = Queue(desk).task(SITE, "Lek")
    assert again is not None and again.kind == "disagreement"
    desk.store.close()


def test_two_at_once_one_wins_and_none_is_lost(desk: Desk) -> None:
    from concurrent.futures import ThreadPoolExecutor

    forms = {who: filled(desk, Verdict.NOT, note=who) for who in ("Lek", "Rin", "Ton", "Pim")}
    task = Queue(desk).task(SITE, "Lek")

    def send(who: str) -> str:
        try:
            record(desk, SITE, forms[who], who, task)
        except StaleAnswer:
            return "stale"
        return "kept"

    with ThreadPoolExecutor(4) as crew:
        outcomes = list(crew.map(send, forms))
    assert sorted(outcomes) == ["kept", "stale", "stale", "stale"]
    assert len(desk.store.reviews()) == 1


# ---------------------------------------------------------------- blind cases


def test_a_blind_case_shows_nothing_that_the_network_or_others_said(desk: Desk) -> None:
    view = case_view(desk, SITE, Queue(desk).task(SITE, "Lek"), blind=True)
    assert view is not None
    assert not (view.alerts or view.past or view.rim or view.suspected or view.sign_p or view.curve)
    seen = case_view(desk, SITE, Queue(desk).task(SITE, "Lek"))
    assert seen is not None and seen.suspected == {Sign.GREEN_FILM} and seen.alerts and seen.curve and seen.rim


def test_a_blind_answer_keeps_what_the_network_had_said_and_its_share(tmp_path: Path) -> None:
    desk = build(tmp_path / "grove", trees=1, options={**NO_DRAWS, "review.blind_share": 1.0})
    done = answer(desk, "Lek", filled(desk, Verdict.NOT))
    assert done.lead.blind and done.lead.share == 1.0
    assert done.lead.network["green_film"] == pytest.approx(0.9)
    assert not open_alerts(desk)  # the suspected sign was rejected although it was not named
    desk.store.close()


# ---------------------------------------------------------------- forms


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"photo": ["0" * 64]}, "does not belong"),
        ({"photo": ["../../x"]}, "does not belong"),
        ({"seen": ["-1"]}, "version"),
        ({"verdict": ["maybe"]}, "does not exist"),
        ({"verdict": ["sign"], "sign": []}, "Which sign"),
        ({"verdict": ["sign"], "sign": ["rust"]}, "does not exist"),
        ({"verdict": []}, "Nothing was answered"),
        ({"stage": ["healed"]}, "no such stage"),
        ({"rim": ["[[0,0]]"]}, "3 to 400"),
        ({"rim": ["{"]}, "cannot be read"),
        ({"note": ["x" * 9000]}, "too long"),
    ],
)
def test_a_form_that_cannot_be_taken_says_why(desk: Desk, change: dict[str, list[str]], words: str) -> None:
    last = desk.store.last_looks([SITE])[-1].sha256
    good = {"photo": [last], "seen": ["0"], "verdict": ["not"], "instead": ["moss"]}
    assert answers.read_form(good, desk, SITE).verdict is Verdict.NOT
    with pytest.raises(UsageError, match=words):
        answers.read_form({**good, **change}, desk, SITE)


WINDOW = Window(-88.0, 88.0, -228.0, -52.0)


@pytest.mark.parametrize(
    "text",
    [
        "[[0,-100],[10,-110],[10,-100],[0,-110]]",  # crosses itself
        "[[0,-100],[10,-100],[20,-100]]",  # no area
        "[[0,-100],[10,-110],[500,-100]]",  # outside
        "[[0,-100],[10,-110],[NaN,-100]]",
        "[[0,-100],[10,-110],[Infinity,-100]]",
        '[[0,-100],[10,-110],["x",-100]]',
        "[[0,-100,1],[10,-110],[5,-100]]",
        "[" * 3000,
        "[" + ",".join(["[0,-100]"] * 401) + "]",
        "7",
    ],
)
def test_rims_that_are_none(text: str) -> None:
    with pytest.raises(UsageError):
        rims.parse_rim(text, WINDOW)


def test_a_rim_comes_back_counter_clockwise_with_its_area() -> None:
    square = rims.parse_rim("[[0,-100],[0,-90],[10,-90],[10,-100]]", WINDOW)
    assert rims.area_mm2(square) == pytest.approx(100.0)  # 10 mm x 10 mm


def test_thinning_a_rim_keeps_its_area_and_its_place() -> None:
    # closed form: an ellipse with half-axes a, b has the area pi a b
    thin = rims.fewer_corners(ellipse(3, -120, 12, 20, corners=180))
    assert len(thin) == rims.HANDLES
    assert rims.area_mm2(thin) == pytest.approx(np.pi * 12 * 20, rel=2e-3)
    assert np.mean(thin, axis=0) == pytest.approx([3, -120], abs=0.6)


def test_crossing_found_as_in_brute_force() -> None:
    # each pair of edges tried by solving for the crossing point
    rng = np.random.default_rng(3)
    kinds = set()
    for _ in range(60):
        p = rng.uniform(0, 10, (6, 2))
        found = False
        for i in range(6):
            for j in range(i + 2, 6):
                if i == 0 and j == 5:
                    continue
                d = np.column_stack([p[(i + 1) % 6] - p[i], p[j] - p[(j + 1) % 6]])
                s = np.linalg.solve(d, p[j] - p[i])
                found |= bool(np.all((s >= 0) & (s <= 1)))
        assert rims.crosses_itself([tuple(q) for q in p]) == found
        kinds.add(found)
    assert kinds == {True, False}


# ---------------------------------------------------------------- made ahead


def test_a_case_made_ahead_is_taken_once_and_only_while_it_is_true(desk: Desk) -> None:
    queue, ready = Queue(desk), Ready()
    task = queue.task(SITE, "Lek")
    assert task is not None
    view = case_view(desk, SITE, task)
    assert view is not None
    ready.put(SITE, task, False, view)
    assert ready.take(SITE, task, False) is view
    assert ready.take(SITE, task, False) is None
    ready.put(SITE, task, False, view)
    assert ready.take(SITE, task, True) is None
    ready.put(SITE, task, False, view)
    neighbour = next(n for n in desk.sites_of_tree("A-001") if n != SITE)
    other = replace(filled(desk, Verdict.SIGN, Sign.CONK), sha256=desk.store.last_looks([neighbour])[-1].sha256)
    record(desk, neighbour, replace(other, seen=0), "Rin", queue.task(neighbour, "Rin"))
    again = queue.task(SITE, "Lek")
    assert ready.take(SITE, again, False) is None  # another site of the tree was answered


# ---------------------------------------------------------------- the log


def test_every_answer_stands_in_the_log_and_the_chain_is_whole(desk: Desk) -> None:
    done = answer(desk, "Lek", filled(desk, Verdict.NOT))
    take_back(desk, SITE, done.lead.lead, desk.store.last_review(SITE), "Lek")
    assert [(e.who, e.act) for e in desk.store.log_entries()] == [("Lek", "took back"), ("Lek", "answered")]
    check = desk.store.check_log()
    assert check.whole and check.lines == 2
    assert desk.store.check_log(check.head).whole


def test_the_database_refuses_to_change_or_remove_a_line(desk: Desk) -> None:
    desk.store.log(LogEntry(desk.now(), "Lek", "signed in"))
    with sqlite3.connect(desk.store.path) as raw:
        for act in (
            "UPDATE audit_log SET who = 'x'",
            "DELETE FROM audit_log",
            "INSERT OR REPLACE INTO audit_log SELECT * FROM audit_log",
        ):
            raw.execute("PRAGMA recursive_triggers = ON")
            with pytest.raises(sqlite3.IntegrityError):
                raw.execute(act)


@pytest.mark.parametrize(
    "tampering",
    [
        "UPDATE audit_log SET who = 'Rin' WHERE id = 2",
        'UPDATE audit_log SET detail = \'{"note":"other"}\' WHERE id = 1',
        "DELETE FROM audit_log WHERE id = 2",
        "UPDATE audit_log SET id = 9 WHERE id = 3",
    ],
)
def test_tampering_behind_the_triggers_back_is_found(desk: Desk, tampering: str) -> None:
    for n in range(4):
        desk.store.log(LogEntry(desk.now(), "Lek", "signed in", f"address {n}"))
    assert desk.store.check_log().whole
    with sqlite3.connect(desk.store.path) as raw:
        for act in ("update", "delete"):
            raw.execute(f"DROP TRIGGER audit_log_no_{act}")
        raw.execute(tampering)
    assert not desk.store.check_log().whole


def test_lines_cut_off_at_the_end_are_found_with_a_digest_noted_earlier(desk: Desk) -> None:
    for n in range(3):
        desk.store.log(LogEntry(desk.now(), "Lek", "signed in", f"address {n}"))
    noted = desk.store.check_log().head
    with sqlite3.connect(desk.store.path) as raw:
        raw.execute("DROP TRIGGER audit_log_no_delete")
        raw.execute("DELETE FROM audit_log WHERE id = 3")
    assert desk.store.check_log().whole  # the rest fits
    assert not desk.store.check_log(noted).whole


def test_answers_and_their_line_stand_or_fall_together(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def fails(*_: object) -> None:
        raise IntegrityError("log", None, Exception("no"))

    monkeypatch.setattr("pipeline.store.audit.append", fails)
    basis = Review("Lek", desk.now(), ReviewAnswer.NOTE, site=SITE)
    with pytest.raises(IntegrityError):
        desk.store.answer_case([basis], SITE, 0, LogEntry(desk.now(), "Lek", "answered"))
    assert not desk.store.reviews()
