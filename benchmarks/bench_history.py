"""How long a site's history and a tree's alerts take, and whether a change of the code changed what they say.

    python benchmarks/bench_history.py --trees 67 --save before.pickle
    python benchmarks/bench_history.py --trees 67 --against before.pickle

Prints the least processor time of several runs.  Against a saved file every number of every history, finding and
status is compared (relative 1e-9), also as they were on twelve earlier days.  Read only files that you saved yourself.
"""

from __future__ import annotations

import argparse
import math
import pickle
import platform
import time
from collections import defaultdict
from dataclasses import fields, is_dataclass, replace
from datetime import timedelta
from pathlib import Path

from pipeline import alerts, flow, timeline
from pipeline.settings import Settings
from pipeline.simulate import GrovePlan, SimulatedGrove, simulate_grove

NEAR = 1e-9


def timed(grove: SimulatedGrove, settings: Settings, runs: int) -> tuple[dict, dict, float, float]:
    """Histories and findings by tree, and the least processor seconds of each."""
    readings = defaultdict(list)
    for reading in grove.readings:
        readings[reading.site].append(reading)
    events = {site: grove.register.events_of(site) for site in grove.register.sites}
    today = max(reading.visit_on for reading in grove.readings)
    histories, found, of_history, of_finding = {}, {}, math.inf, math.inf
    for _ in range(runs):
        begin = time.process_time()
        by_tree = defaultdict(list)
        for number, site in grove.register.sites.items():
            history = timeline.site_history(site, readings[number], events[number], settings.time, settings.grove)
            by_tree[site.tree].append(history)
        middle = time.process_time()
        found = {}
        for tree, own in by_tree.items():
            findings = alerts.find(own, grove.register, settings, today)
            found[tree] = (findings, alerts.tree_status(own, findings, settings))
        end = time.process_time()
        histories = dict(by_tree)
        of_history, of_finding = min(of_history, middle - begin), min(of_finding, end - middle)
    return histories, found, of_history, of_finding


def earlier_findings(grove: SimulatedGrove, histories: dict, settings: Settings) -> dict:
    """Findings of each tree on twelve days over the years."""
    begin = min(reading.visit_on for reading in grove.readings)
    found = {}
    for tree, own in histories.items():
        for k in range(12):
            day = begin + timedelta(days=60 + 80 * k)
            known = [replace(h, visits=tuple(v for v in h.visits if v.visit_on <= day), trends=()) for h in own]
            found[tree, k] = alerts.find(known, grove.register, settings, day)
    return found


def differences(one: object, other: object, where: str = "") -> list[str]:
    """Places where two results differ by more than rounding."""
    if type(one) is not type(other):
        return [f"{where}: {type(one).__name__} and {type(other).__name__}"]
    if is_dataclass(one):
        names = [field.name for field in fields(one)]
        return [d for n in names for d in differences(getattr(one, n), getattr(other, n), f"{where}.{n}")]
    if isinstance(one, float):
        same = one == other or math.isclose(one, other, rel_tol=NEAR, abs_tol=NEAR)
        return [] if same else [f"{where}: {one!r} and {other!r}"]
    if isinstance(one, dict):
        if list(one) != list(other):
            return [f"{where}: other keys"]
        return [d for key in one for d in differences(one[key], other[key], f"{where}[{key}]")]
    if isinstance(one, list | tuple):
        if len(one) != len(other):
            return [f"{where}: {len(one)} and {len(other)} entries"]
        pairs = enumerate(zip(one, other, strict=True))
        return [d for i, (a, b) in pairs for d in differences(a, b, f"{where}[{i}]")]
    return [] if one == other else [f"{where}: {one!r} and {other!r}"]


def whole_grove(trees: int, settings: Settings) -> None:
    """Processor time for alerts and statuses of a whole grove from its readings, and of one tree after a new visit."""
    grove = simulate_grove(GrovePlan(trees=trees))
    today = max(reading.visit_on for reading in grove.readings)
    begin = time.process_time()
    healths = flow.assess_grove(grove.register, grove.readings, settings, today)
    took = time.process_time() - begin
    sites = sum(len(health.sites) for health in healths)
    print(
        f"whole grove: {sites} sites, {len(grove.readings)} readings, {took:.1f} s ({1e3 * took / sites:.2f} ms a site)"
    )
    tree = next(iter(grove.register.trees.values()))
    own = {number for number, site in grove.register.sites.items() if site.tree == tree.tree}
    readings = defaultdict(list)
    for reading in grove.readings:
        if reading.site in own:
            readings[reading.site].append(reading)
    begin = time.process_time()
    flow.assess_tree(tree, grove.register, readings, settings, today)
    print(f"one tree after a new visit: {1e3 * (time.process_time() - begin):.1f} ms")


def main() -> None:
    """Parse the call, time, save or compare."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trees", type=int, default=67)
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--runs", type=int, default=6)
    parser.add_argument("--grove", type=int, default=0, metavar="TREES", help="time a whole grove of so many trees too")
    parser.add_argument("--save", type=Path)
    parser.add_argument("--against", type=Path)
    call = parser.parse_args()
    settings = Settings()
    grove = simulate_grove(GrovePlan(trees=call.trees, seed=call.seed))
    histories, found, of_history, of_finding = timed(grove, settings, call.runs)
    sites = len(grove.register.sites)
    per_site, per_tree = 1e3 * of_history / sites, 1e3 * of_finding / call.trees
    print(f"{sites} sites, {len(grove.readings)} readings, {platform.machine()}, Python {platform.python_version()}")
    print(f"history {per_site:.2f} ms a site, alerts {per_tree:.2f} ms a tree")
    if call.grove:
        whole_grove(call.grove, settings)
    if call.save or call.against:
        results = (histories, found, earlier_findings(grove, histories, settings))
        if call.save:
            call.save.write_bytes(pickle.dumps(results))
        if call.against:
            differing = differences(pickle.loads(call.against.read_bytes()), results)
            print(f"{len(differing)} differences")
            print("\n".join(differing[:20]))


if __name__ == "__main__":
    main()
