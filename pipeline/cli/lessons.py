"""``woundwood lessons``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.lessons import Group, Lessons
    from pipeline.records import Interval


@click.command("lessons")
@options.grove_argument
@click.option("-o", "--out", type=click.Path(dir_okay=False, path_type=Path), default=None,
              help="Where the picture goes (.png and .svg). Default: GROVE/reports/lessons.png")  # fmt: skip
@click.option("--no-picture", is_flag=True, help="Only the tables.")
@options.on_option
@options.config_option
@options.set_option
@options.json_option
def command(
    grove_folder: Path, out: Path | None, no_picture: bool, on: datetime | None, configs: tuple[str, ...],
    assignments: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Say what the grove teaches: which wounds close how fast, and how trees answer to cuts.

    Compares closing rates by kind, first width, height and side of the trunk, induction, age of the stem, wood taken
    and season, with pooled estimates and intervals, or says what is missing. A difference is what was seen here; other
    things may differ along with it.
    """
    from pipeline import assess, lessons, report, store

    grove = options.open_grove(grove_folder, configs, assignments)
    today = options.present(grove, on).date()
    with store.open_store(grove.database) as memory:
        register = assess.full_register(grove, memory)
        healths = assess.assess_trees(grove, memory, grove.register.trees, today)
    found = lessons.learn([history for health in healths for history in health.sites], register, grove.settings)
    picture = None
    if not no_picture:
        picture, _ = report.lessons_picture(found, grove.settings.grove.name, out or grove.reports / "lessons.png")
    if as_json:
        output.emit_json({"lessons": found, "picture": picture})
        return
    _print(found)
    if picture is not None:
        click.echo(f"Picture: {picture}")


def _print(found: Lessons) -> None:
    click.echo(f"{found.words}\n")
    rows = [_row("", found, found.overall)]
    for comparison in found.comparisons:
        rows += [_row(comparison.name if not i else "", found, group) for i, group in enumerate(comparison.groups)]
        if comparison.unknown:
            rows.append(("", "not known", comparison.unknown, "", "", ""))
    output.emit_table(
        "Width that closes in one growing season, mm (both sides together)",
        ("by", "group", "sites", "trees", "mean (95 %)", "a new site (80 %)"), rows,
    )  # fmt: skip
    if found.tree_years:
        output.emit_table(
            "Wood taken, and how the tree answered (mm closed in the growing season, 95 %)",
            ("tree", "year", "cuts", "wood g", "sites", "that year", "the year after"),
            (
                (r.tree, r.year, r.cuts, "" if r.wood_g is None else f"{r.wood_g:.0f}", r.sites,
                 _span(found, r.rate), _span(found, r.rate_next_year))
                for r in found.tree_years
            ),
        )  # fmt: skip


def _row(name: str, found: Lessons, group: Group) -> tuple[object, ...]:
    last = (group.why_not, "") if group.mean is None else (_span(found, group.mean), _span(found, group.new_site))
    return (name, group.label, group.sites, group.trees, *last)


def _span(found: Lessons, rate: Interval | None) -> str:
    if rate is None:
        return ""
    value, lo, hi = (found.season_mm(v) for v in (rate.value, rate.lo, rate.hi))
    return f"{value:.1f} ({lo:.1f} to {hi:.1f})"
