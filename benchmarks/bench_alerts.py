"""How soon the rules see what happens in simulated groves, and how often they cry wolf.

    python -m benchmarks.bench_alerts --trees 500 --seeds 20 --workers 2 --out FOLDER
    python -m benchmarks.bench_alerts --trees 500 --seeds 20 --workers 2 --out FOLDER --careless 0.25

Each grove's counts are written to a file in FOLDER as soon as they are known; a call that was ended goes on where it
stopped, and ``--only-print`` prints what is there.  Counts of other code, settings or plans are never mixed in.
A figure is the share over all cases of all groves, with a 95 % interval over the groves (ratio of sums, Student's t).
``--careless`` gives that share of the visits to the careless hand of ``pipeline/hands.py``.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import os
import platform
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from functools import partial
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from rich.progress import track

import pipeline
from benchmarks.alerts_score import DATE_ERROR_3, ROWS, score_grove
from pipeline.lines import student_quantile
from pipeline.settings import Settings, load
from pipeline.simulate import GrovePlan

CODE = ("alerts", "timeline", "simulate*", "hands.py", "changes.py", "advance.py", "lines.py", "seasons.py",
        "settings.py", "records.py", "growth.py")  # fmt: skip
"""What the figures depend on."""


@dataclass(frozen=True, slots=True)
class Order:
    """What is wanted of a worker: the plan but its seed, the settings that differ, and where counts are written."""

    trees: int
    years: float
    careless: float
    options: dict[str, float]
    out: Path | None

    def plan(self, seed: int) -> GrovePlan:
        """The grove of a seed."""
        return GrovePlan(trees=self.trees, years=self.years, careless=self.careless, seed=seed)

    def settings(self) -> Settings:
        """Defaults, but for the options."""
        return load(environment={}, options=self.options)[0]

    def file(self, seed: int) -> Path | None:
        """Where the counts of a seed are kept."""
        hand = f"careless{self.careless:g}" if self.careless else "careful"
        return self.out / f"{hand}-{self.trees}-{self.years:g}-{seed:04d}.json" if self.out else None


def head_of(order: Order, seed: int) -> dict[str, object]:
    """What a file of counts belongs to."""
    digest = hashlib.sha256()
    folder = Path(pipeline.__file__).parent
    for name in CODE:
        for path in sorted(folder.glob(name)):
            for file in sorted(path.rglob("*.py")) if path.is_dir() else [path]:
                digest.update(file.read_bytes())
    digest.update((Path(__file__).parent / "alerts_score.py").read_bytes())
    settings = order.settings().model_dump_json()
    told = {"plan": asdict(order.plan(seed)), "settings": hashlib.sha256(settings.encode()).hexdigest()}
    return json.loads(json.dumps(told | {"code": digest.hexdigest()}, default=str))


def known(order: Order, seed: int) -> dict | None:
    """Counts that an earlier call wrote for the same code, settings and plan."""
    file = order.file(seed)
    if file is None or not file.exists():
        return None
    kept = json.loads(file.read_text())
    return kept if kept["head"] == head_of(order, seed) else None


def one_grove(order: Order, seed: int) -> dict:
    """Counts of one grove; written as a whole or not at all."""
    head, begin = head_of(order, seed), time.process_time()
    score = score_grove(order.plan(seed), order.settings())
    kept = {"head": head, "counts": score.counts, "values": score.values, "cpu_s": time.process_time() - begin}
    file = order.file(seed)
    if file is not None:
        file.parent.mkdir(parents=True, exist_ok=True)
        part = file.with_suffix(f".{os.getpid()}.part")
        part.write_text(json.dumps(kept))
        part.replace(file)
    return kept


def pooled_share(counts: list[list[int]]) -> tuple[float, float, int]:
    """Share over all groves, half its 95 % interval, cases; ratio estimator (Cochran 1977, Sampling Techniques)."""
    hits, cases = np.array(counts, dtype=float).T
    share, groves = float(hits.sum() / cases.sum()), len(counts)
    if groves < 2:
        return share, math.nan, int(cases.sum())
    off = hits - share * cases
    sd = math.sqrt(groves / (groves - 1) * float(off @ off)) / float(cases.sum())
    return share, student_quantile(0.975, groves - 1) * sd, int(cases.sum())


def table(kept: list[dict]) -> list[str]:
    """Rows of a table in Markdown."""
    rows = ["| what | figure | cases |", "|---|---|---|"]
    for name in ROWS:
        if name == DATE_ERROR_3:
            medians = [float(np.median(k["values"][name])) for k in kept if k["values"].get(name)]
            if medians:
                every = [v for k in kept for v in k["values"].get(name, ())]
                half = math.nan
                if len(medians) > 1:
                    half = student_quantile(0.975, len(medians) - 1) * float(np.std(medians, ddof=1))
                rows.append(f"| {name} | {np.median(every):.1f} ± {half / len(medians) ** 0.5:.1f} | {len(every)} |")
            continue
        counts = [k["counts"][name] for k in kept if k["counts"].get(name, [0, 0])[1]]
        if counts:
            share, half, cases = pooled_share(counts)
            rows.append(f"| {name} | {share:.4f} ± {half:.4f} | {cases} |")
    return rows


def main() -> None:
    """Parse the call, run the seeds that are missing, print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trees", type=int, default=100)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--years", type=float, default=3.0)
    parser.add_argument("--careless", type=float, default=0.0, help="share of visits by the careless hand")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--out", type=Path, help="folder for each grove's counts")
    parser.add_argument("--only-print", action="store_true", help="print what FOLDER holds, run nothing")
    parser.add_argument("--set", action="append", default=[], metavar="SECTION.NAME=NUMBER", help="a setting to try")
    call = parser.parse_args()
    options = {name: float(value) for name, _, value in (text.partition("=") for text in call.set)}
    order = Order(call.trees, call.years, call.careless, options, call.out)
    seeds = range(call.first_seed, call.first_seed + call.seeds)
    kept = {seed: found for seed in seeds if (found := known(order, seed)) is not None}
    missing = [] if call.only_print else [seed for seed in seeds if seed not in kept]
    if call.workers > 1 and missing:
        with ProcessPoolExecutor(call.workers, get_context("spawn")) as pool:
            jobs = {pool.submit(partial(one_grove, order), seed): seed for seed in missing}
            for job in track(as_completed(jobs), "groves", total=len(jobs)):
                kept[jobs[job]] = job.result()
    else:
        for seed in track(missing, "groves", disable=not missing):
            kept[seed] = one_grove(order, seed)
    if not kept:
        raise SystemExit("No counts of this code, these settings and this plan are there.")
    took = sum(k["cpu_s"] for k in kept.values())
    print(f"{call.trees} trees, {call.years:g} years, {len(kept)} of {call.seeds} seeds from {call.first_seed} on, "
          f"careless {call.careless:g}, {took:.0f} s of processor time, {platform.machine()}, "
          f"Python {platform.python_version()}{', ' + ', '.join(call.set) if call.set else ''}")  # fmt: skip
    print("\n".join(table([kept[seed] for seed in sorted(kept)])))


if __name__ == "__main__":
    main()
