"""One run at a time on a grove: a lock with an owner and an expiry.

The lock saves work and confusion; it is not what keeps the data right.  Every transaction of the
store stands on its own, so two runs that believe to be alone still count each photo once.
"""

from __future__ import annotations

import os
import socket
import threading
import time
import uuid
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from sqlalchemy import delete, select, update
from sqlalchemy.dialects.sqlite import insert as upsert

from pipeline.errors import StoreError
from pipeline.store.connected import Connected
from pipeline.store.tables import locks

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

LEASE_S = 120.0
"""A lock that was not renewed for this long is free."""


class Lock:
    """A lock that is held; renewed in the background until it is given back."""

    def __init__(self, store: Locks, name: str, owner: str, lease_s: float) -> None:
        self._store, self._name, self._owner, self._lease_s = store, name, owner, lease_s
        self._done = threading.Event()
        self._lost = False
        self._thread = threading.Thread(target=self._keep, name=f"lock {name}", daemon=True)
        self._thread.start()

    def _keep(self) -> None:
        while not self._done.wait(self._lease_s / 4):
            try:
                self._lost = not self._store._renew(self._name, self._owner, self._lease_s)
            except StoreError:
                continue  # a busy moment; there are three more tries before the lease is over
            if self._lost:
                return

    def check(self) -> None:
        """Make sure that the lock is still ours.

        Raises
        ------
        StoreError
            If another run has taken over, because this one was not heard of for too long.
        """
        if self._lost:
            raise StoreError(
                "Another run has taken over this grove, because this one stood still for too long.",
                "Nothing is lost; let the other run finish.",
            )

    def give_back(self) -> None:
        """Stop renewing and free the lock."""
        self._done.set()
        self._thread.join()
        self._store._free(self._name, self._owner)


class Locks(Connected):
    """Named locks of a grove."""

    @contextmanager
    def lock(self, name: str, *, wait_s: float = 0.0, lease_s: float = LEASE_S) -> Iterator[Lock]:
        """Hold a lock while the block runs; a lock whose owner is gone or silent is taken over.

        Raises
        ------
        StoreError
            If another run holds it for longer than ``wait_s``.
        """
        owner = uuid.uuid4().hex
        until = time.monotonic() + wait_s
        while (holder := self._take(name, owner, lease_s)) is not None:
            if time.monotonic() >= until:
                since = holder["taken_at"].astimezone().strftime("%H:%M")
                raise StoreError(
                    f"Another run works on this grove since {since} (process {holder['pid']} on {holder['host']}).",
                    "Wait until it is done; if it died, the grove is free again "
                    f"at {holder['expires_at'].astimezone().strftime('%H:%M:%S')} at the latest.",
                )
            time.sleep(min(1.0, max(0.05, until - time.monotonic())))
        held = Lock(self, name, owner, lease_s)
        try:
            yield held
        finally:
            held.give_back()

    def _take(self, name: str, owner: str, lease_s: float) -> Mapping[str, Any] | None:
        """Take the lock; else give the one who has it."""
        with self._writing() as connection:
            now = datetime.now(UTC)
            holder = connection.execute(select(locks).where(locks.c.name == name)).mappings().first()
            if holder is not None and holder["expires_at"] > now and _may_live(holder["host"], holder["pid"]):
                return dict(holder)
            values = {
                "owner": owner,
                "host": socket.gethostname(),
                "pid": os.getpid(),
                "taken_at": now,
                "expires_at": now + timedelta(seconds=lease_s),
            }
            place = upsert(locks).values(name=name, **values)
            connection.execute(place.on_conflict_do_update(index_elements=["name"], set_=values))
        return None

    def _renew(self, name: str, owner: str, lease_s: float) -> bool:
        with self._writing() as connection:
            ours = update(locks).where(locks.c.name == name, locks.c.owner == owner)
            done = connection.execute(ours.values(expires_at=datetime.now(UTC) + timedelta(seconds=lease_s)))
            return done.rowcount == 1

    def _free(self, name: str, owner: str) -> None:
        with self._writing() as connection:
            connection.execute(delete(locks).where(locks.c.name == name, locks.c.owner == owner))


def _may_live(host: str, pid: int) -> bool:
    """Whether the owner may still run; only a process of this machine can be known to be gone."""
    if host != socket.gethostname() or os.name != "posix":
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
