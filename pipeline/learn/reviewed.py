"""A grove's reviewed patches as training data: the COCO folder that ``woundwood review --export-labels`` writes.

What a person did not say stays unknown: a patch without a drawn rim teaches no tissue, one
whose sign was rejected teaches that no sign is there, and nobody's silence counts as "no".
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch

from pipeline.errors import UsageError
from pipeline.learn.generator import APERTURE, IGNORE, PatchBatch
from pipeline.learn.signs import LOOKALIKE_NAMES, SIGN_NAMES
from pipeline.records import Stage

_STAGES = {stage.word: int(stage) for stage in Stage}


@dataclass
class ReviewedPatches:
    """Patches that people judged, drawn at random with mirroring and a change of light.

    Attributes
    ----------
    folder
        Holds ``labels.json`` and ``images/``.
    images
        The entries of ``labels.json``.
    rims
        Polygons (N, 2) of the opening by image id, in the image's pixels.
    seed
        Of the random choice.
    """

    folder: Path
    images: list[dict[str, Any]]
    rims: dict[int, list[np.ndarray]]
    seed: int = 1

    def __post_init__(self) -> None:
        """Start the random numbers."""
        self.rng = np.random.default_rng(self.seed)

    @classmethod
    def load(cls, folder: Path, seed: int = 1) -> ReviewedPatches:
        """Read a folder of labels.

        Raises
        ------
        UsageError
            If there are no labels, or none that teach anything.
        """
        file = folder / "labels.json"
        try:
            content = json.loads(file.read_text(encoding="utf-8"))
            images = [i for i in content["images"] if i.get("stage") or i.get("verdict")]
            opening = next((c["id"] for c in content["categories"] if c["name"] == "aperture"), None)
            rims: dict[int, list[np.ndarray]] = {}
            for note in content["annotations"]:
                if note["category_id"] == opening and isinstance(note["segmentation"], list):
                    polygons = [np.asarray(p, dtype=np.float64).reshape(-1, 2) for p in note["segmentation"]]
                    rims.setdefault(note["image_id"], []).extend(polygons)
        except OSError:
            raise UsageError(
                f"There are no labels in {folder}.", "Write them with: woundwood review GROVE --export-labels FOLDER"
            ) from None
        except (ValueError, KeyError, TypeError):
            raise UsageError(f"The file {file} cannot be read as labels.", "Write it again.") from None
        images += [i for i in content["images"] if i["id"] in rims and i not in images]
        if not images:
            raise UsageError(f"The labels in {folder} judge nothing.", "Review some photos first.")
        return cls(folder, images, rims, seed)

    def batch(self, count: int, size_px: int, device: torch.device) -> PatchBatch:
        """Draw ``count`` patches."""
        picked = [self.images[i] for i in self.rng.integers(len(self.images), size=count)]
        batch = _stack([self._one(entry, size_px) for entry in picked], device)
        return batch.mirrored(self.rng) if self.rng.random() < 0.5 else batch

    def _one(self, entry: dict[str, Any], size_px: int) -> dict[str, Any]:
        picture = cv2.imread(str(self.folder / entry["file_name"]))
        if picture is None:
            raise UsageError(f"The picture {entry['file_name']} cannot be read.", "Write the labels again.")
        height, width = picture.shape[:2]
        side = min(height, width)
        top, left = (height - side) // 2, (width - side) // 2
        square = picture[top : top + side, left : left + side]
        factor = size_px / side
        rgb = cv2.cvtColor(cv2.resize(square, (size_px, size_px), interpolation=cv2.INTER_AREA), cv2.COLOR_BGR2RGB)
        tissue = np.full((size_px, size_px), IGNORE, np.uint8)
        rims = self.rims.get(int(entry["id"]))
        if rims:
            # COCO counts from the corner of the first pixel, OpenCV from its middle.
            polygons = [np.round((p - (left, top)) * factor - 0.5).astype(np.int32) for p in rims]
            inside = cv2.fillPoly(np.zeros_like(tissue), polygons, 1)
            tissue[inside > 0] = APERTURE
        present, known = np.zeros(5, np.float32), np.zeros(5, np.float32)
        signs = [s for s in entry.get("signs", []) if s in SIGN_NAMES]
        if entry.get("verdict") == "sign":
            for name in signs:
                present[SIGN_NAMES.index(name)] = known[SIGN_NAMES.index(name)] = 1.0
        rejected = entry.get("verdict") == "not"
        if rejected:
            known[:] = 1.0
        stage = _STAGES.get(str(entry.get("stage", "")), -1)
        return {
            "rgb": rgb,
            "mm_per_px": float(entry["mm_per_px"]) / factor,
            "tissue": tissue,
            "present": present,
            "known": known,
            "stage": stage,
            "clean": float(rejected),
        }


def _stack(rows: list[dict[str, Any]], device: torch.device) -> PatchBatch:
    count, size = len(rows), rows[0]["rgb"].shape[0]
    pictures = torch.from_numpy(np.stack([r["rgb"] for r in rows])).permute(0, 3, 1, 2).float() / 255
    known = np.stack([r["known"] for r in rows])
    clean = torch.tensor([r["clean"] for r in rows])
    batch = PatchBatch(
        rgb=pictures,
        valid=torch.ones(count, 1, size, size, dtype=torch.bool),
        mm_per_px=torch.tensor([r["mm_per_px"] for r in rows], dtype=torch.float32),
        tissue=torch.from_numpy(np.stack([r["tissue"] for r in rows]).astype(np.int64)),
        signs=torch.zeros(count, 5, size, size),
        sign_present=torch.from_numpy(np.stack([r["present"] for r in rows])),
        sign_known=torch.from_numpy(known),
        sign_map_known=clean,
        any_sign=torch.full((count,), -1.0),
        stage=torch.tensor([r["stage"] for r in rows]),
        flags=torch.zeros(count, 3),
        flags_known=torch.tensor([[0.0, 0.0, 1.0]]).repeat(count, 1),
        wound_seen=torch.full((count,), -1.0),
        lookalikes=torch.zeros(count, len(LOOKALIKE_NAMES), dtype=torch.bool),
        real=torch.ones(count, dtype=torch.bool),
    )
    return batch.to(device)
