"""The parent of the watcher: looks at the inbox, wakes a child when there is work, and sleeps.

What lies in the inbox is found out by looking, every time anew: notices from the system do not cross network shares.
"""

from __future__ import annotations

import logging
import os
import signal
import threading
import time
from dataclasses import dataclass, replace
from multiprocessing import get_context, parent_process
from typing import TYPE_CHECKING

from pipeline import grove as groves
from pipeline import receive
from pipeline.errors import WoundwoodError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date
    from multiprocessing.connection import Connection
    from pathlib import Path
    from typing import Any

    from pipeline.batch import RunSummary
    from pipeline.receive import Arrival, ScanResult
    from pipeline.watch.desk import Desk

MOST_A_TURN = 200
"""Files taken in one turn, the latest first, so that today's photos do not wait behind an old archive."""
TRY_AGAIN_S = 600.0
"""A file that stayed in the inbox although it is kept (a read-only share) is tried again after this long."""
LONGEST_PAUSE_S = 60.0
END_S = 30.0
"""How long a child may finish the photos in its hands before it is stopped hard."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Told:
    """What one turn came to; ``problem`` is empty if it went well."""

    arrived: int = 0
    read: int = 0
    refused: int = 0
    seconds: float = 0.0
    problem: str = ""
    digests: int = 0
    """Digests of alerts that were sent by e-mail."""
    again_s: float | None = None
    """Seconds after which a turn is due though nothing comes in."""

    @classmethod
    def of(cls, summary: RunSummary, digests: int = 0, again_s: float | None = None) -> Told:
        """The same of a run's summary."""
        return cls(
            summary.arrived, summary.read, len(summary.refused), summary.seconds, digests=digests, again_s=again_s
        )


def watch_once(root: Path, configs: Sequence[str] = (), options: Mapping[str, Any] | None = None) -> RunSummary:
    """One turn in this process, for a scheduler.

    Raises
    ------
    WoundwoodError
        If the grove cannot be used or another run works on it.
    """
    from pipeline.watch.desk import Desk

    desk = Desk(root, configs, options)
    try:
        summary = desk.turn(None, receive.clock())
        desk.post(receive.clock())
    finally:
        desk.close()
    return summary


class Keeper:
    """Watches one grove until told to stop.

    Parameters
    ----------
    root, configs, options
        As :func:`pipeline.grove.open_grove` takes them.
    tell
        Called with a :class:`Told` after each turn that did or hindered something.
    make_desk
        Makes the child's desk, for those who bring their own; must be importable by a child process.
    """

    def __init__(
        self,
        root: Path,
        configs: Sequence[str] = (),
        options: Mapping[str, Any] | None = None,
        *,
        tell: Callable[[Told], None] = lambda _: None,
        make_desk: Callable[[Path, Sequence[str], Mapping[str, Any]], Desk] | None = None,
    ) -> None:
        self._child = _Child((root.absolute(), tuple(configs), dict(options or {}), make_desk))
        self._grove = groves.open_grove(root, configs, options)
        self._tell = tell
        self._given: dict[Path, tuple[tuple[int, int, int], float]] = {}
        self._day: date | None = None
        self._again_at: float | None = None
        self._last_problem = ""

    def run(self, stop: threading.Event) -> None:
        """Look, work and sleep until ``stop`` is set; then let the child finish what is in its hands."""
        settings = self._grove.settings
        previous: ScanResult | None = None
        pause_s = settings.watch.look_every_s
        try:
            while not stop.is_set():
                now = receive.clock()
                previous = receive.scan(self._grove.inbox, settings.intake, now, previous)
                told = self._work(previous, now.astimezone(settings.grove.zone).date(), stop)
                self._report(told, previous.problems)
                failed = told is not None and told.problem
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S) if failed else settings.watch.look_every_s
                stop.wait(pause_s)
        finally:
            self._child.end()

    def _work(self, found: ScanResult, today: date, stop: threading.Event) -> Told | None:
        """Give what has finished arriving to the child; ``None`` if there is nothing to do."""
        stamps = {entry.path: _stamp(entry) for entry in found.files}
        late = time.monotonic() - TRY_AGAIN_S
        self._given = {p: kept for p, kept in self._given.items() if stamps.get(p) == kept[0] and kept[1] > late}
        fresh = [entry for entry in found.files if entry.path not in self._given]
        due = self._again_at is not None and time.monotonic() >= self._again_at
        if not fresh and today == self._day:
            return self._post(stop) if due else None
        fresh.sort(key=lambda entry: (-max(entry.modified_ns, entry.changed_ns), entry.file))
        turn = fresh[:MOST_A_TURN]
        taken = {entry.path for entry in turn}
        rest = tuple(entry for entry in found.files if entry.path not in taken)
        # Those that are not taken now count as waiting: the run must not believe that they left the inbox.
        told = self._child.turn(replace(found, files=tuple(turn), waiting=(*found.waiting, *rest)), stop)
        if not told.problem:
            self._day = today
            self._again_at = None if told.again_s is None else time.monotonic() + told.again_s
            self._given |= {path: (stamps[path], time.monotonic()) for path in taken}
        return told

    def _post(self, stop: threading.Event) -> Told:
        """Let the child send what waits, without a look at photos or trees."""
        told = self._child.turn(None, stop)
        if not told.problem:
            self._again_at = None if told.again_s is None else time.monotonic() + told.again_s
        return told

    def _report(self, told: Told | None, problems: Sequence[str]) -> None:
        """Say what happened; the same problem only once."""
        problem = (told.problem if told is not None else "") or " ".join(problems)
        if problem and problem != self._last_problem:
            self._tell(Told(problem=problem))
        if told is not None or problem:
            self._last_problem = problem
        if told is not None and told.arrived + told.read + told.refused + told.digests:
            self._tell(told)


