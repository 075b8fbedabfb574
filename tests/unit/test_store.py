"""The memory on disk, on real SQLite files."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipeline.errors import StoreError
from pipeline.records import (
    AlertState,
    AlertStep,
    Answer,
    Event,
    EventKind,
    Finding,
    Outcome,
    Outlines,
    Question,
    Reading,
    Refusal,
    Review,
    ReviewAnswer,
    Severity,
    Sign,
    Stage,
)
from pipeline.store import Store, open_store
from pipeline.store.tables import FACTS
from tests import made_records as made
from tests import strategies
from tests.made_records import MODEL, NOON, PROGRAM, SETTINGS

ONE_FILE = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None, max_examples=15)


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new database, made once; tests work on copies."""
    path = tmp_path_factory.mktemp("empty") / "grove.sqlite"
    open_store(path).close()
    return path


@pytest.fixture
def store(tmp_path: Path, empty: Path):
    with copy_of(empty, tmp_path) as opened:
        yield opened


def copy_of(empty: Path, folder: Path) -> Store:
    return open_store(Path(shutil.copy(empty, folder / "grove.sqlite")))


def save(store: Store, *found: Reading | Refusal, model: str = MODEL, settings: str = SETTINGS, **more) -> None:
    store.save_results(found, model=model, settings=settings, read_at=NOON, **({"program": PROGRAM} | more))


def receive(store: Store, *files: str) -> None:
    store.record_arrivals([made.arrival(file) for file in files])


# ---------------------------------------------------------------- the file


def test_connection_pragmas_are_on(store: Store) -> None:
    with store._reading() as connection:
        value = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "foreign_keys", "synchronous", "recursive_triggers")
        }
    assert value == {"journal_mode": "wal", "foreign_keys": 1, "synchronous": 2, "recursive_triggers": 1}


def test_every_table_is_strict(store: Store) -> None:
    with store._reading() as connection:
        rows = connection.exec_driver_sql("SELECT name, strict FROM pragma_table_list WHERE schema = 'main'").all()
    loose = {name for name, strict in rows if not strict and not name.startswith("sqlite_")}
    assert loose == {"alembic_version"}  # Alembic's own


def test_a_wrong_type_is_refused_by_the_database(store: Store) -> None:
    receive(store, "a.jpg")
    with pytest.raises(sqlite3.IntegrityError), closing(sqlite3.connect(store.path)) as raw:
        raw.execute("INSERT INTO photos VALUES (?, 'many', 'x', 'y')", [made.sha("b")])


@pytest.mark.parametrize("table", [table.name for table in FACTS])
@pytest.mark.parametrize("act", ["UPDATE", "DELETE", "REPLACE"])
def test_facts_cannot_be_changed_or_removed(store: Store, table: str, act: str) -> None:
    fill_facts(store)
    with closing(sqlite3.connect(store.path)) as raw:
        raw.execute("PRAGMA recursive_triggers = ON")
        names = [row[1] for row in raw.execute(f"PRAGMA table_info({table})")]
        before = raw.execute(f"SELECT * FROM {table}").fetchall()
        assert before, "the test needs a row"
        statement = {
            "UPDATE": f'UPDATE {table} SET "{names[-1]}" = "{names[-1]}"',
            "DELETE": f"DELETE FROM {table}",
            "REPLACE": f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
        }[act]
        with pytest.raises(sqlite3.IntegrityError, match="only added to"):
            raw.execute(statement)
        raw.rollback()
        assert raw.execute(f"SELECT * FROM {table}").fetchall() == before


def fill_facts(store: Store) -> None:
    """At least one row in every table of facts."""
    recorded = store.record_arrivals([made.arrival("a.jpg")])
    store.mark_released([recorded[0].id], NOON)
    store.use_reader(MODEL, SETTINGS, NOON)
    store.apply_findings([made.finding()], NOON.date())
    store.add_review(Review("Mai", NOON, ReviewAnswer.CONFIRMED, site=205, sha256=made.sha("a.jpg")))
    (question,) = store.ask([Question("k", 205, NOON.date(), date(2026, 5, 1), date(2026, 5, 28), "Wood taken out?")])
    store.answer(Answer(question.id, "Mai", NOON))


