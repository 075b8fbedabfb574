"""What lies in the inbox, and which of it has finished arriving."""

from __future__ import annotations

import os
import re
import stat
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.intake import file_has_its_end

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from pipeline.settings import IntakeSettings

_TEMPORARY = re.compile(
    r"(?i).*(\.(tmp|temp|part|partial|crdownload|opdownload|download|filepart)|~)$|~\$.*", re.DOTALL
)
# What Woundwood itself writes into the inbox, also as a syncing program names its conflicting copies.
_OWN_FILES = re.compile(r"(?i)(read me|answer|round)\b.*\.(html|txt)", re.DOTALL)
_SYSTEM_FILES = frozenset({"thumbs.db", "ehthumbs.db", "desktop.ini", "icon\r"})
_SYSTEM_FOLDERS = frozenset(
    {"@eadir", "#recycle", "$recycle.bin", "system volume information", "lost+found", "__macosx"}
)


def clock() -> datetime:
    """The time of day; the only clock of this package."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file in the inbox.

    Attributes
    ----------
    file
        Its name as it is recorded and shown: relative to the inbox, ``/`` between folders, see :func:`safe_name`.
    path
        Where it lies.
    size_bytes, modified_ns, changed_ns
        Size and times; a file of which any differs between two looks is still being written.
    first_seen
        When these were first seen as they are.
    """

    file: str
    path: Path
    size_bytes: int
    modified_ns: int
    changed_ns: int
    first_seen: datetime


@dataclass(frozen=True, slots=True)
class ScanResult:
    """One look at the inbox.

    Attributes
    ----------
    files
        Files that have finished arriving, by name.
    waiting
        Files that are still being written, or seem to be.
    ignored
        How many entries were left alone, by reason.
    problems
        Folders that could not be read, one sentence each.
    """

    files: tuple[Arrival, ...] = ()
    waiting: tuple[Arrival, ...] = ()
    ignored: Mapping[str, int] = field(default_factory=dict)
    problems: tuple[str, ...] = ()


def scan(inbox: Path, settings: IntakeSettings, now: datetime, previous: ScanResult | None = None) -> ScanResult:
    """List the files that have finished arriving.

    A file has finished when nothing about it changed for ``settle_s``, by its own times or, where
    these cannot be right (a share whose clock is ahead), by what ``previous`` saw.  A photo that lacks
    its end, or is empty, waits for ``cut_off_wait_s``: copying over a weak network pauses.  Names that
    programs give to unfinished files wait for ever.  Links are not followed.

    Parameters
    ----------
    inbox
        Folder to look into, with its sub-folders.
    now
        Aware.
    previous
        The look before, if there was one.
    """
    known = {entry.path: entry for entry in previous.waiting} if previous is not None else {}
    files: list[Arrival] = []
    waiting: list[Arrival] = []
    ignored: Counter[str] = Counter()
    problems: list[str] = []
    for path, shown, status in _walk(inbox, ignored, problems):
        before = known.get(path)
        arrival = Arrival(
            file=shown,
            path=path,
            size_bytes=status.st_size,
            modified_ns=status.st_mtime_ns,
            changed_ns=status.st_ctime_ns,
            first_seen=now,
        )
        if before is not None and _same(before, arrival) and before.first_seen <= now:
            arrival = before
        (files if _has_finished(arrival, settings, now) else waiting).append(arrival)
    files.sort(key=lambda entry: entry.file)
    waiting.sort(key=lambda entry: entry.file)
    return ScanResult(tuple(files), tuple(waiting), dict(ignored), tuple(problems))


def scan_twice(
    inbox: Path,
    settings: IntakeSettings,
    *,
    now: Callable[[], datetime] = clock,
    sleep: Callable[[float], None] = time.sleep,
) -> ScanResult:
    """Look; if something is still arriving, wait until it can have settled and look again.  For a single run."""
    first = scan(inbox, settings, now())
    if not first.waiting:
        return first
    sleep(settings.settle_s)
    return scan(inbox, settings, now(), first)


