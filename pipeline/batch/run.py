"""A run: receive what lies in the inbox, read what has no result, renew the alerts.

Every step may be cut off at any instruction and is taken up again by the next run; a second run
with nothing new changes nothing.
"""

from __future__ import annotations

import os
import threading
import time
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TYPE_CHECKING

import cv2

from pipeline import alerts, assess, flow, readers, wholegrove
from pipeline.batch.inbox import Received, receive_inbox
from pipeline.batch.lenses import learn_lenses
from pipeline.batch.reading import Count, ReadingQueue
from pipeline.batch.tying import tie_sites
from pipeline.batch.without_card import place_without_card
from pipeline.batch.words import Progress, RunStage, RunSummary
from pipeline.crew import Orders
from pipeline.errors import StoreError
from pipeline.records import AlertState
from pipeline.survey import TreeSurvey

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import date, datetime
    from typing import TypeAlias

    from pipeline.crew import OpenReader, ReadPhoto
    from pipeline.grove import Grove
    from pipeline.receive import ScanResult
    from pipeline.records import AlertChanges, Finding, Question, Register, TreeHealth
    from pipeline.settings import Settings
    from pipeline.store import Store
    from pipeline.store.locks import Lock

    Assess: TypeAlias = Callable[[Sequence[str]], Iterable[TreeHealth]]

LOCK = "run"
MOST_WORKERS = 8
TREES_AT_A_TIME = 50


def run(
    grove: Grove,
    store: Store,
    *,
    model: str | None,
    workers: int,
    progress: Callable[[Progress], None],
    now: datetime,
    wait_s: float = 0.0,
    retry_faults: bool = False,
    read_again: bool = True,
    found: ScanResult | None = None,
    only_touched: bool = False,
    read: ReadPhoto = flow.read_photo,
    open_reader: OpenReader = readers.open_reader,
    assess_trees: Assess | None = None,
) -> RunSummary:
    """Process a grove once.

    Parameters
    ----------
    grove, store
        The opened grove and its database.
    model
        Name of the reader (see :mod:`pipeline.readers`); ``None`` takes the one in the settings.
    workers
        Worker processes; 0 means one a core, at most eight; 1 reads in this process.
    progress
        Called with every step, at times from another thread.
    now
        Present time, aware; its day in the grove's time zone is "today" for the alerts.
    wait_s
        How long to wait for another run on this grove to end.
    retry_faults
        Read photos again on which this very version of the program failed (another version does so anyway).
    read_again
        Read also photos whose reading was made by another reader; else they keep it until its basis changes.
    found
        A look at the inbox that was taken just now; by default the run looks itself, and waits for what is arriving.
    only_touched
        Let only the alerts of trees follow of which something was read now; for one who runs often and looks at all
        trees once a day.
    read, open_reader, assess_trees
        The way of one photo, the reader, and the assessment of trees, for those who bring their own;
        the first two must be importable by worker processes.

    Raises
    ------
    StoreError
        If another run works on this grove or the database cannot be written.
    ModelError
        If the reader cannot be opened.
    """
    clock = _Clock()
    name = model or grove.reader
    with store.lock(LOCK, wait_s=wait_s) as lock, _one_thread():
        version = readers.model_of(name) if open_reader is readers.open_reader else open_reader(name)[1]
        store.use_reader(version, grove.settings.reading_hash, now)
        context = flow.ReadContext(grove.settings, grove.register, now, version, tuple(store.shifts()), store.lenses())
        orders = Orders(read, open_reader, name, context, grove.photos, grove.cache)
        count, received = Count(), Received()
        queue = ReadingQueue(grove, store, orders, lock, progress, count, received, retry_faults, read_again)
        with (
            _receiving(grove, store, now, lock, progress, received, clock, found) as inbox,
            clock.stage(RunStage.READING),
        ):
            queue.read_waiting(inbox, _number_of(workers))
        store.set_clocks_right(grove.settings.grove.zone)  # a correction may have come while photos were read
        with clock.stage(RunStage.COMPARING):
            place_without_card(grove, store, orders, count, lock.check)
            learn_lenses(grove, store, lock.check)
            tie_sites(grove, store, assess.full_register(grove, store), version, lock.check, progress)
        with clock.stage(RunStage.ALERTS):
            lock.check()
            today = now.astimezone(grove.settings.grove.zone).date()
            touched = _trees_of(count.sites, grove.register) if only_touched else None
            changes, questions = update_alerts(
                grove, store, today, assess_trees, trees=touched, progress=progress, workers=_number_of(workers)
            )
    return RunSummary(
        arrived=received.arrived,
        received=received.new,
        read=count.read,
        refused=tuple(count.refused),
        duplicates=received.duplicates,
        known=received.known,
        left=(*received.left, *count.problems),
        again=count.again,
        questions=questions,
        alerts=changes,
        seconds=clock.seconds(),
        model=version,
        settings=grove.settings.reading_hash,
        stage_s=clock.stages,
    )


