"""What every part of the store stands on: one engine, reading and writing transactions."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

from pipeline.store.opening import translated, writer

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy import Connection, Engine

CHUNK = 500
"""Rows fetched, or values asked for, at a time: keeps memory flat and statements short."""


class Connected:
    """An open database."""

    def __init__(self, engine: Engine, path: Path) -> None:
        self._engine = engine
        self._writer = writer(engine)
        self.path = path

    @contextmanager
    def _reading(self) -> Iterator[Connection]:
        """A transaction that sees one state of the database throughout."""
        with translated(self.path), self._engine.connect() as connection:
            yield connection

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        """A transaction that is done as a whole or not at all; it is on disk when it ends."""
        with translated(self.path), self._writer.begin() as connection:
            yield connection
