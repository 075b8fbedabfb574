"""The demo grove, run once as a user would run it; tests that change it take a copy."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from tests.called import woundwood


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo grove after ``woundwood demo``; read only."""
    folder = tmp_path_factory.mktemp("demo") / "grove"
    done = woundwood("demo", folder)
    assert done.returncode == 0, done.stderr
    (folder / "demo.out").write_text(done.stdout, encoding="utf-8")
    return folder


@pytest.fixture
def demo_copy(demo: Path, tmp_path: Path) -> Path:
    """A copy of the run demo grove that a test may change."""
    return Path(shutil.copytree(demo, tmp_path / "grove"))
