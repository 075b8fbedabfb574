"""``woundwood export``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from datetime import datetime


@click.command("export")
@options.grove_argument
@click.option("-o", "--out", type=click.Path(file_okay=False, path_type=Path), default=None,
              help="Folder for the tables. Default: GROVE/reports/tables")  # fmt: skip
@options.on_option
@options.config_option
@options.set_option
@options.json_option
def command(
    grove_folder: Path,
    out: Path | None,
    on: datetime | None,
    configs: tuple[str, ...],
    assignments: tuple[str, ...],
    as_json: bool,
) -> None:
    """Write the grove's tables as CSV and Parquet.

    Tables: photos, readings, visits, trends, alerts, reviews. Units are in the column names, a column ending in
    _sd is the standard uncertainty of the one before it, and an empty cell means not measured.
    """
    from pipeline import assess, export, store

    grove = options.open_grove(grove_folder, configs, assignments)
    today = options.present(grove, on).date()
    with store.open_store(grove.database) as memory:
        healths = {health.tree.tree: health for health in assess.assess_grove(grove, memory, today)}
        files = export.write(
            memory, grove, out or grove.reports / "tables", lambda trees: [healths[tree] for tree in trees]
        )
    if as_json:
        output.emit_json(files)
    else:
        for file in files:
            click.echo(str(file))
