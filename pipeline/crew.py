"""Many photos at once: worker processes that read, a parent that hands out and collects.

Each worker opens its reader once and computes on one thread.  At most twice as many photos are on
their way as there are workers, so memory does not grow with the number of photos.  A photo on which
the program fails, or which takes a whole worker down with it, becomes a refusal of its own and
costs no other photo.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.thread import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context, parent_process
from typing import TYPE_CHECKING

from pipeline import cache, intake
from pipeline.errors import WoundwoodError
from pipeline.flow import PhotoRead
from pipeline.records import PhotoStage, Refusal, RefusalCode

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterable, Iterator
    from pathlib import Path
    from typing import TypeAlias

    from pipeline.flow import ReadContext
    from pipeline.records import Reader, Reading, StoredPhoto

    ReadPhoto: TypeAlias = Callable[[bytes, str, str, ReadContext, Reader], PhotoRead | Refusal]
    OpenReader: TypeAlias = Callable[[str], tuple[Reader, str]]

AHEAD = 2
"""Photos on their way for each worker: one being read, one waiting."""

_THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Orders:
    """What a worker needs to know; sent to each once."""

    read: ReadPhoto
    open_reader: OpenReader
    reader_name: str
    context: ReadContext
    photos: Path
    cache: Path


@dataclass(frozen=True, slots=True)
class Done:
    """A photo that came back; ``result`` is ``None`` if its original could not be read from the disk (``problem``)."""

    photo: StoredPhoto
    result: Reading | Refusal | None
    problem: str = ""


class Hand:
    """One worker: opens its reader at the first photo, so that a missing network is one error and no crash."""

    def __init__(self, orders: Orders) -> None:
        self._orders = orders
        self._reader: Reader | None = None

    def read(self, photo: StoredPhoto) -> Done:
        """Read one photo and put its patch into the cache."""
        orders = self._orders
        if self._reader is None:
            self._reader, _ = orders.open_reader(orders.reader_name)
        path = orders.photos / photo.stored
        try:
            data = intake.bytes_of(path, orders.context.settings.intake)
        except OSError as error:
            return Done(photo, None, f"The original {path} of {photo.file} cannot be read: {error.strerror}.")
        found = orders.read(data, photo.file, photo.sha256, orders.context, self._reader)
        if isinstance(found, Refusal):
            return Done(photo, found)
        try:
            cache.save_patch(orders.cache, photo.sha256, found.patch)
        except OSError as error:  # a full disk, say: the reading is what counts, the picture is made again later
            _log.warning("The patch of %s could not be kept: %s", photo.file, error)
        return Done(photo, found.reading)


def fault(photo: StoredPhoto, what: str) -> Refusal:
    """The refusal of a photo on which the program itself failed."""
    return Refusal(
        file=photo.file,
        sha256=photo.sha256,
        stage=PhotoStage.READING,
        reason=f"The program failed on this photo: {what}.",
        remedy="The original is kept and a newer version will read it again; please report this.",
        fault=True,
        code=RefusalCode.PROGRAM_FAULT,
    )


def read_all(photos: Iterable[StoredPhoto], orders: Orders, workers: int) -> Generator[Done]:
    """Read photos, in any order; close the iterator to stop early.

    Parameters
    ----------
    photos
        Taken one by one as workers become free.
    orders
        What every worker needs.
    workers
        1 reads in this process, more in that many processes of their own.

    Raises
    ------
    WoundwoodError
        If a reader cannot be opened or worker processes cannot be started.
    """
    waiting = iter(photos)
    crew = _Crew(orders, workers)
    on_their_way: dict[Future[Done], StoredPhoto] = {}
    try:
        while True:
            while len(on_their_way) < AHEAD * workers and (photo := next(waiting, None)) is not None:
                on_their_way[crew.submit(photo)] = photo
            if not on_their_way:
                return
            finished, _ = wait(on_their_way, return_when=FIRST_COMPLETED)
            broken: list[StoredPhoto] = []
            for future in finished:
                photo = on_their_way.pop(future)
                if isinstance(future.exception(), BrokenExecutor):
                    broken.append(photo)
                else:
                    yield _outcome(future, photo)
            if broken:
                suspects = [*broken, *on_their_way.values()]
                on_their_way.clear()
                yield from crew.one_by_one(suspects)
    finally:
        crew.close()


def _outcome(future: Future[Done], photo: StoredPhoto) -> Done:
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, WoundwoodError):
        raise error
    _log.error("The program failed on %s.", photo.file, exc_info=error)
    return Done(photo, fault(photo, f"{type(error).__name__}: {error}"))


class _Crew:
    """The workers; replaced as a whole when one of them dies."""

    def __init__(self, orders: Orders, workers: int) -> None:
        self._orders, self._workers = orders, workers
        self._executor: Executor | None = None
        self._task: Callable[[StoredPhoto], Done] = _read_in_worker

    def submit(self, photo: StoredPhoto) -> Future[Done]:
        """Hand a photo to the next free worker."""
        if self._executor is None:
            self._executor = self._start()
        try:
            with _one_thread_each():
                return self._executor.submit(self._task, photo)
        except BrokenExecutor as error:  # a worker died since the last photo came back
            lost: Future[Done] = Future()
            lost.set_exception(error)
            return lost

    def one_by_one(self, suspects: Iterable[StoredPhoto]) -> Iterator[Done]:
        """Read photos that were on their way when a worker died, each alone, to find the one that did it."""
        _log.warning("A worker process died; the photos that were on their way are read again one by one.")
        self.close()
        for photo in suspects:
            if self._executor is None:
                self._greet()
            future = self.submit(photo)
            if isinstance(future.exception(), BrokenExecutor):
                yield Done(photo, fault(photo, "a worker process died while reading it"))
                self.close()
            else:
                yield _outcome(future, photo)

    def _greet(self) -> None:
        """Make sure that a worker starts at all, so that a broken set-up is not put down to the photos."""
        self._executor = self._start()
        with _one_thread_each():
            alive = self._executor.submit(os.getpid)
        if alive.exception() is not None:
            raise WoundwoodError("Worker processes cannot be started on this machine.", "Run with --workers 1.")

    def _start(self) -> Executor:
        if self._workers == 1:
            self._task = Hand(self._orders).read
            return ThreadPoolExecutor(1, thread_name_prefix="reader")
        return ProcessPoolExecutor(
            self._workers, mp_context=get_context("spawn"), initializer=_begin_work, initargs=(self._orders,)
        )

    def close(self) -> None:
        """Let the photos in work finish and drop the rest."""
        if self._executor is not None:
            self._executor.shutdown(wait=True, cancel_futures=True)
            self._executor = None


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Worker processes are started inside submit and take their number of threads from the environment."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


# ---------------------------------------------------------------- inside a worker process

_hand: Hand | None = None


def _begin_work(orders: Orders) -> None:
    global _hand
    import cv2

    cv2.setNumThreads(1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's business
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _hand = Hand(orders)


def _end_with_parent() -> None:
    """A parent that is killed cannot say goodbye; without this its workers would wait for ever."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _read_in_worker(photo: StoredPhoto) -> Done:
    if _hand is None:
        raise RuntimeError("a worker was given a photo before its orders")
    return _hand.read(photo)
