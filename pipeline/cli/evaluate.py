"""``woundwood evaluate``."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import click

from pipeline.cli import output
from pipeline.errors import MissingExtra


@click.command("evaluate")
@click.argument("model")
@click.argument("photos", type=click.Path(exists=True, path_type=Path))
@click.option("--scenes", default=400, show_default=True, help="Held-out scenes to draw.")
@click.option("--size", "size_px", default=384, show_default=True, help="Edge of a patch in pixels, a multiple of 32.")
@click.option("--draws", default=400, show_default=True, help="Resamples behind each interval.")
@click.option("--release", type=click.Path(file_okay=False, path_type=Path),
              help="Calibrate a run's weights and write a model folder here.")  # fmt: skip
@click.option("--fit-photos", default=120, show_default=True,
              help="Of a run: photos of the other renderer to calibrate on, beside the scenes.")  # fmt: skip
@click.option("--name", default="network", show_default=True, help="Name of the release, as readings carry it.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON for a script.")
def command(
    model: str, photos: Path, scenes: int, size_px: int, draws: int, release: Path | None, fit_photos: int, name: str,
    as_json: bool,
) -> None:  # fmt: skip
    """Print the figures of MODEL on held-out scenes and on photographs of species never trained on.

    MODEL is 'classical', 'released', a model folder, or a run folder of 'woundwood train'; a run is calibrated and
    released first. PHOTOS is a photo collection with manifest.csv, or a packed .npz. Needs the extra 'train'.

    Every line has its 95 % bootstrap interval, its number of cases and what should be reached. On two cores 400 scenes
    take about twenty minutes; --scenes 40 gives a first look in two.

    \b
    woundwood evaluate released photo-collection
    woundwood evaluate classical photo-collection --scenes 100
    woundwood evaluate runs/a photo-collection --release runs/a/release --name ours-1

    'woundwood model make' makes a release of several runs, with the classical reader beside it and a card.
    """  # noqa: D301 - click reads the escape
    if importlib.util.find_spec("torch") is None:
        raise MissingExtra("train", "evaluate a network")
    from pipeline.learn import evaluate

    lines = evaluate.run(model, photos, count=scenes, size_px=size_px, draws=draws, release=release, name=name,
                         fit_photos=fit_photos)  # fmt: skip
    if as_json:
        output.emit_json(evaluate.as_json(lines))
    else:
        for line in lines:
            click.echo(line.text)