def test_a_text_file_is_refused_with_its_name(tmp_path: Path) -> None:
    path = tmp_path / "grove.sqlite"
    path.write_text("not a database, but long enough to be taken for one")
    with pytest.raises(StoreError, match=r"grove\.sqlite is not a database"):
        open_store(path)


def test_another_programs_database_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "grove.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE TABLE songs (title TEXT)")
        raw.commit()
    with pytest.raises(StoreError, match="not one of Woundwood's"):
        open_store(path)
    with closing(sqlite3.connect(path)) as raw:
        assert [row[0] for row in raw.execute("SELECT name FROM sqlite_master")] == ["songs"]


def test_a_damaged_database_is_one_sentence(tmp_path: Path) -> None:
    path = tmp_path / "grove.sqlite"
    with open_store(path) as store:
        receive(store, *(f"{i}.jpg" for i in range(300)))
    content = bytearray(path.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    path.write_bytes(content)
    with pytest.raises(StoreError, match="damaged"):
        open_store(path).counts()


def test_no_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="does not exist"):
        open_store(tmp_path / "nowhere" / "grove.sqlite")


def test_a_path_with_odd_characters_works(tmp_path: Path) -> None:
    folder = tmp_path / "สวน ของ'ฉัน 100% #1?"
    folder.mkdir()
    with open_store(folder / "grove.sqlite") as store:
        receive(store, "a.jpg")
    with open_store(folder / "grove.sqlite") as store:
        assert store.counts()[Outcome.WAITING] == 1


def test_a_database_that_stays_locked_is_one_sentence(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pipeline.store.opening.BUSY_S", 0.05)
    with open_store(store.path) as second, closing(sqlite3.connect(store.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreError, match="in use by another program"):
            receive(second, "a.jpg")
        other.execute("ROLLBACK")
    receive(store, "a.jpg")
    assert store.counts()[Outcome.WAITING] == 1


# ---------------------------------------------------------------- arrivals


def test_same_bytes_same_name_is_known_other_name_is_duplicate(store: Store) -> None:
    (first,) = store.record_arrivals([made.arrival("mai/a.jpg", "x")])
    copy, other = store.record_arrivals([made.arrival("tan/a.jpg", "x"), made.arrival("b.jpg", "y")])
    store.mark_released([first.id, copy.id, other.id], NOON)
    (again,) = store.record_arrivals([made.arrival("mai/a.jpg", "x", NOON + timedelta(days=1))])
    assert [r.seen_before for r in (first, copy, other, again)] == [None, Outcome.DUPLICATE, None, Outcome.KNOWN]
    assert store.counts() == {
        Outcome.READING: 0,
        Outcome.REFUSAL: 0,
        Outcome.DUPLICATE: 1,
        Outcome.KNOWN: 1,
        Outcome.WAITING: 2,
    }


def test_an_arrival_that_did_not_leave_the_inbox_is_the_same_one(store: Store) -> None:
    (first,) = store.record_arrivals([made.arrival("a.jpg")])
    (again,) = store.record_arrivals([made.arrival("a.jpg", at=NOON + timedelta(minutes=5))])
    assert (again.id, again.again, again.seen_before) == (first.id, True, None)
    assert [r.id for r in store.unreleased()] == [first.id]
    store.mark_released([first.id], NOON)
    store.mark_released([first.id], NOON)
    assert list(store.unreleased()) == []
    assert sum(store.counts().values()) == 1


def test_one_bad_file_of_a_batch_records_none(store: Store) -> None:
    bad = replace(made.arrival("b.jpg"), sha256="short")
    with pytest.raises(Exception, match="ck_photos_hex"):
        store.record_arrivals([made.arrival("a.jpg"), bad])
    assert sum(store.counts().values()) == 0
    assert list(store.stored_photos()) == []


def test_a_file_name_that_is_no_text_is_kept_readable(store: Store) -> None:
    name = b"wald\xe4.jpg".decode("utf-8", "surrogateescape")
    receive(store, name)
    (facts,) = store.photo_facts()
    assert facts.file == r"wald\xe4.jpg"


@ONE_FILE
@given(
    batches=st.lists(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("xyz"))), max_size=5), data=st.data()
)
def test_every_arrival_has_exactly_one_outcome(empty, tmp_path_factory, batches, data) -> None:
    """The number of arrivals is counted here by hand; the store must agree whatever came in what order."""
    with copy_of(empty, tmp_path_factory.mktemp("store")) as store:
        store.use_reader(MODEL, SETTINGS, NOON)
        came: set[tuple[str, str]] = set()
        count = 0
        for batch in batches:
            recorded = store.record_arrivals([made.arrival(f"{name}.jpg", content) for name, content in batch])
            assert sum(not r.again for r in recorded) == len(set(batch))  # unfinished ones are not counted twice
            count += len(set(batch))
            came |= set(batch)
            store.mark_released([r.id for r in recorded], NOON)
        for content in sorted({content for _, content in came}):
            match data.draw(st.sampled_from(["reading", "refusal", "wait"])):
                case "reading":
                    save(store, made.reading("f", sha256=made.sha(content)))
                case "refusal":
                    save(store, made.refusal("f", sha256=made.sha(content)))
        facts = list(store.photo_facts())
        assert len(facts) == count == sum(store.counts().values())
        assert {outcome: sum(f.outcome is outcome for f in facts) for outcome in Outcome} == store.counts()
        first = [f for f in facts if f.outcome not in (Outcome.DUPLICATE, Outcome.KNOWN)]
        assert len(first) == len({content for _, content in came})


