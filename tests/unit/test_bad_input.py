"""Every bad input that was thought of, put into one inbox, and what a person is told of it.

One table for files, one for the register; what is no file of its own (a full disk, a moving folder) has tests below.
Everything is real: pictures drawn by ray casting and written with Pillow, the real door, card, classical reader,
database and answer.  For each file: the hand's sentence in ``ANSWER.txt``, the office's reason with a remedy, the
original in ``photos/`` unchanged, and exactly one outcome in the database.
"""

from __future__ import annotations

import errno
import hashlib
import io
import os
import struct
import threading
import zipfile
import zlib
from dataclasses import dataclass, replace
from datetime import timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import ExifTags, Image

from pipeline import cardspec, receive
from pipeline import grove as groves
from pipeline.advice import SENTENCES, Advice
from pipeline.cli import cli
from pipeline.errors import WoundwoodError
from pipeline.grove import Grove
from pipeline.records import Outcome, PhotoFacts
from pipeline.store import open_store
from pipeline.watch import Keeper, Told
from tests import drawn, stand_in, watched
from tests.drawn import View

SITE = cardspec.site_of_codes(12, 345)
VIEW = View(width_px=720, height_px=960, focal_px=860.0, supersample=2, noise=1.0)


# ---------------------------------------------------------------- pictures


def encoded(
    pixels: np.ndarray,
    taken: str | None = "2026:05:03 10:15:00",
    *,
    maker: str = "Maker",
    form: str = "JPEG",
    note: str = "",
) -> bytes:
    """A photo as a phone writes it; ``note`` makes bytes of their own."""
    tags = Image.Exif()
    if maker:
        tags[ExifTags.Base.Make], tags[ExifTags.Base.Model] = maker, "Phone 5"
    if taken is not None:
        tags.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.DateTimeOriginal] = taken
    stream = io.BytesIO()
    options = {"quality": 92, "comment": note} if form == "JPEG" else {}
    Image.fromarray(pixels).save(stream, form, exif=tags, **options)
    return stream.getvalue()


def on_a_screen(pixels: np.ndarray, optics_px: float) -> np.ndarray:
    """The same picture photographed from a screen: smaller, turned a little, with the screen's raster and a reflection.

    The raster is finer than the camera's pixels, so that it beats with them (moire); ``optics_px`` is how far the
    lens blurs it, in thirds of a pixel of the picture that is shown.
    """
    height, width = pixels.shape[:2]
    stripes = np.zeros((3 * height, 3 * width, 3), np.float32)
    for channel in range(3):  # red, green and blue stripes side by side, a dark line below each row
        stripes[:, channel::3, channel] = 3.0
    stripes[2::3] = 0.0
    shown = cv2.resize(pixels, None, fx=3, fy=3, interpolation=cv2.INTER_NEAREST) * stripes * 1.4
    shown = cv2.GaussianBlur(shown, (0, 0), optics_px)
    turn = cv2.getRotationMatrix2D((1.5 * width, 1.5 * height), 1.3, 0.313)
    turn[:, 2] += [width / 2 - 1.5 * width, height / 2 - 1.5 * height]
    seen = cv2.warpAffine(shown, turn, (width, height), flags=cv2.INTER_LINEAR, borderValue=(25, 25, 28))
    glare = np.linspace(0, 22, width, dtype=np.float32)[None, :, None]
    return np.clip(seen + glare, 0, 255).astype(np.uint8)


def archive(content: bytes) -> bytes:
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as packed:
        packed.writestr("photo.jpg", content)
    return stream.getvalue()


def png_that_claims(width: int, height: int) -> bytes:
    def chunk(name: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))

    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(bytes(99))) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + body


# ---------------------------------------------------------------- the table


@dataclass(frozen=True)
class Entry:
    """A file: its name, its bytes, and what is said of it (``advice`` and ``reason`` empty: it is accepted)."""

    what: str
    name: str
    data: bytes
    advice: Advice | None = None
    reason: str = ""


