"""``woundwood alerts``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from pipeline.records import Alert


@click.command("alerts")
@options.grove_argument
@click.option("--why", "number", type=int, default=None, metavar="ALERT", help="Explain one alert in full.")
@click.option("--acknowledge", type=int, default=None, metavar="ALERT", help="Mark an alert as seen.")
@click.option(
    "--close", "close_number", type=int, default=None, metavar="ALERT", help="Close an alert by a person's word."
)
@click.option("--by", default=None, metavar="NAME", help="Who acknowledges or closes.")
@click.option("--note", default="", help="What to remember about it.")
@click.option("--all", "everything", is_flag=True, help="Closed alerts too.")
@options.json_option
def command(
    grove_folder: Path, number: int | None, acknowledge: int | None, close_number: int | None, by: str | None,
    note: str, everything: bool, as_json: bool,
) -> None:  # fmt: skip
    """List open alerts, the most urgent first.

    \b
    act    a person must decide
    look   a person should go and look this week
    note   worth knowing

    An alert closes when the data no longer show its cause, or by a person's word; it can come back.
    """  # noqa: D301 - click reads the escape
    from datetime import UTC, datetime

    from pipeline import store
    from pipeline.records import AlertState

    grove = options.open_grove(grove_folder, (), ())
    if (acknowledge is not None or close_number is not None) and not by:
        raise click.UsageError("Say who with --by NAME.")
    with store.open_store(grove.database) as memory:
        if acknowledge is not None:
            memory.acknowledge(acknowledge, by or "", datetime.now(UTC), note)
        if close_number is not None:
            memory.close_alert(close_number, by or "", datetime.now(UTC), note)
        found = memory.alerts(states=None if everything else (AlertState.OPEN, AlertState.ACKNOWLEDGED))
        history = memory.alert_history(number) if number is not None else []
    if number is not None:
        found = [alert for alert in found if alert.id == number]
        if not found:
            raise click.UsageError(f"No {'' if everything else 'open '}alert has the number {number}.")
    if as_json:
        output.emit_json({"alerts": found, "history": history} if number is not None else found)
    elif number is not None:
        _explain(found[0])
        output.emit_table(
            "Its life", ("day", "what", "by", "note"), ((e.on, e.step.value, e.by, e.note) for e in history)
        )
    else:
        _list(found)


def _list(found: list[Alert]) -> None:
    if not found:
        click.echo("No open alerts. That says only what the photos show.")
        return
    output.emit_table(
        f"{len(found)} alerts", ("no.", "how soon", "state", "tree", "site", "since", "why", "next step"),
        (
            (a.id, a.finding.severity.value, a.state.value, a.finding.tree, a.finding.site, a.opened_on, a.finding.why,
             a.finding.next_step)
            for a in found
        ),
    )  # fmt: skip
    click.echo("More about one: woundwood alerts GROVE --why NUMBER")


def _explain(alert: Alert) -> None:
    finding = alert.finding
    lines = {
        "alert": f"{alert.id} ({finding.severity.value}, {alert.state.value})",
        "rule": finding.rule,
        "where": f"tree {finding.tree}, stem {finding.stem}"
        + ("" if finding.site is None else f", site {finding.site}"),
        "why": finding.why,
        "figures": ", ".join(f"{name} {value:g}" for name, value in finding.figures.items()) or "none",
        "threshold": finding.threshold,
        "source of the threshold": finding.source,
        "photos": ", ".join(sha[:12] for sha in finding.photos) or "none",
        "next step": finding.next_step,
        "caution": finding.caution,
    }
    output.emit_table("", ("", ""), lines.items())
