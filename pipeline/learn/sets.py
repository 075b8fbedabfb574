"""The cases that networks are calibrated on and tested on: drawn scenes, photographs, photos of the other renderer."""

from __future__ import annotations

from typing import TYPE_CHECKING

import torch

from pipeline.learn.data import BACKGROUNDS, Collection
from pipeline.learn.generator import IGNORE, Banks, Generator, PatchBatch
from pipeline.learn.signs import LOOKALIKE_NAMES
from pipeline.learn.weak import centre_cut

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np

    from pipeline.learn.drawn_photos import DrawnPatches

CHUNK = 40
TEST_SEED, VAL_SEED = 920_001, 510_001
SEEDS = {"val": VAL_SEED, "test": TEST_SEED}
REAL_GROUPS: dict[str, tuple[str, ...]] = {
    "bark": ("bark",),
    "film": ("fungus_or_algae_film",),
    "gum": ("exudate_canker",),
    "lichen_moss": ("lichen_moss",),
    "features": ("natural_bark_feature", "leaf_scar", "paint_mark"),
    "wound": ("wound",),
    "background": BACKGROUNDS,
}
_PLAIN_LOOKALIKE = LOOKALIKE_NAMES.index("lichen")


def scene_chunk(banks: Banks, seed: int, chunk: int, count: int, size_px: int, device: torch.device) -> PatchBatch:
    """Chunk ``chunk`` of ``count`` held-out scenes; each chunk has a seed of its own."""
    return Generator(device, seed + chunk, banks, size_px).batch(min(CHUNK, count - chunk * CHUNK))


def scenes(banks: Banks, seed: int, count: int, size_px: int, device: torch.device) -> Iterator[PatchBatch]:
    """Held-out scenes in chunks; the first cases are the same for any ``count`` that fills their chunk."""
    for chunk in range(-(-count // CHUNK)):
        yield scene_chunk(banks, seed, chunk, count, size_px, device)


def photo_rows(collection: Collection, split: str) -> dict[str, list[np.ndarray]]:
    """Rows of the photographs of a split by group, in chunks; groups without any are left out."""
    found = {}
    for name, kinds in REAL_GROUPS.items():
        rows = collection.where(split, *kinds)
        if len(rows):
            found[name] = [rows[i : i + CHUNK] for i in range(0, len(rows), CHUNK)]
    return found


def photographs(collection: Collection, split: str, size_px: int) -> dict[str, list[PatchBatch]]:
    """Photographs of a split by group, whole, in chunks."""
    return {
        name: [centre_cut(collection, chunk, size_px) for chunk in chunks]
        for name, chunks in photo_rows(collection, split).items()
    }


def of_drawn(patches: DrawnPatches, device: torch.device) -> PatchBatch:
    """Patches of the other renderer with their truth in the patch's own frame.

    Look-alikes of any kind are entered as lichen, since that renderer has other kinds; sign maps are not given.
    """
    count, height, width = patches.valid.shape
    valid = torch.from_numpy(patches.valid)[:, None].to(device)
    # what the patch could not show is unknown, and the ground behind a trunk is background as in the scenes
    tissue = torch.from_numpy(patches.tissue_own).long().to(device)
    tissue = torch.where(valid[:, 0], tissue, IGNORE)
    lookalikes = torch.zeros(count, len(LOOKALIKE_NAMES), dtype=torch.bool, device=device)
    lookalikes[:, _PLAIN_LOOKALIKE] = torch.from_numpy(patches.lookalike).to(device)
    sign = torch.from_numpy(patches.sign).float().to(device)
    flags = torch.stack(
        (torch.from_numpy(patches.resin), torch.from_numpy(patches.lookalike), torch.zeros(count)), 1
    )  # fmt: skip
    return PatchBatch(
        rgb=torch.from_numpy(patches.rgb).permute(0, 3, 1, 2).float().to(device) / 255 * valid,
        valid=valid,
        mm_per_px=torch.from_numpy(patches.mm_per_px).float().to(device),
        tissue=tissue,
        signs=torch.zeros(count, 5, height, width, device=device),
        sign_present=sign,
        sign_known=torch.ones_like(sign),
        sign_map_known=torch.zeros(count, device=device),
        any_sign=sign.amax(1),
        stage=torch.from_numpy(patches.stage).long().to(device),
        flags=flags.float().to(device),
        flags_known=torch.ones(count, 3, device=device),
        wound_seen=torch.full((count,), -1.0, device=device),
        lookalikes=lookalikes,
    )
