"""The grove's time zone: asked for, taken from this computer, or named; a misspelt name is helped.

Names are those of the IANA time zone database, as Python's ``zoneinfo`` holds it.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from zoneinfo import available_timezones

import pytest
from click.testing import CliRunner

from pipeline import grove, zones
from pipeline.cli import cli
from pipeline.errors import SettingsError

TOP = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("wrong", "right"),
    [
        ("Asia/Jakrta", "Asia/Jakarta"),
        ("asia/jakarta", "Asia/Jakarta"),
        ("jakarta", "Asia/Jakarta"),
        ("Ho Chi Minh", "Asia/Ho_Chi_Minh"),
        ("Asia/Ho Chi Minh", "Asia/Ho_Chi_Minh"),
        ("Bankok", "Asia/Bangkok"),
        ("Asia/Kuala-Lumpur", "Asia/Kuala_Lumpur"),
    ],
)
def test_a_misspelt_zone_is_suggested(wrong: str, right: str) -> None:
    assert not zones.is_known(wrong) or wrong.casefold() == right.casefold()
    assert zones.suggestions(wrong)[0] == right
    assert right in zones.meant(wrong)


def test_what_is_like_no_zone_gets_an_example() -> None:
    assert zones.suggestions("qqqqqqqq") == []
    assert "names look like Asia/Ho_Chi_Minh" in zones.meant("qqqqqqqq")


def test_every_zone_of_the_database_is_known_and_suggests_itself() -> None:
    names = sorted(zone for zone in available_timezones() if "/" in zone and not zone.startswith(zones.NO_PLACE))
    assert len(names) > 300
    for zone in names[::25]:
        assert zones.is_known(zone)
        assert zones.suggestions(zone)[0] == zone


@pytest.mark.parametrize(
    ("said", "zone"),
    [("Asia/Jakarta", "Asia/Jakarta"), (":Asia/Bangkok", "Asia/Bangkok"), ("UTC", None), ("Etc/UTC", None),
     ("WIB-7", None), ("No/Such", None)],
)  # fmt: skip
def test_the_zone_of_this_computer(said: str, zone: str | None) -> None:
    assert zones.of_this_computer({"TZ": said}) == zone


def test_the_zone_of_this_computer_from_its_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    database = tmp_path / "zoneinfo" / "Asia"
    database.mkdir(parents=True)
    (database / "Makassar").write_bytes(b"TZif")
    (tmp_path / "localtime").symlink_to(database / "Makassar")
    (tmp_path / "timezone").write_text("Asia/Manila\n")
    monkeypatch.setattr(zones, "LINK", tmp_path / "localtime")
    monkeypatch.setattr(zones, "FILE", tmp_path / "timezone")
    assert zones.of_this_computer({}) == "Asia/Makassar"
    (tmp_path / "localtime").unlink()
    assert zones.of_this_computer({}) == "Asia/Manila"
    (tmp_path / "timezone").unlink()
    assert zones.of_this_computer({}) is None


def made(folder: Path) -> str:
    return grove.open_grove(folder, environment={}).settings.grove.timezone


def test_init_takes_the_zone_of_this_computer_and_says_so(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["init", str(tmp_path / "g")], env={"TZ": "Asia/Makassar"})
    assert done.exit_code == 0, done.output
    assert made(tmp_path / "g") == "Asia/Makassar"
    assert "Time zone: Asia/Makassar. This computer is set to it." in done.output
    assert "change grove.timezone in" in done.output


def test_init_without_a_known_zone_says_that_it_took_utc(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["init", str(tmp_path / "g")], env={"TZ": "UTC"})
    assert made(tmp_path / "g") == "UTC"
    assert "Time zone: UTC. This computer does not say where it is." in done.output


def test_init_with_a_misspelt_zone_makes_nothing_and_helps(tmp_path: Path) -> None:
    done = CliRunner().invoke(cli, ["init", str(tmp_path / "g"), "--timezone", "Asia/Jakrta"])
    assert done.exit_code == 2
    assert "did you mean Asia/Jakarta?" in " ".join(done.output.split())
    assert not (tmp_path / "g").exists()


def test_a_misspelt_zone_in_the_settings_is_helped_too(tmp_path: Path) -> None:
    grove.create(tmp_path / "g", "G", "Asia/Bangkok")
    file = tmp_path / "g" / "grove.yaml"
    file.write_text(file.read_text().replace("Asia/Bangkok", "Asia/Bankok"))
    with pytest.raises(SettingsError, match="did you mean Asia/Bangkok"):
        grove.open_grove(tmp_path / "g", environment={})


@pytest.mark.skipif(os.name == "nt", reason="needs a pseudo-terminal")
@pytest.mark.parametrize(
    ("typed", "zone"), [("\n", "Asia/Makassar"), ("Jakrta\nAsia/Jakarta\n", "Asia/Jakarta")], ids=["enter", "typo"]
)
def test_init_at_a_terminal_asks(tmp_path: Path, typed: str, zone: str) -> None:
    import pty

    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "pipeline.cli", "init", str(tmp_path / "g")],
        stdin=theirs, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, cwd=TOP,
        env=os.environ | {"TZ": "Asia/Makassar"},
    ) as asked:  # fmt: skip
        os.close(theirs)
        os.write(ours, typed.encode())
        said, _ = asked.communicate(timeout=120)
        os.close(ours)
    assert asked.returncode == 0, said
    assert "In which time zone does the grove lie?" in said
    assert "[Asia/Makassar]" in said
    assert ("did you mean Asia/Jakarta?" in said) == ("Jakrta" in typed)
    assert made(tmp_path / "g") == zone
