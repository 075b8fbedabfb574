"""A grove's reviewed patches as training data: the COCO folder that ``woundwood review --export-labels`` writes.

What a person did not say stays unknown: a patch without a drawn rim teaches no tissue, one
whose sign was rejected teaches that no sign is there, and nobody's silence counts as "no".
Where a person drew how far a sign reaches, its map is taught; where not, only that it is there.
Cases on which two people differ teach nothing until one of them has settled it.
"""

from __future__ import annotations

import hashlib
import json
import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import cv2
import numpy as np
import torch

from pipeline.errors import UsageError
from pipeline.learn.augment import relit
from pipeline.learn.extents import UNKNOWN, drawn_extents, filled, outlines_of, sign_maps
from pipeline.learn.generator import APERTURE, IGNORE, PatchBatch
from pipeline.learn.painted import SignPainter
from pipeline.learn.signs import LOOKALIKE_NAMES, SIGN_NAMES
from pipeline.records import Stage

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from pipeline.learn.bark import PhotoBank

_STAGES = {stage.word: int(stage) for stage in Stage}
HELD_SHARE = 0.25
"""Share of trees whose cases serve for comparison alone (own choice)."""
CALIBRATION_SHARE = 0.1
"""Share of trees whose cases serve for calibration alone (own choice)."""
LOOK_ALIKES = frozenset({"moss", "lichen", "algae", "mud", "ants"})
"""What a person may see instead of a sign that the look-alike flag speaks of."""
UNSEEN_GREY, GREY_SPREAD = 128, 4
"""Grey of what a photo does not show in a kept patch, and how far JPEG moves it."""
ZOOM, TURN_DEG, SHIFT = 0.15, 8.0, 0.06
"""How far a patch is enlarged, turned and moved (as a share of its edge) when it is drawn for training."""

PAINTED_SHARE = 0.5
"""Share of the clean patches of a batch on which signs may be painted (own choice)."""

Part = Literal["all", "train", "calibrate", "held"]


def is_held_back(tree: str, share: float = HELD_SHARE) -> bool:
    """Whether a tree's cases serve for comparison only: drawn from a hash of its name, so it never changes side.

    A larger share only adds trees.
    """
    return int.from_bytes(hashlib.sha256(f"held back/{tree}".encode()).digest()[:8]) / 2**64 < share


def side_of(tree: str, share: float = HELD_SHARE) -> Part:
    """What a tree's cases serve for; a tree never changes side."""
    if is_held_back(tree, share):
        return "held"
    return "calibrate" if is_held_back(tree, share + CALIBRATION_SHARE) else "train"


