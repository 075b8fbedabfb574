"""The command ``woundwood review``, as far as it does not serve."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from pipeline import grove, store
from pipeline.cli.review import command
from pipeline.errors import UsageError
from pipeline.store.audit import LogEntry
from tests.review_grove import clock

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    root = tmp_path / "grove"
    grove.create(root, "Pillar grove", "Asia/Bangkok")
    store.open_store(root / "woundwood.db").close()
    return root


def test_an_account_is_made_with_a_hidden_password(folder: Path) -> None:
    secret = "four unrelated words"
    done = CliRunner().invoke(
        command, [str(folder), "--add-user", "Mali", "--role", "steward"], input=f"{secret}\n{secret}\n"
    )
    assert done.exit_code == 0, done.output
    assert secret not in done.output
    with store.open_store(folder / "woundwood.db") as memory:
        account = memory.account("Mali")
        assert account is not None and account.role == "steward" and account.password.startswith("$argon2id$")
        assert memory.log_entries()[0].act == "made an account"


def test_the_log_is_checked_against_a_digest(folder: Path) -> None:
    with store.open_store(folder / "woundwood.db") as memory:
        memory.log(LogEntry(clock(), "Lek", "signed in"))
        head = memory.check_log().head
    assert head in CliRunner().invoke(command, [str(folder), "--check-log"]).output
    assert CliRunner().invoke(command, [str(folder), "--check-log", "--expect", head]).exit_code == 0
    assert CliRunner().invoke(command, [str(folder), "--check-log", "--expect", "0" * 64]).exit_code == 1


def test_labels_of_a_grove_without_answers_are_an_empty_coco_file(folder: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(command, [str(folder), "--export-labels", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    content = json.loads((tmp_path / "out" / "labels.json").read_text())
    assert content["images"] == [] and len(content["categories"]) == 6


def test_the_local_network_needs_accounts(folder: Path) -> None:
    done = CliRunner().invoke(command, [str(folder), "--lan"])
    assert isinstance(done.exception, UsageError) and "no accounts" in str(done.exception)


def test_a_certificate_needs_its_key(folder: Path) -> None:
    done = CliRunner().invoke(command, [str(folder), "--certificate", str(folder / "grove.yaml")])
    assert done.exit_code == 2 and "come together" in done.output
