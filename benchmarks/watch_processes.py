"""Processor time and memory of a process and all below it, from Linux's ``/proc``."""

from __future__ import annotations

import os
import threading
from pathlib import Path

TICK_HZ = os.sysconf("SC_CLK_TCK")
PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


def tree_of(pid: int) -> list[int]:
    """A process and everything below it."""
    parents: dict[int, list[int]] = {}
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        parents.setdefault(int(fields[1]), []).append(int(path.parent.name))
    found = [pid]
    for one in found:
        found += parents.get(one, [])
    return found


def usage(pid: int) -> tuple[float, int]:
    """Processor seconds (with those of children that ended) and resident bytes of a process and all below it."""
    seconds, resident = 0.0, 0
    for one in tree_of(pid):
        try:
            fields = Path(f"/proc/{one}/stat").read_text().rpartition(")")[2].split()
        except (FileNotFoundError, ProcessLookupError):
            continue
        seconds += sum(int(fields[k]) for k in (11, 12, 13, 14)) / TICK_HZ
        resident += int(fields[21]) * PAGE_BYTES
    return seconds, resident


class Peak(threading.Thread):
    """Largest resident memory of a process and all below it, sampled five times a second."""

    def __init__(self, pid: int) -> None:
        super().__init__(daemon=True)
        self.pid, self.bytes, self.over = pid, 0, threading.Event()

    def run(self) -> None:
        """Sample the memory until told that it is over."""
        while not self.over.wait(0.2):
            self.bytes = max(self.bytes, usage(self.pid)[1])


def command_of(pid: int) -> str:
    """Its command line; empty if it is gone."""
    try:
        return Path(f"/proc/{pid}/cmdline").read_text().replace("\0", " ")
    except (FileNotFoundError, ProcessLookupError):
        return ""


def resident_of(pid: int) -> int:
    """Resident bytes of one process; 0 if it is gone."""
    try:
        return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[21]) * PAGE_BYTES
    except (FileNotFoundError, ProcessLookupError):
        return 0


def parent_of(pid: int) -> int:
    """The process above; 0 if it is gone."""
    try:
        return int(Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[1])
    except (FileNotFoundError, ProcessLookupError):
        return 0
