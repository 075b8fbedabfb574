"""``woundwood verify``."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli import options, output
from pipeline.errors import EXIT_FAILED


@click.command("verify")
@options.grove_argument
@click.option("--repair", is_flag=True, help="Record unknown originals and put lost ones back; deletes nothing.")
@options.json_option
def command(grove_folder: Path, repair: bool, as_json: bool) -> None:
    """Check that every original is whole and known; link again what has come apart.

    Every original is hashed again and compared with the database, which takes as long as reading all of them from
    the disk. A repair records originals that the database does not know, and puts a missing or damaged original back
    if the same bytes still lie in the inbox or elsewhere in photos/. It never deletes; a damaged file is set aside in
    photos/damaged. Exit code 1 if anything is wrong, or still wrong after the repair.
    """
    from datetime import datetime

    from pipeline import store, upkeep

    grove = options.open_grove(grove_folder, (), ())
    mended = upkeep.Repair()
    with store.open_store(grove.database) as memory:
        found = upkeep.examine(grove, memory)
        if repair and (found.lost or found.unknown):
            mended = upkeep.repair(grove, memory, found, datetime.now(grove.settings.grove.zone))
            found = upkeep.examine(grove, memory)
    wrong = [*found.sentences(), *mended.problems]
    if as_json:
        output.emit_json({"whole": found.whole, "wrong": wrong, "repaired": mended.done})
    else:
        for sentence in (*mended.done, *wrong):
            click.echo(output.printable(sentence))
        click.echo(f"{found.whole} originals are whole and known; {len(wrong) or 'nothing'} wrong.")
        if found.lost and not repair:
            click.echo(
                f"Put copies of them into the inbox if you have any, then: woundwood verify {grove_folder} --repair"
            )
    if wrong:
        click.get_current_context().exit(EXIT_FAILED)