@dataclass
class ReviewedPatches:
    """Patches that people judged, drawn at random with mirroring and a change of place and light.

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
    extents
        Polygons of the signs that people drew, by image id and sign.
    painted
        Share of the clean patches in a batch that go to the sign painter; 0 never asks it.
    films
        Photographs of films that the painter may use.
    """

    folder: Path
    images: list[dict[str, Any]]
    rims: dict[int, list[np.ndarray]]
    seed: int = 1
    extents: dict[int, dict[str, list[np.ndarray]]] = field(default_factory=dict)
    painted: float = 0.0
    films: PhotoBank | None = None
    _kept: dict[str, NDArray[np.uint8]] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        """Start the random numbers; know which entries show a sign."""
        self.rng = np.random.default_rng(self.seed)
        shows = np.array([entry.get("verdict") == "sign" for entry in self.images], dtype=bool)
        self._with, self._without = np.flatnonzero(shows), np.flatnonzero(~shows)
        self._painter: SignPainter | None = None
        self._threads = ThreadPoolExecutor(min(8, os.cpu_count() or 1))

    def __len__(self) -> int:
        return len(self.images)

    @classmethod
    def load(cls, folder: Path, seed: int = 1, part: Part = "all", share: float = HELD_SHARE) -> ReviewedPatches:
        """Read a folder of labels.

        Parameters
        ----------
        part
            Which side's trees to keep: ``"train"``, ``"calibrate"``, or ``"held"`` back for comparison.
        share
            Share of trees held back for comparison.

        Raises
        ------
        UsageError
            If there are no labels, or none that teach anything.
        """
        file = folder / "labels.json"
        try:
            content = json.loads(file.read_text(encoding="utf-8"))
            rims, extents = _rims(content), drawn_extents(content)
            images = [i for i in content["images"] if i.get("stage") or i.get("verdict") or i["id"] in rims]
        except OSError:
            raise UsageError(
                f"There are no labels in {folder}.", "Write them with: woundwood review GROVE --export-labels FOLDER"
            ) from None
        except (ValueError, KeyError, TypeError):
            raise UsageError(f"The file {file} cannot be read as labels.", "Write it again.") from None
        images = [entry for entry in images if not entry.get("disputed")]
        if part != "all":
            images = [e for e in images if side_of(str(e.get("tree", "")), share) == part]
        if not images:
            where = "" if part == "all" else f" on the trees for '{part}'"
            raise UsageError(f"The labels in {folder} judge nothing{where}.", "Review some photos first.")
        return cls(folder, images, rims, seed, extents)

    def batch(self, count: int, size_px: int, device: torch.device) -> PatchBatch:
        """Draw ``count`` patches, half of them with a sign where there are both kinds."""
        both = len(self._with) and len(self._without)
        half = count // 2 if both else count
        first = self.rng.choice(self._with if len(self._with) else self._without, half)
        rest = self.rng.choice(self._without, count - half) if both else first[:0]
        # Each patch has random numbers of its own, so that the order in which threads finish changes nothing.
        seeds = self.rng.integers(2**63, size=count)
        entries = [self.images[i] for i in (*first, *rest)]
        rows = list(self._threads.map(lambda entry, seed: self._drawn(entry, size_px, seed), entries, seeds))
        batch = self._paint(_stack(rows, device), device)
        return batch.mirrored(self.rng) if self.rng.random() < 0.5 else batch

    def _drawn(self, entry: dict[str, Any], size_px: int, seed: int) -> dict[str, Any]:
        """A patch as it is drawn for training."""
        rng = np.random.default_rng(seed)
        return self._one(entry, size_px, _move(rng, size_px), rng)

    def _paint(self, batch: PatchBatch, device: torch.device) -> PatchBatch:
        """Hand some of the patches on which nobody saw a sign to the painter."""
        clean = ((batch.sign_known > 0).all(1) & (batch.sign_present == 0).all(1)).cpu().numpy()
        chosen = np.flatnonzero(clean & (self.rng.random(len(batch)) < self.painted))
        if not len(chosen):
            return batch
        if self._painter is None:
            self._painter = SignPainter(device, self.seed + 29, self.films)
        others = np.setdiff1d(np.arange(len(batch)), chosen)
        rows = [torch.as_tensor(index, device=device) for index in (others, chosen)]
        return PatchBatch.cat([batch.rows(rows[0]), self._painter.on(batch.rows(rows[1]))])

    def whole(self, size_px: int, device: torch.device, chunk: int = 40) -> Iterator[tuple[PatchBatch, list[str]]]:
        """Every patch once, as it is, with the hashes of its photos: for comparison."""
        for start in range(0, len(self.images), chunk):
            part = self.images[start : start + chunk]
            yield _stack([self._one(entry, size_px) for entry in part], device), [_hash_of(entry) for entry in part]

    def picture(self, entry: dict[str, Any]) -> NDArray[np.uint8]:
        """The patch of an entry, RGB."""
        name = str(entry["file_name"])
        if name not in self._kept:
            picture = cv2.imread(str(self.folder / name))
            if picture is None:
                raise UsageError(f"The picture {name} cannot be read.", "Write the labels again.")
            self._kept[name] = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB), dtype=np.uint8)
        return self._kept[name]

    def _one(
        self,
        entry: dict[str, Any],
        size_px: int,
        move: NDArray[np.float64] | None = None,
        rng: np.random.Generator | None = None,
    ) -> dict[str, Any]:
        picture = self.picture(entry)
        height, width = picture.shape[:2]
        side = min(height, width)
        top, left = (height - side) // 2, (width - side) // 2
        factor = size_px / side
        square = picture[top : top + side, left : left + side]
        rgb = cv2.resize(square, (size_px, size_px), interpolation=cv2.INTER_AREA)
        seen = (~unseen(square)).astype(np.uint8)
        seen = cv2.resize(seen, (size_px, size_px), interpolation=cv2.INTER_NEAREST)
        tissue = np.full((size_px, size_px), IGNORE, np.uint8)
        rims = self.rims.get(int(entry["id"]))
        if rims:
            tissue[filled([(p - (left, top)) * factor for p in rims], size_px) > 0] = APERTURE
        shapes = self.extents.get(int(entry["id"]), {})
        shapes = {name: [(p - (left, top)) * factor for p in drawn] for name, drawn in shapes.items()}
        signs = sign_maps(entry, shapes, size_px, float(entry["mm_per_px"]) / factor)
        zoom = 1.0
        if move is not None:
            zoom = float(np.sqrt(abs(np.linalg.det(move[:, :2]))))
            full = (size_px, size_px)
            rgb = cv2.warpAffine(rgb, move, full, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT_101)
            seen = cv2.warpAffine(seen, move, full, flags=cv2.INTER_NEAREST, borderMode=cv2.BORDER_REFLECT_101)
            tissue = cv2.warpAffine(tissue, move, full, flags=cv2.INTER_NEAREST, borderValue=IGNORE)
            if signs is not None and (signs != 0).any():
                signs = np.stack([cv2.warpAffine(plane, move, full, flags=cv2.INTER_NEAREST, borderValue=UNKNOWN)
                                  for plane in signs])  # fmt: skip
            rgb = relit(np.ascontiguousarray(rgb, dtype=np.uint8), rng or self.rng)
        answers = _answers(entry)
        return {"rgb": rgb, "seen": seen > 0, "mm_per_px": float(entry["mm_per_px"]) / factor / zoom,
                "tissue": tissue, "signs": signs, **answers}  # fmt: skip


