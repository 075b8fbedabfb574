"""``woundwood init``."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("init")
@click.argument("grove_folder", metavar="GROVE", type=click.Path(file_okay=False, path_type=Path))
@click.option("--name", default=None, help="Name of the grove, printed on cards and reports.")
@click.option("--timezone", default="UTC", show_default=True, help="Time zone of the grove, e.g. Asia/Jakarta.")
def command(grove_folder: Path, name: str | None, timezone: str) -> None:
    """Make an empty grove: settings, register templates, inbox.

    Nothing that exists is overwritten. Afterwards fill in register/trees.csv and
    register/sites.csv (a spreadsheet will do), then run 'woundwood check GROVE'.
    """
    from pipeline import grove

    written = grove.create(grove_folder, name or grove_folder.absolute().name, timezone)
    click.echo(f"Made the grove in {grove_folder.absolute()}: {len(written)} files.")
    click.echo(f"Next: fill in {grove_folder / 'register'}, then: woundwood check {grove_folder}")
