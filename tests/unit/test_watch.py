"""The watcher: real folders, real child processes, real database; only the reading of a photo is a stand-in."""

from __future__ import annotations

import io
import os
import signal
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline import receive
from pipeline.cli import cli
from pipeline.errors import StoreError
from pipeline.grove import Grove
from pipeline.receive import Arrival, ScanResult
from pipeline.records import Outcome
from pipeline.store import open_store
from pipeline.watch import Keeper, Told, keeper
from pipeline.watch.desk import Desk
from tests import stand_in, watched
from tests.made_records import NOON
from tests.watched import until, watching

TOP = Path(__file__).resolve().parents[2]
TODAY = NOON.date()


@pytest.fixture
def grove(tmp_path: Path) -> Grove:
    return stand_in.make_grove(tmp_path / "grove")


def counts(grove: Grove) -> dict[Outcome, int]:
    with open_store(grove.database) as store:
        return {outcome: number for outcome, number in store.counts().items() if number}


def answer(folder: Path) -> str:
    try:
        return (folder / "ANSWER.txt").read_text(encoding="utf-8")
    except FileNotFoundError:
        return ""


def photos_in(inbox: Path) -> list[str]:
    return sorted(p.name for p in inbox.rglob("*.jpg"))


# ---------------------------------------------------------------- with a child process


def test_photos_are_read_as_they_come_and_the_answer_follows_in_place(grove: Grove) -> None:
    told: list[Told] = []
    with watching(grove.root, told):
        until(lambda: (grove.inbox / "ROUND.html").exists(), "the round")
        stand_in.drop(grove.inbox, "mai/a.jpg", name="a")
        until(lambda: "a.jpg" in answer(grove.inbox / "mai"), "the first answer")
        stand_in.drop(grove.inbox, "mai/b.jpg", name="b", do="refuse", site=206)
        until(lambda: "[x] b.jpg" in answer(grove.inbox / "mai"), "the second answer")
    assert "a.jpg" in answer(grove.inbox / "mai")
    assert photos_in(grove.inbox) == []
    assert counts(grove) == {Outcome.READING: 1, Outcome.REFUSAL: 1}
    assert sum(t.arrived for t in told) == 2
    assert not [t for t in told if t.problem]


def test_two_watchers_on_one_grove_do_each_other_no_harm(grove: Grove) -> None:
    problems: list[Told] = []
    with watching(grove.root, problems), watching(grove.root, problems):
        for number in range(24):
            stand_in.drop(grove.inbox, f"{'mai' if number % 2 else 'tan'}/{number}.jpg", name=str(number))
        until(lambda: photos_in(grove.inbox) == [], "the inbox to be empty")
        until(lambda: counts(grove) == {Outcome.READING: 24}, "every photo to be counted once")
        until(lambda: "12 accepted" in answer(grove.inbox / "mai") and "12 accepted" in answer(grove.inbox / "tan"))
    assert all("Another run works on this grove" in told.problem for told in problems if told.problem)


def test_a_child_that_dies_is_replaced_and_nothing_is_lost(grove: Grove) -> None:
    stand_in.drop(grove.inbox, "a.jpg", name="a", sleep_s=1.0)
    with watching(grove.root) as kept:
        until(
            lambda: counts(grove).get(Outcome.WAITING) == 1 if grove.database.exists() else False,
            "the photo to be received",
        )
        os.kill(kept._child._process.pid, signal.SIGKILL)
        until(lambda: "a.jpg" in answer(grove.inbox), "the answer after all")
    assert counts(grove) == {Outcome.READING: 1}


def test_a_child_with_nothing_to_do_goes_home(grove: Grove) -> None:
    stop = threading.Event()
    kept = Keeper(grove.root, (), dict(watched.QUICK) | {"watch.rest_after_s": 0.2}, make_desk=watched.make_desk)
    thread = threading.Thread(target=kept.run, args=(stop,))
    thread.start()
    try:
        until(lambda: (grove.inbox / "ROUND.html").exists(), "the first turn")
        until(lambda: not kept._child._process.is_alive(), "the child to end")
        stand_in.drop(grove.inbox, "a.jpg")
        until(lambda: "a.jpg" in answer(grove.inbox), "an answer from a new child")
    finally:
        stop.set()
        thread.join()


# ---------------------------------------------------------------- the command, ended by signals


def command(root: Path) -> subprocess.Popen[str]:
    # What is dropped here is no photo, so that the real reader refuses it at the door.
    quick = [part for name, value in watched.QUICK.items() for part in ("--set", f"{name}={value}")]
    return subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "watch", str(root), *quick],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=TOP, start_new_session=True,
    )  # fmt: skip