def _stamp(entry: Arrival) -> tuple[int, int, int]:
    return entry.size_bytes, entry.modified_ns, entry.changed_ns


# ---------------------------------------------------------------- the child


class _Child:
    """The process that reads; started when there is work, ends by itself when it has rested long enough."""

    def __init__(self, order: tuple[Any, ...]) -> None:
        self._order = order
        self._process: Any = None
        self._line: Connection | None = None

    def turn(self, found: ScanResult | None, stop: threading.Event) -> Told:
        """One turn of work, or only the post (``None``); waits for it, unless told to stop."""
        for _ in range(2):  # a child may go to rest in the very moment in which it is called
            try:
                line = self._call()
                line.send(found)
                while not line.poll(0.2):
                    if stop.is_set():
                        return Told()
                answer: Told = line.recv()
            except (EOFError, OSError):
                self._line = None
                # Until it is waited for, a dead child counts as a living owner of the run's lock.
                self._process.join(END_S)
            else:
                return answer
        return Told(problem="The reading process ended unexpectedly; it is started again. Nothing is lost.")

    def _call(self) -> Connection:
        if self._line is None or not self._process.is_alive():
            context = get_context("spawn")
            ours, theirs = context.Pipe()
            self._process = context.Process(target=_serve, args=(theirs, *self._order), name="woundwood reading")
            self._process.start()
            theirs.close()
            self._line = ours
        return self._line

    def end(self) -> None:
        """Let the child finish the photos in its hands and go."""
        if self._process is None or not self._process.is_alive():
            return
        self._process.terminate()
        self._process.join(END_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()


def _serve(
    line: Connection,
    root: Path,
    configs: Sequence[str],
    options: Mapping[str, Any],
    make_desk: Callable[[Path, Sequence[str], Mapping[str, Any]], Desk] | None,
) -> None:
    """Work turn by turn until the line is quiet for long or the parent is gone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the parent's business; it then asks us to end
    signal.signal(signal.SIGTERM, _interrupt)
    threading.Thread(target=_end_with_parent, daemon=True).start()
    rest_s = groves.open_grove(root, configs, options).settings.watch.rest_after_s
    desk: Desk | None = None
    try:
        while line.poll(rest_s):
            found = line.recv()
            if desk is None:
                desk = _desk(root, configs, options, make_desk)
            try:
                summary = None if found is None else desk.turn(found, receive.clock())
                digests, again_s = desk.post(receive.clock())
                told = Told(digests=digests, again_s=again_s) if summary is None else Told.of(summary, digests, again_s)
            except WoundwoodError as error:
                desk.close()
                told, desk = Told(problem=str(error)), None
            line.send(told)
    except (EOFError, KeyboardInterrupt, OSError) as reason:
        _log.debug("The reading process ends: %r", reason)
    finally:
        if desk is not None:
            desk.close()


def _desk(
    root: Path,
    configs: Sequence[str],
    options: Mapping[str, Any],
    make_desk: Callable[[Path, Sequence[str], Mapping[str, Any]], Desk] | None,
) -> Desk:
    if make_desk is not None:
        return make_desk(root, configs, options)
    from pipeline.watch.desk import Desk

    return Desk(root, configs, options)


def _interrupt(number: int, frame: object) -> None:
    raise KeyboardInterrupt


def _end_with_parent() -> None:
    """A parent that is killed cannot say goodbye; whatever is under way is taken up by the next start."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
