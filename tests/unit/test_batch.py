"""The run on real folders, real SQLite files and real processes; only the reading of a photo is a stand-in."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections import Counter
from datetime import date, timedelta
from pathlib import Path

import pytest

from pipeline import batch, cache, receive
from pipeline.crew import AHEAD, Orders, read_all
from pipeline.errors import ModelError, StoreError, WoundwoodError
from pipeline.flow import ReadContext
from pipeline.grove import Grove
from pipeline.records import AlertState, Outcome, StoredPhoto, TreeHealth
from pipeline.store import Store, open_store
from tests import kills, stand_in
from tests import made_records as made
from tests.made_records import NOON


@pytest.fixture
def grove(tmp_path: Path) -> Grove:
    return stand_in.make_grove(tmp_path / "grove")


@pytest.fixture
def store(grove: Grove):
    with open_store(grove.database) as opened:
        yield opened


def go(grove: Grove, store: Store, **changes) -> batch.RunSummary:
    values = {
        "model": None,
        "workers": 1,
        "progress": lambda _: None,
        "now": NOON,
        "read": stand_in.read_photo,
        "open_reader": stand_in.open_reader,
    }
    return batch.run(grove, store, **(values | changes))


def left_in(inbox: Path) -> list[str]:
    return sorted(str(p.relative_to(inbox)) for p in inbox.rglob("*") if p.is_file() and p.name != "READ ME.txt")


# ---------------------------------------------------------------- one run


def test_every_file_ends_as_exactly_one_thing(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg", site=205)
    stand_in.drop(grove.inbox, "mai/b.jpg", site=206, name="b")
    stand_in.drop(grove.inbox, "tan/b again.jpg", site=206, name="b")
    stand_in.drop(grove.inbox, "c.jpg", do="refuse")
    (grove.inbox / "empty.jpg").write_bytes(b"")
    summary = go(grove, store, read=read_even_empty)
    assert (summary.arrived, summary.received, summary.duplicates, summary.known) == (5, 4, 1, 0)
    assert summary.read == 2
    assert sorted(refusal.file for refusal in summary.refused) == ["c.jpg", "empty.jpg"]
    assert store.counts() == {
        Outcome.READING: 2,
        Outcome.REFUSAL: 2,
        Outcome.DUPLICATE: 1,
        Outcome.KNOWN: 0,
        Outcome.WAITING: 0,
    }
    assert left_in(grove.inbox) == []
    assert summary.left == ()


def read_even_empty(data, file, sha256, context, reader):
    return stand_in.read_photo(data or b'{"do": "refuse"}', file, sha256, context, reader)


def test_a_second_run_changes_nothing(grove: Grove, store: Store) -> None:
    for number in range(9):
        stand_in.drop(grove.inbox, f"{number}.jpg", do="refuse" if number % 4 == 3 else "read")
    go(grove, store)
    before = kills.dump(grove.database)
    originals = {path: path.read_bytes() for path in grove.photos.rglob("*") if path.is_file()}
    summary = go(grove, store)
    assert kills.dump(grove.database) == before
    assert {path: path.read_bytes() for path in grove.photos.rglob("*") if path.is_file()} == originals
    assert (summary.arrived, summary.read, summary.refused, summary.again) == (0, 0, (), 0)


def test_a_look_at_the_inbox_taken_before_is_used_and_only_touched_trees_follow(grove: Grove, store: Store) -> None:
    looked: list[str] = []

    def assess_trees(trees) -> tuple[TreeHealth, ...]:
        looked.extend(trees)
        return ()

    stand_in.drop(grove.inbox, "a.jpg", site=207)
    found = receive.scan(grove.inbox, grove.settings.intake, NOON)
    stand_in.drop(grove.inbox, "later.jpg", site=205)
    summary = go(grove, store, found=found, only_touched=True, assess_trees=assess_trees)
    assert (summary.arrived, summary.read, looked) == (1, 1, ["B-001"])
    assert left_in(grove.inbox) == ["later.jpg"]


def test_recent_facts_are_the_facts_latest_first(grove: Grove, store: Store) -> None:
    for day in range(3):
        stand_in.drop(grove.inbox, f"{day}.jpg", do="refuse" if day == 1 else "read")
        go(grove, store, now=NOON + timedelta(days=day))
    every = list(store.photo_facts())
    assert store.recent_facts(NOON) == every[::-1]
    assert store.recent_facts(NOON + timedelta(days=1)) == every[:0:-1]
    assert store.recent_facts(NOON + timedelta(days=9)) == []
    assert store.days_of_devices(["", "no such phone"]) == {
        "": sorted((reading.sha256, reading.visit_on) for reading in store.readings()),
        "no such phone": [],
    }


def test_the_same_file_coming_again_is_known(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    go(grove, store)
    stand_in.drop(grove.inbox, "a.jpg")
    summary = go(grove, store)
    assert (summary.arrived, summary.known, summary.read) == (1, 1, 0)
    assert store.counts()[Outcome.KNOWN] == 1
    assert left_in(grove.inbox) == []


@pytest.mark.parametrize("workers", [1, 2])
def test_workers_and_batches_do_not_change_the_result(tmp_path: Path, workers: int) -> None:
    tables = []
    for size, crew in ((1, 1), (5, workers)):
        grove = stand_in.make_grove(tmp_path / f"{size}-{crew}", **{"run.batch": size})
        for number in range(13):
            stand_in.drop(
                grove.inbox, f"{number:02}.jpg", site=205 + number % 3, do="refuse" if number == 7 else "read"
            )
        with open_store(grove.database) as store:
            go(grove, store, workers=crew)
            tables.append((list(store.photo_facts()), list(store.readings()), store.refusals()))
    assert tables[0] == tables[1]


def test_progress_tells_stage_done_and_total(grove: Grove, store: Store) -> None:
    for number in range(6):
        stand_in.drop(grove.inbox, f"{number}.jpg")
    told: list[batch.Progress] = []
    go(grove, store, progress=told.append)
    for stage, total in ((batch.RunStage.RECEIVING, 6), (batch.RunStage.READING, 6), (batch.RunStage.ALERTS, 2)):
        steps = [p for p in told if p.stage is stage]
        assert [p.done for p in steps] == sorted(p.done for p in steps)
        assert (steps[-1].done, steps[-1].total) == (total, total)
    assert told[-1].stage is batch.RunStage.ALERTS is not told[0].stage


def test_a_file_still_arriving_is_left_and_said_so(tmp_path: Path) -> None:
    grove = stand_in.make_grove(tmp_path / "grove", **{"intake.settle_s": 0.05, "intake.cut_off_wait_s": 60})
    (grove.inbox / "half.jpg").write_bytes(b"\xff\xd8\xff\xe0 the beginning of a photo")
    with open_store(grove.database) as store:
        summary = go(grove, store)
        assert summary.arrived == 0
        assert "half.jpg" in summary.left[0]
        assert left_in(grove.inbox) == ["half.jpg"]


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="needs a folder that refuses this user")
def test_a_read_only_inbox_is_read_once_and_said_so(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    grove.inbox.chmod(0o555)
    try:
        first, second = go(grove, store), go(grove, store)
    finally:
        grove.inbox.chmod(0o755)
    assert (first.read, second.read, second.arrived) == (1, 0, 0)
    assert "a.jpg" in first.left[0]
    assert sum(store.counts().values()) == 1


def test_release_that_fails_does_not_count_twice(grove: Grove, store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    with monkeypatch.context() as patched:
        patched.setattr("pipeline.receive.release", lambda source, stored: f"'{source.name}' cannot be removed.")
        first, second = go(grove, store), go(grove, store)
    assert (first.arrived, first.left) == (1, ("'a.jpg' cannot be removed.",))
    assert (second.arrived, second.left) == (0, ("'a.jpg' cannot be removed.",))
    third = go(grove, store)
    assert (third.arrived, third.left) == (0, ())
    assert left_in(grove.inbox) == []
    assert sum(store.counts().values()) == 1


def test_a_full_disk_half_way_keeps_what_was_copied(
    grove: Grove, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline import receive

    for name in "abcdef":
        stand_in.drop(grove.inbox, f"{name}.jpg")
    real, calls = receive.store_original, []

    def full_after_five(source: Path, photos: Path):
        calls.append(source)
        if len(calls) > 5:
            raise WoundwoodError("The disk is full.", "Free some space.")
        return real(source, photos)

    with monkeypatch.context() as patched:
        patched.setattr("pipeline.receive.store_original", full_after_five)
        with pytest.raises(WoundwoodError, match="disk is full"):
            go(grove, store)
    assert left_in(grove.inbox) == ["f.jpg"]
    counts = store.counts()
    assert counts[Outcome.WAITING] + counts[Outcome.READING] == 5
    assert go(grove, store).read == 6 - counts[Outcome.READING]
    assert sum(store.counts().values()) == 6


# ---------------------------------------------------------------- read again, and only then


def test_a_change_of_settings_reads_all_again(tmp_path: Path) -> None:
    grove = stand_in.make_grove(tmp_path / "grove")
    for number in range(5):
        stand_in.drop(grove.inbox, f"{number}.jpg")
    with open_store(grove.database) as store:
        go(grove, store)
        changed = stand_in.make_grove(grove.root, **{"reading.rim_sd_mm": 0.5})
        summary = go(changed, store)
        assert summary.read == 5
        assert {r.settings for r in store.readings()} == {changed.settings.reading_hash}
        assert store.count_stale() == 0
        assert go(grove, store).read == 0, "the earlier results are still there"
        assert {r.settings for r in store.readings()} == {grove.settings.reading_hash}


def test_a_setting_that_changes_no_result_reads_nothing_again(tmp_path: Path) -> None:
    grove = stand_in.make_grove(tmp_path / "grove")
    stand_in.drop(grove.inbox, "a.jpg")
    with open_store(grove.database) as store:
        go(grove, store)
        for name, value in {"run.batch": 9, "alerts.sign_p": 0.7, "intake.settle_s": 0.01}.items():
            assert go(stand_in.make_grove(grove.root, **{name: value}), store).read == 0


def test_what_another_network_has_read_stays_unless_asked(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    stand_in.drop(grove.inbox, "b.jpg", site=999)
    go(grove, store, model="stand-in 1")
    stand_in.drop(grove.inbox, "c.jpg")
    summary = go(grove, store, model="stand-in 2", read_again=False)
    # the new photo, and the refused one, of which the other network has read nothing
    assert (summary.read, [r.file for r in summary.refused]) == (1, ["b.jpg"])
    assert {r.file: r.model for r in store.readings()} == {"a.jpg": "stand-in 1", "c.jpg": "stand-in 2"}
    assert store.readings_by_reader() == {"stand-in 1": 1, "stand-in 2": 1}
    assert go(grove, store, model="stand-in 2", read_again=False).read == 0
    assert go(grove, store, model="stand-in 2", read_again=True).read == 1
    assert store.readings_by_reader() == {"stand-in 2": 2}
    assert go(grove, store, model="stand-in 1", read_again=False).read == 0
    assert {r.file: r.model for r in store.readings()} == {"a.jpg": "stand-in 1", "c.jpg": "stand-in 2"}


def test_what_another_network_has_read_is_read_again_when_its_basis_changes(grove: Grove, store: Store) -> None:
    stems = grove.register_folder / "stems.csv"
    stems.write_text("tree,stem,girth_cm,measured_on\nA-012,1,60,2026-05-01\nB-001,1,50,2026-05-01\n")
    grove = stand_in.make_grove(grove.root)
    stand_in.drop(grove.inbox, "a.jpg", site=205)
    stand_in.drop(grove.inbox, "b.jpg", site=207)
    go(grove, store, model="stand-in 1")
    stems.write_text("tree,stem,girth_cm,measured_on\nA-012,1,66,2026-05-01\nB-001,1,50,2026-05-01\n")
    summary = go(stand_in.make_grove(grove.root), store, model="stand-in 2", read_again=False)
    assert (summary.read, summary.again) == (1, 1)
    assert {r.file: r.model for r in store.readings()} == {"a.jpg": "stand-in 2", "b.jpg": "stand-in 1"}


def test_a_new_site_in_the_register_reads_the_photo_that_was_refused(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg", site=999)
    stand_in.drop(grove.inbox, "b.jpg", site=205)
    assert [r.file for r in go(grove, store).refused] == ["a.jpg"]
    sites = grove.register_folder / "sites.csv"
    sites.write_text(sites.read_text() + "999,B-001,1,window\n")
    summary = go(stand_in.make_grove(grove.root), store)
    assert (summary.read, summary.again, summary.refused) == (1, 1, ())


def test_a_corrected_girth_reads_the_photos_it_concerns_again(grove: Grove, store: Store) -> None:
    stems = grove.register_folder / "stems.csv"
    stems.write_text("tree,stem,girth_cm,measured_on\nA-012,1,60,2026-05-01\nB-001,1,50,2026-05-01\n")
    grove = stand_in.make_grove(grove.root)
    stand_in.drop(grove.inbox, "a.jpg", site=205)
    stand_in.drop(grove.inbox, "b.jpg", site=207)
    assert go(grove, store).read == 2
    stems.write_text("tree,stem,girth_cm,measured_on\nA-012,1,66,2026-05-01\nB-001,1,50,2026-05-01\n")
    assert go(stand_in.make_grove(grove.root), store).again == 1
    later = stems.read_text() + "A-012,1,70,2027-05-01\nB-001,1,55,2026-05-03\n"
    stems.write_text(later)
    # the girth of next year says (almost) nothing about this May: 2026-05-03 lies two days after the last measure,
    # so the interpolated girth of A-012 does change a little, and that of B-001 by 5 cm
    assert go(stand_in.make_grove(grove.root), store).again == 2
    assert go(stand_in.make_grove(grove.root), store).again == 0


def test_patches_are_made_and_made_again(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    stand_in.drop(grove.inbox, "b.jpg", do="refuse")
    go(grove, store)
    (reading,) = store.readings()
    path = cache.patch_path(grove.cache, reading.sha256)
    assert path.relative_to(grove.cache).as_posix() == f"patches/{reading.sha256[:2]}/{reading.sha256}.jpg"
    patch = cache.load_patch(grove.cache, reading.sha256)
    assert patch is not None
    assert (patch.rgb.shape, patch.mm_per_px, patch.left_mm, patch.top_mm) == ((8, 8, 3), 0.5, -2.0, -52.0)
    path.unlink()
    summary = go(grove, store)
    assert (summary.again, summary.read) == (1, 1)
    assert path.exists()
    path.write_bytes(b"")  # as a power cut may leave it
    go(grove, store)
    assert cache.load_patch(grove.cache, reading.sha256) is not None


def test_a_cache_that_cannot_be_written_costs_no_reading(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    grove.cache.write_text("in the way")
    assert go(grove, store).read == 1


# ---------------------------------------------------------------- faults and workers


@pytest.mark.parametrize("workers", [1, 2])
def test_a_fault_of_the_program_costs_one_photo(grove: Grove, store: Store, workers: int) -> None:
    for number in range(6):
        stand_in.drop(grove.inbox, f"{number}.jpg", do="raise" if number == 2 else "read")
    stand_in.drop(grove.inbox, "nan.jpg", do="no number")
    summary = go(grove, store, workers=workers)
    assert summary.read == 6 - 1
    assert sorted((r.file, r.fault) for r in summary.refused) == [("2.jpg", True), ("nan.jpg", True)]
    reasons = {r.file: r.reason for r in summary.refused}
    assert "KeyError" in reasons["2.jpg"]
    assert "aperture_width_mm" in reasons["nan.jpg"]
    assert go(grove, store, workers=workers).refused == (), "not tried again by the same version"


def test_faults_are_tried_again_when_asked_for(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg", do="raise")
    stand_in.drop(grove.inbox, "b.jpg", do="refuse")
    go(grove, store)
    assert [r.file for r in go(grove, store, retry_faults=True).refused] == ["a.jpg"]
    assert store.counts()[Outcome.REFUSAL] == 2


def test_a_photo_that_kills_its_worker_is_found_and_costs_no_other(grove: Grove, store: Store) -> None:
    for number in range(7):
        stand_in.drop(grove.inbox, f"{number}.jpg", do="die" if number == 3 else "read")
    summary = go(grove, store, workers=2)
    assert summary.read == 6
    assert sorted(r.file for r in summary.refused) == ["3.jpg"]
    assert all("worker process died" in r.reason for r in summary.refused)
    assert go(grove, store, workers=2).read == 0


def test_an_original_that_is_gone_is_said_and_waits(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    stand_in.drop(grove.inbox, "b.jpg")
    go(grove, store)
    store.use_reader("other", "x", NOON)
    gone = next(p for p in store.stored_photos() if p.file == "a.jpg")
    (grove.photos / gone.stored).unlink()
    summary = go(grove, store, model="stand-in 2")
    assert summary.read == 1
    assert any("a.jpg" in sentence and gone.sha256 in sentence for sentence in summary.left)
    assert store.count_without_result("stand-in 2", grove.settings.reading_hash) == 1


def test_a_reader_that_cannot_be_opened_is_one_error(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    with pytest.raises(ModelError, match="no reader 'nowhere'"):
        batch.run(grove, store, model="nowhere", workers=1, progress=lambda _: None, now=NOON)
    for workers in (1, 2):
        with pytest.raises(ModelError, match="only here"):
            go(grove, store, workers=workers, open_reader=opens_in_parent_only, model="stand-in 1")
    # The inbox is emptied beside the reading, so the photo is received by now or not: it is in one place all the same.
    in_inbox = (grove.inbox / "a.jpg").exists()
    assert store.counts()[Outcome.WAITING] == (0 if in_inbox else 1)
    assert go(grove, store).read == 1
    assert {outcome: n for outcome, n in store.counts().items() if n} == {Outcome.READING: 1}
    assert not (grove.inbox / "a.jpg").exists()


_opened: list[str] = []


def opens_in_parent_only(name: str):
    _opened.append(name)
    if len(_opened) % 2 == 0 or (os.environ.get("OMP_NUM_THREADS") == "1" and len(_opened) == 1):
        raise ModelError("This network opens only here.", "")
    return stand_in.open_reader(name)


@pytest.mark.parametrize("workers", [1, 2])
def test_few_photos_are_on_their_way_at_once(tmp_path: Path, grove: Grove, workers: int) -> None:
    """Memory stays flat because photos are asked for only when a worker is about to be free."""
    content = stand_in.drop(grove.inbox, "a.jpg")
    (grove.photos / "a.jpg").write_bytes(content)
    taken = 0

    def endless():
        nonlocal taken
        while True:
            taken += 1
            yield StoredPhoto(f"{taken:064x}", "a.jpg", "a.jpg", len(content))

    context = ReadContext(grove.settings, grove.register, NOON, stand_in.MODEL)
    orders = Orders(stand_in.read_photo, stand_in.open_reader, "x", context, grove.photos, grove.cache)
    results = read_all(endless(), orders, workers)
    for back in range(1, 21):
        next(results)
        assert taken - back <= AHEAD * workers
    results.close()


# ---------------------------------------------------------------- cut off


def test_ctrl_c_keeps_everything_done(grove: Grove, store: Store) -> None:
    for number in range(12):
        stand_in.drop(grove.inbox, f"{number:02}.jpg")

    def press(progress: batch.Progress) -> None:
        if progress.stage is batch.RunStage.READING and progress.done == 6:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        go(grove, store, progress=press)
    assert store.counts()[Outcome.READING] == 6
    assert go(grove, store).read == 6
    assert store.counts()[Outcome.READING] == 12
    assert left_in(grove.inbox) == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the launcher forks")
def test_killed_at_random_moments_nothing_is_lost_or_counted_twice(tmp_path: Path) -> None:
    count = kills.kill_often(tmp_path / "grove", 20, seed=1)
    assert count.killed >= 5, "the kills must hit runs"
    kills.check_all_counted(tmp_path / "grove", count)


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks for processes in /proc")
def test_workers_of_a_killed_run_end_and_the_next_run_carries_on(grove: Grove, store: Store) -> None:
    for number in range(8):
        stand_in.drop(grove.inbox, f"{number}.jpg", sleep_s=0.2)
    code = "import sys; from pathlib import Path; from tests.kills import run_once\nrun_once(Path(sys.argv[1]), 2)"
    process = subprocess.Popen([sys.executable, "-c", code, str(grove.root)])
    wait_for(lambda: len(children_of(process.pid)) >= 2 and any((grove.cache / "patches").glob("*/*")))
    workers = children_of(process.pid)
    process.send_signal(signal.SIGKILL)
    process.wait()
    wait_for(lambda: not any(alive(pid) for pid in workers))
    go(grove, store)
    assert store.counts()[Outcome.READING] == 8
    assert Counter(f.file for f in store.photo_facts()) == Counter(f"{n}.jpg" for n in range(8))


def wait_for(true, at_most_s: float = 60.0) -> None:
    until = time.monotonic() + at_most_s
    while not true():
        assert time.monotonic() < until, "waited in vain"
        time.sleep(0.02)


def children_of(pid: int) -> list[int]:
    try:
        return [int(n) for n in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except FileNotFoundError:
        return []


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


def test_two_processes_on_one_grove_one_is_told_and_all_is_counted_once(grove: Grove, store: Store) -> None:
    for number in range(10):
        stand_in.drop(grove.inbox, f"{number}.jpg", sleep_s=0.05)
    code = "import sys; from pathlib import Path; from tests.kills import run_once\nrun_once(Path(sys.argv[1]))"
    other = subprocess.Popen([sys.executable, "-c", code, str(grove.root)])
    wait_for(lambda: store.counts()[Outcome.READING] > 0)
    with pytest.raises(StoreError, match=f"process {other.pid}"):
        go(grove, store)
    summary = go(grove, store, wait_s=60)
    assert other.wait() == 0
    assert summary.read == 0
    assert store.counts()[Outcome.READING] == 10


# ---------------------------------------------------------------- alerts


def test_findings_become_alerts_and_follow_the_data(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg", width=30.0)
    findings = [made.finding(tree="A-012")]

    def assess(trees):
        for tree in trees:
            yield TreeHealth(
                grove.register.trees[tree], (), tuple(f for f in findings if f.tree == tree), "closing", ()
            )

    first = go(grove, store, assess_trees=assess)
    assert [a.finding for a in first.alerts.opened] == findings
    assert first.alerts.opened[0].opened_on == date(2026, 5, 3)
    assert go(grove, store, assess_trees=assess).alerts == type(first.alerts)()
    findings.clear()
    assert len(go(grove, store, assess_trees=assess).alerts.closed) == 1
    assert store.alerts(states={AlertState.OPEN}) == []


def test_today_is_the_day_in_the_groves_time_zone(grove: Grove, store: Store) -> None:
    days: list[date] = []
    late = NOON.replace(hour=18)  # 01:00 of the next day in Bangkok
    batch.update_alerts(grove, store, date(2026, 5, 4), lambda trees: [])
    summary = go(
        grove,
        store,
        now=late,
        assess_trees=lambda trees: [
            TreeHealth(grove.register.trees[t], (), (made.finding(t, tree=t),), "closing", ()) for t in trees
        ],
    )
    days = [alert.opened_on for alert in summary.alerts.opened]
    assert days == [date(2026, 5, 4)] * 2
    assert days[0] != (late - timedelta(hours=1)).date()


def test_only_the_trees_named_are_looked_at(grove: Grove, store: Store) -> None:
    asked: list[str] = []
    store.apply_findings([made.finding("x", tree="A-012"), made.finding("y", tree="B-001")], NOON.date())
    changes, _ = batch.update_alerts(
        grove, store, NOON.date(), lambda trees: asked.extend(trees) or (), trees=["B-001"]
    )
    assert asked == ["B-001"]
    assert [alert.finding.tree for alert in changes.closed] == ["B-001"]


# ---------------------------------------------------------------- the cache's thumbnails


def test_a_thumbnail_is_upright_small_and_made_once(grove: Grove, tmp_path: Path) -> None:
    from PIL import Image

    exif = Image.Exif()
    exif[0x0112] = 6  # the camera lay on its side: Exif 2.32, tag 274, value 6 means rotate 90 degrees clockwise
    photo = tmp_path / "a.jpg"
    Image.new("RGB", (640, 480), (200, 40, 40)).save(photo, exif=exif)
    path = cache.thumbnail(grove.cache, photo, made.sha("a"), grove.settings, NOON)
    assert path is not None
    with Image.open(path) as small:
        assert small.size == (240, 320)
    photo.unlink()
    assert cache.thumbnail(grove.cache, photo, made.sha("a"), grove.settings, NOON) == path
    assert cache.thumbnail(grove.cache, tmp_path / "none.jpg", made.sha("b"), grove.settings, NOON) is None


def test_a_damaged_patch_is_thrown_away(grove: Grove) -> None:
    path = cache.patch_path(grove.cache, made.sha("a"))
    path.parent.mkdir(parents=True)
    path.write_bytes(b"\xff\xd8 no picture")
    assert cache.load_patch(grove.cache, made.sha("a")) is None
    assert not path.exists()