def children(pid: int) -> list[int]:
    listed = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True, check=False)
    return [int(line) for line in listed.stdout.split()]


def gone(pid: int) -> bool:
    try:
        state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
    except (FileNotFoundError, ProcessLookupError):
        return True
    return state == "Z"


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks at processes as Linux shows them")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT, signal.SIGKILL], ids=["TERM", "INT", "KILL"])
def test_signals_end_it_with_its_child_and_the_next_start_carries_on(grove: Grove, number: signal.Signals) -> None:
    (grove.inbox / "one.zip").write_bytes(b"PK\x03\x04 one")
    watcher = command(grove.root)
    until(lambda: "one.zip" in answer(grove.inbox), "the answer")
    below = children(watcher.pid)
    assert below
    if number is signal.SIGINT:
        os.killpg(watcher.pid, number)  # as a terminal does: to everyone
    else:
        watcher.send_signal(number)
    said, _ = watcher.communicate(timeout=watched.PATIENCE_S)
    assert watcher.returncode == (-9 if number is signal.SIGKILL else 0), said
    assert "Traceback" not in said
    until(lambda: all(gone(pid) for pid in below), "the child to end")
    (grove.inbox / "two.zip").write_bytes(b"PK\x03\x04 two")
    again = CliRunner().invoke(cli, ["watch", "--once", str(grove.root), "--set", "intake.settle_s=0"])
    assert again.exit_code == 3, again.output
    assert counts(grove) == {Outcome.REFUSAL: 2}


# ---------------------------------------------------------------- looking


class Recorder:
    """Stands for the child process and writes down what it is given."""

    def __init__(self, told: Told | None = None) -> None:
        self.given: list[ScanResult] = []
        self.told = told or Told()

    def turn(self, found: ScanResult, stop: threading.Event) -> Told:
        self.given.append(found)
        return self.told

    def end(self) -> None:
        pass


def entry(name: str, changed_s: int = 1) -> Arrival:
    return Arrival(name, Path("/inbox") / name, 10, changed_s * 10**9, changed_s * 10**9, NOON)


@pytest.fixture
def kept(grove: Grove) -> tuple[Keeper, Recorder]:
    made = Keeper(grove.root, (), watched.QUICK)
    recorder = Recorder()
    made._child = recorder  # type: ignore[assignment]
    made._day = NOON.date()
    return made, recorder


def work(made: Keeper, *files: Arrival, waiting: tuple[Arrival, ...] = (), day: date = TODAY) -> Told | None:
    return made._work(ScanResult(files, waiting), day, threading.Event())


def test_nothing_to_do_wakes_no_child_until_a_new_day(kept: tuple[Keeper, Recorder]) -> None:
    made, recorder = kept
    assert work(made) is None
    assert work(made, waiting=(entry("growing.jpg"),)) is None
    assert work(made, day=NOON.date() + timedelta(days=1)) == Told()
    assert work(made, day=NOON.date() + timedelta(days=1)) is None
    assert len(recorder.given) == 1


def test_a_file_that_cannot_leave_the_inbox_is_given_once_until_it_changes(kept: tuple[Keeper, Recorder]) -> None:
    made, recorder = kept
    work(made, entry("stuck.jpg"))
    assert work(made, entry("stuck.jpg")) is None
    work(made, entry("stuck.jpg"), entry("new.jpg"))
    assert [[a.file for a in found.files] for found in recorder.given] == [["stuck.jpg"], ["new.jpg"]]
    # The run takes what it is not told of for gone; so the stuck one is told of as waiting.
    assert [a.file for a in recorder.given[-1].waiting] == ["stuck.jpg"]
    work(made, entry("stuck.jpg", changed_s=2), entry("new.jpg"))
    assert [a.file for a in recorder.given[-1].files] == ["stuck.jpg"]


def test_after_a_problem_everything_is_given_again(kept: tuple[Keeper, Recorder]) -> None:
    made, recorder = kept
    recorder.told = Told(problem="The disk is full.")
    work(made, entry("a.jpg"))
    work(made, entry("a.jpg"))
    assert len(recorder.given) == 2


