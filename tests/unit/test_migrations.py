"""From an empty or an old file to the present schema, with a backup copy and nothing lost."""

from __future__ import annotations

import re
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy.dialects import sqlite
from sqlalchemy.schema import CreateIndex, CreateTable

from pipeline.errors import StoreError
from pipeline.records import Outcome
from pipeline.store import open_store
from pipeline.store.hand_tables import HAND_FACTS
from pipeline.store.opening import KNOWN, open_engine
from pipeline.store.outbox_tables import digest_steps, digests
from pipeline.store.review_tables import audit_log
from pipeline.store.tables import FACTS, metadata
from tests import made_records as made


def schema(path: Path) -> dict[str, str]:
    """Name and text of everything in the file, white space evened out."""
    with closing(sqlite3.connect(path)) as raw:
        rows = raw.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL").fetchall()
    return {name: plain(sql) for name, sql in rows if name not in ("alembic_version", "sqlite_sequence")}


def plain(sql: str) -> str:
    return re.sub(r"\s+", " ", sql).replace(" ,", ",").replace("( ", "(").replace(" )", ")").strip()


def old_database(path: Path, version: str) -> None:
    """A file as an older program left it: every step up to ``version``, and a photo."""
    config = Config()
    config.set_main_option("script_location", "pipeline:migrations")
    config.set_main_option("path_separator", "os")
    engine = open_engine_at(path, version, config)
    engine.dispose()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("INSERT INTO photos VALUES (?, 3, 'aa/x.jpg', '2026-05-03T12:00:00+00:00')", [made.sha("a")])
        raw.execute(
            "INSERT INTO arrivals VALUES (1, 'a.jpg', ?, '2026-05-03T12:00:00+00:00', 'first')", [made.sha("a")]
        )
        raw.commit()


def open_engine_at(path: Path, version: str, config: Config):
    from alembic import command
    from sqlalchemy import create_engine, event

    from pipeline.store import opening

    engine = create_engine(f"sqlite:///{path}")
    event.listen(engine, "connect", opening._prepare)
    event.listen(engine, "begin", opening._begin)
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, version)
    return engine


def test_the_steps_end_where_the_code_says() -> None:
    config = Config()
    config.set_main_option("script_location", "pipeline:migrations")
    config.set_main_option("path_separator", "os")
    script = ScriptDirectory.from_config(config)
    assert tuple(reversed([step.revision for step in script.walk_revisions()])) == KNOWN


def test_the_steps_make_exactly_the_tables_of_the_code(tmp_path: Path) -> None:
    """Tables and indexes are written down twice on purpose: history never changes, the present does."""
    open_store(tmp_path / "grove.sqlite").close()
    made_by_steps = schema(tmp_path / "grove.sqlite")
    dialect = sqlite.dialect()
    written = {table.name: plain(str(CreateTable(table).compile(dialect=dialect))) for table in metadata.sorted_tables}
    for table in metadata.sorted_tables:
        for index in table.indexes:
            written[str(index.name)] = plain(str(CreateIndex(index).compile(dialect=dialect)))
    triggers = {name for name, sql in made_by_steps.items() if sql.startswith("CREATE TRIGGER")}
    assert {name: sql for name, sql in made_by_steps.items() if name not in triggers} == written
    assert triggers == {
        f"{table.name}_no_{act}"
        for table in (*FACTS, *HAND_FACTS, audit_log, digests, digest_steps)
        for act in ("update", "delete")
    } | {
        f"{table}_{act}_unpacks"
        for table in ("results", "standing", "readings", "bark_scales")
        for act in ("insert", "update", "delete")
    }


@pytest.mark.parametrize("version", KNOWN[:-1])
def test_an_old_database_is_copied_then_brought_up_to_date(tmp_path: Path, version: str) -> None:
    path = tmp_path / "grove.sqlite"
    old_database(path, version)
    before = schema(path)
    with open_store(path) as store:
        assert store.counts()[Outcome.WAITING] == 1
        assert store.alerts() == []
    open_store(tmp_path / "new.sqlite").close()
    assert schema(path) == schema(tmp_path / "new.sqlite")
    backup = tmp_path / f"grove.sqlite.version-{version}.backup"
    assert schema(backup) == before
    with closing(sqlite3.connect(backup)) as raw:
        assert raw.execute("SELECT file FROM arrivals").fetchall() == [("a.jpg",)]
    open_store(path).close()
    assert [p.name for p in tmp_path.glob("grove.sqlite*backup*")] == [backup.name]


def test_an_earlier_backup_is_not_overwritten(tmp_path: Path) -> None:
    path = tmp_path / "grove.sqlite"
    old_database(path, "0001")
    earlier = tmp_path / "grove.sqlite.version-0001.backup"
    earlier.write_bytes(b"precious")
    open_store(path).close()
    assert earlier.read_bytes() == b"precious"
    assert (tmp_path / "grove.sqlite.version-0001-2.backup").exists()


def test_a_new_database_needs_no_backup(tmp_path: Path) -> None:
    open_store(tmp_path / "grove.sqlite").close()
    assert list(tmp_path.glob("*backup*")) == []


def test_a_newer_database_is_refused_untouched(tmp_path: Path) -> None:
    path = tmp_path / "grove.sqlite"
    open_store(path).close()
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("UPDATE alembic_version SET version_num = '9999'")
        raw.commit()
    with pytest.raises(StoreError, match=r"newer Woundwood \(version 9999; this one knows up to \d+\).*Install"):
        open_store(path)
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("SELECT version_num FROM alembic_version").fetchone() == ("9999",)


def test_a_step_that_fails_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "grove.sqlite"
    old_database(path, "0001")
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE TABLE answers (note TEXT)")  # in the way of step 0002, near its end
        raw.commit()
    before = schema(path)
    with pytest.raises(StoreError, match="already exists"):
        open_store(path)
    assert schema(path) == before
    with closing(sqlite3.connect(path)) as raw:
        assert raw.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)


def test_many_processes_may_open_a_new_or_old_grove_at_once(tmp_path: Path) -> None:
    new, old = tmp_path / "new.sqlite", tmp_path / "old.sqlite"
    old_database(old, "0001")
    code = "import sys; from pathlib import Path; from pipeline.store import open_store; open_store(Path(sys.argv[1]))"
    running = [
        subprocess.Popen([sys.executable, "-c", code, str(path)], stderr=subprocess.PIPE)
        for path in (new, old)
        for _ in range(3)
    ]
    assert [process.communicate()[1] for process in running] == [b""] * 6
    assert [process.returncode for process in running] == [0] * 6
    assert schema(new) == schema(old)
    assert len(list(tmp_path.glob("old*backup"))) == 1


def test_opening_an_up_to_date_grove_does_not_load_the_migration_tool(tmp_path: Path) -> None:
    path = tmp_path / "grove.sqlite"
    open_engine(path).dispose()
    code = (
        "import sys; from pathlib import Path; from pipeline.store import open_store\n"
        "open_store(Path(sys.argv[1])).close(); print('alembic' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
