"""How long alerts and statuses of a large stored grove take: from scratch, and after one new visit.

    python -m benchmarks.bench_whole_grove --sites 100000 --workers 2

Simulates some hundred sites over three years and copies them in the database until there are as many as asked for, each
photo with a scale from its site's bark, as after a real run.  The first survey also packs the readings of every site,
as the run does that read them; it is timed by itself.  From scratch is :func:`pipeline.batch.update_alerts` on a
database without alerts: reading, following, judging, and writing every alert.  After one new visit is the same call for
its tree, with the clusters on the map.  Building is not timed; the folder may be kept and used again.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import sqlite3
import statistics
import tempfile
import time
from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from pipeline import batch, wholegrove
from pipeline.grove import Grove
from pipeline.records import Arrival, BarkScale, Reading, Register
from pipeline.settings import Settings
from pipeline.simulate import GrovePlan, SimulatedGrove, simulate_grove
from pipeline.store import Store, open_store
from pipeline.store.bark import Tie

NEW = "ffff"
"""First digits of the hashes of new visits."""
MODEL, NOON = "simulated 1", datetime(2026, 5, 3, 12, 0, tzinfo=UTC)
COPIED = ("photos", "results", "readings", "standing", "bark_scales")
SCALE = BarkScale(1.003, 1.001, 1.002, 0.02, 0.01, 0.01, 0.015, 0.0075)


def simulated(trees: int, seed: int, settings: Settings) -> SimulatedGrove:
    """A grove whose readings carry the names under which a store keeps them."""
    grove = simulate_grove(GrovePlan(trees=trees, seed=seed))
    readings = tuple(replace(r, model=MODEL, settings=settings.reading_hash) for r in grove.readings)
    return replace(grove, readings=readings)


def save(store: Store, readings: list[Reading], settings: Settings) -> None:
    """Readings as a run leaves them, tied by their bark."""
    store.record_arrivals([Arrival(r.file, r.sha256, 1, f"{r.sha256}.jpg", NOON) for r in readings])
    store.save_results(readings, model=MODEL, settings=settings.reading_hash, read_at=NOON, program="0")
    store.save_ties([], {r.sha256: Tie(0.9, SCALE) for r in readings}, "1")


def build(grove: Grove, base: SimulatedGrove, copies: int) -> None:
    """The database: the simulated readings, and copies of them under other numbers and hashes."""
    step = max(base.register.sites)
    with open_store(grove.database) as store:
        store.use_reader(MODEL, grove.settings.reading_hash, NOON)
        save(store, list(base.readings), grove.settings)
    with sqlite3.connect(grove.database) as raw:
        raw.execute("PRAGMA synchronous = OFF")
        raw.execute("PRAGMA cache_size = -1000000")
        (last,) = raw.execute("SELECT max(id) FROM results").fetchone()
        for table in COPIED:
            names = [row[1] for row in raw.execute(f"PRAGMA table_info({table})")]
            changed = {
                "sha256": "printf('%08x', :k) || substr(sha256, 9)",
                "stored": "printf('%08x', :k) || substr(stored, 9)",
                "id": f"id + :k * {last}",
                "result": f"result + :k * {last}",
                "site": f"site + :k * {step}",
            }
            chosen = ", ".join(changed.get(name, f'"{name}"') for name in names)
            key = "sha256" if table in ("photos", "bark_scales") else "id" if table == "results" else "result"
            first = f"rowid <= (SELECT count(*) FROM {table})" if key == "sha256" else f"{key} <= {last}"
            raw.execute(f"CREATE TEMP TABLE base_{table} AS SELECT * FROM {table} WHERE {first}")
            for k in range(1, copies):
                raw.execute(f"INSERT INTO {table} SELECT {chosen} FROM base_{table}", {"k": k})
            raw.commit()
        raw.execute("ANALYZE")


def copied_register(base: Register, copies: int) -> Register:
    """The register of all copies."""
    step, trees, stems, sites, events = max(base.sites), {}, {}, {}, []
    for k in range(copies):
        for tree in base.trees.values():
            # copies stand beside each other
            place = replace(tree, tree=f"{tree.tree}-{k}", x_m=(tree.x_m or 0.0) + 1000.0 * k)
            trees[place.tree] = place
        for (tree, stem), entry in base.stems.items():
            stems[f"{tree}-{k}", stem] = replace(entry, tree=f"{tree}-{k}")
        for number, site in base.sites.items():
            sites[number + k * step] = replace(site, site=number + k * step, tree=f"{site.tree}-{k}")
        for event in base.events:
            number = None if event.site is None else event.site + k * step
            events.append(replace(event, site=number, tree=f"{event.tree}-{k}" if event.tree else ""))
    return Register(trees, stems, sites, tuple(sorted(events, key=lambda e: e.on)))


def one_more_visit(store: Store, grove: Grove, base: SimulatedGrove, day: date, k: int) -> str:
    """A photo of one site on a later day; its tree."""
    last = base.readings[-1 - 40 * k]
    taken_at = datetime.combine(day, last.taken_at.timetz())
    changes = {"file": f"new{k}.jpg", "sha256": f"{NEW}{k:060x}", "taken_at": taken_at, "visit_on": day}
    save(store, [replace(last, **changes)], grove.settings)
    return grove.register.sites[last.site].tree


def seconds(watch: list[float]) -> str:
    """Median and longest."""
    return f"{statistics.median(watch):.3f} s at the median, {max(watch):.3f} s at most, {len(watch)} visits"


def main() -> None:
    """Parse the call, build, time."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=100_000)
    parser.add_argument("--trees", type=int, default=333, help="simulated trees, of three sites each, that are copied")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--folder", type=Path, help="keep the database here, and use it again")
    call = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = call.folder or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        settings = Settings()
        base = simulated(call.trees, call.seed, settings)
        copies = -(-call.sites // len(base.register.sites))
        grove = Grove(folder, settings, {}, copied_register(base.register, copies))
        if not grove.database.exists():
            began = time.perf_counter()
            build(grove, base, copies)
            print(f"built in {time.perf_counter() - began:.0f} s, {grove.database.stat().st_size / 1e9:.1f} GB")
        run(grove, base, call.workers)


def forget_earlier_calls(database: Path) -> None:
    """Remove alerts and new visits of an earlier call on the same database."""
    raw = sqlite3.connect(database)
    raw.execute("PRAGMA foreign_keys = ON")
    triggers = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        raw.execute(f"DROP TRIGGER {name}")
    for table in ("alerts", "alert_events", "alert_keys", "questions"):
        raw.execute(f"DELETE FROM {table}")
    for table in ("bark_scales", "results", "arrivals", "photos"):
        raw.execute(f"DELETE FROM {table} WHERE sha256 GLOB '{NEW}*'")
    for _, text in triggers:
        raw.execute(text)
    raw.commit()
    raw.close()


def run(grove: Grove, base: SimulatedGrove, workers: int) -> None:
    """Time from scratch, then after each of some new visits."""
    today = max(reading.visit_on for reading in base.readings)
    forget_earlier_calls(grove.database)
    with open_store(grove.database) as store:
        count = sum(store.readings_by_reader().values())
        print(f"{len(grove.register.sites)} sites, {len(grove.register.trees)} trees, {count} readings")
        print(f"{platform.machine()}, {len(os.sched_getaffinity(0))} cores, {workers} workers")
        for what in ("packing, statuses and findings", "statuses and findings alone"):
            survey(what, grove, store, today, workers)
        began, busy = time.perf_counter(), processor_s()
        changes, asked = batch.update_alerts(grove, store, today, workers=workers)
        took = time.perf_counter() - began
        print(
            f"alerts from scratch: {took:.1f} s, processors busy {processor_s() - busy:.1f} s together; "
            f"{len(changes.opened)} alerts, {len(asked)} questions"
        )
        watch, own = [], []
        for k in range(12):
            day = today + timedelta(days=3)
            tree = one_more_visit(store, grove, base, day, k)
            began, busy = time.perf_counter(), time.process_time()
            batch.update_alerts(grove, store, day, trees=[tree])
            watch.append(time.perf_counter() - began)
            own.append(time.process_time() - busy)
        print(f"after one new visit: {seconds(watch)}; of that the processor {seconds(own)}")
    peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"processor time of everything here: {processor_s():.0f} s; peak memory of this process: {peak_kb // 1024} MB"
    )


def survey(what: str, grove: Grove, store: Store, today: date, workers: int) -> None:
    """Time one survey of all trees."""
    began, busy = time.perf_counter(), processor_s()
    found = wholegrove.survey_grove(grove, store, grove.register, tuple(grove.register.trees), today, workers)
    statuses = Counter(one.status for one in found)
    took = time.perf_counter() - began
    print(f"{what}: {took:.1f} s, processors busy {processor_s() - busy:.1f} s together; {dict(statuses)}", flush=True)


def processor_s() -> float:
    """Processor seconds of this process and of those that it started and that have ended."""
    uses = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(use.ru_utime + use.ru_stime for use in uses)


if __name__ == "__main__":
    main()
