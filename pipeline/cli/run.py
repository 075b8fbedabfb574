"""``woundwood run``."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, outbox, output
from pipeline.errors import EXIT_SOME_REFUSED, WoundwoodError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime

    from pipeline.batch import Progress, RunSummary
    from pipeline.grove import Grove
    from pipeline.outbox import Delivery
    from pipeline.records import Digest


@click.command("run")
@options.grove_argument
@click.option("--model", default=None, help="'classical', 'released', or the path of a model folder.")
@click.option("--workers", type=click.IntRange(0), default=None, help="Worker processes; 0 means one a core.")
@click.option("--again", is_flag=True, help="Read photos again that another network has read.")
@options.on_option
@options.config_option
@options.set_option
@options.json_option
def command(
    grove_folder: Path, model: str | None, workers: int | None, again: bool, on: datetime | None,
    configs: tuple[str, ...], assignments: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Read the photos in the inbox; update alerts.

    Every file that arrives is copied into photos/, recorded, and only then taken out of the inbox. A run that was
    cut off goes on where it stopped; running twice changes nothing. After a change of settings the photos are read
    again; what another network has read stays as it is, unless you say --again. Where outbox.enabled is set, new
    alerts are then sent by e-mail, each once (see woundwood outbox).
    """
    grove = options.open_grove(grove_folder, configs, assignments)
    now = options.present(grove, on)
    summary = run_grove(grove, model, workers, now, quiet=as_json, again=again)
    told = tell_news(grove, now)
    if as_json:
        output.emit_json(output.plain(summary) | ({"outbox": outbox.as_record(*told)} if told else {}))
    else:
        print_summary(summary)
        if told:
            outbox.print_delivery(*told)
        click.echo(f"Next: woundwood alerts {grove_folder}    woundwood report {grove_folder}")
    if summary.refused or summary.left:
        click.get_current_context().exit(EXIT_SOME_REFUSED)


def tell_news(grove: Grove, now: datetime) -> tuple[tuple[Digest, Path] | None, Delivery] | None:
    """Call the outbox after a run where e-mail is enabled; a post that does not work is said and undoes nothing."""
    if not grove.settings.outbox.enabled:
        return None
    try:
        return outbox.tell(grove, now)
    except WoundwoodError as error:
        click.echo(f"The photos were read, but the outbox could not be used. {error}", err=True)
        return None


def run_grove(
    grove: Grove, model: str | None, workers: int | None, now: datetime, *, quiet: bool, again: bool = False
) -> RunSummary:
    """Run a grove with a progress bar on a terminal."""
    from pipeline import batch, store

    with store.open_store(grove.database) as memory, _bar(quiet) as progress:
        return batch.run(
            grove,
            memory,
            model=model,
            workers=grove.settings.run.workers if workers is None else workers,
            progress=progress,
            now=now,
            read_again=again,
        )


@contextmanager
def _bar(quiet: bool) -> Iterator[Callable[[Progress], None]]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Bars(*columns, console=console, disable=quiet or not console.is_terminal) as bars:
        tasks: dict[str, object] = {}

        def show(progress: Progress) -> None:
            name = str(progress.stage)
            if name not in tasks:
                tasks[name] = bars.add_task(name, total=progress.total)
            bars.update(tasks[name], completed=progress.done, total=progress.total)  # type: ignore[arg-type]

        yield show


def print_summary(summary: RunSummary) -> None:
    """What came in, what was read, refused, already known, and which alerts opened."""
    output.emit_table("This run", ("what", "photos"), (
        ("came in", summary.arrived), ("read", summary.read), ("refused", len(summary.refused)),
        ("the same photo under another name", summary.duplicates), ("already known", summary.known),
    ))  # fmt: skip
    if summary.refused:
        output.emit_table(
            "Take these again", ("photo", "why", "what to do"),
            ((refusal.file, refusal.reason, refusal.remedy) for refusal in summary.refused),
        )  # fmt: skip
    for sentence in summary.left:
        click.echo(sentence)
    if summary.alerts.opened or summary.alerts.reopened:
        output.emit_table(
            "Alerts opened", ("how soon", "tree", "site", "why"),
            (
                (alert.finding.severity.value, alert.finding.tree, alert.finding.site, alert.finding.why)
                for alert in (*summary.alerts.opened, *summary.alerts.reopened)
            ),
        )  # fmt: skip
    click.echo(
        f"{len(summary.alerts.opened)} alerts opened, {len(summary.alerts.reopened)} came back, "
        f"{len(summary.alerts.updated)} went on, {len(summary.alerts.closed)} closed. "
        f"{summary.seconds:.1f} s, {summary.photos_per_s:.1f} photos a second."
    )
