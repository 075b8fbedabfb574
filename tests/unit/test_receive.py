"""The inbox and the originals: nothing is lost, nothing is counted twice, no original changes."""

import errno
import hashlib
import io
import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from pipeline import receive
from pipeline.errors import NotReceived, WoundwoodError
from pipeline.receive import originals
from pipeline.settings import IntakeSettings

NOW = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)
SETTINGS = IntakeSettings(settle_s=2.0, cut_off_wait_s=60.0)


def later(seconds: float) -> datetime:
    """A time after the files of this test were written; scans are given the time, they do not look at the clock."""
    return datetime.now(UTC) + timedelta(seconds=seconds)


def jpeg(seed: int = 0) -> bytes:
    stream = io.BytesIO()
    pixels = np.random.default_rng(seed).integers(0, 255, (24, 32, 3), dtype=np.uint8)
    Image.fromarray(pixels).save(stream, "JPEG")
    return stream.getvalue()


@pytest.fixture
def inbox(tmp_path: Path) -> Path:
    folder = tmp_path / "inbox"
    folder.mkdir()
    return folder


@pytest.fixture
def photos(tmp_path: Path) -> Path:
    return tmp_path / "photos"


@pytest.fixture
def ordinary_user() -> Iterator[Path]:
    """A folder of its own, as a user whom permissions bind (they do not bind root)."""
    if not hasattr(os, "geteuid"):
        pytest.skip("needs POSIX permissions")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if os.geteuid() != 0:
            yield folder
            return
        os.chown(folder, 65534, -1)
        os.seteuid(65534)
        try:
            yield folder
        finally:
            os.seteuid(0)


def names(entries: tuple[receive.Arrival, ...]) -> list[str]:
    return [entry.file for entry in entries]


# ------------------------------------------------------------------ looking


def test_finished_files_in_sub_folders(inbox: Path) -> None:
    for name in ("b.jpg", "an/2026-05-03/a.jpg", "zip.zip", "noext"):
        (inbox / name).parent.mkdir(parents=True, exist_ok=True)
        (inbox / name).write_bytes(jpeg())
    found = receive.scan(inbox, SETTINGS, later(10))
    assert names(found.files) == ["an/2026-05-03/a.jpg", "b.jpg", "noext", "zip.zip"]
    assert found.files[0].path.read_bytes() == jpeg() and found.files[0].size_bytes == len(jpeg())
    assert found.waiting == () and found.problems == () and not found.ignored


def test_a_file_still_being_written_waits(inbox: Path) -> None:
    path = inbox / "a.jpg"
    path.write_bytes(jpeg())
    assert names(receive.scan(inbox, SETTINGS, later(1)).waiting) == ["a.jpg"]
    assert names(receive.scan(inbox, SETTINGS, later(3)).files) == ["a.jpg"]


def test_an_old_modification_time_does_not_hide_a_file_being_written(inbox: Path) -> None:
    # Copying programs set the old time early; the time of change of the entry cannot be set.
    path = inbox / "a.jpg"
    path.write_bytes(jpeg())
    os.utime(path, (1, 1))
    assert names(receive.scan(inbox, SETTINGS, later(0)).waiting) == ["a.jpg"]


def test_a_photo_that_lacks_its_end_waits_longer(inbox: Path) -> None:
    (inbox / "half.jpg").write_bytes(jpeg()[:-200])
    (inbox / "empty.jpg").write_bytes(b"")
    (inbox / "whole.jpg").write_bytes(jpeg())
    found = receive.scan(inbox, SETTINGS, later(10))
    assert names(found.files) == ["whole.jpg"] and names(found.waiting) == ["empty.jpg", "half.jpg"]
    assert names(receive.scan(inbox, SETTINGS, later(70)).files) == ["empty.jpg", "half.jpg", "whole.jpg"]


def test_a_share_whose_clock_is_ahead_needs_two_looks(inbox: Path) -> None:
    path = inbox / "a.jpg"
    path.write_bytes(jpeg())
    behind = later(-3600)  # our clock, an hour behind the share's
    first = receive.scan(inbox, SETTINGS, behind)
    second = receive.scan(inbox, SETTINGS, behind + timedelta(seconds=1), first)
    third = receive.scan(inbox, SETTINGS, behind + timedelta(seconds=2), second)
    assert [names(look.files) for look in (first, second, third)] == [[], [], ["a.jpg"]]


