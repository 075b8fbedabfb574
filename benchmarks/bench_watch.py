"""How soon the shared folder answers, what an idle watcher costs, and how soon a full inbox is seen.

    python -m benchmarks.make_photos 16 /some/folder --megapixels 12 --bark ../shared/data/bark_textures
    python -m benchmarks.bench_watch /some/folder --photos 100 --idle-s 60 --waiting 2000

The folder is a grove with an inbox; it is only read.  A fresh copy of the grove is watched by the command itself.

answer    photos are put into three sub-folders, ``--per-second`` of them a second, each written as a copying program
          does (under its own name, in pieces).  A photo has arrived when its last byte is written; it is answered when
          its name stands in the ANSWER.txt of its folder.  Median and 99th percentile of the time between, the longest,
          the peak memory of parent, child and workers together (sum of resident sets, shared pages counted again), and
          the processor time a photo, which says more than the waits where other programs use the cores.
idle      processor time and memory of all its processes over ``--idle-s``, after the reading process has gone to rest.
waiting   time of one look at an inbox of ``--waiting`` files: with old ones, and with ones that arrived just now,
          whose ends must be read (the pieces of one folder lie in the memory of the system, not on a cold share).
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from benchmarks.bench_run import variants
from benchmarks.watch_memory import bench_memory, merge_registers, write_sites
from benchmarks.watch_processes import Peak, command_of, tree_of, usage
from pipeline import receive
from pipeline.settings import IntakeSettings

if TYPE_CHECKING:
    from collections.abc import Callable

FOLDERS = ("sari", "daud", "2026-10-11")
LEAVE_AFTER_S = 600.0


class Answers(threading.Thread):
    """Notes when the name of each photo first stands in an answer."""

    def __init__(self, inbox: Path) -> None:
        super().__init__(daemon=True)
        self.inbox, self.seen, self.over = inbox, {}, threading.Event()

    def run(self) -> None:
        """Read the answers until told that it is over."""
        while not self.over.wait(0.1):
            for folder in FOLDERS:
                try:
                    text = (self.inbox / folder / "ANSWER.txt").read_text(encoding="utf-8")
                except FileNotFoundError:
                    continue
                now = time.monotonic()
                for word in text.replace(":", " ").split():
                    if word.endswith(".jpg"):
                        self.seen.setdefault(word, now)


def arrive(path: Path, data: bytes) -> None:
    """Write a file in four pieces, as a copy over a slow line does."""
    with path.open("wb") as stream:
        for k in range(4):
            stream.write(data[k * len(data) // 4 : (k + 1) * len(data) // 4])
            stream.flush()
            time.sleep(0.02)


def bench_answer(grove: Path, source: Path, photos: int, per_second: float, watcher: int) -> None:
    """Let photos arrive and wait for their answers."""
    inbox = grove / "inbox"
    for folder in FOLDERS:
        (inbox / folder).mkdir(exist_ok=True)
    originals = len([p for p in (source / "inbox").iterdir() if p.suffix == ".jpg"])
    files = list(variants(source / "inbox", -(-photos // originals)).items())[:photos]
    answers, peak, arrived, before = Answers(inbox), Peak(watcher), {}, usage(watcher)[0]
    answers.start()
    peak.start()
    began = time.monotonic()
    for number, (name, data) in enumerate(files):
        time.sleep(max(0.0, began + number / per_second - time.monotonic()))
        arrive(inbox / FOLDERS[number % len(FOLDERS)] / name, data)
        arrived[name] = time.monotonic()
    while len(answers.seen) < len(arrived) and time.monotonic() - max(arrived.values()) < LEAVE_AFTER_S:
        time.sleep(0.2)
    answers.over.set()
    peak.over.set()
    spent, load = usage(watcher)[0] - before, os.getloadavg()[0]
    waits = sorted(answers.seen[name] - arrived[name] for name in arrived if name in answers.seen)
    rate = (len(arrived) - 1) / (max(arrived.values()) - min(arrived.values()))
    size_mb = statistics.mean(len(data) for _, data in files) / 1e6
    print(f"answer: {len(waits)} of {len(arrived)} photos of {size_mb:.1f} MB answered, {rate:.1f} a second arriving")
    print(
        f"answer: median {statistics.median(waits):.1f} s (reach 10), 99th percentile "
        f"{waits[int(0.99 * (len(waits) - 1))]:.1f} s (reach 60), longest {waits[-1]:.1f} s; "
        f"peak memory {peak.bytes / 1e6:.0f} MB (reach 1500)"
    )
    print(
        f"answer: {spent / max(len(waits), 1):.2f} s of processor time a photo, answers and comparing so far included; "
        f"load of the machine {load:.1f}",
        flush=True,
    )


def bench_idle(watcher: int, idle_s: float) -> None:
    """Wait until the child has gone, then measure."""
    until = time.monotonic() + LEAVE_AFTER_S
    while sum("woundwood" in command_of(p) or "spawn_main" in command_of(p) for p in tree_of(watcher)[1:]):
        if time.monotonic() > until:
            print("idle: the reading process did not end")
            return
        time.sleep(0.5)
    before, began = usage(watcher)[0], time.monotonic()
    time.sleep(idle_s)
    after, resident = usage(watcher)
    share = (after - before) / (time.monotonic() - began)
    print(f"idle: {100 * share:.2f} % of a core (reach 1), {resident / 1e6:.0f} MB (reach 250), over {idle_s:.0f} s")


def bench_waiting(count: int, data: bytes) -> None:
    """One look at a full inbox."""
    settings = IntakeSettings()
    with tempfile.TemporaryDirectory() as name:
        inbox = Path(name)
        for number in range(count):
            (inbox / f"{number:06}.jpg").write_bytes(data)
        time.sleep(settings.settle_s)
        for words, wait_s in (("arrived just now", settings.settle_s), ("old", 2 * settings.cut_off_wait_s)):
            now = receive.clock()
            now = type(now).fromtimestamp(now.timestamp() + wait_s, now.tzinfo)
            began = time.perf_counter()
            found = receive.scan(inbox, settings, now)
            print(
                f"waiting: {len(found.files)} of {count} files of {len(data) / 1e6:.1f} MB seen, {words}, in "
                f"{time.perf_counter() - began:.1f} s (reach: 10,000 within 60 s)"
            )


def watched(options: argparse.Namespace, work: Callable[[Path, int], None]) -> None:
    """Do something with a fresh copy of the grove while the command itself watches it."""
    with tempfile.TemporaryDirectory() as name:
        grove = Path(name) / "grove"
        shutil.copytree(options.folder, grove, ignore=shutil.ignore_patterns("*.jpg", "*.db*", "cache", "photos"))
        for part in ("inbox", "photos"):
            (grove / part).mkdir(exist_ok=True)
        if options.large is not None:
            merge_registers(options.folder / "register", options.large / "register", grove / "register")
        if options.sites:
            write_sites(options.sites, grove / "register")
        words = ["watch.rest_after_s=10", f"reading.model={options.reader}"]
        command = [sys.executable, "-m", "pipeline.cli", "watch", str(grove)]
        command += [part for word in words for part in ("--set", word)]
        if options.reader == "none":
            command = [sys.executable, "-m", "benchmarks.watch_none", str(grove)]
        watcher = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        try:
            work(grove, watcher.pid)
        finally:
            watcher.send_signal(signal.SIGTERM)
            watcher.wait()


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="a grove with photos in its inbox")
    parser.add_argument(
        "--reader", default="released", help="who reads: released (the default), classical, none (figures by lot)"
    )
    parser.add_argument("--photos", type=int, default=60, help="photos that arrive (the issue's figure: 500)")
    parser.add_argument("--per-second", type=float, default=2.0)
    parser.add_argument("--idle-s", type=float, default=60.0)
    parser.add_argument("--waiting", type=int, default=2000, help="files waiting (the figure: 10000)")
    parser.add_argument("--memory-photos", type=int, default=0, help="only feed so many small photos, and print memory")
    parser.add_argument(
        "--large", type=Path, default=None, help="grove with full-size photos to mix in (--memory-photos)"
    )
    parser.add_argument("--sites", type=int, default=0, help="so many sites (--reader none; default: one a photo)")
    parser.add_argument("--large-every", type=int, default=10, help="one photo in so many is a full-size one")
    options = parser.parse_args()
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, "
        f"Python {sys.version.split()[0]}, reader {options.reader}",
        flush=True,
    )
    if options.memory_photos:
        small, large = (sorted((f / "inbox").glob("*.jpg")) if f else [] for f in (options.folder, options.large))
        last = datetime.now(UTC)
        watched(
            options,
            lambda grove, pid: bench_memory(
                grove, small, large, options.memory_photos, options.large_every, pid, last, options.sites or len(small)
            ),
        )
        return

    def answer_and_rest(grove: Path, pid: int) -> None:
        bench_answer(grove, options.folder, options.photos, options.per_second, pid)
        bench_idle(pid, options.idle_s)

    watched(options, answer_and_rest)
    bench_waiting(options.waiting, min((options.folder / "inbox").glob("*.jpg")).read_bytes())


if __name__ == "__main__":
    main()
