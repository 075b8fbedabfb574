"""A network is taken into use by a person after a comparison, and given up with one step; all of it on record."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner

from pipeline import adoption, readers, store
from pipeline.cli import cli
from pipeline.errors import UsageError
from pipeline.grove import create, open_grove
from pipeline.records import Sign
from pipeline.review.answers import Filled, record
from pipeline.review.queue import Queue
from pipeline.review.verdicts import Verdict
from tests.made_networks import put_comparison, put_network
from tests.review_grove import MODEL, NO_DRAWS, build, clock


@pytest.fixture
def grove(tmp_path):
    create(tmp_path / "g", "Pillar grove", "Asia/Bangkok")
    for name in ("ours-1", "ours-2"):
        put_network(tmp_path / "g" / "models" / name, name)
    return open_grove(tmp_path / "g", environment={})


def again(grove):
    return open_grove(grove.root, environment={})


def test_use_and_back_and_what_is_written(grove):
    put_comparison(grove.models / "ours-1", readers.model_of("released"), "ours-1")
    put_comparison(grove.models / "ours-2", "ours-1", "ours-2")
    with store.open_store(grove.database) as memory:
        assert adoption.adopt(grove, memory, "models/ours-1", "Nok", clock()) == "ours-1"
        grove = again(grove)
        assert grove.settings.reading.model == "models/ours-1"
        assert grove.reader == str(grove.models / "ours-1")
        assert readers.model_of(grove.reader) == "ours-1"
        assert adoption.adopt(grove, memory, "models/ours-2", "Lek", clock()) == "ours-2"
        assert adoption.go_back(again(grove), memory, "Nok", clock()) == "ours-1"
        assert adoption.go_back(again(grove), memory, "Nok", clock()) == readers.model_of("released")
        with pytest.raises(UsageError, match="before this one"):
            adoption.go_back(again(grove), memory, "Nok", clock())
        lines = memory.log_of((adoption.TOOK, adoption.BACK))
        assert [(line.act, line.who) for line in lines] == [
            (adoption.TOOK, "Nok"), (adoption.TOOK, "Lek"), (adoption.BACK, "Nok"), (adoption.BACK, "Nok")
        ]  # fmt: skip
        assert lines[0].detail["figures"][0]["new"] == 0.7
        assert len(str(lines[0].detail["comparison"])) == 64
        assert memory.check_log().whole
    assert again(grove).settings.reading.model == "released"


def test_a_moved_grove_keeps_its_network_and_its_readings_key(grove, tmp_path):
    put_comparison(grove.models / "ours-1", readers.model_of("released"), "ours-1")
    with store.open_store(grove.database) as memory:
        adoption.adopt(grove, memory, "models/ours-1", "Nok", clock())
    before = again(grove).settings.reading_hash
    moved = grove.root.rename(tmp_path / "elsewhere")
    there = open_grove(moved, environment={})
    assert there.reader == str(moved / "models" / "ours-1")
    assert there.settings.reading_hash == before


def test_without_comparison_or_person_or_with_a_damaged_folder_nothing_changes(grove):
    with store.open_store(grove.database) as memory:
        with pytest.raises(UsageError, match="was not compared"):
            adoption.adopt(grove, memory, "models/ours-1", "Nok", clock())
        put_comparison(grove.models / "ours-1", "another", "ours-1")
        with pytest.raises(UsageError, match="was not compared"):
            adoption.adopt(grove, memory, "models/ours-1", "Nok", clock())
        with pytest.raises(UsageError, match="by a person"):
            adoption.adopt(grove, memory, "classical", " ", clock())
        (grove.models / "ours-2" / "model.onnx").write_text("changed", encoding="utf-8")
        assert "differs" in next(n for n in adoption.networks(grove, memory) if n.choice == "models/ours-2").problem
        for name in ("../ours-1", "models/../../x", "nothing", ""):
            with pytest.raises(UsageError):
                adoption.choice_of(grove, name)
        assert memory.log_of((adoption.TOOK,)) == []
    assert not grove.in_use_file.exists()


def test_a_model_in_the_settings_goes_before(grove):
    with grove.settings_file.open("a", encoding="utf-8") as stream:
        stream.write("\nreading:\n  model: classical\n")
    with store.open_store(grove.database) as memory, pytest.raises(UsageError, match=r"given by .*grove\.yaml"):
        adoption.adopt(again(grove), memory, "released", "Nok", clock())


def test_the_command_asks_for_the_name_and_shows_the_figures(grove):
    put_comparison(grove.models / "ours-1", readers.model_of("released"), "ours-1")
    run = CliRunner().invoke
    refused = run(cli, ["model", "use", str(grove.root), "ours-1"], input="Nok\nyes\n")
    assert isinstance(refused.exception, UsageError)
    assert not grove.in_use_file.exists()
    done = run(cli, ["model", "use", str(grove.root), "ours-1"], input="Nok\nours-1\n")
    assert done.exit_code == 0, done.output
    for words in ("+0.200 [+0.100, +0.300]", "better", "newly found: 1", "woundwood model back"):
        assert words in done.output
    listed = run(cli, ["model", "list", str(grove.root), "--json"])
    assert [row["choice"] for row in json.loads(listed.output) if row["in_use"]] == ["models/ours-1"]
    assert run(cli, ["model", "back", str(grove.root), "--as", "Nok"]).exit_code == 0
    assert again(grove).settings.reading.model == "released"


def test_drift_counts_answers_about_this_networks_photos(tmp_path):
    desk = build(tmp_path / "grove", trees=2, visits=2, options=NO_DRAWS)
    for site, verdict in ((10, Verdict.NOT), (20, Verdict.NOT), (30, Verdict.SIGN)):
        sha256 = desk.store.last_looks([site])[-1].sha256
        signs = frozenset({Sign.GREEN_FILM}) if verdict is Verdict.SIGN else frozenset()
        form = Filled(sha256, 0, verdict, signs, "", "", None, (), False, "")
        record(desk, site, form, "Lek", Queue(desk).task(site, "Lek"))
    found = adoption.drift_of(desk.grove, desk.store, MODEL)
    # July: four photos. Site 10 was flagged and has no sign: corrected; 20 had none and 30 has it: as read.
    july = next(m for m in found.months if m.month == "2026-07")
    assert (july.photos, july.answers, july.corrected) == (4, 3, 1)
    assert "nothing to compare with yet" in found.reasons[0]
    assert adoption.drift_of(desk.grove, desk.store, "another").months == ()
    desk.store.close()
