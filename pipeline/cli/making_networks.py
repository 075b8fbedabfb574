"""What ``train --from`` and ``model compare`` share: from a grove's reviewed cases to a network and a comparison."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from pipeline.errors import MissingExtra, UsageError

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.grove import Grove
    from pipeline.learn.data import Collection
    from pipeline.learn.from_grove import Recipe
    from pipeline.learn.reviewed import Part, ReviewedPatches
    from pipeline.store import Store

LABELS = "reviewed-cases"
PROVENANCE = "trained_from.json"


def need_torch() -> None:
    """Raise if the extra ``train`` is not there."""
    if importlib.util.find_spec("torch") is None:
        raise MissingExtra("train", "train or compare a network")


def train_from(
    grove: Grove, memory: Store, run: Path, name: str, photos: Path | None, start_from: Path | None, recipe: Recipe,
    device: str, scenes: int, now: datetime,
) -> dict[str, Any]:  # fmt: skip
    """Fine-tune on the cases that people judged, release into the grove's models, and compare with the one in use.

    Raises
    ------
    UsageError
        If the name is taken, the run folder holds labels, nothing was reviewed, or there are no weights to start from.
    """
    need_torch()
    from pipeline import adoption
    from pipeline.learn import train
    from pipeline.learn.from_grove import fine_tune
    from pipeline.learn.release import release_run
    from pipeline.learn.reviewed import CALIBRATION_SHARE, HELD_SHARE, ReviewedPatches
    from pipeline.review import Desk
    from pipeline.review.coco import export_labels

    target = grove.models / adoption.check_name(name)
    if target.exists() or name in {n.model for n in adoption.networks(grove, memory)}:
        raise UsageError(f"There is a network '{name}' already.", "Give the new one another name with --name.")
    start = start_from or weights_in_use(grove)
    on = train.pick_device(device)
    # of an earlier try in this run folder; they are written anew from the answers
    (run / LABELS / "labels.json").unlink(missing_ok=True)
    images, _ = export_labels(Desk(grove, memory), run / LABELS)
    reviewed = ReviewedPatches.load(run / LABELS, recipe.seed, "train")
    beside = _side(run / LABELS, "calibrate")
    click.echo(f"{images} photos were judged; {len(reviewed)} of them teach, {len(beside or ())} calibrate; the others "
               "are held back.")  # fmt: skip
    collection = _collection(photos, run, on)
    fine_tune(run, reviewed, start, collection=collection if photos else None, recipe=recipe, device=on)
    at_rest = collection if on.type == "cpu" else _collection(photos, run, train.pick_device("cpu"))
    # a third as many photos of the other renderer, which take longer to draw; none in a mere trial
    photos_too = min(120, max(0, (scenes - 40) // 3))
    release_run(
        run, at_rest, target, count=scenes, fit_photos=photos_too, size_px=recipe.size_px, name=name, reviewed=beside
    )
    origin = {"grove": grove.settings.grove.name, "at": now.isoformat(timespec="seconds"), "start_from": start.name,
              "start_from_sha256": _digest(start), "reviewed": images, "taught": len(reviewed),
              "calibrated": len(beside or ()), "held_share": HELD_SHARE, "calibration_share": CALIBRATION_SHARE,
              "kept_of_start": recipe.kept}  # fmt: skip
    (target / PROVENANCE).write_text(json.dumps(origin, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return _compare(grove, f"models/{name}", _side(run / LABELS, "held"), at_rest, scenes, recipe.size_px, now)


def compare(
    grove: Grove, memory: Store, choice: str, photos: Path | None, scenes: int, now: datetime
) -> dict[str, Any]:
    """Compare a network with the one in use on all cases held back so far; the comparison lies with the network.

    Raises
    ------
    UsageError
        If it is not one of the grove's own.
    """
    need_torch()
    import tempfile

    import torch

    from pipeline.review import Desk
    from pipeline.review.coco import export_labels

    if not choice.startswith("models/"):
        raise UsageError("Only a network of this grove keeps a comparison.", f"Put its folder into {grove.models}.")
    if choice == grove.settings.reading.model:
        raise UsageError(f"'{choice}' is in use; it cannot be compared with itself.", "Name another one.")
    with tempfile.TemporaryDirectory() as scratch:
        export_labels(Desk(grove, memory), Path(scratch) / LABELS)
        collection = _collection(photos, Path(scratch), torch.device("cpu"))
        return _compare(grove, choice, _side(Path(scratch) / LABELS, "held"), collection, scenes, 384, now)


def _compare(
    grove: Grove, choice: str, held: ReviewedPatches | None, collection: Collection, scenes: int, size_px: int,
    now: datetime,
) -> dict[str, Any]:  # fmt: skip
    from pipeline import adoption, readers
    from pipeline.learn.compare import compare as put_together

    old, new = readers.open_reader(grove.reader), readers.open_reader(adoption.path_of(grove, choice))
    return put_together(adoption.comparison_folder(grove, choice), old, new, held, collection, at=now,
                        sign_p=grove.settings.reading.sign_p, count=scenes, size_px=size_px)  # fmt: skip


def _side(labels: Path, part: Part) -> ReviewedPatches | None:
    """The cases of the trees that serve for something, if there are any."""
    from pipeline.learn.reviewed import ReviewedPatches

    try:
        return ReviewedPatches.load(labels, part=part)
    except UsageError:
        return None


def _collection(photos: Path | None, work: Path, device: Any) -> Collection:
    from pipeline.learn.data import open_collection
    from pipeline.learn.from_grove import no_photographs

    return no_photographs(device) if photos is None else open_collection(photos, work, device)


def weights_in_use(grove: Grove) -> Path:
    """The weights of the network in use.

    Raises
    ------
    UsageError
        If the classical reader is in use, which has none, or the network came without.
    """
    from pipeline import readers

    folder = readers.network_folder(grove.reader)
    file = folder / "model.safetensors" if folder is not None else None
    if file is None or not file.is_file():
        raise UsageError(
            "The reader in use has no weights to start from.", "Name those of a network with --start-from FILE."
        )
    return file


def _digest(file: Path) -> str:
    from pipeline.network import sha256_of

    return sha256_of(file)
