"""Photos a second of a whole run, beside the time that decoding alone takes for the same files.

    python -m benchmarks.make_photos 24 /some/folder --megapixels 12 --bark ../shared/data/bark_textures
    python -m benchmarks.bench_run /some/folder --times 4 --rounds 3

The folder is a grove with an inbox; it is only read.  Each round decodes the files and runs a fresh copy of the
grove with one and with two workers, one after the other, so that a busy moment of the machine hits all of them.
``--times`` multiplies the photos: copies differ by a comment in the file, so each is a photo of its own.

Printed: the machine; decode only (simplejpeg, full size, fast settings, bytes from memory) and the run, photos a s,
medians over rounds and their ratio; seconds a stage of one photo on one core; seconds a stage of the run; peak
memory of parent and workers together; start-up of ``woundwood --help``.
"""

from __future__ import annotations

import argparse
import importlib.metadata
import os
import platform
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import cv2
import simplejpeg

from pipeline import batch, card, colour, flow, intake, measure, quality, readers, rim, surface
from pipeline import grove as groves
from pipeline.store import open_store

STAGES: tuple[tuple[str, object, str], ...] = (
    ("intake", intake, "open_photo"),
    ("card", card, "find_card"),
    ("pose and trunk", surface, "fit_surface"),
    ("white balance", colour, "white_balance"),
    ("unrolling", surface, "unroll"),
    ("quality", quality, "assess"),
    ("rim", rim, "measure_region"),
    ("figures", measure, "measure"),
)
"""Functions that ``flow`` calls; "figures" calls the rim once more, which is counted there."""


@dataclass
class Round:
    """What one round took, in seconds a photo."""

    decode: dict[int, float] = field(default_factory=dict)
    run: dict[int, float] = field(default_factory=dict)
    steady: dict[int, float] = field(default_factory=dict)


def machine() -> str:
    """Processor, cores, memory and versions."""
    model = platform.processor()
    cpuinfo = Path("/proc/cpuinfo")
    if cpuinfo.exists():
        lines = cpuinfo.read_text().splitlines()
        model = next((line.split(":")[1].strip() for line in lines if line.startswith("model name")), model)
    packages = ("numpy", "opencv-python-headless", "simplejpeg", "onnxruntime", "sqlalchemy")
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in packages)
    load = ", ".join(f"{value:.1f}" for value in os.getloadavg()) if hasattr(os, "getloadavg") else "unknown"
    return (
        f"{model}, {os.cpu_count()} cores, {platform.system()}, Python {platform.python_version()}; {versions}\n"
        f"load average before: {load} (other work on the machine makes every figure worse)"
    )


def variants(inbox: Path, times: int) -> dict[str, bytes]:
    """The photos of an inbox, each ``times`` times, told apart by a comment behind the start of the file."""
    found: dict[str, bytes] = {}
    for path in sorted(inbox.glob("*.jpg")):
        data = path.read_bytes()
        for number in range(times):
            note = f"copy {number}".encode()
            comment = b"\xff\xfe" + (len(note) + 2).to_bytes(2, "big") + note
            found[f"{path.stem}_{number}.jpg"] = data[:2] + comment + data[2:] if number else data
    return found


def decode_only(photos: dict[str, bytes], threads: int) -> float:
    """Seconds a photo for the fastest decoder there is here."""

    def decode(data: bytes) -> None:
        simplejpeg.decode_jpeg(data, "RGB", fastdct=True, fastupsample=True)

    began = time.perf_counter()
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(decode, photos.values()))
    return (time.perf_counter() - began) / len(photos)


def one_run(folder: Path, photos: dict[str, bytes], model: str, workers: int) -> tuple[batch.RunSummary, float]:
    """A run on a fresh copy; also seconds a photo between the first and the last photo that came back."""
    with tempfile.TemporaryDirectory(prefix="bench_run_") as name:
        root = Path(name) / "grove"
        shutil.copytree(folder, root, ignore=shutil.ignore_patterns("inbox", "photos", "cache", "woundwood.db*"))
        for part in ("inbox", "photos"):
            (root / part).mkdir()
        for file, data in photos.items():
            (root / "inbox" / file).write_bytes(data)
        grove = groves.open_grove(root, options={"intake.settle_s": 0}, environment={})
        back: list[float] = []

        def note(progress: batch.Progress) -> None:
            if progress.stage is batch.RunStage.READING and progress.done:
                back.append(time.perf_counter())

        with open_store(grove.database) as store:
            summary = batch.run(
                grove, store, model=model, workers=workers, progress=note, now=datetime(2026, 10, 1, tzinfo=UTC)
            )
    return summary, (back[-1] - back[0]) / max(1, len(back) - 1)


class Memory:
    """Peak resident memory of this process and its children together, sampled 20 times a second."""

    def __init__(self) -> None:
        self.peak_mb = 0.0
        self._over = threading.Event()

    @contextmanager
    def watched(self) -> Iterator[None]:
        """Sample while the block runs."""
        thread = threading.Thread(target=self._sample, daemon=True)
        thread.start()
        try:
            yield
        finally:
            self._over.set()
            thread.join()

    def _sample(self) -> None:
        while not self._over.wait(0.05):
            pids = [os.getpid(), *_children(os.getpid())]
            self.peak_mb = max(self.peak_mb, sum(_resident_mb(pid) for pid in pids))


def _children(pid: int) -> list[int]:
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(child) for child in task.read_text().split()]
        except OSError:
            continue
    return found


