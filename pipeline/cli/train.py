"""``woundwood train``."""

from __future__ import annotations

import logging
from pathlib import Path

import click

from pipeline.cli.making_networks import need_torch, train_from


@click.command("train")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--photos", type=click.Path(exists=True, path_type=Path),
              help="Photo collection: a folder with manifest.csv, or a packed .npz.")  # fmt: skip
@click.option("--reviewed", type=click.Path(exists=True, file_okay=False, path_type=Path),
              help="Reviewed patches, as 'woundwood review --export-labels' writes them.")  # fmt: skip
@click.option("--from", "grove_folder", type=click.Path(exists=True, file_okay=False, path_type=Path), metavar="GROVE",
              help="Fine-tune on the cases reviewed in this grove, and compare with the network in use.")  # fmt: skip
@click.option("--name", default=None, help="With --from: name of the new network [default: the day's].")
@click.option("--start-from", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="A model.safetensors to fine-tune; without it, training starts from ImageNet weights.")  # fmt: skip
@click.option("--steps", type=int, default=None, help="Steps of the schedule [default: 4000; with --from: 400].")
@click.option("--minutes", default=0.0, help="Spread the schedule over this time instead.")
@click.option("--batch", type=int, default=None, help="Patches in a step [default: 64; with --from: 48].")
@click.option("--size", "size_px", default=384, show_default=True, help="Edge of a patch in pixels, a multiple of 32.")
@click.option("--seed", default=1, show_default=True, help="Of everything random.")
@click.option(
    "--scenes", default=400, show_default=True, help="With --from: scenes of the release benchmark and of calibration."
)
@click.option("--worst-of", default=80, show_default=True,
              help="Calibration scenes for metrics, card and worst.png at the end; 0: none.")  # fmt: skip
@click.option("--device", default="auto", show_default=True, help="'auto', 'cpu' or 'cuda'.")
@click.option("--no-scenes", is_flag=True, help="Train on photographs alone.")
@click.option("--from-scratch", is_flag=True, help="Start from random weights.")
@click.option("--resume", is_flag=True, help="Go on from the folder's last.pt.")
def command(
    folder: Path, photos: Path | None, reviewed: Path | None, grove_folder: Path | None, name: str | None,
    start_from: Path | None, steps: int | None, minutes: float, batch: int | None, size_px: int, seed: int, scenes: int,
    worst_of: int, device: str, no_scenes: bool, from_scratch: bool, resume: bool,
) -> None:  # fmt: skip
    """Train the network, or fine-tune it on reviewed photos.

    FOLDER is the run folder: settings.json, curves.csv, last.pt (to go on from with --resume), model.safetensors, and
    at the end metrics.json, card.md and worst.png, the worst errors as a picture. Needs the extra 'train'.

    On a GPU the defaults take about ten minutes; on two cores a step takes a minute or two, so that a night gives 400:
    say --steps 400, or --batch 16 --size 256 for a try. A run that was cut off goes on with --resume and the same
    options. Figures are made by 'woundwood evaluate' (one run) or 'woundwood model make' (one or more).

    With --from a new network is made from the reviewed cases of a grove, mixed with drawn scenes. A quarter of the
    trees is held back, always the same ones. The network lies in GROVE/models/NAME with its comparison with the one in
    use; nothing reads with it before a person says 'woundwood model use'.

    \b
    woundwood train runs/scenes --photos photo-collection
    woundwood train runs/ours --from my-grove --name ours-1
    woundwood train runs/ours --start-from models/NAME/model.safetensors --reviewed labels --steps 600 --batch 16
    """  # noqa: D301 - click reads the escape
    need_torch()
    logging.getLogger("pipeline.learn").setLevel(logging.INFO)  # a line every 50 steps; without -v as well
    if grove_folder is not None:
        if reviewed is not None or no_scenes or from_scratch or resume or minutes:
            raise click.UsageError(
                "--from does not go with --reviewed, --no-scenes, --from-scratch, --resume, --minutes."
            )
        _from_grove(folder, grove_folder, name, photos, start_from, (steps, batch, size_px, seed), device, scenes)
        return
    steps, batch = steps or 4000, batch or 64
    from pipeline.learn import data, runfolder, train
    from pipeline.learn.reviewed import ReviewedPatches

    on = train.pick_device(device)
    weak = batch * 12 // 64 if photos is not None else 0
    judged = batch // 4 if reviewed is not None else 0
    many = on.type == "cuda"
    settings = train.TrainSettings(
        steps=steps, minutes=minutes, size_px=size_px, seed=seed, pretrained=not from_scratch,
        drawn=0 if no_scenes else batch - weak - judged, photos=weak, reviewed=judged,
        pool=4 if many else 1, reuse=2 if many else 1, rate=1.5e-3 if start_from is None else 5e-4,
    )  # fmt: skip
    collection = data.open_collection(photos, folder, on) if photos is not None else None
    net = train.run(
        folder, settings, collection=collection,
        reviewed=ReviewedPatches.load(reviewed, seed) if reviewed is not None else None,
        device=on, start_from=start_from, resume=resume,
    )  # fmt: skip
    size = sum(p.numel() for p in net.parameters())
    click.echo(f"{folder / 'model.safetensors'} written ({size / 1e6:.1f} million values).")
    if worst_of:
        runfolder.finish(folder, net, collection, worst_of, size_px)
        click.echo(f"The worst errors on {worst_of} calibration scenes: {folder / 'worst.png'}; figures: "
                   f"{folder / 'card.md'}")  # fmt: skip
    source = photos if photos is not None else "PHOTOS"
    click.echo(f"Next: woundwood evaluate {folder} {source} --release {folder / 'release'} --name NAME")
    click.echo(f"   or: woundwood model make models/NAME {folder} [MORE RUNS] --photos {source}")


def _from_grove(
    folder: Path, grove_folder: Path, name: str | None, photos: Path | None, start_from: Path | None,
    plan: tuple[int | None, int | None, int, int], device: str, scenes: int,
) -> None:  # fmt: skip
    from datetime import datetime

    from pipeline import store
    from pipeline.cli import model, options
    from pipeline.learn.from_grove import Recipe

    steps, batch, size_px, seed = plan
    recipe = Recipe(steps or Recipe.steps, batch or Recipe.batch, size_px=size_px, seed=seed)
    grove = options.open_grove(grove_folder, (), ())
    now = datetime.now(grove.settings.grove.zone)
    with store.open_store(grove.database) as memory:
        named = name or f"ours-{now:%Y-%m-%d}"
        content = train_from(grove, memory, folder, named, photos, start_from, recipe, device, scenes, now)
    model.show_comparison(content)
    click.echo(f"Next, if a person wants it: woundwood model use {grove_folder} {named}")
