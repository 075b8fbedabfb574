"""``woundwood space``."""

from __future__ import annotations

from pathlib import Path

import click

from pipeline.cli import options, output


@click.command("space")
@options.grove_argument
@options.json_option
def command(grove_folder: Path, as_json: bool) -> None:
    """Say what uses how much room, and what may be deleted.

    Originals stay as they came, for ever. What is in cache/ can be made again; deleting it loses nothing but time.
    """
    import shutil

    from pipeline import upkeep

    grove = options.open_grove(grove_folder, (), ())
    parts = upkeep.room(grove)
    free_bytes = shutil.disk_usage(grove.root).free
    if as_json:
        output.emit_json({"parts": parts, "free_bytes": free_bytes})
        return
    output.emit_table("", ("what", "where", "files", "MB", "may it be deleted?"), (
        (part.what, part.place, part.files, f"{part.size_bytes / 1e6:.1f}", part.may_go) for part in parts
    ))  # fmt: skip
    total = sum(part.size_bytes for part in parts)
    click.echo(f"{total / 1e6:.1f} MB in all; {free_bytes / 1e9:.1f} GB are free on the disk.")
