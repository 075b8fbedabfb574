"""The command line as a user or a script meets it."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from pipeline.cli import SUMMARIES, cli

TOP = Path(__file__).resolve().parents[2]


def command_of(name: str) -> click.Command:
    with click.Context(cli) as context:
        command = cli.get_command(context, name)
    assert command is not None
    return command


def test_help_loads_no_heavy_package():
    """``--help`` stays quick because it imports nothing that reads pictures, tables or databases."""
    heavy = {"numpy", "cv2", "pandas", "matplotlib", "torch", "sqlalchemy", "onnxruntime", "PIL", "rich", "pydantic"}
    code = (
        "import sys; from click.testing import CliRunner; from pipeline.cli import cli; "
        "result = CliRunner().invoke(cli, ['--help']); assert result.exit_code == 0, result.output; "
        f"print(sorted({heavy!r} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=TOP, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", SUMMARIES)
def test_summary_is_the_first_line_of_the_command_help(name):
    command = command_of(name)
    assert (command.help or "").strip().splitlines()[0] == SUMMARIES[name]


@pytest.mark.parametrize("name", SUMMARIES)
def test_every_option_says_what_it_is(name):
    silent = [p.name for p in command_of(name).params if isinstance(p, click.Option) and not p.help]
    assert silent == []


def test_command_page_is_fresh():
    """docs/cli.md is made from the commands' help; run ``python docs/make_cli_page.py`` if this fails."""
    spec = importlib.util.spec_from_file_location("make_cli_page", TOP / "docs" / "make_cli_page.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert (TOP / "docs" / "cli.md").read_text(encoding="utf-8") == module.page()


def test_folder_that_is_no_grove_is_a_wrong_call(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "run", str(tmp_path)], capture_output=True, text=True, cwd=TOP
    )
    assert done.returncode == 2
    assert str(tmp_path) in done.stderr
    assert "woundwood init" in done.stderr
    assert "Traceback" not in done.stderr


def test_setting_that_does_not_exist_is_named(tmp_path):
    runner = CliRunner()
    assert runner.invoke(cli, ["init", str(tmp_path / "g")]).exit_code == 0
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", "check", str(tmp_path / "g"), "--set", "alerts.no_such=1"],
        capture_output=True, text=True, cwd=TOP,
    )  # fmt: skip
    assert done.returncode == 2
    assert "alerts.no_such" in done.stderr


def test_init_then_check_says_what_to_fill_in(tmp_path):
    runner = CliRunner()
    grove = tmp_path / "a grove with ümlaut"
    made = runner.invoke(cli, ["init", str(grove), "--timezone", "Asia/Jakarta"])
    assert made.exit_code == 0, made.output
    checked = runner.invoke(cli, ["check", str(grove)])
    assert checked.exit_code == 0, checked.output
    assert "register/sites.csv" in checked.output
    again = runner.invoke(cli, ["init", str(grove)])
    assert again.exit_code != 0
