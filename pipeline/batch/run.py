"""A run: receive what lies in the inbox, read what has no result, renew the alerts.

Every step may be cut off at any instruction and is taken up again by the next run; a second run
with nothing new changes nothing.
"""

from __future__ import annotations

import logging
import os
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from enum import StrEnum
from functools import partial
from typing import TYPE_CHECKING

import cv2

from pipeline import __version__, alerts, assess, cache, flow, readers
from pipeline.batch.basis import Bases
from pipeline.batch.inbox import receive_inbox
from pipeline.crew import Orders, fault, read_all
from pipeline.records import AlertChanges, Reading, Refusal
from pipeline.store.rows import not_finite

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import date, datetime
    from typing import TypeAlias

    from pipeline.crew import Done, OpenReader, ReadPhoto
    from pipeline.grove import Grove
    from pipeline.records import Finding, Question, StoredPhoto, TreeHealth
    from pipeline.store import Store
    from pipeline.store.locks import Lock

    Assess: TypeAlias = Callable[[Sequence[str]], Iterable[TreeHealth]]

LOCK = "run"
MOST_WORKERS = 8
TREES_AT_A_TIME = 50

_log = logging.getLogger(__name__)


class RunStage(StrEnum):
    """What a run is doing."""

    RECEIVING = "receiving"
    READING = "reading"
    ALERTS = "alerts"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a run has come: files received, photos read, or trees looked at, of how many."""

    stage: RunStage
    done: int
    total: int


@dataclass(frozen=True, slots=True)
class RunSummary:
    """What one run did.

    Attributes
    ----------
    arrived
        Files that came in; ``received + duplicates + known``.
    received
        Photos whose bytes never came before.
    read, refused
        Photos read and refused in this run, earlier arrivals and repeated readings among them.
    left
        A sentence for each file that stayed in the inbox or could not be read from the disk.
    again
        Photos read once more because the reader, the settings, the register or the cache changed.
    seconds, stage_s
        Wall time of the run, and of each stage.
    """

    arrived: int
    received: int
    read: int
    refused: tuple[Refusal, ...]
    duplicates: int
    known: int
    left: tuple[str, ...]
    again: int
    questions: tuple[Question, ...]
    alerts: AlertChanges
    seconds: float
    model: str
    settings: str
    stage_s: dict[RunStage, float] = field(default_factory=dict)

    @property
    def photos_per_s(self) -> float:
        """Photos read or refused, a second of the reading stage."""
        seconds = self.stage_s.get(RunStage.READING, 0.0)
        return (self.read + len(self.refused)) / seconds if seconds > 0 else 0.0


def run(
    grove: Grove,
    store: Store,
    *,
    model: str | None,
    workers: int,
    progress: Callable[[Progress], None],
    now: datetime,
    wait_s: float = 0.0,
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
        Called with every step.
    now
        Present time, aware; its day in the grove's time zone is "today" for the alerts.
    wait_s
        How long to wait for another run on this grove to end.
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
    name = model or grove.settings.reading.model
    with store.lock(LOCK, wait_s=wait_s) as lock, _one_thread():
        version = readers.model_of(name) if open_reader is readers.open_reader else open_reader(name)[1]
        store.use_reader(version, grove.settings.reading_hash, now)
        with clock.stage(RunStage.RECEIVING):
            received = receive_inbox(grove, store, now, lock.check, partial(_tell, progress, RunStage.RECEIVING))
        context = flow.ReadContext(grove.settings, grove.register, now, version)
        orders = Orders(read, open_reader, name, context, grove.photos, grove.cache)
        with clock.stage(RunStage.READING):
            count = _Count()
            _read_waiting(grove, store, orders, _number_of(workers), lock, progress, count)
        with clock.stage(RunStage.ALERTS):
            lock.check()
            today = now.astimezone(grove.settings.grove.zone).date()
            changes, questions = update_alerts(grove, store, today, assess_trees, progress=progress)
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
) -> tuple[AlertChanges, tuple[Question, ...]]:
    """Look at trees and let the alerts follow; ask what only a person knows.

    Parameters
    ----------
    assess_trees
        Gives the health of the trees named (default: :func:`pipeline.assess.assess_trees`).
    trees
        Trees to look at (default: all of the register); alerts of others are left alone.

    Returns
    -------
    changes, questions
        What became of the alerts, and the questions asked for the first time.
    """
    look = assess_trees or (lambda some: assess.assess_trees(grove, store, some, today))
    wanted = tuple(grove.register.trees) if trees is None else tuple(trees)
    findings: list[Finding] = []
    asked: list[Question] = []
    register = assess.full_register(grove, store)
    for start in range(0, len(wanted), TREES_AT_A_TIME):
        for health in look(wanted[start : start + TREES_AT_A_TIME]):
            findings += health.findings
            asked += alerts.questions(health.sites, register, grove.settings, today)
        if progress is not None:
            progress(Progress(RunStage.ALERTS, min(start + TREES_AT_A_TIME, len(wanted)), len(wanted)))
    new = tuple(store.ask(asked))
    return store.apply_findings(findings, today, trees=None if trees is None else set(wanted)), new


# ---------------------------------------------------------------- reading


@dataclass(slots=True)
class _Count:
    read: int = 0
    again: int = 0
    refused: list[Refusal] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def _read_waiting(
    grove: Grove,
    store: Store,
    orders: Orders,
    workers: int,
    lock: Lock,
    progress: Callable[[Progress], None],
    count: _Count,
) -> None:
    """Read every photo that needs it; whatever has come back is saved, also when the run is cut off."""
    model, settings = orders.context.model, grove.settings.reading_hash
    bases = Bases(grove.register, grove.settings)
    again = _to_read_again(grove, store, bases, model, settings)
    count.again = len(again)
    total = store.count_without_result(model, settings, __version__) + len(again)
    found: list[Reading | Refusal] = []

    def save() -> None:
        lock.check()
        store.save_results(
            found,
            model=model,
            settings=settings,
            read_at=orders.context.now,
            program=__version__,
            bases={item.sha256: bases.of(item) for item in found},
        )
        found.clear()

    _tell(progress, RunStage.READING, 0, total)
    done = 0
    with closing(read_all(_photos(store, again, model, settings), orders, workers)) as results:
        try:
            for item in results:
                done += 1
                result = _sound(item)
                if result is None:
                    count.problems.append(item.problem)
                    _log.error("%s", item.problem)
                else:
                    found.append(result)
                    count.read += isinstance(result, Reading)
                    if isinstance(result, Refusal):
                        count.refused.append(result)
                if len(found) >= grove.settings.run.batch:
                    save()
                _tell(progress, RunStage.READING, done, total)
        finally:
            if found:
                save()


def _sound(item: Done) -> Reading | Refusal | None:
    """What came back; a reading with a figure that is no number is a fault of the program, not a measurement."""
    if isinstance(item.result, Reading):
        bad = not_finite(item.result)
        if bad is not None:
            return fault(item.photo, f"{bad} came out as no number")
    return item.result


def _photos(store: Store, again: Sequence[str], model: str, settings: str) -> Iterator[StoredPhoto]:
    """New photos in the order of arrival, then those to be read once more."""
    yield from store.photos_without_result(model, settings, __version__)
    for sha256 in again:
        photo = store.stored_photo(sha256)
        if photo is not None:
            yield photo


def _to_read_again(grove: Grove, store: Store, bases: Bases, model: str, settings: str) -> list[str]:
    """Photos whose result would not come out the same today, or whose patch left the cache."""
    return [
        stored.sha256
        for stored in store.bases(model, settings)
        if bases.today(stored) != stored.basis
        or (not stored.refused_at and not cache.has_patch(grove.cache, stored.sha256))
    ]


# ---------------------------------------------------------------- small things


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


def _tell(progress: Callable[[Progress], None], stage: RunStage, done: int, total: int) -> None:
    progress(Progress(stage, done, total))
