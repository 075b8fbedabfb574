"""``woundwood outbox``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.grove import Grove
    from pipeline.outbox import Delivery
    from pipeline.records import Digest


@click.command("outbox")
@options.grove_argument
@click.option("--show", is_flag=True, help="Print the new digest too.")
@click.option("--retry", is_flag=True, help="Send what failed now, without waiting for outbox.retry_minutes.")
@options.on_option
@options.config_option
@options.set_option
@options.json_option
def command(
    grove_folder: Path, show: bool, retry: bool, on: datetime | None, configs: tuple[str, ...],
    assignments: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Write what is new among the alerts as a text; send it by e-mail where that is set.

    The text goes to GROVE/outbox. Only what was not told before is told, and nothing is sent twice. A run does the same
    by itself where e-mail is enabled; it is off until grove.yaml says so:

    \b
    outbox:
      enabled: true
      host: mail.example.org
      port: 587
      security: starttls          (or tls, port 465)
      user: grove
      password_env: GROVE_MAIL    (the name of an environment variable, never the password)
      sender: grove@example.org
      recipients: [grower@example.org]

    What could not be sent waits and is tried again by the next call.
    """  # noqa: D301 - click wants the character itself
    grove = options.open_grove(grove_folder, configs, assignments)
    written, delivery = tell(grove, options.present(grove, on), at_once=retry)
    if as_json:
        output.emit_json(as_record(written, delivery))
        return
    if written is None:
        click.echo("Nothing new to tell. That says only what the photos show.")
    print_delivery(written, delivery, show=show)
    if not grove.settings.outbox.enabled and written is not None:
        click.echo("E-mail is off (outbox.enabled); the text stays on this machine.")


def tell(grove: Grove, now: datetime, *, at_once: bool = False) -> tuple[tuple[Digest, Path] | None, Delivery]:
    """Write what is new as a text, and send what waits where e-mail is enabled."""
    import os

    from pipeline import outbox, store

    with store.open_store(grove.database) as memory:
        written = outbox.write_news(grove, memory, now)
        return written, outbox.deliver(grove, memory, now, os.environ, at_once=at_once)


def as_record(written: tuple[Digest, Path] | None, delivery: Delivery) -> dict[str, object]:
    """The same for scripts."""
    return {"file": written[1] if written else None, "delivery": delivery}


def print_delivery(written: tuple[Digest, Path] | None, delivery: Delivery, *, show: bool = False) -> None:
    """What was written, sent, left waiting and refused."""
    if written is not None:
        digest, path = written
        click.echo(f"{digest.subject}\nWritten to {path}")
        if show:
            click.echo(f"\n{digest.body}")
    for file in delivery.sent:
        click.echo(f"Sent: {file}")
    for file, why in (delivery.waiting or {}).items():
        click.echo(f"Waits: {file}: {why}")
    for who, said in (delivery.refused or {}).items():
        click.echo(f"Refused by the server: {who} ({said})", err=True)
