"""``woundwood cards``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli.options import config_option, grove_argument, json_option, open_grove, set_option

if TYPE_CHECKING:
    from pipeline.cards import CardText
    from pipeline.grove import Grove


@click.command("cards")
@grove_argument
@click.argument("sites", nargs=-1, metavar="[SITE...]")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper size.")
@click.option("-o", "--output", type=click.Path(path_type=Path), help="PDF file; default GROVE/reports/cards.pdf.")
@click.option(
    "--svg", "svg_folder", type=click.Path(file_okay=False, path_type=Path), help="Write one SVG a card here instead."
)
@click.option(
    "--font",
    "font_file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="TrueType font for the words along the card's edge, for scripts such as Thai.",
)
@click.option(
    "--check",
    "photo",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Print nothing; say from a photo of a printed sheet whether the printer kept its size.",
)
@config_option
@set_option
@json_option
def command(
    grove_folder: Path,
    sites: tuple[str, ...],
    paper: str,
    output: Path | None,
    svg_folder: Path | None,
    font_file: Path | None,
    photo: Path | None,
    configs: tuple[str, ...],
    assignments: tuple[str, ...],
    as_json: bool,
) -> None:
    """Print site cards in true size, or check a printed sheet.

    SITE is a number or a range such as 17-24; without it, cards are made for every site of the register that is
    not retired. Print at actual size (100 %), then measure the bar at the foot of the page: it must be 100 mm.
    """
    grove = open_grove(grove_folder, configs, assignments)
    if photo is not None:
        _check(grove, photo, as_json)
        return
    from pipeline import cards
    from pipeline.cli.output import emit_json
    from pipeline.errors import WoundwoodError

    chosen = [_text_of(grove, site) for site in _chosen(grove, sites)]
    missing = cards.missing_letters("".join(dict.fromkeys("".join(card.label for card in chosen))), font_file)
    if missing:
        click.echo(f"The font has no letters for '{missing}'; name one that has with --font FILE.ttf.", err=True)
    try:
        if svg_folder is not None:
            svg_folder.mkdir(parents=True, exist_ok=True)
            written = [svg_folder / f"card_{card.site:06d}.svg" for card in chosen]
            for card, path in zip(chosen, written, strict=True):
                path.write_text(cards.card_svg(card, font_file), encoding="utf-8")
        else:
            written = [output or grove.reports / "cards.pdf"]
            written[0].parent.mkdir(parents=True, exist_ok=True)
            cards.write_pdf(written[0], chosen, cards.Paper[paper.upper()], font_file)
    except OSError as error:
        raise WoundwoodError(f"The cards cannot be written: {error}.", "Check the path and free space.") from None
    if as_json:
        emit_json({"sites": [card.site for card in chosen], "files": written})
        return
    click.echo(f"Cards for {len(chosen)} sites: {written[0] if svg_folder is None else svg_folder}")
    if svg_folder is None:
        click.echo("Print at actual size (100 %), not 'fit to page', and measure the bar: it must be 100 mm.")


def _chosen(grove: Grove, wanted: tuple[str, ...]) -> list[int]:
    """Site numbers of the call, in order; all that are not retired if none is named."""
    from pipeline.errors import UsageError

    if not wanted:
        all_sites = sorted(site.site for site in grove.register.sites.values() if site.retired_on is None)
        if not all_sites:
            raise UsageError("The register has no sites yet.", "Fill in register/sites.csv first.")
        return all_sites
    numbers: list[int] = []
    for text in wanted:
        first, dash, last = text.partition("-")
        if not first.isdigit() or (dash and not last.isdigit()):
            raise click.BadParameter(f"'{text}' is neither a site number nor a range such as 17-24", param_hint="SITE")
        low, high = int(first), int(last or first)
        inside = sorted(site for site in grove.register.sites if low <= site <= high)
        if not inside:
            raise UsageError(f"The register has no site {text}.", "Add it to register/sites.csv, or check the number.")
        numbers.extend(inside)
    return list(dict.fromkeys(numbers))


def _text_of(grove: Grove, site: int) -> CardText:
    from pipeline import cards

    entry = grove.register.sites[site]
    return cards.CardText(site, f"{grove.settings.grove.name} · tree {entry.tree} · stem {entry.stem}")


def _check(grove: Grove, photo: Path, as_json: bool) -> None:
    from datetime import UTC, datetime

    from pipeline import cards, intake
    from pipeline.cli.output import emit_json
    from pipeline.errors import EXIT_FAILED

    settings = grove.settings
    opened = intake.open_file(photo, "", settings.intake, settings.grove.zone, datetime.now(UTC))
    result = cards.check_sheet(opened.pixels)
    if as_json:
        emit_json(
            {"paper": result.paper.name, "scale_x": result.scale_x, "scale_y": result.scale_y, "good": result.good}
        )
    else:
        click.echo(f"{result.paper.name}, {result.cards} cards. {result.sentence}")
    if not result.good:
        raise SystemExit(EXIT_FAILED)