# ---------------------------------------------------------------- results


@ONE_FILE
@given(reading=strategies.readings)
def test_readings_come_back_equal(store: Store, reading: Reading) -> None:
    receive_hash(store, reading.sha256)
    save(store, reading)
    back = store.result_of(reading.sha256)
    assert back == reading
    assert isinstance(back, Reading)
    assert back.taken_at.utcoffset() == reading.taken_at.utcoffset()


@ONE_FILE
@given(refusal=strategies.refusals)
def test_refusals_come_back_equal(store: Store, refusal: Refusal) -> None:
    receive_hash(store, refusal.sha256)
    save(store, refusal)
    assert store.result_of(refusal.sha256) == refusal


def receive_hash(store: Store, sha256: str) -> None:
    if store.stored_photo(sha256) is None:
        store.record_arrivals([replace(made.arrival("f.jpg"), sha256=sha256, stored=sha256)])


def test_without_outlines_all_else_is_there(store: Store) -> None:
    receive(store, "a.jpg")
    whole = made.reading("a.jpg")
    save(store, whole)
    assert store.readings_of([205]) == [whole]
    assert store.readings_of([205], with_outlines=False) == [replace(whole, outlines=Outlines())]


@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_a_figure_that_is_no_number_is_refused(store: Store, bad: float) -> None:
    receive(store, "a.jpg")
    with pytest.raises(ValueError, match=r"aperture_width_mm of a\.jpg"):
        save(store, made.reading("a.jpg", aperture_width_mm=bad))
    assert store.result_of(made.sha("a.jpg")) is None


def test_saving_again_replaces_and_keeps_one(store: Store) -> None:
    receive(store, "a.jpg")
    store.use_reader(MODEL, SETTINGS, NOON)
    save(store, made.reading("a.jpg", aperture_width_mm=20.0))
    save(store, made.refusal("a.jpg"))
    assert store.counts()[Outcome.REFUSAL] == 1
    save(store, made.reading("a.jpg", aperture_width_mm=21.0))
    assert [r.aperture_width_mm for r in store.readings()] == [21.0]
    assert sum(store.counts().values()) == 1
    with store._reading() as connection:
        rows = {t: connection.exec_driver_sql(f"SELECT count(*) FROM {t}").scalar() for t in ("results", "refusals")}
    assert rows == {"results": 1, "refusals": 0}


