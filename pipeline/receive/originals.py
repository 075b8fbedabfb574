"""The originals: copied in whole, named by their hash, never changed, checked at will."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import secrets
import stat
from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline.errors import NotReceived, WoundwoodError
from pipeline.intake import HEAD_BYTES, sniff
from pipeline.receive.inbox import safe_part

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from pathlib import Path

CHUNK_BYTES = 1 << 20
INCOMING = ".incoming"
"""Folder in ``photos/`` for copies that are not finished."""
DAMAGED = "damaged"
"""Folder in ``photos/`` for originals that were found damaged and replaced by a good copy."""
ABANDONED_AFTER = timedelta(days=1)
_ORIGINAL = re.compile(r"([0-9a-f]{64})\.[a-z0-9]+")
_DISK_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)


@dataclass(frozen=True, slots=True)
class StoredOriginal:
    """A file that is safe in ``photos/``; ``was_there`` if it was so before.

    ``modified_ns`` is that of the inbox file as it was copied, for :func:`release`.
    """

    sha256: str
    path: Path
    size_bytes: int
    was_there: bool
    modified_ns: int = 0


def original_path(photos: Path, sha256: str, suffix: str) -> Path:
    """Place of an original: ``photos/<first two digits>/<sha256>.<suffix>``."""
    return photos / sha256[:2] / f"{sha256}.{suffix}"


def find_original(photos: Path, sha256: str) -> Path | None:
    """Original of a hash, whatever its suffix."""
    folder = photos / sha256[:2]
    try:
        with os.scandir(folder) as entries:
            names = [entry.name for entry in entries if entry.name.startswith(sha256)]
    except FileNotFoundError:
        return None
    return folder / min(names) if names else None


def store_original(source: Path, photos: Path) -> StoredOriginal:
    """Copy a file of the inbox to the originals, and return when it is safely on the disk.

    The source is read once; the copy gets its final name only when it is whole, written through to the
    disk and read back with the same hash.  The source itself is left alone.

    Raises
    ------
    NotReceived
        If the source cannot be read, or changes while it is.
    WoundwoodError
        If the originals cannot be written, as on a full disk.  Nothing unfinished is left behind.
    """
    try:
        descriptor = os.open(source, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0))
    except (FileNotFoundError, NotADirectoryError):
        raise _gone(source) from None
    except OSError as error:
        raise _unreadable(source, error) from None
    temporary = photos / INCOMING / f"{os.getpid()}-{secrets.token_hex(8)}"
    try:
        before = os.fstat(descriptor)
        if not stat.S_ISREG(before.st_mode):
            raise NotReceived(f"'{safe_part(source.name)}' is not a file.", "Put only photos into the inbox.")
        photos.mkdir(exist_ok=True)
        temporary.parent.mkdir(exist_ok=True)
        sha256, size, suffix = _copy(source, descriptor, temporary)
        after = _status(source)
        if size != before.st_size or (after.st_size, after.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
            raise NotReceived(f"'{safe_part(source.name)}' is still being written.", "It is read at the next look.")
        path, was_there = _put_in_place(photos, temporary, sha256, suffix)
        return StoredOriginal(sha256, path, size, was_there, before.st_mtime_ns)
    except OSError as error:
        raise _unwritable(source, photos, error) from None
    finally:
        with suppress(OSError):  # it was only read
            os.close(descriptor)
        with suppress(OSError):
            temporary.unlink(missing_ok=True)


def _status(source: Path) -> os.stat_result:
    try:
        return source.lstat()
    except OSError:
        raise _gone(source) from None


def _gone(source: Path) -> NotReceived:
    return NotReceived(f"'{safe_part(source.name)}' was moved away before it was read.", "It is read where it is now.")


def _copy(source: Path, descriptor: int, temporary: Path) -> tuple[str, int, str]:
    """Write a copy through to the disk; return hash, size and suffix of what was read."""
    digest, size, head = hashlib.sha256(), 0, b""
    out = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o644)
    try:
        while True:
            try:
                chunk = os.read(descriptor, CHUNK_BYTES)
            except OSError as error:
                raise _unreadable(source, error) from None
            if not chunk:
                break
            head = head or chunk[:HEAD_BYTES]
            digest.update(chunk)
            size += len(chunk)
            rest = memoryview(chunk)
            while rest:
                rest = rest[os.write(out, rest) :]
        # Originals are never changed; where a share knows no such mode, the hash still tells.
        with suppress(PermissionError, NotImplementedError):
            temporary.chmod(0o444)
        os.fsync(out)
        if hasattr(os, "posix_fadvise"):
            # Else the next read would only see the memory, not the disk.
            os.posix_fadvise(out, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(out)
    if hash_file(temporary) != digest.hexdigest():
        raise WoundwoodError(
            f"The disk does not give back what was written for '{safe_part(source.name)}'.",
            "Check the disk; the photo is still in the inbox.",
        )
    return digest.hexdigest(), size, sniff(head).value


def _put_in_place(photos: Path, temporary: Path, sha256: str, suffix: str) -> tuple[Path, bool]:
    """Give a finished copy its final name, unless a good one has it already."""
    existing = find_original(photos, sha256)
    if existing is not None:
        if hash_file(existing) == sha256:
            return existing, True
        (photos / DAMAGED).mkdir(exist_ok=True)
        existing.replace(photos / DAMAGED / f"{existing.name}.{secrets.token_hex(4)}")
    path = original_path(photos, sha256, suffix)
    if not path.parent.is_dir():
        path.parent.mkdir(exist_ok=True)
        _sync_folder(photos)
    # Another process may put the same bytes there at the same moment; either of the two is the original.
    temporary.replace(path)
    _sync_folder(path.parent)
    return path, False


def _sync_folder(folder: Path) -> None:
    """Write a folder's entries through to the disk, where the system can."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def hash_file(path: Path) -> str:
    """SHA-256 of a file's bytes, hex."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _unreadable(source: Path, error: OSError) -> NotReceived:
    return NotReceived(
        f"'{safe_part(source.name)}' cannot be read: {error.strerror}.",
        "Check its permissions and the disk; it stays in the inbox.",
    )


def _unwritable(source: Path, photos: Path, error: OSError) -> WoundwoodError:
    if error.errno in _DISK_FULL:
        return WoundwoodError(
            f"The disk is full: '{safe_part(source.name)}' could not be kept in {photos}.",
            "Free some space and start again; the photo is still in the inbox.",
        )
    return WoundwoodError(
        f"'{safe_part(source.name)}' could not be kept in {photos}: {error.strerror}.",
        "Check the folder's permissions and the disk; the photo is still in the inbox.",
    )


def release(source: Path, stored: StoredOriginal) -> str | None:
    """Remove a file from the inbox, once it is stored and recorded.

    Returns
    -------
    str or None
        ``None`` if it is gone; else one sentence that says why it is still there.  It then comes again
        at the next look and is known by its hash.
    """
    name = safe_part(source.name)
    try:
        status = source.lstat()
        if (status.st_size, status.st_mtime_ns) != (stored.size_bytes, stored.modified_ns):
            return f"'{name}' changed after it was copied; it stays in the inbox and is read again."
        source.unlink()
    except FileNotFoundError:
        return None
    except OSError as error:
        return f"'{name}' is kept, but cannot be removed from the inbox ({error.strerror})."
    return None


# ---------------------------------------------------------------- upkeep


@dataclass(frozen=True, slots=True)
class Damage:
    """An original that is not as it arrived; ``problem`` is a sentence."""

    path: Path
    sha256: str
    problem: str


def verify(photos: Path, expected: Iterable[str] = ()) -> list[Damage]:
    """Hash every original again.

    Parameters
    ----------
    photos
        Folder of the originals.
    expected
        Hashes that must be there, as the database knows them.
    """
    found: set[str] = set()
    damage: list[Damage] = []
    for path in sorted(photos.glob("[0-9a-f][0-9a-f]/*")):
        match = _ORIGINAL.fullmatch(path.name)
        if match is None or path.parent.name != path.name[:2]:
            damage.append(Damage(path, "", f"{path.name} is not an original: its name is not a hash in its folder."))
            continue
        sha256 = match.group(1)
        found.add(sha256)
        try:
            good = hash_file(path) == sha256
        except OSError as error:
            damage.append(Damage(path, sha256, f"{path.name} cannot be read: {error.strerror}."))
            continue
        if not good:
            damage.append(Damage(path, sha256, f"{path.name} is damaged: its bytes are not those that arrived."))
    damage.extend(
        Damage(original_path(photos, sha256, "*"), sha256, f"The original {sha256} is missing.")
        for sha256 in sorted(set(expected) - found)
    )
    return damage


def sweep(photos: Path, now: datetime) -> int:
    """Remove unfinished copies that a killed process left behind more than a day ago; return how many."""
    removed = 0
    for path in (photos / INCOMING).glob("*"):
        with suppress(OSError):
            if now.timestamp() - path.stat().st_mtime > ABANDONED_AFTER.total_seconds():
                path.unlink()
                removed += 1
    return removed
