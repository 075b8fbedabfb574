"""``woundwood model``."""

from __future__ import annotations

import getpass
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import making_releases, options, output
from pipeline.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from pipeline.grove import Grove
    from pipeline.store import Store

as_option = click.option("--as", "who", default=None, metavar="NAME", help="Who decides it; asked for if left out.")


@click.group("model")
def command() -> None:
    """Say which networks read a grove, take one into use, go back, watch for drift.

    A network is taken into use by a person who has seen how it compares with the one in use. What another network has
    read keeps its readings; 'woundwood run GROVE --again' reads those photos again.

    \b
    woundwood train runs/ours --from my-grove --name ours-1
    woundwood model use my-grove ours-1
    woundwood model back my-grove
    """  # noqa: D301 - click reads the escape


command.add_command(making_releases.make)
command.add_command(making_releases.card)


@command.command("list")
@options.grove_argument
@options.config_option
@options.set_option
@options.json_option
def list_networks(grove_folder: Path, configs: tuple[str, ...], assignments: tuple[str, ...], as_json: bool) -> None:
    """List the networks that could read GROVE, and which one does."""
    from pipeline import adoption, store

    grove = options.open_grove(grove_folder, configs, assignments)
    with store.open_store(grove.database) as memory:
        found = adoption.networks(grove, memory)
        others = {m: n for m, n in memory.readings_by_reader().items() if m not in {x.model for x in found}}
    if as_json:
        output.emit_json([{"choice": n.choice, "model": n.model, "in_use": n.in_use, "readings": n.readings,
                           "compared": n.comparison is not None, "problem": n.problem} for n in found])  # fmt: skip
        return
    output.emit_table("Networks", ("", "say", "name in readings", "readings", "compared with"), (
        ("in use" if n.in_use else "", n.choice.removeprefix("models/"), n.model or n.problem, n.readings,
         n.comparison["old"] if n.comparison else "") for n in found
    ))  # fmt: skip
    if others:
        click.echo(f"Other readers that made readings: {', '.join(f'{m} ({n})' for m, n in others.items())}.")


@command.command("use")
@options.grove_argument
@click.argument("name", metavar="NETWORK")
@as_option
@options.config_option
@options.set_option
def use(grove_folder: Path, name: str, who: str | None, configs: tuple[str, ...], assignments: tuple[str, ...]) -> None:
    """Take NETWORK into use in GROVE, after showing how it compares with the one in use.

    NETWORK is a name from 'woundwood model list'. Asks for your name and to type the network's name; both, and the
    figures shown, go into the log.
    """
    from pipeline import adoption, readers

    with _opened(grove_folder, configs, assignments) as (grove, memory):
        choice = adoption.choice_of(grove, name)
        content = adoption.comparison_of(grove, choice)
        if content is not None:
            show_comparison(content)
        elif choice in (readers.CLASSICAL, readers.RELEASED):
            click.echo(f"'{choice}' travels with the program; its figures are in its card, not in a comparison here.")
        who = _person(who)
        typed = click.prompt(f"Type the network's name to let it read '{grove.settings.grove.name}' from now on")
        if str(typed).strip() != choice.removeprefix("models/"):
            raise UsageError("That was not the network's name.", "Nothing was changed.")
        model = adoption.adopt(grove, memory, choice, who, _now(grove))
        _told(memory, model, grove_folder)


@command.command("back")
@options.grove_argument
@as_option
@options.config_option
@options.set_option
def back(grove_folder: Path, who: str | None, configs: tuple[str, ...], assignments: tuple[str, ...]) -> None:
    """Go back to the network that read GROVE before; its readings count again with the next run."""
    from pipeline import adoption

    with _opened(grove_folder, configs, assignments) as (grove, memory):
        model = adoption.go_back(grove, memory, who or getpass.getuser(), _now(grove))
        _told(memory, model, grove_folder)


@command.command("compare")
@options.grove_argument
@click.argument("name", metavar="NETWORK")
@click.option("--photos", type=click.Path(exists=True, path_type=Path), default=None,
              help="Photo collection for the release benchmark; without it scenes have drawn bark only.")  # fmt: skip
@click.option("--scenes", default=400, show_default=True, help="Scenes of the release benchmark.")
@options.config_option
@options.set_option
def compare(
    grove_folder: Path, name: str, photos: Path | None, scenes: int, configs: tuple[str, ...],
    assignments: tuple[str, ...],
) -> None:  # fmt: skip
    """Compare NETWORK with the one in use, on cases held back and on the release benchmark. Needs the extra 'train'."""
    from pipeline import adoption
    from pipeline.cli import making_networks

    with _opened(grove_folder, configs, assignments) as (grove, memory):
        choice = adoption.choice_of(grove, name)
        show_comparison(making_networks.compare(grove, memory, choice, photos, scenes, _now(grove)))