def test_old_results_stand_until_the_new_reader_has_read(store: Store) -> None:
    receive(store, "a.jpg", "b.jpg")
    store.use_reader(MODEL, SETTINGS, NOON)
    save(store, made.reading("a.jpg"), made.reading("b.jpg"))
    assert store.use_reader("net 2", SETTINGS, NOON) is True
    assert store.use_reader("net 2", SETTINGS, NOON) is False
    assert store.count_stale() == 2
    assert [p.file for p in store.photos_without_result("net 2", SETTINGS)] == ["a.jpg", "b.jpg"]
    save(store, made.reading("a.jpg", model="net 2"), model="net 2")
    assert sorted(r.model for r in store.readings()) == [MODEL, "net 2"]
    assert store.count_stale() == 1
    assert store.use_reader(MODEL, SETTINGS, NOON) is True  # and back, with nothing to read again
    assert [r.model for r in store.readings()] == [MODEL, MODEL]
    assert store.count_without_result(MODEL, SETTINGS) == 0
    assert store.prune() == 1
    assert store.count_without_result("net 2", SETTINGS) == 2


def test_a_result_of_a_reader_not_in_use_does_not_push_out_the_one_that_is(store: Store) -> None:
    receive(store, "a.jpg")
    store.use_reader(MODEL, SETTINGS, NOON)
    save(store, made.reading("a.jpg"))
    save(store, made.reading("a.jpg", model="trial"), model="trial")
    assert [r.model for r in store.readings()] == [MODEL]


def test_a_fault_is_tried_again_by_another_version_only(store: Store) -> None:
    receive(store, "a.jpg", "b.jpg")
    save(store, made.refusal("a.jpg", fault=True), made.refusal("b.jpg"))
    assert store.count_without_result(MODEL, SETTINGS) == 0
    assert store.count_without_result(MODEL, SETTINGS, PROGRAM) == 0
    assert [p.file for p in store.photos_without_result(MODEL, SETTINGS, "0.2.0")] == ["a.jpg"]