def update_alerts(
    grove: Grove,
    store: Store,
    today: date,
    assess_trees: Assess | None = None,
    *,
    trees: Sequence[str] | None = None,
    progress: Callable[[Progress], None] | None = None,
    workers: int = 1,
) -> tuple[AlertChanges, tuple[Question, ...]]:
    """Look at trees and let the alerts follow; ask what only a person knows.

    Parameters
    ----------
    assess_trees
        Gives the health of the trees named (default: they are surveyed, :mod:`pipeline.wholegrove`).
    trees
        Trees to look at (default: all of the register); alerts of others are left alone.
    workers
        Processes for a survey of many trees.

    Returns
    -------
    changes, questions
        What became of the alerts, and the questions asked for the first time.
    """
    wanted = tuple(grove.register.trees) if trees is None else tuple(trees)
    findings: list[Finding] = []
    asked: list[Question] = []
    register = assess.full_register(grove, store)
    seen = (
        wholegrove.survey_grove(grove, store, register, wanted, today, workers)
        if assess_trees is None
        else _looked_at(wanted, assess_trees, register, grove.settings, today)
    )
    for done, (found, questions) in enumerate(((each.findings, each.questions) for each in seen), start=1):
        findings += found
        asked += questions
        if progress is not None and (done % TREES_AT_A_TIME == 0 or done == len(wanted)):
            progress(Progress(RunStage.ALERTS, done, len(wanted)))
    findings += _clusters(grove, store, findings, today, None if trees is None else set(wanted))
    new = tuple(store.ask(asked))
    return store.apply_findings(findings, today, trees=None if trees is None else set(wanted)), new


def _looked_at(
    wanted: Sequence[str], look: Assess, register: Register, settings: Settings, today: date
) -> Iterator[TreeSurvey]:
    """The same from trees that somebody else assesses."""
    for start in range(0, len(wanted), TREES_AT_A_TIME):
        for health in look(wanted[start : start + TREES_AT_A_TIME]):
            asked = alerts.questions(health.sites, register, settings, today)
            yield TreeSurvey(health.tree.tree, health.findings, asked, health.status, health.reasons)


def _clusters(
    grove: Grove, store: Store, findings: Sequence[Finding], today: date, trees: set[str] | None
) -> list[Finding]:
    """Signs that cluster on the map; trees not looked at now count with the alerts that they have."""
    known = list(findings)
    if trees is not None:
        if not any(alerts.may_cluster(finding) for finding in findings):
            return []  # a cluster is named after a tree in it, and none of these has the sign
        standing = store.alerts(states=(AlertState.OPEN, AlertState.ACKNOWLEDGED), rules=alerts.CLUSTERING)
        known += [alert.finding for alert in standing if alert.finding.tree not in trees]
    found = alerts.find_neighbours(known, grove.register, grove.settings.alerts, today)
    return [finding for finding in found if trees is None or finding.tree in trees]


@contextmanager
def _receiving(
    grove: Grove,
    store: Store,
    now: datetime,
    lock: Lock,
    progress: Callable[[Progress], None],
    received: Received,
    clock: _Clock,
    found: ScanResult | None,
) -> Iterator[Future[Received]]:
    """Empty the inbox beside the reading: copying waits for the disk, reading for the processor.

    Leaving the block waits for the batch in hand; what the inbox could not do is raised then.
    """
    stop = threading.Event()

    def still_ours() -> None:
        lock.check()
        if stop.is_set():
            raise StoreError("The run was stopped.", "Start it again; nothing is lost.")

    def tell(done: int, total: int) -> None:
        progress(Progress(RunStage.RECEIVING, done, total))

    def receive_all() -> Received:
        with clock.stage(RunStage.RECEIVING):
            return receive_inbox(grove, store, now, still_ours, tell, received, found)

    with ThreadPoolExecutor(1, thread_name_prefix="inbox") as pool:
        inbox = pool.submit(receive_all)
        try:
            yield inbox
        except BaseException:
            stop.set()
            raise
        inbox.result()


# ---------------------------------------------------------------- small things


def _trees_of(sites: Iterable[int], register: Register) -> list[str]:
    """Trees of some sites, in the register's order."""
    wanted = {register.sites[site].tree for site in sites if site in register.sites}
    return [tree for tree in register.trees if tree in wanted]


class _Clock:
    """Wall time of the run and of its stages."""

    def __init__(self) -> None:
        self._began = time.perf_counter()
        self.stages: dict[RunStage, float] = {}

    @contextmanager
    def stage(self, stage: RunStage) -> Iterator[None]:
        began = time.perf_counter()
        try:
            yield
        finally:
            self.stages[stage] = time.perf_counter() - began

    def seconds(self) -> float:
        return time.perf_counter() - self._began


@contextmanager
def _one_thread() -> Iterator[None]:
    """OpenCV on one thread while we use as many processes as there are cores."""
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)


def _number_of(workers: int) -> int:
    return workers or min(
        len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1, MOST_WORKERS
    )