def unseen(picture: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Pixels that a photo did not show: kept patches have one grey there; single grey pixels of bark do not count."""
    grey = (np.abs(picture.astype(np.int16) - UNSEEN_GREY) <= GREY_SPREAD).all(axis=2)
    block = np.ones((9, 9), np.uint8)
    return np.asarray(cv2.morphologyEx(grey.astype(np.uint8), cv2.MORPH_OPEN, block) > 0)


def _rims(content: dict[str, Any]) -> dict[int, list[np.ndarray]]:
    opening = next((c["id"] for c in content["categories"] if c["name"] == "aperture"), None)
    rims: dict[int, list[np.ndarray]] = {}
    for note in content["annotations"]:
        if note["category_id"] == opening:
            rims.setdefault(note["image_id"], []).extend(outlines_of(note["segmentation"]))
    return rims


def _hash_of(entry: dict[str, Any]) -> str:
    return str(entry.get("sha256") or Path(str(entry["file_name"])).stem)


def _move(rng: np.random.Generator, size_px: int) -> NDArray[np.float64]:
    """A small turn, change of size and shift about the middle, shape (2, 3)."""
    zoom = float(np.exp(rng.uniform(-ZOOM, ZOOM)))
    middle = (size_px - 1) / 2
    matrix = np.asarray(cv2.getRotationMatrix2D((middle, middle), float(rng.uniform(-TURN_DEG, TURN_DEG)), zoom))
    matrix[:, 2] += rng.uniform(-SHIFT, SHIFT, 2) * size_px
    return matrix


def _answers(entry: dict[str, Any]) -> dict[str, Any]:
    """What a person said, as truth and weight."""
    present, known = np.zeros(5, np.float32), np.zeros(5, np.float32)
    rejected = entry.get("verdict") == "not"
    if entry.get("verdict") == "sign":
        for name in entry.get("signs", []):
            if name in SIGN_NAMES:
                present[SIGN_NAMES.index(name)] = known[SIGN_NAMES.index(name)] = 1.0
        for name in entry.get("rejected", []):
            if name in SIGN_NAMES and not present[SIGN_NAMES.index(name)]:
                known[SIGN_NAMES.index(name)] = 1.0
    if rejected:
        known[:] = 1.0
    instead = str(entry.get("instead", ""))
    similar, resin = rejected and instead in LOOK_ALIKES, rejected and instead == "resin"
    judged = float(bool(entry.get("verdict") in ("sign", "not") or entry.get("stage")))
    return {
        "present": present,
        "known": known,
        "stage": _STAGES.get(str(entry.get("stage", "")), -1),
        "flags": np.array([resin, similar, False], np.float32),
        # Whoever judged signs or stage took the picture for a site.
        "flags_known": np.array([resin, similar, judged], np.float32),
    }


def _stack(rows: list[dict[str, Any]], device: torch.device) -> PatchBatch:
    count, size = len(rows), rows[0]["rgb"].shape[0]
    seen = torch.from_numpy(np.stack([r["seen"] for r in rows]))[:, None]
    pictures = torch.from_numpy(np.stack([r["rgb"] for r in rows])).permute(0, 3, 1, 2).float() / 255
    tissue = torch.from_numpy(np.stack([r["tissue"] for r in rows]).astype(np.int64))
    tissue = torch.where(seen[:, 0], tissue, IGNORE)

    unsaid = np.full((len(SIGN_NAMES), size, size), UNKNOWN, np.float32)
    signs = torch.from_numpy(np.stack([unsaid if r["signs"] is None else r["signs"] for r in rows]))

    def column(name: str) -> torch.Tensor:
        return torch.from_numpy(np.stack([r[name] for r in rows]))

    batch = PatchBatch(
        rgb=pictures * seen,
        valid=seen,
        mm_per_px=torch.tensor([r["mm_per_px"] for r in rows], dtype=torch.float32),
        tissue=tissue,
        signs=torch.where(seen, signs, UNKNOWN),
        sign_present=column("present"),
        sign_known=column("known"),
        sign_map_known=torch.tensor([float(r["signs"] is not None) for r in rows]),
        any_sign=torch.full((count,), -1.0),
        stage=torch.tensor([r["stage"] for r in rows]),
        flags=column("flags"),
        flags_known=column("flags_known"),
        wound_seen=torch.full((count,), -1.0),
        lookalikes=torch.zeros(count, len(LOOKALIKE_NAMES), dtype=torch.bool),
    )
    return batch.to(device)