def test_photos_may_be_saved_while_walking_and_each_comes_once(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.store.arrivals.CHUNK", 50)
    files = [f"{i:04}.jpg" for i in range(123)]  # more than two pages
    receive(store, *files)
    seen = []
    for photo in store.photos_without_result(MODEL, SETTINGS):
        seen.append(photo.file)
        if len(seen) % 20 == 0:
            save(store, *(made.refusal(file) for file in seen[-20:]))
    assert seen == files
    assert store.count_without_result(MODEL, SETTINGS) == 3


def test_readings_are_in_order_of_time_whatever_the_offset(store: Store) -> None:
    east, west = timedelta(hours=7), timedelta(hours=-5)
    earlier = NOON.astimezone(timezone(east))
    later = (NOON + timedelta(hours=1)).astimezone(timezone(west))
    receive(store, "a.jpg", "b.jpg")
    save(store, made.reading("b.jpg", taken_at=later), made.reading("a.jpg", taken_at=earlier))
    assert [r.file for r in store.readings_of([205])] == ["a.jpg", "b.jpg"]


# ---------------------------------------------------------------- alerts

DAY = date(2026, 5, 3)


def test_an_alert_opens_once_is_updated_closes_and_comes_back(store: Store) -> None:
    one = made.finding()
    opened = store.apply_findings([one], DAY)
    assert [a.state for a in opened.opened] == [AlertState.OPEN]
    assert store.apply_findings([one], DAY + timedelta(1)) == type(opened)()
    worse = replace(one, why="The rim has not moved for 110 days.")
    assert [a.finding for a in store.apply_findings([worse], DAY + timedelta(2)).updated] == [worse]
    (closed,) = store.apply_findings([], DAY + timedelta(3)).closed
    assert (closed.state, closed.closed_by, closed.closed_on) == (AlertState.CLOSED, "data", DAY + timedelta(3))
    (back,) = store.apply_findings([worse], DAY + timedelta(9)).reopened
    assert (back.id, back.opened_on, back.closed_on) == (closed.id, DAY, None)
    assert [e.step for e in store.alert_history(back.id)] == [
        AlertStep.OPENED,
        AlertStep.UPDATED,
        AlertStep.CLOSED,
        AlertStep.REOPENED,
    ]


def test_acknowledged_stays_so_until_it_gets_more_urgent(store: Store) -> None:
    one = made.finding()
    (alert,) = store.apply_findings([one], DAY).opened
    assert store.acknowledge(alert.id, "Mai", NOON).state is AlertState.ACKNOWLEDGED
    store.acknowledge(alert.id, "Mai", NOON)
    (same,) = store.apply_findings([replace(one, why="Still.")], DAY).updated
    assert same.state is AlertState.ACKNOWLEDGED
    (urgent,) = store.apply_findings([replace(one, severity=Severity.ACT)], DAY).reopened
    assert urgent.state is AlertState.OPEN
    assert [e.by for e in store.alert_history(alert.id) if e.step is AlertStep.ACKNOWLEDGED] == ["Mai"]


def test_closed_by_a_person_does_not_open_again_by_the_same_evidence(store: Store) -> None:
    one = made.finding(photos=(made.sha("a"), made.sha("b")))
    (alert,) = store.apply_findings([one], DAY).opened
    store.close_alert(alert.id, "Mai", NOON, "moss")
    fewer = replace(one, photos=(made.sha("b"),), why="Other words.", since=date(2026, 4, 2))
    assert store.apply_findings([fewer], DAY).reopened == ()
    new = replace(one, photos=(made.sha("b"), made.sha("c")))
    assert len(store.apply_findings([new], DAY).reopened) == 1
    assert store.alert_history(alert.id)[1].note == "moss"


def test_findings_for_some_trees_leave_the_others_alone(store: Store) -> None:
    here, there = made.finding("stalled/1", tree="A-1"), made.finding("stalled/2", tree="B-9")
    store.apply_findings([here, there], DAY)
    changes = store.apply_findings([], DAY, trees={"A-1"})
    assert [a.finding.tree for a in changes.closed] == ["A-1"]
    assert [a.finding.tree for a in store.alerts(states={AlertState.OPEN})] == ["B-9"]


def test_alerts_come_most_urgent_first(store: Store) -> None:
    for days, (key, severity) in enumerate([("a", "note"), ("b", "act"), ("c", "look"), ("d", "act")]):
        keep = [a.finding for a in store.alerts()]
        store.apply_findings([*keep, made.finding(key, severity=Severity(severity))], DAY + timedelta(days))
    assert [a.finding.key for a in store.alerts()] == ["b", "d", "c", "a"]


@pytest.mark.parametrize("act", ["acknowledge", "close_alert", "reopen_alert"])
def test_unknown_alert_and_nameless_person_are_refused(store: Store, act: str) -> None:
    with pytest.raises(StoreError, match="no alert 17"):
        getattr(store, act)(17, "Mai", NOON)
    with pytest.raises(StoreError, match="person"):
        getattr(store, act)(17, "data", NOON)


def test_two_findings_with_one_key_are_an_error(store: Store) -> None:
    with pytest.raises(ValueError, match="same key"):
        store.apply_findings([made.finding(), made.finding(why="x")], DAY)
    assert store.alerts() == []


@ONE_FILE
@given(days=st.lists(st.lists(strategies.findings, unique_by=lambda f: f.key, max_size=4), max_size=5), data=st.data())
def test_the_state_of_all_alerts_follows_from_their_steps(empty, tmp_path_factory, days, data) -> None:
    with copy_of(empty, tmp_path_factory.mktemp("alerts")) as store:
        for number, findings in enumerate(days):
            store.apply_findings(findings, DAY + timedelta(number))
            live = {a.finding.key for a in store.alerts(states={AlertState.OPEN, AlertState.ACKNOWLEDGED})}
            by_person = {a.finding.key for a in store.alerts() if a.closed_by not in ("", "data")}
            assert live <= {f.key for f in findings} <= live | by_person
            for alert in store.alerts(states={AlertState.OPEN}):
                act = data.draw(st.sampled_from([None, store.acknowledge, store.close_alert]))
                if act:
                    act(alert.id, "Mai", NOON)
        before = store.alerts()
        store.rebuild_alerts()
        assert store.alerts() == before
        assert all(a.finding == Finding(**{n: getattr(a.finding, n) for n in Finding.__slots__}) for a in before)


# ---------------------------------------------------------------- people


def test_reviews_come_back_and_keep_their_history(store: Store) -> None:
    receive(store, "a.jpg")
    first = store.add_review(
        Review(
            "Mai",
            NOON,
            ReviewAnswer.REJECTED,
            205,
            made.sha("a.jpg"),
            sign=Sign.GREEN_FILM,
            payload={"instead": "moss"},
        )
    )
    second = store.add_review(
        Review("Tan", NOON, ReviewAnswer.CORRECTED, 205, stage=Stage.CLOSING, note="sees a seam", replaces=first.id)
    )
    assert store.reviews() == [first, second]
    assert store.reviews(standing_only=True) == [second]
    assert store.reviews(sites=[206]) == []
    assert first.payload == {"instead": "moss"}


def test_a_review_of_nothing_is_refused(store: Store) -> None:
    with pytest.raises(StoreError, match="no photo"):
        store.add_review(Review("Mai", NOON, ReviewAnswer.NOTE, sha256=made.sha("a.jpg")))
    with pytest.raises(StoreError, match="no answer 5"):
        store.add_review(Review("Mai", NOON, ReviewAnswer.NOTE, replaces=5))
    assert store.reviews() == []


def test_a_question_is_asked_once_and_its_answer_becomes_an_event(store: Store) -> None:
    asked = Question("cut?/205/2026-05-28", 205, DAY, date(2026, 5, 3), date(2026, 5, 28), "Was wood taken out?")
    (question,) = store.ask([asked])
    assert store.ask([asked]) == []
    assert store.questions(open_only=True) == [(question, None)]
    event = Event(date(2026, 5, 12), EventKind.CUT, site=205, amount=240.0, unit="g", by="Tan")
    store.answer(Answer(question.id, "Tan", NOON, event))
    assert store.answered_events() == [event]
    last = store.answer(Answer(question.id, "Mai", NOON, None, "It was the next tree."))
    assert store.answered_events() == []
    assert store.questions() == [(question, last)]
    with pytest.raises(StoreError, match="no question 9"):
        store.answer(Answer(9, "Tan", NOON))


# ---------------------------------------------------------------- lock


def test_a_second_run_is_told_who_holds_the_grove(store: Store) -> None:
    with open_store(store.path) as second, store.lock("run"):
        with pytest.raises(StoreError, match=r"Another run works on this grove .*process \d+ on "):
            second.lock("run").__enter__()
        with second.lock("another matter"):
            pass
    with store.lock("run"):
        pass


def test_a_second_run_can_wait(store: Store) -> None:
    held, got = threading.Event(), threading.Event()

    def hold() -> None:
        with open_store(store.path) as other, other.lock("run"):
            held.set()
            got.wait(0.3)

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait(10)
    with store.lock("run", wait_s=20):
        got.set()
    thread.join()


def test_a_lock_of_a_dead_process_is_free_at_once(store: Store) -> None:
    code = (
        "import os, sys; from pathlib import Path; from pipeline.store import open_store\n"
        "open_store(Path(sys.argv[1])).lock('run').__enter__(); os._exit(9)"
    )
    assert subprocess.run([sys.executable, "-c", code, str(store.path)], check=False).returncode == 9
    with store.lock("run"):
        pass


def test_an_expired_lock_is_taken_over_and_its_owner_notices(store: Store) -> None:
    with store.lock("run", lease_s=0.4) as first:
        with store._writing() as connection:  # as if this process had stood still meanwhile
            past = (datetime.now(UTC) - timedelta(seconds=1)).isoformat()
            connection.exec_driver_sql("UPDATE locks SET host = 'elsewhere', expires_at = ?", (past,))
        with open_store(store.path) as second, second.lock("run") as taken:
            first._thread.join(10)
            with pytest.raises(StoreError, match="taken over"):
                first.check()
            taken.check()


def test_a_held_lock_is_renewed(store: Store) -> None:
    def expiry() -> str:
        with store._reading() as connection:
            return str(connection.exec_driver_sql("SELECT expires_at FROM locks").scalar())

    with store.lock("run", lease_s=0.2) as held:
        before, until = expiry(), threading.Event()
        for _ in range(200):
            if expiry() != before:
                break
            until.wait(0.05)
        assert expiry() > before
        held.check()
