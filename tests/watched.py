"""A watched grove for tests: everything real but the reading of a photo (see ``tests/stand_in.py``)."""

from __future__ import annotations

import os
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

import pipeline
from pipeline.grove import Grove
from pipeline.watch import Keeper, Told
from pipeline.watch.desk import Desk
from tests import stand_in

QUICK: Mapping[str, object] = {
    "intake.settle_s": 0,
    "intake.cut_off_wait_s": 0,
    "watch.look_every_s": 0.1,
    "watch.rest_after_s": 30,
    "watch.answer_every_s": 0.01,
}
PATIENCE_S = 120.0
"""Longer than anything waited for takes on a busy machine; nothing is timed."""


def make_desk(root: Path, configs: Sequence[str], options: Mapping[str, object]) -> Desk:
    return Desk(root, configs, options, read=stand_in.read_photo, open_reader=stand_in.open_reader)


@contextmanager
def watching(root: Path, told: list[Told] | None = None) -> Iterator[Keeper]:
    """A keeper at work in a thread of its own, with its child process, until the block ends."""
    stop = threading.Event()
    keeper = Keeper(root, (), QUICK, tell=(told if told is not None else []).append, make_desk=make_desk)
    thread = threading.Thread(target=keeper.run, args=(stop,))
    thread.start()
    try:
        yield keeper
    finally:
        stop.set()
        thread.join(PATIENCE_S)
        assert not thread.is_alive()


def until(come: Callable[[], bool], what: str = "it") -> None:
    """Wait for something that must come."""
    end = time.monotonic() + PATIENCE_S
    while not come():
        assert time.monotonic() < end, f"waited in vain for {what}"
        time.sleep(0.05)


@contextmanager
def ordinary_grove() -> Iterator[Grove]:
    """A grove of a user whom permissions bind (they do not bind root)."""
    if not hasattr(os, "geteuid"):
        pytest.skip("needs POSIX permissions")
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o777)
        if os.geteuid() == 0:
            os.seteuid(65534)
        try:
            program = Path(pipeline.__file__).parent
            if not os.access(program / "migrations" / "env.py", os.R_OK, effective_ids=True):
                pytest.skip("an ordinary user cannot read the program's own folder")
            yield stand_in.make_grove(Path(name) / "grove")
        finally:
            if os.getuid() == 0:
                os.seteuid(0)