def test_a_growing_file_starts_its_wait_again(inbox: Path) -> None:
    path = inbox / "a.jpg"
    behind = later(-3600)
    path.write_bytes(jpeg()[:300])
    first = receive.scan(inbox, SETTINGS, behind)
    path.write_bytes(jpeg())
    second = receive.scan(inbox, SETTINGS, behind + timedelta(seconds=5), first)
    assert names(second.waiting) == ["a.jpg"]
    assert names(receive.scan(inbox, SETTINGS, behind + timedelta(seconds=7), second).files) == ["a.jpg"]


def test_a_clock_set_back_only_delays(inbox: Path) -> None:
    (inbox / "a.jpg").write_bytes(jpeg())
    first = receive.scan(inbox, SETTINGS, later(0))
    back = later(-7200)
    second = receive.scan(inbox, SETTINGS, back, first)
    assert names(second.waiting) == ["a.jpg"]
    assert names(receive.scan(inbox, SETTINGS, back + timedelta(seconds=2), second).files) == ["a.jpg"]


def test_a_single_run_looks_twice(inbox: Path) -> None:
    (inbox / "a.jpg").write_bytes(jpeg())
    moments = iter([later(0), later(3)])
    slept: list[float] = []
    found = receive.scan_twice(inbox, SETTINGS, now=lambda: next(moments), sleep=slept.append)
    assert names(found.files) == ["a.jpg"] and slept == [2.0]


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        (".hidden.jpg", "hidden"),
        ("._a.jpg", "hidden"),
        (".DS_Store", "hidden"),
        (".thumbnails/1.jpg", "hidden"),
        (".pending-1777-IMG.jpg", "hidden"),
        ("Thumbs.db", "system"),
        ("desktop.ini", "system"),
        ("@eaDir/a.jpg", "system"),
        ("$RECYCLE.BIN/a.jpg", "system"),
        ("a.jpg.tmp", "temporary name"),
        ("a.jpg.part", "temporary name"),
        ("a.JPG.CRDOWNLOAD", "temporary name"),
        ("a.jpg~", "temporary name"),
        ("~$register.xlsx", "temporary name"),
        ("READ ME.txt", "own"),
        ("ANSWER.html", "own"),
        ("ANSWER.txt", "own"),
        ("answer (An's conflicted copy 2026-05-03).html", "own"),
        ("ANSWER.sync-conflict-20260503-101500-ABC.txt", "own"),
        ("ROUND.html", "own"),
    ],
)
def test_what_is_left_alone_is_counted(inbox: Path, name: str, reason: str) -> None:
    (inbox / name).parent.mkdir(exist_ok=True)
    (inbox / name).write_bytes(jpeg())
    found = receive.scan(inbox, SETTINGS, later(99))
    assert found.files == () and found.ignored == {reason: 1}


@pytest.mark.parametrize(
    "name",
    [
        "a.sync-conflict-20260503-101500-ABC.jpg",
        "a (An's conflicted copy 2026-05-03).jpg",
        "a (1).jpg",
        "part.jpg",
        "tmp",
        "ANSWER.jpg",
        "answering.html",
    ],
)
def test_both_sides_of_a_sync_conflict_are_kept(inbox: Path, name: str) -> None:
    (inbox / name).write_bytes(jpeg())
    assert names(receive.scan(inbox, SETTINGS, later(99)).files) == [name]


def test_links_are_not_followed(inbox: Path, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "secret.jpg").write_bytes(jpeg())
    (inbox / "link.jpg").symlink_to(outside / "secret.jpg")
    (inbox / "folder").symlink_to(outside)
    (inbox / "loop").symlink_to(inbox)
    (inbox / "dangling.jpg").symlink_to(outside / "none")
    found = receive.scan(inbox, SETTINGS, later(99))
    assert found.files == () and found.ignored == {"link": 4}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_named_pipe_does_not_block(inbox: Path) -> None:
    os.mkfifo(inbox / "pipe.jpg")
    assert receive.scan(inbox, SETTINGS, later(99)).ignored == {"not a file": 1}


STRANGE = (
    "with space.jpg",
    "Bäume ß.jpg",
    "ต้นไม้ ๑.jpg",
    "cây.jpg",
    'it\'s "quoted".jpg',
    "two\nlines.jpg",
    "tab\t.jpg",
    "back\\slash.jpg",
    "🌳.jpg",
    "a;b,c&d%e#f.jpg",
    "-rf.jpg",
)


