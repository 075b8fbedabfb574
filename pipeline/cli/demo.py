"""``woundwood demo``."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import click

from pipeline.errors import UsageError, WoundwoodError

DEMO_DAY = datetime(2026, 10, 13)  # noqa: DTZ001 - a day in the grove's own zone
"""Two days after the demo's last round; on another day every site would be overdue."""


@click.command("demo")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path), default=Path("demo-grove"))
@click.option(
    "--workers", type=click.IntRange(0), default=0, show_default=True, help="Worker processes; 0: one a core."
)
def command(folder: Path, workers: int) -> None:
    """Make the demo grove, run it, and say which file to open.

    The demo grove is invented: a smallholding with its register and a year of drawn photos, some of which
    cannot be read. It is copied to FOLDER (default: demo-grove), which then is a grove like any other.
    """
    from pipeline import places
    from pipeline.cli import making, options
    from pipeline.cli.run import print_summary, run_grove

    source = places.demo_folder()
    if not (source / "grove.yaml").is_file():
        raise WoundwoodError(f"The demo grove is missing from {source}.", "Install Woundwood again.")
    if folder.exists() and any(folder.iterdir()):
        raise UsageError(f"The folder {folder} is not empty.", "Name another: woundwood demo OTHER-FOLDER")
    for part in ("grove.yaml", "register", "inbox"):
        copy = shutil.copytree if (source / part).is_dir() else shutil.copyfile
        folder.mkdir(parents=True, exist_ok=True)
        copy(source / part, folder / part)
    grove = options.open_grove(folder, (), ())
    click.echo(f"Reading the demo grove in {folder.absolute()}")
    now = options.present(grove, DEMO_DAY)
    print_summary(run_grove(grove, None, workers, now, quiet=False))
    first_page = making.write_report(grove, grove.reports / "latest", now.date(), quiet=False)
    click.echo(f"Some photos are refused on purpose, and today is taken to be {now.date()}.")
    click.echo(f"Now open {first_page}")
