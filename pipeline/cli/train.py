"""``woundwood train``."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import click

from pipeline.errors import MissingExtra


@click.command("train")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option("--photos", type=click.Path(exists=True, path_type=Path),
              help="Photo collection: a folder with manifest.csv, or a packed .npz.")  # fmt: skip
@click.option("--reviewed", type=click.Path(exists=True, file_okay=False, path_type=Path),
              help="Reviewed patches, as 'woundwood review --export-labels' writes them.")  # fmt: skip
@click.option("--start-from", type=click.Path(exists=True, dir_okay=False, path_type=Path),
              help="A model.safetensors to fine-tune; without it, training starts from ImageNet weights.")  # fmt: skip
@click.option("--steps", default=4000, show_default=True, help="Steps of the schedule.")
@click.option("--minutes", default=0.0, help="Spread the schedule over this time instead.")
@click.option("--batch", default=64, show_default=True, help="Patches in a step.")
@click.option("--size", "size_px", default=384, show_default=True, help="Edge of a patch in pixels, a multiple of 32.")
@click.option("--seed", default=1, show_default=True, help="Of everything random.")
@click.option("--device", default="auto", show_default=True, help="'auto', 'cpu' or 'cuda'.")
@click.option("--no-scenes", is_flag=True, help="Train on photographs alone.")
@click.option("--from-scratch", is_flag=True, help="Start from random weights.")
@click.option("--resume", is_flag=True, help="Go on from the folder's last.pt.")
def command(
    folder: Path, photos: Path | None, reviewed: Path | None, start_from: Path | None, steps: int, minutes: float,
    batch: int, size_px: int, seed: int, device: str, no_scenes: bool, from_scratch: bool, resume: bool,
) -> None:  # fmt: skip
    """Train the network, or fine-tune it on reviewed photos.

    FOLDER is the run folder: settings.json, curves.csv, last.pt, model.safetensors. Needs the extra 'train'.

    \b
    woundwood train runs/scenes --photos photo-collection
    woundwood train runs/ours --start-from models/NAME/model.safetensors --reviewed labels --steps 600 --batch 16
    """  # noqa: D301 - click reads the escape
    if importlib.util.find_spec("torch") is None:
        raise MissingExtra("train", "train a network")
    from pipeline.learn import data, train
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
    net = train.run(
        folder, settings,
        collection=data.open_collection(photos, folder, on) if photos is not None else None,
        reviewed=ReviewedPatches.load(reviewed, seed) if reviewed is not None else None,
        device=on, start_from=start_from, resume=resume,
    )  # fmt: skip
    size = sum(p.numel() for p in net.parameters())
    click.echo(f"{folder / 'model.safetensors'} written ({size / 1e6:.1f} million values).")
    click.echo(f"Next: woundwood evaluate {folder} PHOTOS --release {folder / 'release'}")
