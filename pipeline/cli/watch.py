"""``woundwood watch``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options
from pipeline.errors import EXIT_SOME_REFUSED

if TYPE_CHECKING:
    from threading import Event

    from pipeline.watch import Told


@click.command("watch")
@options.grove_argument
@click.option("--once", is_flag=True, help="Look once, answer, and end; for a scheduler.")
@options.config_option
@options.set_option
def command(grove_folder: Path, once: bool, configs: tuple[str, ...], assignments: tuple[str, ...]) -> None:
    """Watch the inbox: read photos as they finish arriving, and answer.

    Beside the photos of each folder lie ANSWER.html and ANSWER.txt: what was accepted, what to take again and how,
    what is still missing from today's round; ROUND.html in the inbox is the round itself. Several people and several
    watchers do each other no harm. Ctrl-C or SIGTERM end it; nothing is lost at any moment. Where outbox.enabled is
    set, new alerts are told by e-mail (see woundwood outbox).
    """
    from pipeline import watch

    overrides = options.parse_assignments(assignments)
    if once:
        summary = watch.watch_once(grove_folder, configs, overrides)
        _say(watch.Told.of(summary))
        for sentence in summary.left:
            click.echo(sentence)
        if summary.refused or summary.left:
            click.get_current_context().exit(EXIT_SOME_REFUSED)
        return
    keeper = watch.Keeper(grove_folder, configs, overrides, tell=_say)
    click.echo(f"Watching {grove_folder / 'inbox'}; Ctrl-C ends it.")
    keeper.run(_until_signalled())
    click.echo("Ended; what is in the inbox stays there until the next start.")


def _say(told: Told) -> None:
    from datetime import datetime

    at = datetime.now().astimezone().strftime("%H:%M:%S")
    if told.problem:
        click.echo(f"{at}  {told.problem}", err=True)
        return
    if told.arrived + told.read + told.refused or not told.digests:
        click.echo(f"{at}  {told.arrived} came in, {told.read} read, {told.refused} refused, in {told.seconds:.1f} s.")
    if told.digests:
        click.echo(f"{at}  New alerts were told by e-mail.")


def _until_signalled() -> Event:
    """An event that Ctrl-C, SIGTERM or the end of a console sets."""
    import signal
    import threading

    stop = threading.Event()
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda *_: stop.set())
    return stop