@command.command("drift")
@options.grove_argument
@options.config_option
@options.set_option
@options.json_option
def drift(grove_folder: Path, configs: tuple[str, ...], assignments: tuple[str, ...], as_json: bool) -> None:
    """Say month by month whether the network in use sees what it saw at first, and how often people correct it.

    Exit code 1 if it should be trained anew.
    """
    from dataclasses import asdict

    from pipeline import adoption, readers

    with _opened(grove_folder, configs, assignments) as (grove, memory):
        model = readers.model_of(grove.reader)
        found = adoption.drift_of(grove, memory, model)
    if as_json:
        output.emit_json({"model": model, **asdict(found)})
    else:
        output.emit_table(f"Network '{model}'", ("month", "photos", "score that moved most", "stability", "limit", "KS",
                                                 "p", "answers", "corrected"), (
            (m.month, m.photos, "first months" if m.is_reference else m.moved,
             *((f"{m.stability:.2f}", f"{m.limit:.2f}", f"{m.distance:.2f}", f"{m.p:.4f}") if m.moved else [""] * 4),
             m.answers, m.corrected) for m in found.months
        ))  # fmt: skip
        for reason in found.reasons:
            click.echo(reason)
        click.echo("Scores move with the seasons too: films are more frequent in wet months.")
    if found.retrain:
        click.get_current_context().exit(1)


# ---------------------------------------------------------------- small things


@contextmanager
def _opened(folder: Path, configs: tuple[str, ...], assignments: tuple[str, ...]) -> Iterator[tuple[Grove, Store]]:
    from pipeline import store

    grove = options.open_grove(folder, configs, assignments)
    with store.open_store(grove.database) as memory:
        yield grove, memory


def _now(grove: Grove) -> datetime:
    from datetime import datetime

    return datetime.now(grove.settings.grove.zone)


def _person(who: str | None) -> str:
    return who or str(click.prompt("Your name", default=getpass.getuser()))


def _told(memory: Store, model: str, grove_folder: Path) -> None:
    others = sum(n for m, n in memory.readings_by_reader().items() if m != model)
    click.echo(f"'{model}' reads this grove from the next run on.")
    if others:
        click.echo(f"{others} photos keep what another network has read in them; to have them read again: "
                   f"woundwood run {grove_folder} --again")  # fmt: skip
    click.echo(f"To undo this: woundwood model back {grove_folder}")


def show_comparison(content: dict[str, Any]) -> None:
    """Print a comparison's figures and how many cases changed."""
    rows: Sequence[dict[str, Any]] = content["figures"]
    where = {"held": "cases held back", "release": "release benchmark"}
    output.emit_table(f"'{content['new']}' against '{content['old']}', which is in use",
                      ("on", "figure", "cases", "in use", "new", "change, 95 % interval", ""), (
        (where.get(r["where"], r["where"]), r["words"], r["cases"], _number(r["old"]), _number(r["new"]),
         f"{_number(r['change'], True)} [{_number(r['lo'], True)}, {_number(r['hi'], True)}]", _verdict(r))
        for r in rows
    ))  # fmt: skip
    by_what = {what: sum(c["what"] == what for c in content["cases"])
               for what in ("found", "missed", "needless", "spared")}  # fmt: skip
    click.echo(f"{content['held_cases']} cases of {content['held_trees']} trees were held back. Signs newly found: "
               f"{by_what['found']}, newly missed: {by_what['missed']}; false alarms new: {by_what['needless']}, "
               f"gone: {by_what['spared']}.")  # fmt: skip
    if not content["held_cases"]:
        click.echo("No case was held back: nothing is known of this grove's own bark.")
    if not content["photographs"]:
        click.echo("The release benchmark had no photographs, only drawn bark.")


def _number(value: float | None, signed: bool = False) -> str:
    if value is None:
        return "-"
    return f"{value:+.3f}" if signed else f"{value:.3f}"


def _verdict(row: dict[str, Any]) -> str:
    if row["lo"] is None or row["hi"] is None:
        return "too few trees to say"
    if row["lo"] <= 0 <= row["hi"]:
        return "no clear change"
    return "better" if (row["lo"] > 0) == row["more_is_better"] else "WORSE"