@pytest.mark.parametrize("name", STRANGE)
def test_any_name_goes_all_the_way(inbox: Path, photos: Path, name: str) -> None:
    (inbox / name).write_bytes(jpeg())
    found = receive.scan(inbox, SETTINGS, later(99)).files
    assert len(found) == 1
    assert found[0].file.isprintable()
    stored = receive.store_original(found[0].path, photos)
    assert stored.path.read_bytes() == jpeg()
    assert receive.release(found[0].path, stored) is None
    assert list(inbox.iterdir()) == []


def test_a_name_that_is_no_utf8(inbox: Path, photos: Path) -> None:
    # Latin-1 bytes from an old camera card.
    path = Path(os.fsdecode(os.fsencode(inbox) + b"/B\xe4ume.jpg"))
    try:
        path.write_bytes(jpeg())
    except OSError as error:
        pytest.skip(f"the file system takes UTF-8 names only: {error.strerror}")
    found = receive.scan(inbox, SETTINGS, later(99)).files
    assert names(found) == ["B\\xe4ume.jpg"]
    found[0].file.encode("utf-8")
    assert receive.release(path, receive.store_original(found[0].path, photos)) is None


def test_a_path_of_300_characters(inbox: Path, photos: Path) -> None:
    folder = inbox / ("f" * 150) / ("g" * 150)
    folder.mkdir(parents=True)
    (folder / "a.jpg").write_bytes(jpeg())
    found = receive.scan(inbox, SETTINGS, later(99)).files
    assert len(found[0].file) > 300
    assert receive.store_original(found[0].path, photos).path.read_bytes() == jpeg()


def test_many_files_in_one_folder(inbox: Path) -> None:
    # The issue asks for 50,000; hard links to one file make them cheap to have.
    (inbox / "0.jpg").write_bytes(jpeg())
    other = inbox / "more"
    other.mkdir()
    for number in range(5000):
        os.link(inbox / "0.jpg", other / f"{number}.jpg")
    assert len(receive.scan(inbox, SETTINGS, later(99)).files) == 5001


def test_an_unreadable_folder_is_told_and_the_others_are_read(ordinary_user: Path) -> None:
    inbox = ordinary_user / "inbox"
    (inbox / "closed").mkdir(parents=True)
    (inbox / "open").mkdir()
    (inbox / "closed" / "a.jpg").write_bytes(jpeg())
    (inbox / "open" / "b.jpg").write_bytes(jpeg())
    (inbox / "closed").chmod(0)
    try:
        found = receive.scan(inbox, SETTINGS, later(99))
    finally:
        (inbox / "closed").chmod(0o755)
    assert names(found.files) == ["open/b.jpg"]
    assert found.problems == ("The folder 'closed' cannot be read (Permission denied); its photos wait there.",)


def test_a_missing_inbox_is_told(tmp_path: Path) -> None:
    found = receive.scan(tmp_path / "gone", SETTINGS, NOW)
    assert len(found.problems) == 1 and "is not there" in found.problems[0]


# ------------------------------------------------------------------ storing


def test_an_original_is_kept_under_its_hash(inbox: Path, photos: Path) -> None:
    (inbox / "a.JPEG").write_bytes(jpeg())
    stored = receive.store_original(inbox / "a.JPEG", photos)
    sha256 = hashlib.sha256(jpeg()).hexdigest()
    assert stored.sha256 == sha256 and not stored.was_there and stored.size_bytes == len(jpeg())
    assert stored.path == photos / sha256[:2] / f"{sha256}.jpg"
    assert stored.path.read_bytes() == jpeg()
    assert stored.path.stat().st_mode & 0o222 == 0  # nobody may write it
    assert (inbox / "a.JPEG").read_bytes() == jpeg()
    assert receive.find_original(photos, sha256) == stored.path
    assert receive.find_original(photos, "0" * 64) is None
    assert list((photos / ".incoming").iterdir()) == []


def test_the_same_bytes_twice_are_one_original(inbox: Path, photos: Path) -> None:
    (inbox / "a.jpg").write_bytes(jpeg())
    (inbox / "b.png").write_bytes(jpeg())
    first = receive.store_original(inbox / "a.jpg", photos)
    inode = first.path.stat().st_ino
    second = receive.store_original(inbox / "b.png", photos)
    assert second.was_there and second.path == first.path
    assert first.path.stat().st_ino == inode
    assert len([path for path in photos.rglob("*") if path.is_file()]) == 1