def _resident_mb(pid: int) -> float:
    try:
        pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    except OSError:
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def stage_seconds(folder: Path, photos: dict[str, bytes], model: str) -> tuple[dict[str, list[float]], int]:
    """Seconds of each step for each photo, on one core; and how many photos were refused."""
    grove = groves.open_grove(folder, environment={})
    reader, name = readers.open_reader(model)
    context = flow.ReadContext(grove.settings, grove.register, datetime(2026, 10, 1, tzinfo=UTC), name)
    took: dict[str, list[float]] = defaultdict(list)
    now: dict[str, float] = {}
    refused = 0

    def timed(step: str, function: Callable[..., object]) -> Callable[..., object]:
        def call(*values: object, **named: object) -> object:
            began = time.perf_counter()
            try:
                return function(*values, **named)
            finally:
                now[step] = now.get(step, 0.0) + time.perf_counter() - began

        return call

    before = {(module, attribute): getattr(module, attribute) for _, module, attribute in STAGES}
    for step, module, attribute in STAGES:
        setattr(module, attribute, timed(step, before[module, attribute]))
    try:
        for file, data in photos.items():
            now.clear()
            began = time.perf_counter()
            found = flow.read_photo(data, file, "0" * 64, context, timed("reader", reader))  # type: ignore[arg-type]
            refused += not isinstance(found, flow.PhotoRead)
            took["all"].append(time.perf_counter() - began)
            for step, seconds in now.items():
                took[step].append(seconds)
    finally:
        for (module, attribute), function in before.items():
            setattr(module, attribute, function)
    return took, refused


def start_up(rounds: int = 7) -> float:
    """Seconds until ``woundwood --help`` is done, median of fresh processes."""
    took = []
    for _ in range(rounds):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-m", "pipeline.cli", "--help"], check=True, capture_output=True)
        took.append(time.perf_counter() - began)
    return statistics.median(took)


def main() -> None:
    """Read the options, measure, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, help="a grove with photos in its inbox")
    parser.add_argument("--times", type=int, default=1, help="how often each photo is used")
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--model", default="released", help="'classical', 'released' or a model folder")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    photos = variants(options.folder / "inbox", options.times)
    megabytes = statistics.mean(len(data) for data in photos.values()) / 1e6
    height, width = simplejpeg.decode_jpeg_header(next(iter(photos.values())))[:2]
    print(machine())
    print(f"{len(photos)} photos of {width} x {height} px, {megabytes:.1f} MB on average; reader: {options.model}")
    print(f"woundwood --help: {start_up():.2f} s (median of 7 fresh processes)\n")

    rounds: list[Round] = []
    memory: dict[int, float] = {}
    last: dict[int, batch.RunSummary] = {}
    for number in range(options.rounds):
        current = Round()
        for workers in options.workers:
            current.decode[workers] = decode_only(photos, workers)
            watch = Memory()
            with watch.watched():
                last[workers], current.steady[workers] = one_run(options.folder, photos, options.model, workers)
            current.run[workers] = 1 / last[workers].photos_per_s
            memory[workers] = max(memory.get(workers, 0.0), watch.peak_mb)
        rounds.append(current)
        print(f"round {number + 1} of {options.rounds} done", flush=True)
    print_rounds(rounds, memory, last)
    print_stages(options.folder, photos, options.model)


def print_rounds(rounds: list[Round], memory: dict[int, float], last: dict[int, batch.RunSummary]) -> None:
    """The table of runs."""
    print(
        "\nworkers  decode only   reading stage (start of workers included)   between first and last   ratio   peak MB"
    )
    for workers in last:
        decode = statistics.median(r.decode[workers] for r in rounds)
        run = statistics.median(r.run[workers] for r in rounds)
        steady = statistics.median(r.steady[workers] for r in rounds)
        ratio = statistics.median(r.steady[workers] / r.decode[workers] for r in rounds)
        print(
            f"{workers:7d}  {1 / decode:6.1f} / s    {1 / run:6.1f} / s {'':30s} {1 / steady:6.1f} / s"
            f" {'':10s} {ratio:6.2f}   {memory[workers]:7.0f}"
        )
    print("ratio: seconds a photo between first and last, over decode only with as many threads; median of rounds")
    for workers, summary in last.items():
        stages = ", ".join(f"{stage} {seconds:.2f} s" for stage, seconds in summary.stage_s.items())
        print(f"last run, {workers} worker(s): read {summary.read}, refused {len(summary.refused)}; {stages}")


def print_stages(folder: Path, photos: dict[str, bytes], model: str) -> None:
    """The table of steps."""
    some = dict(list(photos.items())[:48])
    took, refused = stage_seconds(folder, some, model)
    decode = [decode_only({name: data}, 1) for name, data in some.items()]
    print(f"\none core, {len(some)} photos ({refused} refused), median ms a photo")
    for step in (
        "intake",
        "card",
        "pose and trunk",
        "white balance",
        "unrolling",
        "quality",
        "reader",
        "rim",
        "figures",
    ):
        if took[step]:
            print(f"  {step:16s} {1000 * statistics.median(took[step]):7.1f}")
    print(f"  {'all':16s} {1000 * statistics.median(took['all']):7.1f}")
    print(f"  {'decode only':16s} {1000 * statistics.median(decode):7.1f}   (the floor inside 'intake')")


if __name__ == "__main__":
    main()
