"""``woundwood init``."""

from __future__ import annotations

import sys
from pathlib import Path

import click


def _zone(value: str) -> str:
    """A time zone's name, or a usage error that says what may have been meant."""
    from pipeline import zones

    name = value.strip()
    if not zones.is_known(name):
        raise click.BadParameter(zones.meant(name))
    return name


@click.command("init")
@click.argument("grove_folder", metavar="GROVE", type=click.Path(file_okay=False, path_type=Path))
@click.option("--name", default=None, help="Name of the grove, printed on cards and reports.")
@click.option(
    "--timezone", default=None, metavar="ZONE",
    callback=lambda _, __, value: None if value is None else _zone(value),
    help="Time zone of the grove, e.g. Asia/Jakarta; without it you are asked, or this computer's is taken.",
)  # fmt: skip
def command(grove_folder: Path, name: str | None, timezone: str | None) -> None:
    """Make an empty grove: settings, register templates, inbox.

    Nothing that exists is overwritten. Afterwards fill in register/trees.csv and
    register/sites.csv (a spreadsheet will do), then run 'woundwood check GROVE'.
    """
    from pipeline import grove

    zone, why = (timezone, "") if timezone is not None else _ask_or_take(grove_folder)
    written = grove.create(grove_folder, name or grove_folder.absolute().name, zone)
    click.echo(f"Made the grove in {grove_folder.absolute()}: {len(written)} files.")
    click.echo(f"Time zone: {zone}.{why}")
    click.echo(f"Next: fill in {grove_folder / 'register'}, then: woundwood check {grove_folder}")


def _ask_or_take(grove_folder: Path) -> tuple[str, str]:
    """The grove's time zone from the person at the terminal, else from this computer; and where it is from."""
    from pipeline import grove, zones

    here = zones.of_this_computer()
    if sys.stdin.isatty() and not (grove_folder / grove.SETTINGS_FILE).exists():
        click.echo("In which time zone does the grove lie? It tells which day a photo belongs to.")
        return click.prompt("Time zone", default=here, value_proc=_zone), ""
    change = f"If the grove lies elsewhere, change grove.timezone in {grove_folder / grove.SETTINGS_FILE}."
    if here is not None:
        return here, f" This computer is set to it. {change}"
    return "UTC", f" This computer does not say where it is. {change}"
