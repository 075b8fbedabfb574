"""How soon the shared folder answers, what an idle watcher costs, and how soon a full inbox is seen.

    python -m benchmarks.make_photos 16 /some/folder --megapixels 12 --bark ../shared/data/bark_textures
    python -m benchmarks.bench_watch /some/folder --photos 100 --idle-s 60 --waiting 2000

The folder is a grove with an inbox; it is only read.  A fresh copy of the grove is watched by the command itself.

answer    photos are put into three sub-folders, ``--per-second`` of them a second, each written as a copying program
          does (under its own name, in pieces).  A photo has arrived when its last byte is written; it is answered when
          its name stands in the ANSWER.txt of its folder.  Median and 99th percentile of the time between, the longest,
          and the peak memory of parent, child and workers together (sum of resident sets, shared pages counted again).
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
from pathlib import Path

from benchmarks.bench_run import variants
from pipeline import receive
from pipeline.settings import IntakeSettings

TICK_HZ = os.sysconf("SC_CLK_TCK")
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")
FOLDERS = ("sari", "daud", "2026-10-11")
LEAVE_AFTER_S = 600.0


def tree_of(pid: int) -> list[int]:
    """A process and everything below it."""
    parents: dict[int, list[int]] = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        parents.setdefault(int(fields[1]), []).append(int(path.parent.name))
    found = [pid]
    for one in found:
        found += parents.get(one, [])
    return found


def usage(pid: int) -> tuple[float, int]:
    """Processor seconds (with those of children that ended) and resident bytes of a process and all below it."""
    seconds, resident = 0.0, 0
    for one in tree_of(pid):
        try:
            fields = Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        seconds += sum(int(fields[k]) for k in ((11, 12, 13, 14) if one == pid else (11, 12))) / TICK_HZ
        resident += int(fields[21]) * PAGE_BYTES
    return seconds, resident


class Peak(threading.Thread):
    """Largest resident memory of a process and all below it, sampled five times a second."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self.pid, self.bytes, self.over = pid, 0, threading.Event()

    def run(self) -> None:
        """Sample the memory until told that it is over."""
        while not self.over.wait(0.2):
            self.bytes = max(self.bytes, usage(self.pid)[1])


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
    answers, peak, arrived = Answers(inbox), Peak(watcher), {}
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
    waits = sorted(answers.seen[name] - arrived[name] for name in arrived if name in answers.seen)
    rate = (len(arrived) - 1) / (max(arrived.values()) - min(arrived.values()))
    size_mb = statistics.mean(len(data) for _, data in files) / 1e6
    print(f"answer: {len(waits)} of {len(arrived)} photos of {size_mb:.1f} MB answered, {rate:.1f} a second arriving")
    print(
        f"answer: median {statistics.median(waits):.1f} s (reach 10), 99th percentile "
        f"{waits[int(0.99 * (len(waits) - 1))]:.1f} s (reach 60), longest {waits[-1]:.1f} s; "
        f"peak memory {peak.bytes / 1e6:.0f} MB (reach 1500)"
    )


def bench_idle(watcher: int, idle_s: float) -> None:
    """Wait until the child has gone, then measure."""
    until = time.monotonic() + LEAVE_AFTER_S
    while sum("woundwood" in _command(p) or "spawn_main" in _command(p) for p in tree_of(watcher)[1:]):
        if time.monotonic() > until:
            print("idle: the reading process did not end")
            return
        time.sleep(0.5)
    before, began = usage(watcher)[0], time.monotonic()
    time.sleep(idle_s)
    after, resident = usage(watcher)
    share = (after - before) / (time.monotonic() - began)
    print(f"idle: {100 * share:.2f} % of a core (reach 1), {resident / 1e6:.0f} MB (reach 250), over {idle_s:.0f} s")


def _command(pid: int) -> str:
    try:
        return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")
    except (FileNotFoundError, ProcessLookupError):
        return ""


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


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="a grove with photos in its inbox")
    parser.add_argument("--photos", type=int, default=60, help="photos that arrive (the issue's figure: 500)")
    parser.add_argument("--per-second", type=float, default=2.0)
    parser.add_argument("--idle-s", type=float, default=60.0)
    parser.add_argument("--waiting", type=int, default=2000, help="files waiting (the figure: 10000)")
    options = parser.parse_args()
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, Python {sys.version.split()[0]}"
    )
    with tempfile.TemporaryDirectory() as name:
        grove = Path(name) / "grove"
        shutil.copytree(options.folder, grove, ignore=shutil.ignore_patterns("*.jpg", "*.db*", "cache", "photos"))
        (grove / "inbox").mkdir(exist_ok=True)
        (grove / "photos").mkdir(exist_ok=True)
        command = [sys.executable, "-m", "pipeline.cli", "watch", str(grove), "--set", "watch.rest_after_s=10"]
        watcher = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        try:
            bench_answer(grove, options.folder, options.photos, options.per_second, watcher.pid)
            bench_idle(watcher.pid, options.idle_s)
        finally:
            watcher.send_signal(signal.SIGTERM)
            watcher.wait()
    bench_waiting(options.waiting, min((options.folder / "inbox").glob("*.jpg")).read_bytes())


if __name__ == "__main__":
    main()
