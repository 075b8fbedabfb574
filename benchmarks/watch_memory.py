"""Does the watcher's memory grow with the number of photos?  Part of ``bench_watch`` (``--memory-photos``).

A grove gets thousands of photos one after the other through the watcher itself, as fast as it takes them: many sites
with many visits two weeks apart, two photos a visit, a folder for each day.  Every file is a drawn photo encoded anew
(another brightness, another quality, its own date), so that its bytes are its own; one in ``--large-every`` is of full
size.  All arrive on one day, which is the hardest case for what is kept of a day.

With ``--reader none`` all is real but the reading: a photo is copied, decoded, recorded, assessed and answered, while
its site is taken from its name and its figures are drawn by lot (one in twenty is refused).  That takes a tenth of the
time and shows what the watcher keeps; what reading itself keeps is shown by a shorter call with a real reader.

Memory is the sum of resident sets (shared pages counted in each process).  Every thousand photos a line is printed;
the slope is that of the reading process by least squares over the medians of blocks of 250 photos, with its 95 %
interval from Student's t (blocks that follow each other are alike, so the interval is rather too narrow).
"""

from __future__ import annotations

import csv
import re
import statistics
import threading
import time
from collections import defaultdict
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
import simplejpeg

from benchmarks.watch_processes import command_of, parent_of, resident_of, tree_of
from pipeline.intake.formats import jpeg_segments
from pipeline.store import open_store

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.store import Store

EXIF_MARKER = 0xE1
DATE = re.compile(rb"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d")
VISIT_DAYS = 14
PHOTOS_A_VISIT = 2
BLOCK = 250
LINE_EVERY = 1000
MOST_WAITING = 200
LEAVE_AFTER_S = 900.0