def test_the_latest_photos_do_not_wait_behind_an_old_archive(kept: tuple[Keeper, Recorder], monkeypatch) -> None:
    made, recorder = kept
    monkeypatch.setattr(keeper, "MOST_A_TURN", 3)
    every = tuple(entry(f"{n}.jpg", changed_s=n) for n in range(10))
    seen: list[str] = []
    left = every
    while left:
        work(made, *left)
        taken = [a.file for a in recorder.given[-1].files]
        assert {a.file for a in (*recorder.given[-1].files, *recorder.given[-1].waiting)} == {a.file for a in left}
        seen += taken
        left = tuple(a for a in left if a.file not in taken)
    assert seen == [f"{n}.jpg" for n in reversed(range(10))]


def test_the_same_problem_is_told_once(grove: Grove) -> None:
    told: list[Told] = []
    made = Keeper(grove.root, (), watched.QUICK, tell=told.append)
    for problem in ("full", "full", "", "full"):
        made._report(Told(problem=problem), ())
    assert [t.problem for t in told] == ["full", "full"]
    made._report(None, ("The inbox is not there.",))
    made._report(None, ("The inbox is not there.",))
    assert told[-1].problem == "The inbox is not there."
    assert len(told) == 3


def test_a_share_that_is_pulled_and_comes_back(grove: Grove) -> None:
    told: list[Told] = []
    away = grove.root / "away"
    with watching(grove.root, told):
        until(lambda: (grove.inbox / "ROUND.html").exists(), "the first turn")
        grove.inbox.rename(away)
        until(lambda: any("is not there" in t.problem for t in told), "the sentence")
        (away / "a.jpg").write_bytes(b'{"site": 205, "taken_at": "2026-05-03T09:00:00+07:00"}')
        away.rename(grove.inbox)
        until(lambda: "a.jpg" in answer(grove.inbox), "the answer")


# ---------------------------------------------------------------- one turn


def desk_turn(grove: Grove, real: bool = False) -> None:
    desk = Desk(grove.root, (), watched.QUICK) if real else watched.make_desk(grove.root, (), watched.QUICK)
    try:
        desk.turn(receive.scan(grove.inbox, grove.settings.intake, receive.clock()), receive.clock())
    finally:
        desk.close()


def test_another_run_at_work_is_a_problem_and_costs_nothing(grove: Grove) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    with open_store(grove.database) as store, store.lock("run"), pytest.raises(StoreError, match="Another run"):
        desk_turn(grove)
    assert photos_in(grove.inbox) == ["a.jpg"]
    desk_turn(grove)
    assert counts(grove) == {Outcome.READING: 1}


def test_a_change_of_the_register_is_noticed_between_two_turns(grove: Grove) -> None:
    desk = watched.make_desk(grove.root, (), watched.QUICK)
    try:
        desk.turn(receive.scan(grove.inbox, grove.settings.intake, NOON), NOON)
        assert "299" not in (grove.inbox / "ROUND.html").read_text(encoding="utf-8")
        sites = grove.register_folder / "sites.csv"
        sites.write_text(sites.read_text() + "299,A-012,1,window\n")
        desk.turn(receive.scan(grove.inbox, grove.settings.intake, NOON), NOON)
        assert "299" in (grove.inbox / "ROUND.html").read_text(encoding="utf-8")
    finally:
        desk.close()


def test_the_round_follows_what_was_photographed(grove: Grove) -> None:
    now = receive.clock()
    stand_in.drop(grove.inbox, "a.jpg", site=205, taken_at=now.isoformat())
    desk_turn(grove)
    todo = answer(grove.inbox).partition("Still missing today")[2]
    assert "205" not in todo
    assert "206" in todo
    assert "207" in todo


def archive() -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as packed:
        packed.writestr("photo.jpg", b"x")
    return stream.getvalue()


