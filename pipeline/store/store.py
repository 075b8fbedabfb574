"""The grove's memory on disk, in one object."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from pipeline.store.accounts import Accounts
from pipeline.store.alert_book import AlertBook
from pipeline.store.arrivals import Arrivals
from pipeline.store.audit import AuditLog
from pipeline.store.bark import Bark
from pipeline.store.casebook import Casebook
from pipeline.store.clock_book import ClockBook
from pipeline.store.lens_book import LensBook
from pipeline.store.locks import Locks
from pipeline.store.opening import open_engine
from pipeline.store.outbox_book import OutboxBook
from pipeline.store.packs import Packs
from pipeline.store.people import People
from pipeline.store.results import Results

if TYPE_CHECKING:
    from pathlib import Path


class Store(
    Arrivals,
    Results,
    Packs,
    Bark,
    AlertBook,
    People,
    ClockBook,
    Casebook,
    OutboxBook,
    LensBook,
    Accounts,
    AuditLog,
    Locks,
):
    """A grove's database.  Takes and gives records only; use it as a context manager."""

    def close(self) -> None:
        """Close every connection."""
        self._engine.dispose()

    def __enter__(self) -> Self:
        """Give the store itself."""
        return self

    def __exit__(self, *reason: object) -> None:
        """Close it."""
        self.close()


def open_store(path: Path) -> Store:
    """Open a grove's database, made or brought to the present version first.

    Before an existing database changes its version, a copy is put beside it.

    Parameters
    ----------
    path
        The SQLite file; its folder must exist.  Write-ahead logging needs a local disk, not a network share.

    Raises
    ------
    StoreError
        If the file cannot be used, is not a grove's database, or was written by a newer Woundwood.
    """
    return Store(open_engine(path), path)
