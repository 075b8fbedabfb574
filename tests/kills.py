"""Kill a run at random moments, again and again, and count every photo afterwards.

    python -m tests.kills FOLDER TIMES        e.g. 500 times; the suite does fewer

A launcher process loads the program once and forks a run whenever it is told to, so that a kill may
fall anywhere in the run and not mostly into the imports.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from pipeline import batch
from pipeline.store import open_store
from tests import stand_in
from tests.made_records import NOON


def run_once(folder: Path, workers: int = 1) -> batch.RunSummary:
    """One whole run with the stand-in."""
    grove = stand_in.make_grove(folder)
    with open_store(grove.database) as store:
        return batch.run(
            grove,
            store,
            model=None,
            workers=workers,
            progress=lambda _: None,
            now=NOON,
            read=stand_in.read_photo,
            open_reader=stand_in.open_reader,
        )


def launch(folder: Path) -> None:
    """Fork a run for every line that comes in; say its process number."""
    for _ in sys.stdin:
        child = os.fork()
        if child == 0:
            status = 1
            try:
                run_once(folder)
                status = 0
            finally:
                os._exit(status)
        sys.stdout.write(f"{child}\n")
        sys.stdout.flush()
        _, status = os.waitpid(child, 0)
        sys.stdout.write(f"{os.waitstatus_to_exitcode(status)}\n")
        sys.stdout.flush()


@dataclass
class Count:
    """What the kills hit, and what was put in."""

    killed: int
    finished: int
    files: dict[str, str]
    """Hash by name of everything that was put into the inbox."""


def kill_often(folder: Path, times: int, seed: int) -> Count:
    """Put photos in, start a run, kill it somewhere; after every kill look for every photo."""
    dice = random.Random(seed)
    grove = stand_in.make_grove(folder)
    open_store(grove.database).close()
    count = Count(0, 0, {})
    longest_s: float | None = None
    command = [sys.executable, "-m", "tests.kills", str(folder), "launch"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as launcher:
        assert launcher.stdin is not None
        assert launcher.stdout is not None
        for number in range(times):
            for name, says in new_files(number, dice):
                count.files[name] = hashlib.sha256(stand_in.drop(grove.inbox, name, **says)).hexdigest()
            launcher.stdin.write("go\n")
            launcher.stdin.flush()
            child = int(launcher.stdout.readline())
            began = time.monotonic()
            if longest_s is not None:
                time.sleep(dice.uniform(0, longest_s))
                with contextlib.suppress(ProcessLookupError):
                    os.kill(child, signal.SIGKILL)
            status = int(launcher.stdout.readline())
            if longest_s is None:  # the first run may end, and says how far the kills are to be spread
                longest_s = 1.2 * (time.monotonic() - began)
            assert status in (0, -signal.SIGKILL), f"run {number} failed by itself"
            count.killed += status != 0
            count.finished += status == 0
            missing = not_found(grove, count.files)
            assert not missing, f"lost after kill {number}: {missing}"
        launcher.stdin.close()
    return count


def new_files(number: int, dice: random.Random):
    """Three photos, one of them now and then a copy of an earlier one, or one that is refused."""
    yield f"mai/{number}.jpg", {"name": str(number), "site": dice.choice([205, 206, 207])}
    yield f"tan/{number}.jpg", {"name": str(dice.randrange(number + 1)), "site": 205}
    yield f"{number} ü.jpg", {"name": f"r{number}", "do": dice.choice(["refuse", "read"])}


def not_found(grove, files: dict[str, str]) -> set[str]:
    """Names whose bytes are neither in the inbox nor, whole, among the originals."""
    lost = set()
    for name, digest in files.items():
        kept = list((grove.photos / digest[:2]).glob(f"{digest}.*"))
        whole = any(hashlib.sha256(path.read_bytes()).hexdigest() == digest for path in kept)
        if not whole and not (grove.inbox / name).exists():
            lost.add(name)
    return lost


def dump(path: Path) -> list[str]:
    """Everything in the database, as text."""
    with closing(sqlite3.connect(path)) as raw:
        return list(raw.iterdump())


def check_all_counted(folder: Path, count: Count) -> None:
    """After a last, whole run every file is counted once, read once, and gone from the inbox."""
    run_once(folder)
    grove = stand_in.make_grove(folder)
    with open_store(grove.database) as store:
        facts = list(store.photo_facts())
        assert Counter(f.file for f in facts) == Counter(list(count.files)), "every file exactly once"
        assert {f.file: f.sha256 for f in facts} == count.files
        outcomes = store.counts()
        different = len(set(count.files.values()))
        assert outcomes["reading"] + outcomes["refusal"] == different
        assert outcomes["duplicate"] == len(count.files) - different
        assert outcomes["known"] == outcomes["waiting"] == 0
        assert list(store.unreleased()) == []
    left = [path for path in grove.inbox.rglob("*") if path.is_file() and path.name != "READ ME.txt"]
    assert left == []
    originals = sorted(path.stem for path in grove.photos.glob("??/*"))
    assert originals == sorted(set(count.files.values())), "every original once"
    before = dump(grove.database)
    run_once(folder)
    assert dump(grove.database) == before, "a run with nothing new changes nothing"


if __name__ == "__main__":
    if sys.argv[2] == "launch":
        launch(Path(sys.argv[1]))
    else:
        counted = kill_often(Path(sys.argv[1]), int(sys.argv[2]), seed=0)
        check_all_counted(Path(sys.argv[1]), counted)
        sys.stdout.write(
            f"killed {counted.killed}, finished {counted.finished}, files {len(counted.files)}: none lost\n"
        )
