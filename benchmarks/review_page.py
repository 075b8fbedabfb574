"""The review page on a large grove: the next case's time in a real Chromium, and hostile requests.

    python benchmarks/review_page.py [--cases 5000] [--work 50] [--hostile 1000]

Prints, on the machine it runs on: how long making the queue takes; how long it takes from pressing Enter on one case
until the next one stands there with its picture (median and 95th percentile over the cases worked by keyboard);
whether a rim was corrected, an answer taken back, and a second reviewer's stale form handled, without serious findings
of axe-core; and whether the hostile requests left every row of the database as it was and showed no traceback.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import shutil
import sqlite3
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from argon2 import PasswordHasher
from starlette.testclient import TestClient

from pipeline.review.accounts import Passwords, Role, make_account
from pipeline.review.app import Rooms, build_app
from pipeline.review.queue import Queue
from tests.e2e.review_shift import PARTS, WORD, page_of, work
from tests.e2e.test_review_browser import serving
from tests.review_grove import build, build_large
from tests.unit.test_review_security import hostile_requests


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=5000)
    parser.add_argument("--work", type=int, default=50)
    parser.add_argument("--hostile", type=int, default=1000)
    options = parser.parse_args()
    print(f"{platform.processor() or platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as folder:
        shift(Path(folder) / "large", options.cases, options.work)
        hostile(Path(folder) / "small", options.hostile)


def shift(root: Path, cases: int, count: int) -> None:
    """Two reviewers on a large grove, by keyboard."""
    from playwright.sync_api import sync_playwright

    began = time.perf_counter()
    desk = build_large(root, cases, visits=2)
    print(f"made a grove with {cases} flagged sites in {time.perf_counter() - began:.1f} s")
    began = time.perf_counter()
    tasks = len(Queue(desk).tasks("Lek"))
    print(f"queue of {tasks} cases made in {time.perf_counter() - began:.2f} s")
    passwords = Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    for name in ("Lek", "Rin"):
        make_account(desk.store, passwords, name, Role.REVIEWER, WORD, 12, "benchmark", desk.now())
    chromium = os.environ.get("WOUNDWOOD_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    with serving(Rooms(desk, passwords=passwords)) as address, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        with page_of(browser, address, "Lek") as page:
            plain = []
            for _ in range(8):
                page.goto(f"{address}/help", wait_until="load")
                plain.append(sum(page.evaluate(PARTS)))
        print(f"a page without pictures, for comparison: {statistics.median(plain):.0f} ms")
        done = work(desk, browser, address, count, look_ms=300)
        browser.close()
    late = statistics.quantiles(done.times_ms, n=20)[-1]
    print(
        f"signed in by keyboard, {len(set(done.answered))} cases answered by keyboard (load {os.getloadavg()[0]:.1f})"
    )
    print(f"next case: median {statistics.median(done.times_ms):.0f} ms, 95 % {late:.0f} ms")
    answered, ready = (statistics.median(p[k] for p in done.parts_ms) for k in (0, 1))
    print(f"of it until the next page began: {answered:.0f} ms; then until its picture stood there: {ready:.0f} ms")
    print(f"processor time of the server (and of this script) for each case: {done.processor_ms:.0f} ms")
    print(f"rim corrected by keyboard: moved {done.rim_moved_mm:.2f} of 2.00 mm; outlined by keyboard: {done.drawn}")
    print(f"answer taken back: {done.taken_back}; stale form shown what changed: {done.shown_what_changed}; both "
          f"answers kept: {done.both_kept}; comes back as a disagreement: {done.comes_back}")  # fmt: skip
    print(f"serious or critical findings of axe-core on queue, case, stale form, disagreements: {len(done.findings)}")


def hostile(root: Path, count: int) -> None:
    """Send malformed and hostile requests as somebody who is signed in, and compare the database."""
    desk = build(root, trees=2, options={"review.blind_share": 0.0, "review.unflagged_share": 0.0})
    rooms = Rooms(
        desk, local_name="Mali", passwords=Passwords(PasswordHasher(time_cost=1, memory_cost=8, parallelism=1))
    )
    app = build_app(rooms, ["testserver"])
    browser = TestClient(app, raise_server_exceptions=False)
    page = browser.get(f"/enter?key={rooms.start_key}")
    page = browser.get("/case/10")
    fields = {
        n: re.search(rf'name="{n}" value="([^"]*)"', page.text.partition('id="answer"')[2])
        for n in ("form", "seen", "photo")
    }
    sent = {name: found.group(1) for name, found in fields.items() if found} | {"verdict": "not"}
    browser.post("/case/10/answer", data=sent)
    before = rows(desk.store.path)
    statuses: dict[int, int] = {}
    shown = 0
    for method, path, headers, body in hostile_requests(count, 11, browser.cookies["woundwood"], sent["form"]):
        one = TestClient(app, raise_server_exceptions=False)
        answer = one.request(method, path, headers=headers, content=body, follow_redirects=False)
        statuses[answer.status_code] = statuses.get(answer.status_code, 0) + 1
        shown += "Traceback" in answer.text
    same = rows(desk.store.path) == before
    kept = "unchanged" if same else "CHANGED"
    print(f"{count} hostile requests: database {kept}, {shown} tracebacks, statuses {dict(sorted(statuses.items()))}")


def rows(path: Path) -> list[str]:
    """Every row of every table."""
    with sqlite3.connect(path) as raw:
        return list(raw.iterdump())


if __name__ == "__main__":
    main()
