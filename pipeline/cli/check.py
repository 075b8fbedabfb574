"""``woundwood check``."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from pipeline.grove import Grove

LEAST_FREE_GB = 2.0


@click.command("check")
@options.grove_argument
@options.config_option
@options.set_option
@options.json_option
def command(grove_folder: Path, configs: tuple[str, ...], assignments: tuple[str, ...], as_json: bool) -> None:
    """Check a grove's register, settings, disk and network model.

    Exit code 1 if something must be put right before a run.
    """
    grove = options.open_grove(grove_folder, configs, assignments)
    rows = [*_register(grove), *_disk(grove), *_model(grove), *_lenses(grove), *_settings(grove)]
    if as_json:
        output.emit_json(rows)
    else:
        output.emit_table(f"Grove '{grove.settings.grove.name}'", ("", "what", "what to do"),
                          ((row["state"], row["what"], row["remedy"]) for row in rows))  # fmt: skip
    if any(row["state"] == "WRONG" for row in rows):
        click.get_current_context().exit(1)


def _row(state: str, what: str, remedy: str = "") -> dict[str, Any]:
    return {"state": state, "what": what, "remedy": remedy}


def _register(grove: Grove) -> list[dict[str, Any]]:
    register = grove.register
    counts = (
        f"register: {len(register.trees)} trees, {len(register.stems)} stems, {len(register.sites)} sites, "
        f"{len(register.events)} events"
    )
    rows = [_row("ok" if register.sites else "note", counts, "" if register.sites else "Fill in register/sites.csv.")]
    rows += [
        _row("WRONG", str(problem), "Correct the row; the other rows are in use.") for problem in register.problems
    ]
    no_girth = [site.site for site in register.sites.values() if _girthless(grove, site.site)]
    if no_girth:
        shown = ", ".join(str(number) for number in no_girth[:8]) + (" ..." if len(no_girth) > 8 else "")
        rows.append(_row("note", f"{len(no_girth)} sites have no girth ({shown})",
                         "Measure round the stem and write girth_cm into stems.csv."))  # fmt: skip
    return rows


def _girthless(grove: Grove, site: int) -> bool:
    from datetime import datetime

    return grove.register.girth_mm(site, datetime.now(grove.settings.grove.zone).date()) is None


def _disk(grove: Grove) -> list[dict[str, Any]]:
    free_gb = shutil.disk_usage(grove.root).free / 1e9
    remedy = "" if free_gb >= LEAST_FREE_GB else "Free some space before the next run."
    return [_row("ok" if not remedy else "WRONG", f"disk: {free_gb:.1f} GB free", remedy)]


def _model(grove: Grove) -> list[dict[str, Any]]:
    from pipeline import readers
    from pipeline.errors import ModelError

    try:
        _, name = readers.open_reader(grove.reader)
    except ModelError as error:
        return [_row("WRONG", f"reader: {error.what}", error.remedy)]
    return [_row("ok", f"reader: {name}")]


def _lenses(grove: Grove) -> list[dict[str, Any]]:
    """What the cards told of each phone's lenses, once there was a run."""
    from pipeline import store

    if not grove.database.exists():
        return []
    with store.open_store(grove.database) as memory:
        return [
            _row(
                "ok",
                f"lens {lens.lens}: focal length {100 * (lens.focal_factor - 1):+.1f} % "
                f"± {196 * lens.focal_factor_sd:.1f} % against its tags, "
                f"k1 {lens.k1:+.3f} ± {1.96 * lens.k1_sd:.3f}, from {lens.photos} photos",
            )
            for lens in memory.lenses().values()
        ]


def _settings(grove: Grove) -> list[dict[str, Any]]:
    changed = [f"{name} = {_value(grove, name)} (from {origin})" for name, origin in sorted(grove.origins.items())]
    return [_row("ok", f"setting {line}") for line in changed] or [_row("ok", "settings: all as by default")]


def _value(grove: Grove, dotted: str) -> Any:
    section, _, key = dotted.partition(".")
    return getattr(getattr(grove.settings, section), key, "?")
