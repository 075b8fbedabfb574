"""Which photos a run reads, in what order, and how what comes back is kept."""

from __future__ import annotations

import logging
from concurrent.futures import Future, wait
from contextlib import closing
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline import __version__, cache
from pipeline.batch.basis import Bases
from pipeline.batch.words import Progress, RunStage
from pipeline.crew import Orders, fault, read_all
from pipeline.records import Reading, Refusal
from pipeline.store.rows import not_finite

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from pipeline.batch.inbox import Received
    from pipeline.crew import Done
    from pipeline.grove import Grove
    from pipeline.records import StoredPhoto
    from pipeline.store import Store
    from pipeline.store.locks import Lock

LOOK_EVERY_S = 0.05
"""How often the reading looks for new arrivals while it has nothing to do."""

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class Count:
    """What the reading of a run came to."""

    read: int = 0
    again: int = 0
    refused: list[Refusal] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    sites: set[int] = field(default_factory=set)
    """Sites of which something was read or refused."""


class ReadingQueue:
    """Reads every photo that needs it, while more come in; whatever has come back is saved, also when cut off."""

    def __init__(
        self,
        grove: Grove,
        store: Store,
        orders: Orders,
        lock: Lock,
        progress: Callable[[Progress], None],
        count: Count,
        received: Received,
        retry_faults: bool,
        read_again: bool = True,
    ) -> None:
        self._grove, self._store, self._orders = grove, store, orders
        self._lock, self._progress, self._count, self._received = lock, progress, count, received
        self._model, self._settings = orders.context.model, grove.settings.reading_hash
        self._bases = Bases(grove.register, grove.settings)
        self._keep_others = not read_again
        self._again = _to_read_again(grove, store, self._bases, self._model, self._settings)
        if self._keep_others:
            self._again += [s.sha256 for s in store.bases_of_others(self._model) if self._bases.today(s) != s.basis]
        # a fault of this version is read again only if asked for: no version bears this other name
        self._program = f"{__version__} again" if retry_faults else __version__
        waiting = store.count_without_result(self._model, self._settings, self._program, keep_others=self._keep_others)
        self._before = waiting + len(self._again)
        count.again = len(self._again)
        self._found: list[Reading | Refusal] = []
        self._done = 0

    def read_waiting(self, inbox: Future[Received], workers: int) -> None:
        """Read until the inbox is empty and nothing waits any more."""
        self._tell()
        with closing(read_all(self._photos(inbox), self._orders, workers)) as results:
            try:
                for item in results:
                    self._take(item)
            finally:
                self._save()

    def _photos(self, inbox: Future[Received]) -> Iterator[StoredPhoto]:
        """New photos in the order of arrival, as they are recorded; then those to be read once more."""
        last, over = 0, False
        while not over:
            over = inbox.done()  # asked before looking, so that the last batch is not missed
            if over and inbox.exception() is not None:
                return
            waiting = self._store.photos_without_result(
                self._model, self._settings, self._program, after=last, keep_others=self._keep_others
            )
            for photo in waiting:
                last = photo.arrival
                yield photo
            if not over:
                wait([inbox], timeout=LOOK_EVERY_S)
        for sha256 in self._again:
            known = self._store.stored_photo(sha256)
            if known is not None:
                yield known

    def _take(self, item: Done) -> None:
        result = _sound(item)
        self._done += 1
        if result is None:
            self._count.problems.append(item.problem)
            _log.error("%s", item.problem)
        else:
            self._found.append(result)
            if result.site is not None:
                self._count.sites.add(result.site)
            self._count.read += isinstance(result, Reading)
            if isinstance(result, Refusal):
                self._count.refused.append(result)
        if len(self._found) >= self._grove.settings.run.batch:
            self._save()
        self._tell()

    def _save(self) -> None:
        if self._found:
            self._lock.check()
            self._store.save_results(
                self._found,
                model=self._model,
                settings=self._settings,
                read_at=self._orders.context.now,
                program=__version__,
                bases={item.sha256: self._bases.of(item) for item in self._found},
            )
            self._found.clear()

    def _tell(self) -> None:
        total = self._before + self._received.new
        self._progress(Progress(RunStage.READING, self._done, max(total, self._done)))


def _sound(item: Done) -> Reading | Refusal | None:
    """What came back; a reading with a figure that is no number is a fault of the program, not a measurement."""
    if isinstance(item.result, Reading):
        bad = not_finite(item.result)
        if bad is not None:
            return fault(item.photo, f"{bad} came out as no number")
    return item.result


def _to_read_again(grove: Grove, store: Store, bases: Bases, model: str, settings: str) -> list[str]:
    """Photos whose result would not come out the same today, or whose patch left the cache."""
    return [
        stored.sha256
        for stored in store.bases(model, settings)
        if bases.today(stored) != stored.basis
        or (not stored.refused_at and not cache.has_patch(grove.cache, stored.sha256))
    ]