def merge_registers(one: Path, other: Path, out: Path) -> None:
    """The sites and trees of two drawn groves in one register."""
    out.mkdir(parents=True, exist_ok=True)
    for name in ("trees.csv", "sites.csv"):
        rows = []
        for folder in (one, other):
            with (folder / name).open(encoding="utf-8", newline="") as file:
                rows += list(csv.DictReader(file))
        with (out / name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


def write_sites(count: int, out: Path) -> None:
    """A register of many sites, three on a tree, for a reader that needs no true girth."""
    with (out / "trees.csv").open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([["tree"], *([f"T-{n}"] for n in range(-(-count // 3)))])
    with (out / "sites.csv").open("w", encoding="utf-8", newline="") as file:
        rows = ([200_001 + n, f"T-{n // 3}", "window", 60] for n in range(count))
        csv.writer(file, lineterminator="\n").writerows([["site", "tree", "kind", "girth_cm"], *rows])


def made_anew(data: bytes, taken: datetime, rng: np.random.Generator) -> bytes:
    """A photo of the same view on another day: another brightness, quality and date, so that all its bytes differ."""
    rgb = simplejpeg.decode_jpeg(data, "RGB", fastdct=True, fastupsample=True)
    rgb = cv2.convertScaleAbs(rgb, alpha=float(rng.uniform(0.95, 1.03)))
    encoded = simplejpeg.encode_jpeg(rgb, int(rng.integers(85, 95)), colorspace="RGB", colorsubsampling="420")
    # the tags as they are but for the date, which is as long as the old one
    tags = next(content for marker, content in jpeg_segments(data)[0] if marker == EXIF_MARKER)
    tags = DATE.sub(taken.strftime("%Y:%m:%d %H:%M:%S").encode(), tags)
    return encoded[:2] + b"\xff\xe1" + (len(tags) + 2).to_bytes(2, "big") + tags + encoded[2:]


def many_photos(
    small: list[Path], large: list[Path], count: int, large_every: int, last: datetime, sites: int
) -> Iterator[tuple[str, bytes]]:
    """Names (with the folder of the day) and bytes of photos, the earliest visit first."""
    rng = np.random.default_rng(7)
    visits = -(-count // (sites * PHOTOS_A_VISIT))
    for number in range(count):
        visit, within = divmod(number, sites * PHOTOS_A_VISIT)
        scene = within // PHOTOS_A_VISIT
        source = small[scene % len(small)]
        if large and number % large_every == 0:
            source = large[number // large_every % len(large)]
        day = last - timedelta(days=VISIT_DAYS * (visits - 1 - visit))
        taken = day.replace(hour=7) + timedelta(seconds=20 * within)
        name = f"{day:%Y-%m-%d}/{taken:%Y%m%d_%H%M%S}_{number}_scene{scene}.jpg"
        yield name, made_anew(source.read_bytes(), taken, rng)


@dataclass(eq=False)
class Samples(threading.Thread):
    """Memory by role and the number of photos with an outcome, twice a second."""

    watcher: int
    store: Store
    done: int = 0
    changed_s: float = field(default_factory=time.monotonic)
    rows: list[tuple[int, float, float, float]] = field(default_factory=list)
    """Photos done; MB of the parent, of the reading process, of its workers."""

    def __post_init__(self) -> None:
        super().__init__(daemon=True)
        self.over = threading.Event()

    def run(self) -> None:
        """Sample until told that it is over."""
        for tick in range(10**9):
            if self.over.wait(0.5):
                return
            if tick % 8 == 0:
                counts = self.store.counts()
                done = sum(n for outcome, n in counts.items() if outcome.value in ("reading", "refusal"))
                self.changed_s = self.changed_s if done == self.done else time.monotonic()
                self.done = done
            parts = [0.0, 0.0, 0.0]
            for pid in tree_of(self.watcher):
                looks = pid == self.watcher or "resource_tracker" in command_of(pid)
                role = 0 if looks else 1 if parent_of(pid) == self.watcher else 2
                parts[role] += resident_of(pid) / 1e6
            self.rows.append((self.done, *parts))


def slope_of(rows: list[tuple[int, float, float, float]], after: int) -> str:
    """MB a thousand photos of the reading process, with its 95 % interval."""
    from scipy.stats import linregress, t

    blocks: dict[int, list[float]] = defaultdict(list)
    for done, _, child, _ in rows:
        if done >= after and child > 0:
            blocks[done // BLOCK].append(child)
    if len(blocks) < 4:
        return "too few blocks for a slope"
    x = np.array([(block + 0.5) * BLOCK / 1000 for block in sorted(blocks)])
    y = np.array([statistics.median(blocks[block]) for block in sorted(blocks)])
    fit = linregress(x, y)
    half = float(t.ppf(0.975, len(x) - 2)) * fit.stderr
    low, high = fit.slope - half, fit.slope + half
    return f"{fit.slope:+.1f} MB a thousand photos (95 %: {low:+.1f} to {high:+.1f}; {len(x)} blocks)"


def bench_memory(
    grove: Path,
    small: list[Path],
    large: list[Path],
    count: int,
    large_every: int,
    watcher: int,
    last: datetime,
    sites: int,
) -> None:
    """Feed the watcher photos whose last visit is on a day, and print what it holds."""
    inbox, store = grove / "inbox", open_store(grove / "woundwood.db")
    samples = Samples(watcher, store)
    samples.start()
    began, printed, put = time.monotonic(), 0, 0
    for name, data in many_photos(small, large, count, large_every, last, sites):
        path = inbox / name
        path.parent.mkdir(exist_ok=True)
        path.with_suffix(".part").write_bytes(data)
        path.with_suffix(".part").replace(path)
        put += 1
        while put - samples.done > MOST_WAITING and time.monotonic() - samples.changed_s < LEAVE_AFTER_S:
            time.sleep(0.2)
            printed = _line(samples, printed, began)
        if time.monotonic() - samples.changed_s > LEAVE_AFTER_S:
            print("memory: no photo was read for long; given up")
            break
    while samples.done < put and time.monotonic() - samples.changed_s < LEAVE_AFTER_S:
        time.sleep(0.5)
        printed = _line(samples, printed, began)
    time.sleep(5.0)
    samples.over.set()
    samples.join()
    _line(samples, printed, began, last=True)
    peak = max(sum(row[1:]) for row in samples.rows)
    print(f"memory: {samples.done} of {count} photos of {sites} sites; peak {peak:.0f} MB (reach 1500)")
    print(f"memory: slope from the first photo {slope_of(samples.rows, 0)}")
    print(f"memory: slope of the second half {slope_of(samples.rows, samples.done // 2)}")


def _line(samples: Samples, printed: int, began: float, last: bool = False) -> int:
    """Print a line for each thousand that is full; the number of photos that is said."""
    rows = list(samples.rows)
    done = rows[-1][0] if rows else 0
    if done < printed + LINE_EVERY and not (last and done > printed):
        return printed
    own = [row for row in rows if row[0] >= printed]
    near = [row for row in own if row[0] >= done - BLOCK]
    looking, reading = (statistics.median(row[k] for row in near) for k in (1, 2))
    print(
        f"memory: {done:6} photos after {time.monotonic() - began:6.0f} s: looking {looking:4.0f}, "
        f"reading process {reading:4.0f}, workers {max(r[3] for r in near):4.0f}, "
        f"peak since the last line {max(sum(r[1:]) for r in own):4.0f} MB",
        flush=True,
    )
    return done
