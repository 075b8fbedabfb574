"""Looking after a grove: are all originals whole and known, and what uses how much room.

Nothing here deletes.  A repair only links again what has come apart: it records originals that lie in
``photos/`` and that the database does not know, and copies a missing or damaged original back from where
the same bytes still lie.
"""

from __future__ import annotations

import os
import shutil
from collections import defaultdict
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import receive
from pipeline.errors import WoundwoodError
from pipeline.receive.originals import DAMAGED, INCOMING
from pipeline.records import Arrival

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from datetime import datetime

    from pipeline.grove import Grove
    from pipeline.records import StoredPhoto
    from pipeline.store import Store

LOCK = "run"
"""The lock of a run: a repair and a run do not work on the originals at the same time."""
RECOVERED = "recovered"
"""First part of the name under which an original is recorded whose own name is lost."""


@dataclass(frozen=True, slots=True)
class Condition:
    """What a look at all originals found.

    Attributes
    ----------
    whole
        Originals that the database knows and whose bytes are those that arrived.
    lost
        Originals that are damaged, missing, or not where the database says, one sentence each, by hash.
    unknown
        Whole originals in ``photos/`` that the database does not know.
    strays
        Sentences about files in ``photos/`` that are not originals.
    """

    whole: int = 0
    lost: Mapping[str, str] = field(default_factory=dict)
    unknown: tuple[Path, ...] = ()
    strays: tuple[str, ...] = ()

    @property
    def is_sound(self) -> bool:
        """Whether nothing is wrong."""
        return not (self.lost or self.unknown or self.strays)

    def sentences(self) -> list[str]:
        """What is wrong, for people."""
        unknown = [
            f"{path.parent.name}/{path.name} is whole, but the database does not know it; --repair records it."
            for path in self.unknown
        ]
        return [*self.lost.values(), *unknown, *self.strays]


@dataclass(frozen=True, slots=True)
class Repair:
    """What a repair did, one sentence each."""

    done: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()


def examine(grove: Grove, store: Store) -> Condition:
    """Hash every original again and compare with the database; reads only."""
    known = {photo.sha256: photo for photo in store.stored_photos()}
    damage = receive.verify(grove.photos, known)
    bad = {entry.sha256: entry.problem for entry in damage if entry.sha256}
    strays = tuple(entry.problem for entry in damage if not entry.sha256)
    lost: dict[str, str] = {}
    for sha256, photo in known.items():
        if sha256 in bad:
            lost[sha256] = f"{bad[sha256]} It arrived as '{photo.file}'."
        elif not (grove.photos / photo.stored).is_file():
            lost[sha256] = f"The original of '{photo.file}' is not at {photo.stored}, where the database says."
    unknown = []
    for path in sorted(grove.photos.glob("[0-9a-f][0-9a-f]/*")):
        sha256 = path.name.partition(".")[0]
        if sha256 in known or not _is_named_right(path):
            continue
        if sha256 in bad:
            strays += (f"{bad[sha256]} The database does not know it.",)
        else:
            unknown.append(path)
    return Condition(len(known) - len(lost), lost, tuple(unknown), strays)


def repair(grove: Grove, store: Store, condition: Condition, now: datetime) -> Repair:
    """Link again what has come apart; nothing is deleted, damaged files are set aside in ``photos/damaged``.

    Raises
    ------
    StoreError
        If a run works on this grove.
    """
    done: list[str] = []
    problems: list[str] = []
    with store.lock(LOCK):
        if condition.unknown:
            done += _record(grove, store, condition.unknown, now)
        if condition.lost:
            photos = [p for p in store.stored_photos() if p.sha256 in condition.lost]
            for photo, source in _copies_of(grove, photos):
                try:
                    _put_back(grove, photo, source)
                except (WoundwoodError, OSError) as error:
                    problems.append(f"The original of '{photo.file}' could not be put back: {error}")
                else:
                    done.append(f"The original of '{photo.file}' is back, from {_shown(grove, source)}.")
    return Repair(tuple(done), tuple(problems))


def _is_named_right(path: Path) -> bool:
    sha256 = path.name.partition(".")[0]
    return len(sha256) == 64 and path.parent.name == sha256[:2] and path.is_file()


def _record(grove: Grove, store: Store, paths: Iterable[Path], now: datetime) -> list[str]:
    """Record originals under a name of our own; their inbox files, if any, are then known when they come again."""
    arrivals = [
        Arrival(
            file=f"{RECOVERED}/{path.name}",
            sha256=path.name.partition(".")[0],
            size_bytes=path.stat().st_size,
            stored=path.relative_to(grove.photos).as_posix(),
            arrived_at=now,
        )
        for path in paths
    ]
    recorded = store.record_arrivals(arrivals)
    store.mark_released([arrival.id for arrival in recorded], now)
    return [f"{arrival.stored} is recorded; the next run reads it." for arrival in arrivals]