def _same(one: Arrival, other: Arrival) -> bool:
    return (one.size_bytes, one.modified_ns, one.changed_ns) == (other.size_bytes, other.modified_ns, other.changed_ns)


def _has_finished(arrival: Arrival, settings: IntakeSettings, now: datetime) -> bool:
    # The later of both times: some copying programs set the modification time back before they have finished.
    by_its_times_s = now.timestamp() - max(arrival.modified_ns, arrival.changed_ns) / 1e9
    quiet_s = max(by_its_times_s, (now - arrival.first_seen).total_seconds())
    if quiet_s < settings.settle_s:
        return False
    if quiet_s >= settings.cut_off_wait_s or arrival.size_bytes > settings.max_file_mb * 1e6:
        return True
    try:
        return file_has_its_end(arrival.path)
    except OSError:
        return True  # storing it will say what is wrong


def _walk(inbox: Path, ignored: Counter[str], problems: list[str]) -> Iterator[tuple[Path, str, os.stat_result]]:
    """Regular files below a folder, each with its shown name; links are not followed."""
    folders = [(inbox, "")]
    while folders:
        folder, prefix = folders.pop()
        try:
            with os.scandir(folder) as entries:
                for entry in entries:
                    found = _look_at(entry, ignored)
                    if found is None:
                        continue
                    shown = prefix + safe_part(entry.name)
                    if stat.S_ISDIR(found.st_mode):
                        folders.append((Path(entry.path), shown + "/"))
                    else:
                        yield Path(entry.path), shown, found
        except FileNotFoundError:
            if folder == inbox:
                problems.append(f"The inbox {inbox} is not there; make the folder or connect the share again.")
        except OSError as error:
            place = prefix.rstrip("/") or "the inbox"
            problems.append(f"The folder '{place}' cannot be read ({error.strerror}); its photos wait there.")


def _look_at(entry: os.DirEntry[str], ignored: Counter[str]) -> os.stat_result | None:
    """Status of a file or folder that is to be read; ``None``, counted, for everything else."""
    name = entry.name.lower()
    try:
        status = entry.stat(follow_symlinks=False)
    except OSError:
        return None  # gone since it was listed, or seen at the next look
    if stat.S_ISLNK(status.st_mode):
        reason = "link"
    elif name.startswith("."):
        reason = "hidden"
    elif stat.S_ISDIR(status.st_mode):
        reason = "system" if name in _SYSTEM_FOLDERS else ""
    elif not stat.S_ISREG(status.st_mode):
        reason = "not a file"
    elif name in _SYSTEM_FILES:
        reason = "system"
    elif _OWN_FILES.fullmatch(name):
        reason = "own"
    elif _TEMPORARY.match(name):
        reason = "temporary name"
    else:
        reason = ""
    if reason:
        ignored[reason] += 1
        return None
    return status


def safe_name(path: Path) -> str:
    r"""A path as text that can be stored, printed and told apart: no two paths give the same text.

    Bytes that are no UTF-8 become ``\xHH``, control characters ``\n`` or ``\uHHHH``, and a backslash in a
    name is doubled; folders are separated by ``/``.
    """
    return "/".join(safe_part(part) for part in path.parts)


def safe_part(name: str) -> str:
    """One name of a path, as :func:`safe_name` writes it."""
    if name.isprintable() and "\\" not in name:
        return name
    shown = []
    for letter in name:
        code = ord(letter)
        if letter == "\\":
            shown.append("\\\\")
        elif letter == "\n":
            shown.append("\\n")
        elif 0xDC80 <= code <= 0xDCFF:  # Python's stand-in for a byte that is no UTF-8 (PEP 383)
            shown.append(f"\\x{code - 0xDC00:02x}")
        elif letter.isprintable():
            shown.append(letter)
        else:
            shown.append(f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}")
    return "".join(shown)
