"""Which reader a name stands for."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from pipeline import classical, readers
from pipeline.errors import ModelError


def release(models: Path, *names: str) -> None:
    for name in names:
        (models / name).mkdir(parents=True)
        (models / name / "contract.json").write_text("{}")


def test_classical_by_name() -> None:
    assert readers.open_reader("classical") == (classical.read, classical.READER)
    assert readers.model_of("classical") == classical.READER


def test_without_a_release_the_classical_reader_reads(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for models in (tmp_path, tmp_path / "not there"):
        monkeypatch.setattr("pipeline.places.models_folder", lambda folder=models: folder)
        assert readers.open_reader("released")[1] == classical.READER


def test_the_newest_release_is_the_highest_version_not_the_last_in_the_alphabet(tmp_path: Path) -> None:
    release(tmp_path, "site-v1.9", "site-v1.10", "site-v1.2")
    (tmp_path / "site-v9").mkdir()  # a folder without a network
    assert readers.newest_release(tmp_path) == tmp_path / "site-v1.10"


def test_a_folder_that_holds_no_network_is_refused(tmp_path: Path) -> None:
    for name in (str(tmp_path), str(tmp_path / "none")):
        with pytest.raises(ModelError):
            readers.open_reader(name)
        with pytest.raises(ModelError):
            readers.model_of(name)


def test_nothing_heavy_is_loaded_before_a_reader_is_opened() -> None:
    code = "import sys; import pipeline.readers; print(sorted({'cv2', 'onnxruntime', 'torch'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