def test_what_is_no_photo_is_kept_too(inbox: Path, photos: Path) -> None:
    for name, data, suffix in (("a.jpg", b"", "bin"), ("b.jpg", b"%PDF-1.7", "pdf"), ("c", b"words", "txt")):
        (inbox / name).write_bytes(data)
        assert receive.store_original(inbox / name, photos).path.suffix == f".{suffix}"
    assert receive.verify(photos) == []


def test_a_damaged_original_is_replaced_by_a_good_copy(inbox: Path, photos: Path) -> None:
    (inbox / "a.jpg").write_bytes(jpeg())
    path = receive.store_original(inbox / "a.jpg", photos).path
    path.chmod(0o644)
    path.write_bytes(b"rotten")
    stored = receive.store_original(inbox / "a.jpg", photos)
    assert not stored.was_there and stored.path.read_bytes() == jpeg()
    assert [kept.read_bytes() for kept in (photos / "damaged").iterdir()] == [b"rotten"]
    assert receive.verify(photos) == []


def test_a_file_that_grows_while_it_is_read_stays(inbox: Path, photos: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = inbox / "a.jpg"
    path.write_bytes(jpeg())
    read = os.read

    def slow_read(descriptor: int, count: int) -> bytes:
        chunk = read(descriptor, 100)
        with path.open("ab") as stream:  # another program is still writing
            stream.write(b"x" if path.stat().st_size < 2000 else b"")
        return chunk

    monkeypatch.setattr(os, "read", slow_read)
    with pytest.raises(NotReceived, match=r"'a\.jpg' is still being written"):
        receive.store_original(path, photos)
    assert path.exists() and receive.verify(photos) == []
    assert [entry for entry in photos.rglob("*") if entry.is_file()] == []


def test_a_file_that_goes_away(inbox: Path, photos: Path) -> None:
    with pytest.raises(NotReceived, match=r"'a\.jpg' was moved away"):
        receive.store_original(inbox / "a.jpg", photos)


def test_a_link_put_in_the_place_of_a_file_is_not_followed(inbox: Path, photos: Path, tmp_path: Path) -> None:
    (tmp_path / "secret").write_bytes(b"secret")
    (inbox / "a.jpg").symlink_to(tmp_path / "secret")
    with pytest.raises(NotReceived):
        receive.store_original(inbox / "a.jpg", photos)


def test_a_file_without_permission_stays(ordinary_user: Path) -> None:
    path = ordinary_user / "a.jpg"
    path.write_bytes(jpeg())
    path.chmod(0)
    with pytest.raises(NotReceived, match=r"'a\.jpg' cannot be read: Permission denied"):
        receive.store_original(path, ordinary_user / "photos")
    assert path.exists()


def test_originals_that_cannot_be_written(ordinary_user: Path) -> None:
    photos = ordinary_user / "photos"
    photos.mkdir()
    (ordinary_user / "a.jpg").write_bytes(jpeg())
    photos.chmod(0o555)
    with pytest.raises(WoundwoodError, match=r"could not be kept in .*: Permission denied") as caught:
        receive.store_original(ordinary_user / "a.jpg", photos)
    assert "still in the inbox" in caught.value.remedy
    assert not isinstance(caught.value, NotReceived)
    assert (ordinary_user / "a.jpg").read_bytes() == jpeg()


# ------------------------------------------------------------------ a full disk


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A real file system of 256 KiB."""
    place = tmp_path / "disk"
    place.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "none", str(place)]
    try:
        mounted = subprocess.run(command, capture_output=True, check=False).returncode == 0
    except OSError:
        mounted = False
    if not mounted:
        pytest.skip("mounting a small file system needs root on Linux")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def check_full(source: Path, photos: Path) -> None:
    with pytest.raises(WoundwoodError, match=r"The disk is full: 'big\.jpg' could not be kept") as caught:
        receive.store_original(source, photos)
    assert not isinstance(caught.value, NotReceived)
    assert "still in the inbox" in caught.value.remedy
    assert source.stat().st_size == 400_000
    assert receive.find_original(photos, hashlib.sha256(source.read_bytes()).hexdigest()) is None
    assert [path for path in photos.rglob("*") if path.is_file() and path.stat().st_size > 50_000] == []


def test_a_full_disk(inbox: Path, small_disk: Path) -> None:
    (inbox / "big.jpg").write_bytes(os.urandom(400_000))
    (inbox / "small.jpg").write_bytes(jpeg())
    photos = small_disk / "photos"
    check_full(inbox / "big.jpg", photos)
    # What was half written is gone, so the next photo has room.
    assert receive.store_original(inbox / "small.jpg", photos).path.read_bytes() == jpeg()
    assert receive.verify(photos) == []


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX limits")
def test_a_limit_on_the_size_of_files(inbox: Path, photos: Path) -> None:
    # The kernel fails the write half-way, as on a full disk (EFBIG), and needs no root.
    import resource

    (inbox / "big.jpg").write_bytes(os.urandom(400_000))
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        check_full(inbox / "big.jpg", photos)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("call", ["open", "write", "fsync", "close", "mkdir", "rename", "replace"])
@pytest.mark.parametrize("code", [errno.ENOSPC, errno.EIO])
def test_a_failure_of_any_call_leaves_no_half_original(
    inbox: Path, photos: Path, monkeypatch: pytest.MonkeyPatch, call: str, code: int
) -> None:
    # Which of the calls a file system fails cannot be chosen on a real one, so here the call itself raises.
    source = inbox / "a.jpg"
    source.write_bytes(jpeg())
    real = getattr(os, call)
    for nth in range(1, 8):
        count = 0

        def failing(*args: object, **options: object) -> object:
            nonlocal count
            count += 1
            if count == nth:  # noqa: B023
                if call == "close":
                    real(*args, **options)
                raise OSError(code, os.strerror(code))
            return real(*args, **options)

        with monkeypatch.context() as patch:
            patch.setattr(os, call, failing)
            try:
                receive.store_original(source, photos)
            except (WoundwoodError, OSError) as error:
                assert isinstance(error, WoundwoodError), (call, nth)
                assert "inbox" in error.remedy
        assert source.read_bytes() == jpeg()
        assert receive.verify(photos) == []
        assert list((photos / ".incoming").glob("*")) == []
        if count < nth:
            break
    stored = receive.store_original(source, photos)
    assert stored.path.read_bytes() == jpeg()


# ------------------------------------------------------------------ killed at any moment

KILLED_AT_EVERY_CALL = """
import os, sys
from pathlib import Path
from pipeline import receive
from pipeline.receive import originals

inbox, photos, name = Path(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
calls = "open read write fsync close mkdir rename replace unlink fstat stat lstat chmod scandir".split()
real = {call: getattr(os, call) for call in calls}

def child(stop):
    seen = 0
    def tapped(call):
        def tap(*args, **options):
            nonlocal seen
            seen += 1
            if seen == stop:
                if call == "write":
                    real["write"](args[0], bytes(args[1])[: len(args[1]) // 2])  # half of it got out
                os._exit(9)
            result = real[call](*args, **options)
            return result
        return tap
    for call in calls:
        setattr(os, call, tapped(call))
    stored = receive.store_original(inbox / name, photos)
    receive.release(inbox / name, stored)
    os._exit(0)

data = (inbox / name).read_bytes()
stop = 0
while True:
    stop += 1
    pid = os.fork()
    if pid == 0:
        child(stop)
    code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    kept = [path for path in photos.glob("??/*")]
    whole = len(kept) == 1 and kept[0].read_bytes() == data
    assert len(kept) <= 1 and (not kept or whole), ("half an original", stop)
    assert whole or (inbox / name).read_bytes() == data, ("lost", stop)
    assert receive.verify(photos) == []
    if code == 0:
        assert whole and not (inbox / name).exists()
        break
    assert code == 9
    if not (inbox / name).exists():
        assert whole
        break
    # Every second time start from nothing again, else from what the killed one left.
    if stop % 2:
        for path in kept:
            path.unlink()
print(stop)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_kill_at_any_system_call_loses_nothing(inbox: Path, photos: Path) -> None:
    # A clean interpreter forks a child for each system call and ends it there, without any clean-up.
    (inbox / "a.jpg").write_bytes(jpeg())
    done = subprocess.run(
        [sys.executable, "-c", KILLED_AT_EVERY_CALL, str(inbox), str(photos), "a.jpg"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 20
    left_behind = list((photos / ".incoming").iterdir())
    assert left_behind  # killed processes cannot clean up ...
    assert receive.sweep(photos, datetime.now(UTC)) == 0  # ... a living one may own a young file ...
    assert receive.sweep(photos, later(2 * 86400)) == len(left_behind)  # ... and a day later they go
    assert receive.verify(photos, [hashlib.sha256(jpeg()).hexdigest()]) == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs several processes")
def test_several_processes_store_the_same_photo(inbox: Path, photos: Path) -> None:
    for number in range(6):
        (inbox / f"{number}.jpg").write_bytes(jpeg(number % 2))
    program = (
        "import sys; from pathlib import Path; from pipeline import receive\n"
        "for path in sorted(Path(sys.argv[1]).iterdir()): receive.store_original(path, Path(sys.argv[2]))"
    )
    running = [subprocess.Popen([sys.executable, "-c", program, str(inbox), str(photos)]) for _ in range(2)]
    assert [process.wait() for process in running] == [0, 0]
    assert receive.verify(photos, [hashlib.sha256(jpeg(seed)).hexdigest() for seed in (0, 1)]) == []
    assert len([path for path in photos.rglob("*") if path.is_file()]) == 2


# ------------------------------------------------------------------ letting go


def test_a_file_changed_after_the_copy_stays(inbox: Path, photos: Path) -> None:
    path = inbox / "a.jpg"
    path.write_bytes(jpeg())
    stored = receive.store_original(path, photos)
    path.write_bytes(jpeg(1))
    sentence = receive.release(path, stored)
    assert sentence == "'a.jpg' changed after it was copied; it stays in the inbox and is read again."
    assert path.read_bytes() == jpeg(1)


def test_a_file_that_is_gone_already_is_fine(inbox: Path, photos: Path) -> None:
    path = inbox / "a.jpg"
    path.write_bytes(jpeg())
    stored = receive.store_original(path, photos)
    path.unlink()
    assert receive.release(path, stored) is None


def test_a_read_only_inbox_is_told(ordinary_user: Path) -> None:
    inbox = ordinary_user / "inbox"
    inbox.mkdir()
    path = inbox / "a.jpg"
    path.write_bytes(jpeg())
    inbox.chmod(0o555)
    try:
        assert names(receive.scan(inbox, SETTINGS, later(99)).files) == ["a.jpg"]
        stored = receive.store_original(path, ordinary_user / "photos")
        sentence = receive.release(path, stored)
        assert sentence == "'a.jpg' is kept, but cannot be removed from the inbox (Permission denied)."
        assert path.exists()
        assert receive.store_original(path, ordinary_user / "photos").was_there
    finally:
        inbox.chmod(0o755)


# ------------------------------------------------------------------ checking


def test_verify_finds_every_kind_of_damage(inbox: Path, photos: Path) -> None:
    stored = []
    for seed in range(3):
        (inbox / "a.jpg").write_bytes(jpeg(seed))
        stored.append(receive.store_original(inbox / "a.jpg", photos))
    assert receive.verify(photos, [entry.sha256 for entry in stored]) == []
    rotten, gone, _ = stored
    rotten.path.chmod(0o644)
    data = bytearray(rotten.path.read_bytes())
    data[100] ^= 1
    rotten.path.write_bytes(data)
    gone.path.unlink()
    (rotten.path.parent / "notes.txt").write_text("x")
    damage = {entry.problem for entry in receive.verify(photos, [entry.sha256 for entry in stored])}
    assert damage == {
        f"{rotten.path.name} is damaged: its bytes are not those that arrived.",
        f"The original {gone.sha256} is missing.",
        "notes.txt is not an original: its name is not a hash in its folder.",
    }


def test_large_files_are_copied_in_pieces(inbox: Path, photos: Path) -> None:
    data = os.urandom(2 * originals.CHUNK_BYTES + 17)
    (inbox / "a.bin").write_bytes(data)
    assert receive.store_original(inbox / "a.bin", photos).path.read_bytes() == data


def test_no_descriptor_is_left_open(inbox: Path, photos: Path) -> None:
    if not Path("/proc/self/fd").is_dir():
        pytest.skip("needs /proc")
    (inbox / "a.jpg").write_bytes(jpeg())
    receive.store_original(inbox / "a.jpg", photos)
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(3):
        receive.store_original(inbox / "a.jpg", photos)
        with pytest.raises(NotReceived):
            receive.store_original(inbox / "none.jpg", photos)
    assert len(list(Path("/proc/self/fd").iterdir())) == before
