"""Open a grove's database: connection, migration with a backup copy, refusal of what is not ours."""

from __future__ import annotations

import logging
import os
import sqlite3
import time
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING, Any

from sqlalchemy import URL, create_engine, event
from sqlalchemy.exc import DatabaseError, IntegrityError, OperationalError

from pipeline.errors import StoreError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy import Connection, Engine

KNOWN: tuple[str, ...] = ("0001", "0002", "0003", "0004", "0005", "0006", "0007", "0008", "0009")
"""Every version of the schema, oldest first; the last one is what this program writes."""

BUSY_S = 30.0
"""How long a connection waits for another one's transaction."""

_MAGIC = b"SQLite format 3\x00"
_log = logging.getLogger(__name__)


def open_engine(path: Path) -> Engine:
    """Engine for a database that exists in the present version afterwards.

    Raises
    ------
    StoreError
        If the file is not a grove's database, is newer than this program, or cannot be written.
    """
    _look_at_file(path)
    engine = create_engine(
        URL.create("sqlite", database=str(path)), connect_args={"timeout": BUSY_S}, hide_parameters=True
    )
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    try:
        with translated(path):
            _write_ahead(engine)
            _bring_up_to_date(engine, path)
    except StoreError:
        engine.dispose()
        raise
    return engine


def _look_at_file(path: Path) -> None:
    if not path.parent.is_dir():
        raise StoreError(f"The folder {path.parent} does not exist.", "Make the grove first: woundwood init FOLDER")
    try:
        if path.exists() and path.stat().st_size > 0:
            with path.open("rb") as file:
                head = file.read(len(_MAGIC))
            if head != _MAGIC:
                raise StoreError(
                    f"The file {path} is not a database.", "Move it away, or put back the latest backup copy beside it."
                )
    except OSError as error:
        raise StoreError(f"The database {path} cannot be read: {error.strerror}.", "Check the rights on it.") from error


def _prepare(connection: sqlite3.Connection, record: object) -> None:
    """Set up one connection; transactions are begun by us, not by the driver."""
    connection.isolation_level = None
    for pragma in (
        "foreign_keys = ON",
        "synchronous = FULL",  # a photo leaves the inbox only after its record is on disk
        "recursive_triggers = ON",  # else INSERT OR REPLACE slips past the triggers that guard facts
        "trusted_schema = OFF",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _begin(connection: Connection) -> None:
    """Begin as a reader, or at once as the one writer, so that no transaction dies half-way of another."""
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def _write_ahead(engine: Engine) -> None:
    """Switch to write-ahead logging; the switch itself does not wait for others, so ask again for a while."""
    until = time.monotonic() + BUSY_S
    with closing(engine.raw_connection()) as raw:
        while True:
            try:
                mode = raw.cursor().execute("PRAGMA journal_mode = WAL").fetchone()[0]
            except sqlite3.OperationalError as error:
                if "locked" not in str(error) or time.monotonic() > until:
                    raise OperationalError("PRAGMA journal_mode", None, error) from error
                time.sleep(0.05)
                continue
            if mode != "wal":
                _log.warning("The database keeps journal mode %s; is it on a network share?", mode)
            return


def version_of(connection: Connection) -> str | None:
    """The schema's version, or ``None`` for an empty file.

    Raises
    ------
    StoreError
        If the file holds other tables.
    """
    names = set(connection.exec_driver_sql("SELECT name FROM sqlite_master WHERE type = 'table'").scalars())
    if "alembic_version" in names:
        return connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar_one_or_none()
    if names - {"sqlite_sequence"}:
        raise StoreError(
            "This file is a database, but not one of Woundwood's.", "Name the grove's folder, not another program's."
        )
    return None


def _bring_up_to_date(engine: Engine, path: Path) -> None:
    with engine.connect() as connection:
        version = version_of(connection)
    _refuse_newer(version, path)
    if version == KNOWN[-1]:
        return
    with engine.connect() as connection:
        # a step may have to re-make a table; its rows must not be taken along by foreign keys meanwhile
        connection.exec_driver_sql("ROLLBACK")
        connection.exec_driver_sql("PRAGMA foreign_keys = OFF")
        connection.exec_driver_sql("BEGIN IMMEDIATE")
        version = version_of(connection)  # another process may have been quicker
        if version != KNOWN[-1]:
            _refuse_newer(version, path)
            if version is not None:
                copy = _back_up(path, version)
                _log.info("Copied the database to %s before changing its version.", copy.name)
            _run_steps(connection)
            broken = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
            if broken:
                raise StoreError(
                    f"The database {path} could not be brought to version {KNOWN[-1]}: {len(broken)} rows lost their "
                    "counterpart.",
                    "Nothing was changed. Please report this with the program's version.",
                )
        connection.commit()
        connection.invalidate()  # this connection has foreign keys off


def _refuse_newer(version: str | None, path: Path) -> None:
    if version is not None and version not in KNOWN:
        raise StoreError(
            f"The database {path} was written by a newer Woundwood "
            f"(version {version}; this one knows up to {KNOWN[-1]}).",
            "Install the newer Woundwood: pip install --upgrade woundwood",
        )


def _run_steps(connection: Connection) -> None:
    from alembic import command
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "pipeline:migrations")
    config.set_main_option("path_separator", "os")
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def _back_up(path: Path, version: str) -> Path:
    """Copy the database, whole and consistent, beside itself; an older copy is never overwritten."""
    number, copy = 1, path.with_name(f"{path.name}.version-{version}.backup")
    while copy.exists():
        number += 1
        copy = path.with_name(f"{path.name}.version-{version}-{number}.backup")
    half = copy.with_name(f"{copy.name}.part")
    half.unlink(missing_ok=True)
    with closing(sqlite3.connect(path)) as source, closing(sqlite3.connect(half)) as target:
        source.backup(target)
    with half.open("rb") as file:
        os.fsync(file.fileno())
    half.replace(copy)
    return copy


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn what the database driver says into a sentence; a broken rule of our own stays an error of the program."""
    try:
        yield
    except IntegrityError:
        raise
    except DatabaseError as error:
        raise _sentence(path, str(error.orig)) from error
    except sqlite3.DatabaseError as error:
        raise _sentence(path, str(error)) from error


def _sentence(path: Path, said: str) -> StoreError:
    for words, what, remedy in (
        ("locked", "is in use by another program", "Wait until the other one is done, then start again."),
        ("full", "could not be written: the disk is full", "Make room, then start again; nothing is lost."),
        ("readonly", "is read-only", "Check the rights on the folder and the file."),
        ("unable to open", "cannot be opened", "Check the path and the rights on its folder."),
        ("malformed", "is damaged", "Put back the latest backup copy beside it; the photos are not touched."),
        ("not a database", "is not a database", "Put back the latest backup copy beside it."),
    ):
        if words in said:
            return StoreError(f"The database {path} {what}.", remedy)
    return StoreError(f"The database {path} cannot be used: {said}.", "Start again; if it stays, please report it.")


def writer(engine: Engine) -> Any:
    """The same engine for transactions that write."""
    return engine.execution_options(writes=True)
