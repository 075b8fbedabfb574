"""``woundwood round``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from datetime import datetime


@click.command("round")
@options.grove_argument
@click.option("--ahead", "ahead_days", type=click.IntRange(0), default=0, help="Also sites due within this many days.")
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for round.html and round.csv; default GROVE/reports.",
)
@options.on_option
@options.config_option
@options.set_option
@options.json_option
def command(
    grove_folder: Path, ahead_days: int, folder: Path | None, on: datetime | None, configs: tuple[str, ...],
    assignments: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Make today's walk: what to photograph, in walking order, retakes first.

    Writes round.html, one page for paper and for a phone without signal, and round.csv. Trees with a photo to take
    again come first; then those with sites that are due or overdue, by block, row and position, or to the nearest
    next one. How often a site is due is set in time.visit_interval_days.
    """
    from datetime import timedelta

    from pipeline import assess, rounds, store
    from pipeline.answers import thumbs

    grove = options.open_grove(grove_folder, configs, assignments)
    now = options.present(grove, on)
    today = now.date()
    with store.open_store(grove.database) as memory:
        healths = assess.assess_trees(grove, memory, grove.register.trees, today)
        walk = rounds.plan_round(
            healths, memory.refusals(), grove.register, grove.settings, today, ahead_days=ahead_days,
            settled=memory.settled(), photos=memory.recent_facts(now - timedelta(days=grove.settings.watch.days_kept)),
        )  # fmt: skip
        pictures = {
            lost.refusal.sha256: thumbs.data_address(grove, photo.sha256, grove.photos / photo.stored, now)
            for lost in walk.unplaced
            if (photo := memory.stored_photo(lost.refusal.sha256)) is not None
        }
    place = folder or grove.reports
    place.mkdir(parents=True, exist_ok=True)
    page = rounds.write_page(
        walk, place / "round.html", grove_name=grove.settings.grove.name, language=grove.settings.grove.language,
        thumbnail=lambda sha256: pictures.get(sha256, ""),
    )  # fmt: skip
    rounds.write_csv(walk, place / "round.csv")
    if as_json:
        output.emit_json({"today": today, "stops": walk.stops, "unplaced": walk.unplaced, "page": page})
        return
    counts = ", ".join(f"{walk.count(kind)} {kind.value}" for kind in rounds.Kind if walk.count(kind))
    click.echo(f"{len(walk.stops)} sites on {walk.trees} trees: {counts or 'nothing is due'}.")
    if walk.unplaced:
        click.echo(f"{len(walk.unplaced)} photos of the last days show no card that can be read; see the page's end.")
    click.echo(f"Print or send to the phone: {page}")
