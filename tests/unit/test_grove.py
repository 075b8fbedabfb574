"""The grove's folder: made, opened, and refused with a remedy."""

from pathlib import Path

import pytest
import yaml

from pipeline import grove, places, receive, settings
from pipeline.errors import NotAGrove, RegisterError, SettingsError, UsageError, WoundwoodError
from pipeline.register import COLUMNS


def test_a_new_grove_opens(tmp_path: Path) -> None:
    written = grove.create(tmp_path / "north", "Vườn Bắc", "Asia/Ho_Chi_Minh")
    opened = grove.open_grove(tmp_path / "north", environment={})
    assert opened.settings.grove.name == "Vườn Bắc"
    assert opened.settings.grove.timezone == "Asia/Ho_Chi_Minh"
    assert opened.register.problems == () and opened.register.trees == {}
    assert opened.database == tmp_path / "north" / "woundwood.db"
    assert {path.name for path in written} == {*COLUMNS, "READ ME.txt", "grove.yaml"}
    for folder in (opened.inbox, opened.photos, opened.reports, opened.register_folder):
        assert folder.is_dir()


@pytest.mark.parametrize(
    "name", ['An\'s "grove": #1', "- 3", "null", "ไร่กฤษณา", "a\nb\u2028c", "12", "\x07x", "{x}", ""]
)
def test_any_name_survives_the_settings_file(tmp_path: Path, name: str) -> None:
    grove.create(tmp_path, name, "Asia/Bangkok")
    kept = grove.open_grove(tmp_path, environment={}).settings.grove.name
    assert kept.split() == name.replace("\x07", "").split()


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "register").mkdir()
    (tmp_path / "register" / "trees.csv").write_text("tree\nA-1\n")
    (tmp_path / "inbox").mkdir()
    (tmp_path / "inbox" / "photo.jpg").write_bytes(b"x")
    written = grove.create(tmp_path, "North", "UTC")
    assert tmp_path / "register" / "trees.csv" not in written
    assert list(grove.open_grove(tmp_path, environment={}).register.trees) == ["A-1"]
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
    with pytest.raises(UsageError, match="is a grove already; nothing was changed"):
        grove.create(tmp_path, "South", "UTC")
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_the_note_in_the_inbox_is_not_taken_for_a_photo(tmp_path: Path) -> None:
    grove.create(tmp_path, "North", "UTC")
    found = receive.scan(tmp_path / "inbox", settings.IntakeSettings(settle_s=0), receive.clock())
    assert found.files == ()


def test_what_is_not_a_grove(tmp_path: Path) -> None:
    with pytest.raises(NotAGrove, match=r"There is no folder .*woundwood init") as caught:
        grove.open_grove(tmp_path / "nowhere")
    assert caught.value.exit_code == 2
    with pytest.raises(NotAGrove, match=r"is not a grove: it holds no grove\.yaml.*woundwood init"):
        grove.open_grove(tmp_path)


def test_a_wrong_time_zone_makes_no_grove(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="is not a time zone"):
        grove.create(tmp_path / "north", "North", "Asia/Nowhere")
    assert not (tmp_path / "north").exists()


def test_a_place_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(WoundwoodError, match="cannot be made"):
        grove.create(tmp_path / "file" / "north", "North", "UTC")


def test_order_of_the_settings(tmp_path: Path) -> None:
    # Defaults, named config, grove.yaml, environment, option: each wins over those before it.
    grove.create(tmp_path, "North", "UTC")
    more = tmp_path / "more.yaml"
    more.write_text("grove: {name: From file}\nrun: {workers: 3}\nquality: {flag_px_per_mm: 1.1}\n")
    opened = grove.open_grove(
        tmp_path,
        ["old_phone", str(more)],
        {"run.workers": 5},
        environment={"WOUNDWOOD_RUN__BATCH": "7", "WOUNDWOOD_RUN__WORKERS": "4"},
    )
    assert opened.settings.quality.refuse_px_per_mm == 0.7  # old_phone
    assert opened.settings.quality.flag_px_per_mm == 1.1  # the file after it
    assert opened.settings.grove.name == "North"  # grove.yaml
    assert (opened.settings.run.batch, opened.settings.run.workers) == (7, 5)
    assert opened.origins["run.workers"] == "option"
    assert opened.origins["quality.refuse_px_per_mm"].endswith("old_phone.yaml")


def test_an_unknown_config_lists_those_there_are() -> None:
    with pytest.raises(SettingsError, match=r"no named config 'oldphone'.*old_phone"):
        grove.config_file("oldphone")


def test_there_are_named_configs() -> None:
    assert {"old_phone", "nursery", "wet_season"} <= set(grove.config_names())


@pytest.mark.parametrize("path", sorted(places.configs_folder().glob("*.yaml")), ids=lambda path: path.stem)
def test_each_named_config_loads_and_changes_something(path: Path) -> None:
    loaded, origins = settings.load(path, environment={})
    default = settings.Settings()
    stated = yaml.safe_load(path.read_text(encoding="utf-8"))
    assert origins
    for section, values in stated.items():
        for key in values:
            assert getattr(getattr(loaded, section), key) != getattr(getattr(default, section), key), (section, key)


def test_a_damaged_register_is_told(tmp_path: Path) -> None:
    grove.create(tmp_path, "North", "UTC")
    (tmp_path / "register" / "sites.csv").write_text("number\n")
    with pytest.raises(RegisterError, match="no column 'site'"):
        grove.open_grove(tmp_path, environment={})
