"""Fine-tune a network on a grove's reviewed cases, mixed with drawn scenes so that it does not forget.

The recipe is the same whether the cases come from people or, in ``benchmarks/learning_curve.py``, from a drawn
reviewer: that is what the curve measures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import torch

from pipeline.learn import train
from pipeline.learn.data import HEIGHT_PX, WIDTH_PX, Collection

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.learn.net import WoundNet
    from pipeline.learn.reviewed import ReviewedPatches


@dataclass(frozen=True)
class Recipe:
    """How a fine-tuning run is made.

    Attributes
    ----------
    steps, batch
        Length of the schedule; patches in a step.
    reviewed_share, photo_share
        Shares of reviewed patches and of weakly labelled photographs in a batch; the rest are drawn scenes.
    rate
        Largest learning rate, a fifth of that of a run from the start: what is known shall stay (own choice).
    """

    steps: int = 400
    batch: int = 48
    reviewed_share: float = 0.34
    photo_share: float = 0.12
    rate: float = 3e-4
    size_px: int = 384
    seed: int = 1


def training_settings(recipe: Recipe, *, photos: bool, reviewed: bool, on_gpu: bool) -> train.TrainSettings:
    """The settings of a run by a recipe; without reviewed patches their place is taken by drawn scenes."""
    judged = max(1, round(recipe.batch * recipe.reviewed_share)) if reviewed else 0
    weak = round(recipe.batch * recipe.photo_share) if photos else 0
    return train.TrainSettings(
        steps=recipe.steps,
        drawn=max(1, recipe.batch - judged - weak),
        photos=weak,
        reviewed=judged,
        size_px=recipe.size_px,
        seed=recipe.seed,
        rate=recipe.rate,
        pool=4 if on_gpu else 1,
        reuse=2,
    )


def fine_tune(
    folder: Path,
    reviewed: ReviewedPatches | None,
    start_from: Path,
    *,
    collection: Collection | None = None,
    recipe: Recipe | None = None,
    device: torch.device | None = None,
) -> WoundNet:
    """Train from a network's weights on reviewed patches and scenes, and write a run folder.

    Parameters
    ----------
    folder
        Run folder; begun anew if it holds an earlier run.
    reviewed
        Patches of the trees that are trained on; ``None`` trains on scenes alone, as a control.
    start_from
        ``model.safetensors`` to begin with.
    collection
        Photographs for scenes and weak labels; without it scenes have procedural bark.

    Returns
    -------
    The averaged network, in evaluation mode.
    """
    on, plan = device or train.pick_device(), recipe or Recipe()
    (folder / "curves.csv").unlink(missing_ok=True)
    settings = training_settings(
        plan, photos=collection is not None, reviewed=reviewed is not None, on_gpu=on.type == "cuda"
    )
    return train.run(folder, settings, collection=collection, reviewed=reviewed, device=on, start_from=start_from)


def no_photographs(device: torch.device | None = None) -> Collection:
    """An empty collection: scenes are then drawn on procedural bark alone."""
    return Collection(torch.zeros(0, 3, HEIGHT_PX, WIDTH_PX, dtype=torch.uint8, device=device), [])


def part_of(collection: Collection, keep: np.ndarray) -> Collection:
    """The photographs for which ``keep`` (N,) is true."""
    rows = np.flatnonzero(keep)
    index = torch.as_tensor(rows, device=collection.pixels.device)
    return Collection(collection.pixels[index], [collection.shots[i] for i in rows])
