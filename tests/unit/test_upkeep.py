"""Verify and space on real folders and a real database; only the reading of a photo is a stand-in."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline import batch, receive, upkeep
from pipeline.cli import cli
from pipeline.grove import Grove
from pipeline.records import Outcome
from pipeline.store import Store, open_store
from tests import stand_in
from tests.made_records import NOON


@pytest.fixture
def grove(tmp_path: Path) -> Grove:
    return stand_in.make_grove(tmp_path / "grove")


@pytest.fixture
def store(grove: Grove):
    with open_store(grove.database) as opened:
        yield opened


def run(grove: Grove, store: Store) -> batch.RunSummary:
    return batch.run(
        grove, store, model=None, workers=1, progress=lambda _: None, now=NOON,
        read=stand_in.read_photo, open_reader=stand_in.open_reader,
    )  # fmt: skip


def every_byte(folder: Path) -> list[str]:
    """Hashes of all files below a folder; what may be moved but never lost."""
    return sorted(hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.rglob("*") if p.is_file())


def original(grove: Grove, content: bytes) -> Path:
    found = receive.find_original(grove.photos, hashlib.sha256(content).hexdigest())
    assert found is not None
    return found


def test_a_sound_grove(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    stand_in.drop(grove.inbox, "b.jpg")
    run(grove, store)
    found = upkeep.examine(grove, store)
    assert found.is_sound
    assert (found.whole, found.sentences()) == (2, [])


def test_loss_and_damage_are_named_and_come_back_from_the_inbox(grove: Grove, store: Store) -> None:
    contents = [stand_in.drop(grove.inbox, name) for name in ("gone.jpg", "spoilt.jpg", "fine.jpg")]
    run(grove, store)
    original(grove, contents[0]).unlink()
    spoilt = original(grove, contents[1])
    spoilt.chmod(0o644)
    spoilt.write_bytes(b"worms")
    found = upkeep.examine(grove, store)
    assert found.whole == 1
    assert len(found.sentences()) == 2
    assert any("missing" in s and "'gone.jpg'" in s for s in found.sentences())
    assert any("damaged" in s and "'spoilt.jpg'" in s for s in found.sentences())

    # Nothing to repair from: nothing is done, and nothing more is lost.
    before = every_byte(grove.photos)
    assert upkeep.repair(grove, store, found, NOON) == upkeep.Repair()
    assert every_byte(grove.photos) == before

    (grove.inbox / "from the phone").mkdir()
    (grove.inbox / "from the phone" / "1.jpg").write_bytes(contents[0])
    (grove.inbox / "from the phone" / "2.jpg").write_bytes(contents[1])
    (grove.inbox / "another.jpg").write_bytes(b"x" * len(contents[0]))
    mended = upkeep.repair(grove, store, found, NOON)
    assert len(mended.done) == 2
    assert mended.problems == ()
    assert upkeep.examine(grove, store).is_sound
    assert original(grove, contents[0]).read_bytes() == contents[0]
    # Never deletes: the damaged bytes are set aside, and the inbox keeps its files for the next run.
    assert hashlib.sha256(b"worms").hexdigest() in every_byte(grove.photos)
    assert len(list((grove.inbox / "from the phone").iterdir())) == 2


def test_an_original_that_was_moved_within_photos_is_copied_back(grove: Grove, store: Store) -> None:
    content = stand_in.drop(grove.inbox, "a.jpg")
    run(grove, store)
    place = original(grove, content)
    astray = grove.photos / "sorted by a helpful person"
    astray.mkdir()
    place.rename(astray / place.name)
    upkeep.repair(grove, store, upkeep.examine(grove, store), NOON)
    assert place.read_bytes() == content
    assert (astray / place.name).exists()
    assert upkeep.examine(grove, store).is_sound


def test_an_original_the_database_does_not_know_is_recorded_once_and_read(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    kept = receive.store_original(grove.inbox / "a.jpg", grove.photos)  # killed before the record was written
    (grove.inbox / "a.jpg").unlink()
    found = upkeep.examine(grove, store)
    assert found.unknown == (kept.path,)
    assert "does not know" in found.sentences()[0]
    upkeep.repair(grove, store, found, NOON)
    assert upkeep.examine(grove, store).is_sound
    run(grove, store)
    assert store.counts()[Outcome.READING] == 1
    assert [facts.sha256 for facts in store.photo_facts()] == [kept.sha256]


def test_a_file_that_is_no_original_is_told_and_left(grove: Grove, store: Store) -> None:
    (grove.photos / "ab").mkdir()
    (grove.photos / "ab" / "holiday.jpg").write_bytes(b"sea")
    found = upkeep.examine(grove, store)
    assert not found.is_sound
    assert "holiday.jpg" in found.sentences()[0]
    upkeep.repair(grove, store, found, NOON)
    assert (grove.photos / "ab" / "holiday.jpg").read_bytes() == b"sea"


def test_the_command_says_it_and_exits_with_1(grove: Grove, store: Store) -> None:
    content = stand_in.drop(grove.inbox, "a.jpg")
    run(grove, store)
    sound = CliRunner().invoke(cli, ["verify", str(grove.root)])
    assert sound.exit_code == 0, sound.output
    original(grove, content).unlink()
    wrong = CliRunner().invoke(cli, ["verify", str(grove.root)])
    assert wrong.exit_code == 1
    assert "missing" in wrong.output
    (grove.inbox / "again.jpg").write_bytes(content)
    mended = CliRunner().invoke(cli, ["verify", str(grove.root), "--repair"])
    assert mended.exit_code == 0, mended.output
    assert "is back" in mended.output


def test_room_adds_up_to_what_lies_in_the_folder(grove: Grove, store: Store) -> None:
    stand_in.drop(grove.inbox, "a.jpg")
    run(grove, store)
    (grove.inbox / "waiting.bin").write_bytes(bytes(5000))
    (grove.root / "notes.txt").write_text("mine")
    (grove.reports / "link").symlink_to(grove.photos, target_is_directory=True)
    parts = upkeep.room(grove)
    files = [p for p in grove.root.rglob("*") if p.is_file() and not p.is_symlink()]
    assert sum(part.files for part in parts) == len(files) - 1  # grove.yaml is not counted
    assert sum(p.size_bytes for p in parts) == sum(f.stat().st_size for f in files) - grove.settings_file.stat().st_size
    by_name = {part.what: part for part in parts}
    assert by_name["patches"].files == 1
    assert by_name["patches"].may_go.startswith("yes")
    assert by_name["originals"].may_go.startswith("no")
    assert by_name["inbox"].size_bytes >= 5000
    assert by_name["anything else"].size_bytes == 4


def test_the_command_space_prints_every_part(grove: Grove) -> None:
    done = CliRunner().invoke(cli, ["space", str(grove.root)])
    assert done.exit_code == 0, done.output
    assert "register" in done.output
    assert "free on the disk" in done.output
