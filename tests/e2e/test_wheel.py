"""A wheel built from the checkout does the main job from any folder, without the checkout."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from tests.called import TOP


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel's files, laid out as an installer would lay them."""
    pytest.importorskip("hatchling", reason="hatchling (extra 'test') builds the wheel")
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)],
        cwd=TOP, check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def test_wheel_holds_package_models_configs_and_demo(installed: Path):
    assert (installed / "pipeline" / "share" / "demo_data" / "grove.yaml").is_file()
    assert list((installed / "pipeline" / "share" / "configs").glob("*.yaml"))
    assert (installed / "pipeline" / "share" / "models").is_dir()
    top = {path.name for path in installed.iterdir() if not path.name.endswith(".dist-info")}
    assert top == {"pipeline"}


def test_demo_runs_from_the_wheel(installed: Path, tmp_path: Path):
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "demo"],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(installed), "HOME": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "demo-grove" / "reports" / "latest" / "index.html").is_file()
