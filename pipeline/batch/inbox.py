"""Empty the inbox: copy, record, release, a batch at a time and in this order.

Killed at any instruction, a photo is still in the inbox, or its original is on disk, or both; it is in
the database at most once.  What was recorded but had not left the inbox yet is recognised by name and
hash and only released.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline import receive
from pipeline.errors import NotReceived
from pipeline.records import Arrival, Outcome

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from pipeline.grove import Grove
    from pipeline.store import Store

_log = logging.getLogger(__name__)


@dataclass(slots=True)
class Received:
    """What came in; ``left`` holds a sentence for each file or folder that stayed behind."""

    new: int = 0
    duplicates: int = 0
    known: int = 0
    left: list[str] = field(default_factory=list)

    @property
    def arrived(self) -> int:
        """Files that were taken."""
        return self.new + self.duplicates + self.known


def receive_inbox(
    grove: Grove,
    store: Store,
    now: datetime,
    still_ours: Callable[[], None],
    tell: Callable[[int, int], None],
    received: Received | None = None,
    found: receive.ScanResult | None = None,
) -> Received:
    """Take everything that has finished arriving.

    Parameters
    ----------
    still_ours
        Called before each batch; raises if another run has taken over.
    tell
        Called with the number of files done and of all, and once more when all is done.
    received
        Filled as files come in, for one who watches; a new one by default.
    found
        A look at the inbox that was taken just now; by default one is taken here.

    Raises
    ------
    WoundwoodError
        If originals or database cannot be written; what was copied before is recorded, nothing is lost.
    """
    received = received or Received()
    found = found or receive.scan_twice(grove.inbox, grove.settings.intake)
    received.left += found.problems
    received.left += [f"'{entry.file}' is still arriving; it is read at the next run." for entry in found.waiting]
    if not found.problems:
        present = {entry.file for entry in (*found.files, *found.waiting)}
        gone = [arrival.id for arrival in store.unreleased() if arrival.file not in present]
        store.mark_released(gone, now)
    tell(0, len(found.files))
    size = grove.settings.run.batch
    for start in range(0, len(found.files), size):
        still_ours()
        batch = found.files[start : start + size]
        _receive_batch(grove, store, batch, now, received)
        tell(start + len(batch), len(found.files))
    return received


def _receive_batch(
    grove: Grove, store: Store, batch: Sequence[receive.Arrival], now: datetime, received: Received
) -> None:
    copied: list[tuple[receive.Arrival, receive.StoredOriginal]] = []
    try:
        for entry in batch:
            try:
                copied.append((entry, receive.store_original(entry.path, grove.photos)))
            except NotReceived as error:
                _log.warning("%s", error)
                received.left.append(str(error))
    finally:
        # a full disk ends the run; the photos of this batch that are safe already are still recorded
        if copied:
            _record_and_release(grove, store, copied, now, received)


def _record_and_release(
    grove: Grove,
    store: Store,
    copied: Sequence[tuple[receive.Arrival, receive.StoredOriginal]],
    now: datetime,
    received: Received,
) -> None:
    arrivals = [
        Arrival(entry.file, kept.sha256, kept.size_bytes, kept.path.relative_to(grove.photos).as_posix(), now)
        for entry, kept in copied
    ]
    recorded = store.record_arrivals(arrivals)
    gone: list[int] = []
    for arrival, (entry, kept) in zip(recorded, copied, strict=True):
        if not arrival.again:
            received.new += arrival.seen_before is None
            received.duplicates += arrival.seen_before is Outcome.DUPLICATE
            received.known += arrival.seen_before is Outcome.KNOWN
        why_not = receive.release(entry.path, kept)
        if why_not is None:
            gone.append(arrival.id)
        else:
            received.left.append(why_not)
    store.mark_released(gone, now)
