"""``woundwood look``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from pipeline.flow import Look, ReadContext
    from pipeline.records import Reader, Refusal


@click.command("look")
@click.argument("photos", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@click.option("-o", "--out", type=click.Path(file_okay=False, path_type=Path), default=Path("look"), show_default=True,
              help="Folder for the pictures, one a photo.")  # fmt: skip
@click.option("--model", default=None, help="'classical', 'released', or the path of a model folder.")
@click.option("--no-pictures", is_flag=True, help="Only the table.")
@options.config_option
@options.set_option
@options.json_option
def command(
    photos: tuple[Path, ...], out: Path, model: str | None, no_pictures: bool, configs: tuple[str, ...],
    assignments: tuple[str, ...], as_json: bool,
) -> None:  # fmt: skip
    """Say what is seen in any photographs, with pictures.

    PHOTOS are files or folders. A photo with a site card is measured in millimetres; without one, sizes are
    relative to the picture (its middle square counts as 100 units wide). No grove is needed and nothing is stored.

    \b
    woundwood look trunk.jpg
    woundwood look photos/ --out seen --json
    """  # noqa: D301 - click reads the escape
    context, reader = _context(configs, assignments, model)
    rows: list[dict[str, Any]] = []
    for path, seen in _progress(_look_at_all(photos, context, reader), not as_json):
        rows.append(_row(path, seen))
        if not no_pictures and (picture := _picture(seen, path, out)) is not None:
            rows[-1]["picture"] = str(picture)
    if as_json:
        output.emit_json(rows)
    else:
        _print(rows)
    if any("refused" in row for row in rows):
        click.get_current_context().exit(3)


def _context(configs: tuple[str, ...], assignments: tuple[str, ...], model: str | None) -> tuple[ReadContext, Reader]:
    from datetime import UTC, datetime

    from pipeline import grove, readers, settings
    from pipeline.flow import ReadContext
    from pipeline.records import Register

    files = [grove.config_file(name) for name in configs]
    chosen, _ = settings.load(*files, options=options.parse_assignments(assignments))
    reader, name = readers.open_reader(model or chosen.reading.model)
    return ReadContext(chosen, Register(), datetime.now(UTC), name), reader


def _look_at_all(photos: Iterable[Path], context: ReadContext, reader: Reader) -> Iterator[tuple[Path, Look | Refusal]]:
    import hashlib

    from pipeline import flow, intake

    for given in photos:
        inside = sorted(p for p in given.rglob("*") if p.is_file()) if given.is_dir() else [given]
        for path in inside:
            data = intake.bytes_of(path, context.settings.intake)
            yield path, flow.look_at(data, path.name, hashlib.sha256(data).hexdigest(), context, reader)


def _progress(items: Iterator[tuple[Path, Look | Refusal]], shown: bool) -> Iterator[tuple[Path, Look | Refusal]]:
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn

    console = Console(stderr=True)
    with Progress(SpinnerColumn(), TextColumn("{task.completed} photos looked at"), console=console,
                  disable=not (shown and console.is_terminal), transient=True) as bar:  # fmt: skip
        task = bar.add_task("", total=None)
        for item in items:
            yield item
            bar.advance(task)


def _row(path: Path, seen: Look | Refusal) -> dict[str, Any]:
    from pipeline.records import Refusal

    if isinstance(seen, Refusal):
        return {"file": str(path), "refused": seen.reason, "remedy": seen.remedy}
    reading = seen.read.reading
    return {
        "file": str(path),
        "site": seen.site,
        "stage": reading.stage.word,
        "stage_p": max(reading.stage_p),
        "not_a_site_p": reading.not_a_site_p,
        "unit": "mm" if not seen.why_no_scale else "hundredths of the picture's middle square",
        "area": reading.aperture_area_mm2,
        "area_sd": reading.aperture_area_mm2_sd,
        "width": reading.aperture_width_mm,
        "width_sd": reading.aperture_width_mm_sd,
        "signs": {sign.value: found.p for sign, found in reading.signs.items()},
        "resin_p": reading.resin_p,
        "lookalike_p": reading.lookalike_p,
        "flags": list(reading.flags.names),
        "no_scale": seen.why_no_scale,
        "model": reading.model,
    }


def _picture(seen: Look | Refusal, path: Path, out: Path) -> Path | None:
    from PIL import Image

    from pipeline import draw
    from pipeline.records import Flag, Outlines, Refusal

    if isinstance(seen, Refusal):
        return None
    out.mkdir(parents=True, exist_ok=True)
    target = out / f"{path.stem}.png"
    number = 2
    while target.exists():
        target, number = out / f"{path.stem}-{number}.png", number + 1
    read = seen.read
    width, height = read.reading.aperture_width_mm, read.reading.aperture_height_mm
    size = None if not width or not height else f"{width:.0f} x {height:.0f} mm"
    if Flag.NOT_LIKE_A_SITE in read.reading.flags:
        # rims and signs on a leaf or a wall would be believed
        note = f"not a wound site ({read.reading.not_a_site_p:.0%}): nothing is drawn"
        drawn = draw.overlay(read.patch, Outlines(), legend=False, note=note)
    else:
        drawn = draw.overlay(read.patch, read.reading.outlines, size=size)
    Image.fromarray(draw.side_by_side(read.patch, drawn)).save(target)
    return target


def _stage_and_size(row: dict[str, Any]) -> tuple[str, str, str]:
    """Stage and size for the table; a picture that is no wound site has neither."""
    if "not_like_a_site" in row["flags"]:
        return f"not a wound site {row['not_a_site_p']:.0%}", "–", "–"
    area, width = output.figure(row["area"], row["area_sd"], 0), output.figure(row["width"], row["width_sd"])
    return f"{row['stage']} {row['stage_p']:.0%}", area, width


def _print(rows: list[dict[str, Any]]) -> None:
    def signs(row: dict[str, Any]) -> str:
        likely = sorted(row["signs"].items(), key=lambda item: -item[1])
        return ", ".join(f"{name.replace('_', ' ')} {p:.0%}" for name, p in likely if p >= 0.25) or "none"

    seen = [row for row in rows if "refused" not in row]
    refused = [row for row in rows if "refused" in row]
    if seen:
        output.emit_table(
            "What is seen (sizes in mm, ± 95 %; 'rel' where no card gives a scale)",
            ("photo", "site", "stage", "opening, area", "width", "possible signs", "doubts"),
            (
                (
                    Path(row["file"]).name,
                    row["site"] if row["site"] is not None else "rel",
                    *_stage_and_size(row),
                    signs(row),
                    " ".join(flag for flag in row["flags"] if flag not in ("no_scale", "not_like_a_site")),
                )
                for row in seen
            ),
        )
    if refused:
        output.emit_table(
            "Could not be read", ("photo", "why", "what to do"),
            ((Path(row["file"]).name, row["refused"], row["remedy"]) for row in refused),
        )  # fmt: skip
    pictures = {str(Path(row["picture"]).parent) for row in seen if "picture" in row}
    if pictures:
        click.echo(f"Pictures: {', '.join(sorted(pictures))}")
    click.echo("Photos show possible signs, never causes; a person decides, and only a laboratory names a disease.")
