"""``woundwood report``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from datetime import datetime


@click.command("report")
@options.grove_argument
@click.option("-o", "--out", type=click.Path(file_okay=False, path_type=Path), default=None,
              help="Folder for the report. Default: GROVE/reports/latest")  # fmt: skip
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
    """Write the HTML report of a grove.

    A folder of plain pages with relative links: it opens from a USB stick, without a network, and prints on A4.
    """
    from pipeline.cli import making

    grove = options.open_grove(grove_folder, configs, assignments)
    first_page = making.write_report(
        grove, out or grove.reports / "latest", options.present(grove, on).date(), quiet=as_json
    )
    if as_json:
        output.emit_json({"report": first_page})
    else:
        click.echo(f"Open {first_page}")
