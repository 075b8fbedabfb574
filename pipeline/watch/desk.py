"""One turn of work: a run over what has arrived, and the answer; meant for a process of its own."""

from __future__ import annotations

import logging
import os
import time
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline import batch, flow, outbox, readers
from pipeline import grove as groves
from pipeline.answers import Post
from pipeline.batch import RunStage
from pipeline.errors import WoundwoodError
from pipeline.store import open_store

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime
    from pathlib import Path
    from typing import Any

    from pipeline.batch import Progress, RunSummary
    from pipeline.crew import OpenReader, ReadPhoto
    from pipeline.grove import Grove
    from pipeline.receive import ScanResult
    from pipeline.records import Reader
    from pipeline.store import Store

SAVE_EVERY = 8
"""Photos received and recorded together while watching: fewer than a run's, so that the answer comes sooner."""
FEW = 24
"""So many photos are read in this process; for more it pays to start workers."""
_log = logging.getLogger(__name__)


class Desk:
    """Reads what arrives in one grove and answers.

    Parameters
    ----------
    root, configs, options
        The grove's folder, named configs and one-off settings, as :func:`pipeline.grove.open_grove` takes them.
        Settings and register are looked at again at every turn.
    read, open_reader
        The way of one photo and its reader, for those who bring their own.
    """

    def __init__(
        self,
        root: Path,
        configs: Sequence[str] = (),
        options: Mapping[str, Any] | None = None,
        *,
        read: ReadPhoto = flow.read_photo,
        open_reader: OpenReader = readers.open_reader,
    ) -> None:
        self._root, self._configs, self._options = root, tuple(configs), dict(options or {})
        self._read, self._open_reader = read, _Kept(open_reader)
        self._seen: tuple[Grove, date, tuple[int, ...]] | None = None
        self._post: Post | None = None
        self._store: Store | None = None
        self._last_trouble = ""

    def turn(self, found: ScanResult | None, now: datetime) -> RunSummary:
        """Run once and answer.

        All trees are looked at on the first turn, on the first of a day, and after settings or register changed;
        otherwise those of which something was read.

        Raises
        ------
        WoundwoodError
            As :func:`pipeline.batch.run`; what arrived until then is kept and answered by the next turn.
        """
        grove = self._open()
        today = now.astimezone(grove.settings.grove.zone).date()
        if self._store is None:
            self._store = open_store(grove.database)
        # what people said elsewhere in the meantime may concern any tree
        words = self._store.newest_words()
        again = self._seen == (grove, today, words)
        post = self._post if again and self._post is not None else Post(grove, self._store, today)
        many = found is None or len(found.files) > FEW
        summary = batch.run(
            grove,
            self._store,
            model=None,
            workers=grove.settings.run.workers if many else 1,
            progress=_Answering(post, grove.settings.watch.answer_every_s, now),
            now=now,
            found=found,
            only_touched=again,
            read_again=False,
            read=self._read,
            open_reader=self._open_reader,
            assess_trees=post.assess_trees,
        )
        self._seen, self._post = (grove, today, words), post
        for problem in post.deliver(now):
            _log.warning("%s", problem)
        return summary

    def post(self, now: datetime) -> tuple[int, float | None]:
        """Tell by e-mail what is new among the alerts, where that is enabled; a post that fails stops no reading.

        Returns
        -------
        digests, again_s
            How many were sent, and the seconds after which there is something to send though nothing comes in.
        """
        grove = self._open()
        if self._store is None:
            self._store = open_store(grove.database)
        try:
            delivery, again_s = outbox.tell_while_watching(grove, self._store, now, os.environ)
        except (WoundwoodError, OSError) as error:
            if str(error) != self._last_trouble:  # a wrong setting is said once, not with every photo
                _log.warning("The outbox could not be used. %s", error)
            self._last_trouble = str(error)
            return 0, None
        self._last_trouble = ""
        for who, said in (delivery.refused or {}).items():
            _log.warning("The mail server refused %s: %s", who, said)
        return len(delivery.sent), again_s

    def close(self) -> None:
        """Close the database."""
        if self._store is not None:
            self._store.close()
            self._store = None

    def _open(self) -> Grove:
        grove = groves.open_grove(self._root, self._configs, self._options)
        run = grove.settings.run
        run = run.model_copy(update={"batch": min(SAVE_EVERY, run.batch)})
        return replace(grove, settings=grove.settings.model_copy(update={"run": run}))


class _Answering:
    """Brings the answers up to date while a run is under way; an answer that fails stops no reading.

    Now and then while photos are read, and at once when all are read: what follows (comparing visits, alerts) takes
    its time and changes no answer.
    """

    def __init__(self, post: Post, every_s: float, now: datetime) -> None:
        self._post, self._every_s, self._now = post, every_s, now
        self._last_s = time.monotonic()
        self._all_read = False

    def __call__(self, progress: Progress) -> None:
        if progress.stage is RunStage.RECEIVING or self._all_read:
            return  # receiving is reported from another thread
        self._all_read = progress.stage is not RunStage.READING
        if not self._all_read and time.monotonic() - self._last_s < self._every_s:
            return
        try:
            self._post.deliver(self._now)
        except WoundwoodError as error:
            _log.warning("The answer could not be brought up to date: %s", error)
        self._last_s = time.monotonic()


class _Kept:
    """Opens a reader once and keeps it for the turns to come; what workers open is theirs."""

    def __init__(self, open_reader: OpenReader) -> None:
        self._open = open_reader
        self._kept: dict[str, tuple[Reader, str]] = {}

    def __call__(self, name: str) -> tuple[Reader, str]:
        if name not in self._kept:
            self._kept[name] = self._open(name)
        return self._kept[name]

    def __getstate__(self) -> dict[str, object]:
        return {"_open": self._open, "_kept": {}}
