"""``woundwood timeline``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.records import RimShift, SiteHistory, TreeHealth, Visit


@click.command("timeline")
@options.grove_argument
@click.argument("tree")
@click.option("-o", "--out", type=click.Path(dir_okay=False, path_type=Path), default=None,
              help="Where the picture goes (.png or .svg). Default: GROVE/reports/timeline-TREE.png")  # fmt: skip
@click.option("--no-picture", is_flag=True, help="Only the table.")
@options.on_option
@options.config_option
@options.set_option
@options.json_option
def command(
    grove_folder: Path, tree: str, out: Path | None, no_picture: bool, on: datetime | None, configs: tuple[str, ...],
    assignments: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Show one tree over time, as a table and a picture."""
    from pipeline import assess, report, store, strips
    from pipeline.cli import making

    grove = options.open_grove(grove_folder, configs, assignments)
    if tree not in grove.register.trees:
        known = ", ".join(list(grove.register.trees)[:12])
        raise click.BadParameter(f"The register has no tree '{tree}'. Trees are: {known} ...", param_hint="TREE")
    today = options.present(grove, on).date()
    with store.open_store(grove.database) as memory:
        register = assess.full_register(grove, memory)
        (health,) = assess.assess_trees(grove, memory, (tree,), today, borrow=True)
        pictures = strips.PhotoStrips(grove.cache, memory.readings_of(h.site.site for h in health.sites))
        fields = memory.rim_fields_of(making.latest_photos(health.sites))
    picture, rims = None, []
    if not no_picture:
        path = out or grove.reports / f"timeline-{output.file_part(tree)}.png"
        for history in health.sites:
            moved = report.latest_rim(history, fields)
            if moved is not None:
                number = history.site.site
                rims.append(
                    report.rim_picture(moved[0], number, moved[1], path.with_name(f"{path.stem}-rim-{number}.png"))
                )
        picture, _ = report.timeline_picture(
            health, pictures, path, today=today,
            register=register, growing_months=grove.settings.grove.growing_months, patch_mm=pictures.edge_mm,
        )  # fmt: skip
    if as_json:
        output.emit_json({"tree": health, "picture": picture, "rim_pictures": rims})
        return
    _print(health)
    if picture is not None:
        click.echo(f"Picture: {picture}")
    for path in rims:
        click.echo(f"Picture of a rim: {path}")


def _print(health: TreeHealth) -> None:
    click.echo(f"Tree {health.tree.tree}: {health.status}")
    for reason in health.reasons:
        click.echo(f"  {reason}")
    for history in health.sites:
        _print_site(history)


def _print_site(history: SiteHistory) -> None:
    site = history.site
    output.emit_table(
        f"Site {site.site}, {site.kind.value}, stem {site.stem}",
        (
            "visit", "episode", "stage", "area mm2 ± 95 %", "width mm ± 95 %",
            "rim advance mm", "sides mm", "ends mm", "doubts",
        ),
        (
            (
                visit.visit_on, visit.episode, visit.stage.word if site.is_wound else "",
                output.figure(visit.aperture_area_mm2, visit.aperture_area_mm2_sd, 0),
                output.figure(visit.aperture_width_mm, visit.aperture_width_mm_sd),
                output.figure(visit.rim_advance_mm, visit.rim_advance_mm_sd, 2),
                _shift(visit, "sides"), _shift(visit, "ends"),
                " ".join((*visit.flags.names, *(f"{c.what} put right by {c.who} {c.on}" for c in visit.corrections))),
            )
            for visit in history.visits
        ),
    )  # fmt: skip
    for event in history.events:
        amount = f" {event.amount:g} {event.unit}" if event.amount is not None else ""
        click.echo(f"  {event.on} {event.event.value}{amount} {event.note}".rstrip())
    for trend in history.trends[-1:]:
        advance = trend.rim_advance_rate_mm_per_month
        if advance is not None:
            click.echo(f"  rim advance {advance.value:.2f} mm a month ({advance.lo:.2f} to {advance.hi:.2f}, 95 %)")
        for name, rate in (
            ("sides", trend.side_advance_rate_mm_per_month), ("ends", trend.end_advance_rate_mm_per_month),
        ):  # fmt: skip
            if rate is not None:
                click.echo(f"  {name} close in {rate.value:.2f} mm a month ({rate.lo:.2f} to {rate.hi:.2f}, 95 %)")
        if trend.forecast is not None:
            f = trend.forecast
            click.echo(f"  the surface may be closed about {f.closes_on} ({f.closes_on_lo} to {f.closes_on_hi}, 80 %)")
        elif trend.why_no_forecast:
            click.echo(f"  no closing date: {trend.why_no_forecast}")
        for change in trend.change_points:
            click.echo(
                f"  {change.kind} between {change.from_on} and {change.to_on} (probability {change.p:.2f}; "
                f"{change.pace_before:.2f} mm a growing month and side before, {change.pace_after:.2f} after)"
            )


def _shift(visit: Visit, piece: str) -> str:
    shift: RimShift | None = None if visit.rim_field is None else getattr(visit.rim_field, piece)
    return "" if shift is None else output.figure(shift.advance_mm, shift.advance_mm_sd, 2)