def table() -> list[Entry]:
    good = drawn.photo(VIEW)
    whole = encoded(good)
    plain = encoded(np.full((240, 320, 3), 90, np.uint8), maker="Other")
    unknown = drawn.photo(replace(VIEW, codes=(12, 346)))
    half = drawn.photo(replace(VIEW, drawn_codes=(True, False)))
    shared = drawn.photo(replace(VIEW, codes=(13, 346)))
    gap = round(drawn.project(VIEW, np.array([[0.0, -8.0, 0.0]]))[0, 1])
    two = drawn.photo(replace(VIEW, card_at_mm=((-30.0, 0.0), (30.0, 0.0))))
    return [
        # what is no photo, or not whole
        Entry("empty", "empty.jpg", b"", Advice.SEND_AGAIN, "empty (0 bytes)"),
        Entry("only zeros", "zeros.jpg", bytes(4096), Advice.SEND_AGAIN, "only zeros"),
        Entry("truncated", "truncated.jpg", whole[: len(whole) // 2], Advice.SEND_AGAIN, "cut off"),
        Entry("not an image", "noise.jpg", b"\x01\x02\xfe\xff" * 300, Advice.PHOTO_ONLY, "not a picture"),
        Entry("a text", "notes.jpg", b"the wound looks fine\n" * 9, Advice.PHOTO_ONLY, "is a text"),
        Entry("bomb of 200 megapixels", "bomb.png", png_that_claims(20_000, 10_000), Advice.SMALLER, "200 megapixels"),
        Entry("zip file", "photos.zip", archive(plain), Advice.PHOTO_ONLY, "ZIP archive"),
        Entry("zip called jpg", "packed.jpg", archive(whole), Advice.PHOTO_ONLY, "ZIP archive"),
        Entry("video", "film.mp4", b"\0\0\0\x18ftypmp42\0\0\0\0isommp42" + bytes(99), Advice.PHOTO_ONLY, "a video"),
        Entry("PDF", "paper.pdf", b"%PDF-1.7\n" + bytes(99), Advice.PHOTO_ONLY, "PDF document"),
        Entry(
            "screenshot",
            "Screenshot_20260503-101500.png",
            encoded(good, None, maker="", form="PNG"),
            Advice.PHOTO_ONLY,
            "picture of a screen",
        ),
        # dates
        Entry("no date", "undated.jpg", encoded(good, None, note="undated"), Advice.SEND_FILE, "no date"),
        Entry(
            "date in the future", "future.jpg", encoded(good, "2091:01:01 08:00:00"), Advice.SET_CLOCK, "in the future"
        ),
        Entry("date long ago", "old.jpg", encoded(good, "1998:01:01 08:00:00"), Advice.SET_CLOCK, "too long ago"),
        # cards
        Entry("no card", "bark.jpg", plain, Advice.WHOLE_CARD, "No site card"),
        Entry("two cards", "two.jpg", encoded(two), Advice.ONE_CARD, "2 site cards"),
        Entry(
            "half a card",
            "half.jpg",
            encoded(shared[:gap], maker="Other"),
            Advice.WIPE_CARD,
            "Only one of the card's two markers",
        ),
        Entry(
            "card of an unknown site",
            "unknown.jpg",
            encoded(unknown),
            Advice.ASK_OFFICE,
            "which the register does not have",
        ),
        Entry(
            "a photo of a screen with its raster",
            "raster.jpg",
            encoded(on_a_screen(good, 0.3), "2026:05:04 08:00:00", maker="Other"),
            Advice.WHOLE_CARD,
            "No site card",
        ),
        Entry("mirrored", "selfie.jpg", encoded(good[:, ::-1]), Advice.NO_MIRROR, "mirrored"),
        # accepted all the same
        Entry("phone held upside down", "turned.jpg", encoded(good[::-1, ::-1], note="turned")),
        Entry("wrong extension", "photo.pdf.txt.png", encoded(good, note="wrong extension")),
        Entry("half a card that names its site", "half too.jpg", encoded(half)),
        Entry("a photo of a screen", "of_a_screen.jpg", encoded(on_a_screen(good, 1.3), "2026:05:04 08:00:00")),
        *(
            Entry(f"a name with {what}", name, encoded(good, note=what))
            for what, name in (
                ("spaces", "my best photo .jpg"),
                ("umlauts", "Höhle größer.jpg"),
                ("Thai letters", "แผลที่หนึ่ง.jpg"),
                ("quotes", 'it\'s "the" one.jpg'),
                ("a newline", "first\nsecond.jpg"),
            )
        ),
    ]


TABLE = table()
NAMES = [entry.what for entry in TABLE]


def make_grove(folder: Path) -> Grove:
    groves.create(folder, "Test grove", "Asia/Bangkok")
    (folder / "register" / "trees.csv").write_text("tree\nA-012\n")
    (folder / "register" / "sites.csv").write_text(
        "site,tree,kind,girth_cm\n" + "".join(f"{SITE + more},A-012,window,56.5\n" for more in (0, 588, 589))
    )
    (folder / "grove.yaml").write_text(
        (folder / "grove.yaml").read_text()
        + "\nreading:\n  model: classical\nintake:\n  settle_s: 0\n  cut_off_wait_s: 0\n"
    )
    return groves.open_grove(folder, environment={})


@dataclass(frozen=True)
class Seen:
    """What one look at the full inbox came to."""

    grove: Grove
    exit_code: int
    said: str
    answer: str
    page: str
    facts: dict[str, list[PhotoFacts]]
    """By SHA-256."""


@pytest.fixture(scope="module")
def seen(tmp_path_factory: pytest.TempPathFactory) -> Seen:
    grove = make_grove(tmp_path_factory.mktemp("bad") / "grove")
    for entry in TABLE:
        (grove.inbox / entry.name).write_bytes(entry.data)
    done = CliRunner().invoke(cli, ["watch", "--once", str(grove.root)])
    facts: dict[str, list[PhotoFacts]] = {}
    with open_store(grove.database) as store:
        for photo in store.photo_facts():
            facts.setdefault(photo.sha256, []).append(photo)
    pages = [(grove.inbox / f"ANSWER.{ending}").read_text(encoding="utf-8") for ending in ("txt", "html")]
    return Seen(grove, done.exit_code, done.output, pages[0], pages[1], facts)


def test_photos_that_were_refused_end_with_three(seen: Seen) -> None:
    refused = sum(entry.advice is not None for entry in TABLE)
    assert seen.exit_code == 3, seen.said
    assert f"{len(TABLE)} came in, {len(TABLE) - refused} read, {refused} refused" in seen.said


@pytest.mark.parametrize("entry", TABLE, ids=NAMES)
def test_what_a_person_is_told_and_that_nothing_is_lost(seen: Seen, entry: Entry) -> None:
    sha256 = hashlib.sha256(entry.data).hexdigest()
    (fact,) = seen.facts[sha256]
    shown = receive.safe_name(Path(entry.name))
    assert fact.file == shown
    if entry.advice is None:
        assert fact.outcome is Outcome.READING, fact.reason
        assert fact.site == SITE
        assert f"[v] {SITE}, Tree A-012: {shown}" in seen.answer
    else:
        assert fact.outcome is Outcome.REFUSAL
        assert entry.reason in fact.reason
        assert fact.remedy.endswith(".")
        assert f"[x] {shown}: {SENTENCES[entry.advice]}" in seen.answer
    kept = [path for path in seen.grove.photos.rglob("*") if path.is_file() and path.stem == sha256]
    assert [path.read_bytes() for path in kept] == [entry.data]
    assert not (seen.grove.inbox / entry.name).exists()


# ---------------------------------------------------------------- what is left alone


@pytest.mark.parametrize(
    "name",
    [".hidden.jpg", "._IMG_1.jpg", ".trashed-1-IMG.jpg", ".pending-2-IMG.jpg", "Thumbs.db", "desktop.ini", ".nomedia",
     "~$list.xlsx", ".~lock.x#", "IMG.jpg.part", "IMG.crdownload", ".IMG.jpg.sync-tmp", ".stfolder/a.jpg",
     "@eaDir/a.jpg", "__MACOSX/a.jpg"],
)  # fmt: skip
def test_hidden_files_of_phones_and_syncing_programs_stay_where_they_are(tmp_path: Path, name: str) -> None:
    grove = stand_in.make_grove(tmp_path / "grove")
    path = grove.inbox / name
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(b"theirs")
    turn(grove)
    assert path.read_bytes() == b"theirs"
    assert outcomes(grove) == {}
    assert "0 accepted" in answer(grove.inbox) or answer(grove.inbox) == ""


def test_links_out_of_the_folder_are_not_followed(tmp_path: Path) -> None:
    grove = stand_in.make_grove(tmp_path / "grove")
    outside = tmp_path / "outside"
    outside.mkdir()
    stand_in.drop(outside, "secret.jpg")
    (grove.inbox / "folder").symlink_to(outside, target_is_directory=True)
    (grove.inbox / "file.jpg").symlink_to(outside / "secret.jpg")
    (grove.inbox / "up").symlink_to(tmp_path, target_is_directory=True)
    turn(grove)
    assert outcomes(grove) == {}
    assert sorted(p.name for p in outside.iterdir()) == ["secret.jpg"]


# ---------------------------------------------------------------- long, many, moving


def turn(grove: Grove, **changes: object) -> None:
    desk = watched.make_desk(grove.root, (), watched.QUICK | changes)
    try:
        desk.turn(receive.scan(grove.inbox, grove.settings.intake, receive.clock()), receive.clock())
    finally:
        desk.close()


def outcomes(grove: Grove) -> dict[Outcome, int]:
    with open_store(grove.database) as store:
        return {outcome: number for outcome, number in store.counts().items() if number}


def answer(folder: Path) -> str:
    path = folder / "ANSWER.txt"
    return path.read_text(encoding="utf-8") if path.exists() else ""


def left_in(inbox: Path) -> list[str]:
    return sorted(path.relative_to(inbox).as_posix() for path in inbox.rglob("*.jpg"))


def test_a_path_of_300_characters(tmp_path: Path) -> None:
    grove = stand_in.make_grove(tmp_path / "grove")
    file = f"{'d' * 100}/{'e' * 100}/{'f' * 94}.jpg"
    assert len(file) == 300
    stand_in.drop(grove.inbox, file)
    turn(grove)
    assert outcomes(grove) == {Outcome.READING: 1}
    assert f"{'f' * 94}.jpg" in answer((grove.inbox / file).parent)
    assert left_in(grove.inbox) == []


def test_50_000_files_in_one_folder(tmp_path: Path) -> None:
    """All are seen in one look; a turn takes the latest 200 of them and leaves the others untouched."""
    grove = stand_in.make_grove(tmp_path / "grove")
    for number in range(50_000):
        (grove.inbox / f"{number:05}.jpg").write_bytes(b"%d" % number)
    stand_in.drop(grove.inbox, "today.jpg")
    late = receive.clock() + timedelta(minutes=5)
    os.utime(grove.inbox / "today.jpg", (late.timestamp(), late.timestamp()))
    found = receive.scan(grove.inbox, grove.settings.intake, late + timedelta(minutes=5))
    assert len(found.files) == 50_001
    given: list[receive.ScanResult] = []

    class Reads:
        """Stands for the child process, but works on the grove itself."""

        def turn(self, found: receive.ScanResult, stop: threading.Event) -> Told:
            given.append(found)
            desk = watched.make_desk(grove.root, (), watched.QUICK)
            try:
                return Told.of(desk.turn(replace(found, files=found.files[:5]), receive.clock()))
            finally:
                desk.close()

    kept = Keeper(grove.root, (), watched.QUICK)
    kept._child = Reads()  # type: ignore[assignment]
    told = kept._work(found, receive.clock().date(), threading.Event())
    assert told is not None
    assert len(given[0].files) == 200
    assert len(given[0].waiting) == 49_801
    assert told.arrived == 5
    assert "today.jpg" in answer(grove.inbox)
    assert len(left_in(grove.inbox)) == 49_996


@pytest.mark.parametrize("what", ["folder", "file"])
def test_moved_while_it_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str) -> None:
    """A folder or a file gets another name after it was seen and before it is copied."""
    grove = stand_in.make_grove(tmp_path / "grove")
    contents = {stand_in.drop(grove.inbox, f"mai/{name}.jpg", name=name) for name in "abcd"}
    real, calls = receive.store_original, []

    def moving(source: Path, photos: Path) -> receive.StoredOriginal:
        calls.append(source)
        if len(calls) == 2:
            old = source.parent if what == "folder" else source
            old.rename(old.with_name(f"moved {old.name}"))
        return real(source, photos)

    with monkeypatch.context() as patched:
        patched.setattr(receive, "store_original", moving)
        turn(grove)
    assert sum(outcomes(grove).values()) + len(left_in(grove.inbox)) >= 4
    turn(grove)
    assert outcomes(grove).get(Outcome.READING) == 4
    assert left_in(grove.inbox) == []
    kept = [path.read_bytes() for path in grove.photos.rglob("*.*") if path.is_file()]
    assert set(kept) == contents
    assert len(kept) == 4


def test_a_disk_that_is_full_half_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The write of the third photo stops half-way, as on a full disk; with room again all goes on."""
    grove = stand_in.make_grove(tmp_path / "grove")
    contents = {stand_in.drop(grove.inbox, f"{name}.jpg", name=name) for name in "abcd"}
    real, calls = os.write, []

    def write(out: int, data: bytes) -> int:
        calls.append(out)
        if len(calls) > 3:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(out, bytes(data)[:40]) if len(calls) == 3 else real(out, data)

    with monkeypatch.context() as patched:
        patched.setattr("pipeline.receive.originals.os.write", write)
        done = CliRunner().invoke(
            cli, ["run", str(grove.root), "--set", "intake.settle_s=0", "--set", "intake.cut_off_wait_s=0"]
        )
    assert isinstance(done.exception, WoundwoodError)  # the command's frame prints it and ends with 1
    assert done.exception.exit_code == 1
    assert "The disk is full: 'c.jpg' could not be kept" in str(done.exception)
    assert "Free some space" in str(done.exception)
    assert len(left_in(grove.inbox)) == 2
    turn(grove)
    assert sum(outcomes(grove).values()) == 4
    assert {path.read_bytes() for path in grove.photos.rglob("*.*") if path.is_file()} == contents


def test_a_file_still_being_written_waits_and_says_so(tmp_path: Path) -> None:
    grove = make_grove(tmp_path / "grove")
    whole = encoded(np.full((200, 300, 3), 120, np.uint8))
    (grove.inbox / "coming.jpg").write_bytes(whole[:-300])
    call = ["run", str(grove.root), "--set", "intake.cut_off_wait_s=600"]
    done = CliRunner().invoke(cli, call)
    assert "'coming.jpg' is still arriving; it is read at the next run." in " ".join(done.output.split())
    assert done.exit_code == 3
    assert outcomes(grove) == {}
    (grove.inbox / "coming.jpg").write_bytes(whole)
    done = CliRunner().invoke(cli, call)
    assert done.exit_code == 3
    assert outcomes(grove) == {Outcome.REFUSAL: 1}


def test_a_computer_clock_that_is_set_back(tmp_path: Path) -> None:
    """What comes while the clock is a day behind is read once, and answered as the last thing that came."""
    grove = stand_in.make_grove(tmp_path / "grove")
    now = receive.clock()
    desk = watched.make_desk(grove.root, (), watched.QUICK)
    try:
        for name, at in (("a", now), ("b", now - timedelta(hours=20)), ("c", now + timedelta(seconds=1))):
            stand_in.drop(grove.inbox, f"mai/{name}.jpg", name=name)
            desk.turn(receive.scan(grove.inbox, grove.settings.intake, receive.clock()), at)
            assert f"{name}.jpg" in answer(grove.inbox / "mai")
    finally:
        desk.close()
    assert outcomes(grove) == {Outcome.READING: 3}


@pytest.mark.parametrize(
    ("one", "other"),
    [("a.jpg", "a (conflicted copy 2026-05-03).jpg"), ("a.jpg", "a.sync-conflict-20260503-101500-ABCDEFG.jpg"),
     ("mai/a.jpg", "tan/a.jpg")],
)  # fmt: skip
def test_two_copies_of_a_conflicting_sync(tmp_path: Path, one: str, other: str) -> None:
    """The same bytes are one photo and a double; other bytes are two photos; nothing is dropped."""
    grove = stand_in.make_grove(tmp_path / "grove")
    stand_in.drop(grove.inbox, one, name="same")
    stand_in.drop(grove.inbox, other, name="same")
    stand_in.drop(grove.inbox, "b/" + one.rpartition("/")[2], name="other")
    turn(grove)
    assert outcomes(grove) == {Outcome.READING: 2, Outcome.DUPLICATE: 1}
    assert left_in(grove.inbox) == []


# ---------------------------------------------------------------- permissions


@pytest.mark.parametrize("mode", [0, 0o555], ids=["unreadable", "read-only"])
def test_a_folder_without_permission_in_the_middle(mode: int) -> None:
    with watched.ordinary_grove() as grove:
        for name in ("an", "binh", "chi"):
            stand_in.drop(grove.inbox, f"{name}/a.jpg", name=name)
        (grove.inbox / "binh").chmod(mode)
        try:
            done = receive.scan(grove.inbox, grove.settings.intake, receive.clock())
            turn(grove)
            assert [problem for problem in done.problems if "binh" in problem] == (
                [] if mode else ["The folder 'binh' cannot be read (Permission denied); its photos wait there."]
            )
            assert outcomes(grove) == {Outcome.READING: 3 if mode else 2}
            assert (grove.inbox / "binh" / "a.jpg").exists() if mode else True
        finally:
            (grove.inbox / "binh").chmod(0o755)
        turn(grove)
        assert outcomes(grove) == {Outcome.READING: 3}
        assert left_in(grove.inbox) == []
        assert "a.jpg" in answer(grove.inbox / "binh")


# ---------------------------------------------------------------- the register


@dataclass(frozen=True)
class Rows:
    """Rows of ``sites.csv``, and what ``woundwood check`` says of them (``column`` empty: nothing, they load)."""

    what: str
    data: bytes
    column: str = ""
    value: str = ""


HEAD = "site,tree,kind,girth_cm,made_on\n"
REGISTER = [
    Rows("duplicate site", f"{HEAD}1,A-1,window,40,\n1,A-1,strip,40,\n".encode(), "site", "1"),
    Rows("unknown kind", f"{HEAD}1,A-1,window,40,\n2,A-1,hole,40,\n".encode(), "kind", "hole"),
    Rows("negative girth", f"{HEAD}1,A-1,window,40,\n2,A-1,window,-40,\n".encode(), "girth_cm", "-40"),
    Rows(
        "a date in two ways", f"{HEAD}1,A-1,window,40,\n2,A-1,window,40,03/04/2026\n".encode(), "made_on", "03/04/2026"
    ),
    Rows("unknown tree", f"{HEAD}1,A-1,window,40,\n2,Z-9,window,40,\n".encode(), "tree", "Z-9"),
    Rows("Windows line ends", f"{HEAD}{'1,A-1,window,40,'}\n".replace("\n", "\r\n").encode()),
    Rows("byte-order mark", b"\xef\xbb\xbf" + f"{HEAD}1,A-1,window,40,\n".encode()),
    Rows("semicolons", f"{HEAD}1,A-1,window,40,\n".replace(",", ";").encode()),
]


@pytest.mark.parametrize("rows", REGISTER, ids=[rows.what for rows in REGISTER])
def test_rows_of_the_register(tmp_path: Path, rows: Rows) -> None:
    groves.create(tmp_path / "grove", "Test grove", "Asia/Bangkok")
    folder = tmp_path / "grove" / "register"
    (folder / "trees.csv").write_text("tree\nA-1\n")
    (folder / "sites.csv").write_bytes(rows.data)
    done = CliRunner().invoke(cli, ["check", str(tmp_path / "grove")], terminal_width=400)
    said = " ".join(done.output.split())
    assert set(groves.open_grove(tmp_path / "grove", environment={}).register.sites) == {1}
    if rows.column:
        assert "sites.csv, line 3" in said, said
        assert rows.column in said
        assert rows.value in said
        assert done.exit_code == 1
    else:
        assert "sites.csv, line" not in said, said
