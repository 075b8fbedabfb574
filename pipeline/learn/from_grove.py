"""Fine-tune a network on a grove's reviewed cases, mixed with drawn scenes so that it does not forget.

What is released lies between the weights that were started from and those that training ended with: that keeps most
of what was known before and most of what was learnt (Wortsman et al. 2022, arXiv 2109.01903).

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
from pipeline.learn.export import load_weights
from pipeline.learn.reviewed import PAINTED_SHARE

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.learn.net import WoundNet
    from pipeline.learn.reviewed import ReviewedPatches

FULL_AT = 50
"""With so many reviewed patches they get half of their places in a batch, with more of them more: a few patches drawn
hundreds of times would be learnt by heart (own choice)."""


@dataclass(frozen=True)
class Recipe:
    """How a fine-tuning run is made.

    Attributes
    ----------
    steps, batch
        Length of the schedule; patches in a step.
    reviewed_share, photo_share
        Shares of reviewed patches (where there are many) and of weakly labelled photographs in a batch; the rest are
        drawn scenes.
    rate
        Largest learning rate, a fifth of that of a run from the start: what is known shall stay (own choice).
    kept
        Share of the weights that were started from in those that are released.
    painted
        Share of clean reviewed patches on which signs may be painted.
    """

    steps: int = 400
    batch: int = 48
    reviewed_share: float = 0.34
    photo_share: float = 0.12
    rate: float = 3e-4
    size_px: int = 384
    seed: int = 1
    kept: float = 0.5
    painted: float = PAINTED_SHARE


def training_settings(recipe: Recipe, *, photos: bool, reviewed: int, on_gpu: bool) -> train.TrainSettings:
    """The settings of a run by a recipe; places that ``reviewed`` patches do not fill are taken by drawn scenes."""
    share = recipe.reviewed_share * reviewed / (reviewed + FULL_AT)
    judged = max(1, round(recipe.batch * share)) if reviewed else 0
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
    The network between start and end, in evaluation mode; ``model.safetensors`` in the folder holds the same.
    """
    on, plan = device or train.pick_device(), recipe or Recipe()
    (folder / "curves.csv").unlink(missing_ok=True)
    settings = training_settings(
        plan, photos=collection is not None, reviewed=len(reviewed or ()), on_gpu=on.type == "cuda"
    )
    if reviewed is not None:
        reviewed.painted = plan.painted
        reviewed.films = collection.banks("train").film if collection is not None else None
    net = train.run(folder, settings, collection=collection, reviewed=reviewed, device=on, start_from=start_from)
    between(load_weights(start_from).to(on), net, plan.kept)
    notes = {"settings": settings.digest, "steps": str(plan.steps), "kept": str(plan.kept)}
    train.save_weights(net, folder / "model.safetensors", notes)
    return net


@torch.no_grad()
def between(start: WoundNet, end: WoundNet, kept: float) -> None:
    """Move ``end`` towards ``start`` by a share of the way, weights and running statistics alike."""
    theirs = start.state_dict()
    for name, value in end.state_dict().items():
        if value.is_floating_point():
            value.lerp_(theirs[name].to(value), kept)


def no_photographs(device: torch.device | None = None) -> Collection:
    """An empty collection: scenes are then drawn on procedural bark alone."""
    return Collection(torch.zeros(0, 3, HEIGHT_PX, WIDTH_PX, dtype=torch.uint8, device=device), [])


def part_of(collection: Collection, keep: np.ndarray) -> Collection:
    """The photographs for which ``keep`` (N,) is true."""
    rows = np.flatnonzero(keep)
    index = torch.as_tensor(rows, device=collection.pixels.device)
    return Collection(collection.pixels[index], [collection.shots[i] for i in rows])