def _copies_of(grove: Grove, photos: Iterable[StoredPhoto]) -> Iterator[tuple[StoredPhoto, Path]]:
    """For each lost original a file with the same bytes: in the inbox, or elsewhere below ``photos/``."""
    by_size: dict[int, list[StoredPhoto]] = defaultdict(list)
    for photo in photos:
        by_size[photo.size_bytes].append(photo)
    for folder in (grove.photos, grove.inbox):
        for path, size in _files(folder):
            wanted = by_size.get(size)
            if not wanted:
                continue
            try:
                sha256 = receive.hash_file(path)
            except OSError:
                continue  # an unreadable copy helps nobody
            for photo in wanted:
                if photo.sha256 == sha256:
                    wanted.remove(photo)
                    yield photo, path
                    break


def _put_back(grove: Grove, photo: StoredPhoto, source: Path) -> None:
    target = grove.photos / photo.stored
    kept = receive.store_original(source, grove.photos)
    if kept.path != target and not target.exists():
        # The same bytes under another ending: the database's name is given to a second copy, the first one stays.
        half = target.with_name(f".{target.name}.part")
        shutil.copyfile(kept.path, half)
        half.replace(target)


def _files(folder: Path) -> Iterator[tuple[Path, int]]:
    """Regular files below a folder with their sizes; links are not followed, what cannot be read is left out."""
    folders = [folder]
    while folders:
        with suppress(OSError), os.scandir(folders.pop()) as entries:
            for entry in entries:
                with suppress(OSError):
                    if entry.is_dir(follow_symlinks=False):
                        folders.append(Path(entry.path))
                    elif entry.is_file(follow_symlinks=False):
                        yield Path(entry.path), entry.stat(follow_symlinks=False).st_size


def _shown(grove: Grove, path: Path) -> str:
    return receive.safe_name(path.relative_to(grove.root))


# ---------------------------------------------------------------- room


@dataclass(frozen=True, slots=True)
class Room:
    """What one part of a grove uses; ``may_go`` says whether a person may delete it, and what then happens."""

    what: str
    place: str
    files: int
    size_bytes: int
    may_go: str


_PARTS: tuple[tuple[str, str, str], ...] = (
    ("damaged copies set aside", f"photos/{DAMAGED}", "yes, once 'woundwood verify' finds nothing"),
    ("copies not finished", f"photos/{INCOMING}", "yes, while nothing runs"),
    ("originals", "photos", "no: they are the memory, and cannot be made again"),
    ("inbox", "inbox", "no: it empties itself"),
    ("patches", "cache/patches", "yes: the next run makes them again, which takes as long as reading"),
    ("thumbnails", "cache/thumbnails", "yes: they are made again when asked for"),
    ("other pictures that can be made again", "cache", "yes"),
    ("reports", "reports", "yes: 'woundwood report' writes them again; keep what you printed or signed"),
    ("register", "register", "no: a person wrote it"),
)
"""Longer places first where one lies in the other."""


def room(grove: Grove) -> tuple[Room, ...]:
    """What uses how much room in a grove, largest first; links are not followed."""
    order = sorted(_PARTS, key=lambda part: -len(part[1]))
    totals = {part: Room(part[0], part[1], 0, 0, part[2]) for part in _PARTS}
    base = grove.database.name
    database = Room("database", base, 0, 0, "no: readings, answers of people and alerts are in it")
    backups = Room("copies of the database", f"{base}.version-*", 0, 0, "yes, once the present version has proved well")
    other = Room("anything else", ".", 0, 0, "as you know best: Woundwood did not put it there")
    for path, size in _files(grove.root):
        place = path.relative_to(grove.root).as_posix()
        part = next((p for p in order if place.startswith(p[1] + "/")), None)
        if part is not None:
            totals[part] = _plus(totals[part], size)
        elif place.startswith(f"{base}.version-"):
            backups = _plus(backups, size)
        elif place in (base, f"{base}-wal", f"{base}-shm"):
            database = _plus(database, size)
        elif place != grove.settings_file.name:
            other = _plus(other, size)
    found = [part for part in (*totals.values(), database, backups, other) if part.files]
    return tuple(sorted(found, key=lambda part: -part.size_bytes))


def _plus(part: Room, size: int) -> Room:
    return replace(part, files=part.files + 1, size_bytes=part.size_bytes + size)