def test_bad_input_is_answered_with_what_to_do_and_kept(grove: Grove, tmp_path: Path) -> None:
    """The issue's list, read by the real door: what is no photo, hidden files, links out of the folder, long paths."""
    png = b"\x89PNG\r\n\x1a\n" + bytes(50)
    bad = {
        "photos.zip": archive(),
        "film.mp4": b"\x00\x00\x00\x18ftypmp42" + bytes(40),
        "paper.pdf": b"%PDF-1.7\n",
        "Screenshot_20260503.png": png,
        "empty.jpg": b"",
    }
    for name, content in bad.items():
        (grove.inbox / name).write_bytes(content)
    (grove.inbox / ".hidden.jpg").write_bytes(b"hidden")
    (grove.inbox / ".stfolder").mkdir()
    (grove.inbox / ".stfolder" / "a.jpg").write_bytes(b"of a syncing program")
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.jpg").write_bytes(b"secret")
    (grove.inbox / "link").symlink_to(outside, target_is_directory=True)
    (grove.inbox / "link.jpg").symlink_to(outside / "secret.jpg")
    long = grove.inbox / ("d" * 100) / ("e" * 100) / ("f" * 90 + ".jpg")
    long.parent.mkdir(parents=True)
    long.write_bytes(b"GIF89a")
    desk_turn(grove, real=True)
    text = answer(grove.inbox)
    for name in ("photos.zip", "film.mp4", "paper.pdf"):
        assert f"[x] {name}: This is not a photo." in text, text
    assert "[x] empty.jpg: The file is broken." in text
    assert "[x] Screenshot_20260503.png" in text
    assert "not a photo" in answer(long.parent)
    assert counts(grove) == {Outcome.REFUSAL: 6}
    assert (outside / "secret.jpg").read_bytes() == b"secret"
    assert (grove.inbox / ".hidden.jpg").exists()
    kept = sorted(p.read_bytes() for p in grove.photos.rglob("*") if p.is_file())
    assert kept == sorted([*bad.values(), b"GIF89a"])


@pytest.fixture
def ordinary_grove() -> Iterator[Grove]:
    with watched.ordinary_grove() as made:
        yield made


def test_permission_denied_in_the_middle_stops_nobody_else(ordinary_grove: Grove) -> None:
    grove = ordinary_grove
    for name in ("an", "binh", "chi"):
        stand_in.drop(grove.inbox, f"{name}/a.jpg", name=name)
    (grove.inbox / "binh").chmod(0)
    try:
        desk_turn(grove)
        assert counts(grove) == {Outcome.READING: 2}
    finally:
        (grove.inbox / "binh").chmod(0o755)
    desk_turn(grove)
    assert counts(grove) == {Outcome.READING: 3}
    assert "a.jpg" in answer(grove.inbox / "binh")


def test_an_inbox_that_cannot_be_written_still_gets_its_photos_read(ordinary_grove: Grove) -> None:
    grove = ordinary_grove
    stand_in.drop(grove.inbox, "an/a.jpg")
    (grove.inbox / "an").chmod(0o555)
    try:
        desk_turn(grove)
        assert counts(grove) == {Outcome.READING: 1}
        assert answer(grove.inbox / "an") == ""
    finally:
        (grove.inbox / "an").chmod(0o755)


def test_growing_files_wait_and_are_read_when_they_are_whole(grove: Grove) -> None:
    settings = grove.settings.intake.model_copy(update={"settle_s": 2.0})
    stand_in.drop(grove.inbox, "a.jpg")
    now = receive.clock()
    first = receive.scan(grove.inbox, settings, now)
    assert (first.files, [a.file for a in first.waiting]) == ((), ["a.jpg"])
    with (grove.inbox / "a.jpg").open("ab") as stream:
        stream.write(b" ")
    second = receive.scan(grove.inbox, settings, now + timedelta(seconds=3), first)
    later = receive.scan(grove.inbox, settings, now + timedelta(seconds=9), second)
    assert [a.file for a in later.files] == ["a.jpg"]


def test_once_in_a_scheduler(grove: Grove) -> None:
    done = CliRunner().invoke(cli, ["watch", "--once", str(grove.root)])
    assert done.exit_code == 0, done.output
    assert "0 came in" in done.output
    assert (grove.inbox / "ROUND.html").exists()


def test_the_parent_of_an_idle_watcher_loads_nothing_that_reads_or_stores() -> None:
    heavy = {"sqlalchemy", "onnxruntime", "pandas", "matplotlib", "jinja2", "torch"}
    code = f"import sys, pipeline.watch; print(sorted({heavy!r} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=TOP, check=True)
    assert done.stdout.strip() == "[]"


def test_the_time_of_day_is_not_used_to_sleep(grove: Grove, monkeypatch: pytest.MonkeyPatch) -> None:
    """A clock that is set back an hour keeps nobody waiting: pauses are monotonic."""
    made = Keeper(grove.root, (), watched.QUICK)
    made._child = Recorder()  # type: ignore[assignment]
    times = iter([NOON, NOON - timedelta(hours=1), NOON - timedelta(hours=1)])
    stop = threading.Event()

    def clock():
        try:
            return next(times)
        except StopIteration:
            stop.set()
            return NOON

    monkeypatch.setattr(receive, "clock", clock)
    before = time.monotonic()
    made.run(stop)
    assert time.monotonic() - before < 600  # and not an hour
