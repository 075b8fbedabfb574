"""Arguments and options that several commands share; each is declared here once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from pipeline.grove import Grove

    Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

grove_argument: Decorator = click.argument(
    "grove_folder", metavar="GROVE", type=click.Path(file_okay=False, path_type=Path)
)
config_option: Decorator = click.option(
    "-c",
    "--config",
    "configs",
    multiple=True,
    metavar="NAME",
    help="A named difference from the default settings (see configs/), or the path of a YAML file.",
)
set_option: Decorator = click.option(
    "-s",
    "--set",
    "assignments",
    multiple=True,
    metavar="SECTION.NAME=VALUE",
    help="One setting for this call, e.g. alerts.sign_p=0.6.",
)
json_option: Decorator = click.option("--json", "as_json", is_flag=True, help="Print JSON for a script.")

on_option: Decorator = click.option(
    "--on",
    type=click.DateTime(formats=["%Y-%m-%d"]),
    default=None,
    metavar="DAY",
    help="Take this day for today, e.g. 2026-10-05; for old photos and for trying things out.",
)


def present(grove: Grove, on: datetime | None) -> datetime:
    """The present time in the grove's zone, or noon of the day that stands for today."""
    from datetime import datetime

    zone = grove.settings.grove.zone
    return datetime.now(zone) if on is None else on.replace(hour=12, tzinfo=zone)


def parse_assignments(assignments: tuple[str, ...]) -> dict[str, Any]:
    """``("a.b=1",)`` as ``{"a.b": 1}``; values are read as YAML.

    Raises
    ------
    click.BadParameter
        If one is not of the form SECTION.NAME=VALUE.
    """
    import yaml

    options: dict[str, Any] = {}
    for text in assignments:
        name, equals, value = text.partition("=")
        if not equals or name.count(".") != 1:
            raise click.BadParameter(f"'{text}' is not of the form SECTION.NAME=VALUE", param_hint="--set")
        options[name.strip()] = yaml.safe_load(value)
    return options


def open_grove(folder: Path, configs: tuple[str, ...], assignments: tuple[str, ...]) -> Grove:
    """The grove of a call, with its named configs and its one-off settings."""
    from pipeline import grove

    return grove.open_grove(folder, configs, parse_assignments(assignments))
