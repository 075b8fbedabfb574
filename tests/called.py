"""Calling the command as a person or a script does: in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

TOP = Path(__file__).resolve().parents[1]


def woundwood(*arguments: str | Path, cwd: Path = TOP) -> subprocess.CompletedProcess[str]:
    """Run the command from a folder and give back what it printed and its exit code."""
    return subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)],
        capture_output=True,
        text=True,
        cwd=cwd,
        env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(TOP), "OMP_NUM_THREADS": "1", "HOME": str(cwd)},
        check=False,
    )
