"""Photographs with weak labels: what each shows, which split it is in, and how it is packed.

Splits go by species and by source, never by file: neighbouring files often show the same tree.
``test`` species and sources are never trained on nor calibrated on; ``val`` ones serve
calibration; the rest trains.
"""

from __future__ import annotations

import csv
import logging
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import torch

from pipeline.errors import UsageError
from pipeline.learn.bark import PhotoBank
from pipeline.learn.generator import Banks

logger = logging.getLogger(__name__)

WIDTH_PX, HEIGHT_PX = 300, 400
TEST_SPECIES = frozenset(
    {
        "Anacardium occidentale",
        "Carica papaya",
        "Casuarina equisetifolia",
        "Cocos nucifera",
        "Eucalyptus",
        "Gmelina arborea Roxb",
        "Khaya senegalensis",
        "Khaya senegalensis A.Juss",
        "Prunnus",
        "Prunus salicina",
        "Pterocarpus macrocarpus",
        "Senna siamea",
        "Tectona grandis",
        "Cananga odorata",
    }
)
VAL_SPECIES = frozenset(
    {
        "Ficus microcarpa",
        "Hopea",
        "Spondias mombin L",
        "Persea",
        "Lagerstroemia speciosa",
        "Mangifera",
        "Tamarindus indica",
    }
)
BACKGROUNDS = ("background_foliage", "background_ground", "background_rock")
NO_SIGN_KINDS = (
    "bark",
    "trunk_photo",
    "lichen_moss",
    "leaf_scar",
    "natural_bark_feature",
    "paint_mark",
    "bark_texture",
)


@dataclass(frozen=True)
class Shot:
    """One photograph of the collection."""

    file: str
    kind: str
    species: str
    split: str
    licence: str


def split_of(kind: str, species: str, source: str) -> str:
    """``train``, ``val`` or ``test`` for a species and source."""
    if kind == "exudate_canker" or "coconut stem and leaf" in source:
        return "test"
    if kind in BACKGROUNDS and species == "":
        # Tiles have no species: every third one by a digest of its name, which a later file cannot move.
        return ("test", "train", "train")[sum(source.encode()) % 3] if kind != "background_foliage" else "train"
    if species in TEST_SPECIES:
        return "test"
    return "val" if species in VAL_SPECIES else "train"


def read_manifest(folder: Path) -> list[Shot]:
    """The usable photographs of a collection.

    Raises
    ------
    UsageError
        If the folder has no manifest.
    """
    manifest = folder / "manifest.csv"
    if not manifest.is_file():
        raise UsageError(f"The folder {folder} holds no manifest.csv.", "Name the folder of the photo collection.")
    shots = []
    with manifest.open(encoding="utf-8-sig", newline="") as stream:
        for row in csv.DictReader(stream):
            kind = row["kind"]
            if kind.startswith("bark_texture_") and kind != "bark_texture_color":
                continue
            named = kind in (
                "bark",
                "trunk_photo",
                "wound",
                "lichen_moss",
                "leaf_scar",
                "natural_bark_feature",
                "paint_mark",
                "fungus_or_algae_film",
            )
            species = row["note"].split(";")[0].strip() if named else ""
            shots.append(Shot(row["file"], kind, species, split_of(kind, species, row["source"]), row["licence"]))
    return shots


def pack(folder: Path, target: Path, quality: int = 80) -> int:
    """Shrink a collection to 300 x 400 px and write it as one ``.npz`` of JPEG bytes; returns how many."""
    import cv2

    shots = read_manifest(folder)
    blobs: list[np.ndarray] = []
    kept: list[Shot] = []
    for shot in shots:
        picture = cv2.imread(str(folder / shot.file))
        if picture is None:
            logger.warning("%s cannot be read and is left out", shot.file)
            continue
        height, width = picture.shape[:2]
        if width > height * 1.05:
            side = int(height * WIDTH_PX / HEIGHT_PX)
            picture = picture[:, (width - side) // 2 : (width - side) // 2 + side]
        small = cv2.resize(picture, (WIDTH_PX, HEIGHT_PX), interpolation=cv2.INTER_AREA)
        blobs.append(cv2.imencode(".jpg", small, (cv2.IMWRITE_JPEG_QUALITY, quality))[1].ravel())
        kept.append(shot)
    ends = np.cumsum([len(b) for b in blobs])
    columns: dict[str, Any] = {
        name: np.array([getattr(s, name) for s in kept]) for name in ("kind", "species", "split", "licence")
    }
    columns["name"] = np.array([s.file for s in kept])
    np.savez(target, data=np.concatenate(blobs), ends=ends, **columns)
    return len(kept)


@dataclass
class Collection:
    """Decoded photographs, shape (N, 3, 400, 300), uint8, and what they show."""

    pixels: torch.Tensor
    shots: list[Shot]

    @classmethod
    def load(cls, file: Path, device: torch.device, limit: int | None = None) -> Collection:
        """Read a packed collection; ``limit`` keeps an even choice of so many (for tests)."""
        import cv2

        packed = np.load(file)
        ends = packed["ends"]
        starts = np.concatenate(([0], ends[:-1]))
        chosen = np.arange(len(ends))
        if limit is not None and limit < len(ends):
            chosen = np.linspace(0, len(ends) - 1, limit).round().astype(int)
        names = ("name", "kind", "species", "split", "licence")
        columns = {name: packed[name] for name in names}
        data = packed["data"]
        decoded = [
            cv2.cvtColor(cv2.imdecode(data[starts[i] : ends[i]], cv2.IMREAD_COLOR), cv2.COLOR_BGR2RGB) for i in chosen
        ]
        pixels = torch.from_numpy(np.stack(decoded)).permute(0, 3, 1, 2).contiguous().to(device)
        shots = [Shot(*(str(columns[name][i]) for name in names)) for i in chosen]
        return cls(pixels, shots)

    def where(self, split: str, *kinds: str) -> np.ndarray:
        """Rows of a split and kinds."""
        return np.array([i for i, s in enumerate(self.shots) if s.split == split and s.kind in kinds], dtype=int)

    def bank(self, split: str, *kinds: str) -> PhotoBank | None:
        """Photographs of a split and kinds to draw with."""
        rows = self.where(split, *kinds)
        return PhotoBank(self.pixels[torch.as_tensor(rows, device=self.pixels.device)]) if len(rows) else None

    def banks(self, split: str, *, with_film: bool = True) -> Banks:
        """All that scenes of a split may use; backgrounds and moss tiles of ``val`` are those of ``train``."""
        loose = "train" if split == "val" else split
        return Banks(
            bark=self.bank(split, "bark", "bark_texture", "bark_texture_color"),
            plain=self.bank(split, "bark", "lichen_moss", "natural_bark_feature"),
            film=self.bank(loose, "fungus_or_algae_film") if with_film else None,
            moss=self.bank("train", "moss_texture"),
            lichen=self.bank(split, "lichen_moss"),
            background=self.bank(loose, *BACKGROUNDS),
        )


def open_collection(source: Path, work: Path, device: torch.device, limit: int | None = None) -> Collection:
    """A collection from a packed file, or from a folder that is packed into ``work`` first."""
    if source.is_dir():
        work.mkdir(parents=True, exist_ok=True)
        target = work / "photos.npz"
        if not target.is_file():
            pack(source, target)
        source = target
    return Collection.load(source, device, limit)
