"""Where people drew a sign on a reviewed patch, as truth for its map.

A drawn outline is right to a few millimetres: inside it the sign is there, outside it is not, and along it nothing is
taught.  What nobody spoke of stays unknown, which is -1 in a map.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from pipeline.learn.signs import SIGN_NAMES

if TYPE_CHECKING:
    from numpy.typing import NDArray

EDGE_MM = 2.0
"""Half width of the belt along a drawn outline that teaches nothing (own choice: a film has no sharp edge)."""
UNKNOWN = -1.0
FINER = 4
BY_NETWORK = "network"


def outlines_of(segmentation: Any) -> list[NDArray[np.float64]]:
    """Polygons (N, 2) of a COCO annotation in pixels, from polygons or from uncompressed run lengths.

    Islands are polygons of their own; fill all of them at once, by the even-odd rule.

    Raises
    ------
    ValueError
        If it is neither.
    """
    if isinstance(segmentation, list):
        return [np.asarray(part, dtype=np.float64).reshape(-1, 2) for part in segmentation]
    if not isinstance(segmentation, dict) or not isinstance(segmentation.get("counts"), list):
        raise ValueError("neither polygons nor run lengths")
    height, width = segmentation["size"]
    counts = segmentation["counts"]
    flat = np.repeat(np.arange(len(counts)) % 2, counts).astype(np.uint8)
    mask = flat.reshape((height, width), order="F")
    # Traced finer: outlines run through pixel centres, which would lose half a pixel all round.
    fine = np.repeat(np.repeat(mask, FINER, 0), FINER, 1)
    found, _ = cv2.findContours(fine, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    return [(line[:, 0].astype(np.float64) + 0.5) / FINER for line in found if len(line) >= 3]


def drawn_extents(content: dict[str, Any]) -> dict[int, dict[str, list[NDArray[np.float64]]]]:
    """Outlines of signs that people drew or called right, by image id and sign; those of a network are left out."""
    names = {c["id"]: c["name"] for c in content["categories"] if c["name"] in SIGN_NAMES}
    found: dict[int, dict[str, list[NDArray[np.float64]]]] = {}
    for note in content["annotations"]:
        name = names.get(note["category_id"])
        if name is not None and note.get("outline_by") != BY_NETWORK:
            shapes = found.setdefault(note["image_id"], {}).setdefault(name, [])
            shapes.extend(outlines_of(note["segmentation"]))
    return found


def filled(outlines: list[NDArray[np.float64]], size_px: int) -> NDArray[np.uint8]:
    """Mask of outlines in COCO pixels (corner of the first pixel at 0), islands left out, shape (size, size).

    Drawn finer and averaged: OpenCV fills the pixels of the edge too, which at full size would make an opening half a
    pixel wider all round.
    """
    fine = np.zeros((size_px * FINER, size_px * FINER), np.uint8)
    # OpenCV counts from the middle of the first pixel.
    cv2.fillPoly(fine, [np.round(outline * FINER - 0.5).astype(np.int32) for outline in outlines], 1)
    share = cv2.resize(fine * 255, (size_px, size_px), interpolation=cv2.INTER_AREA)
    return np.asarray(share >= 128, dtype=np.uint8)


def belt(mask: NDArray[np.uint8], half_px: float) -> NDArray[np.float32]:
    """1 inside, 0 outside, unknown along the edge; a small area keeps its inner half."""
    # From pixel centre to pixel centre; the edge lies half a pixel nearer.
    inside, outside = (cv2.distanceTransform(m, cv2.DIST_L2, 5) - 0.5 for m in (mask, 1 - mask))
    truth = mask.astype(np.float32)
    truth[(inside > 0) & (inside <= min(half_px, 0.5 * float(inside.max())))] = UNKNOWN
    truth[(outside > 0) & (outside <= half_px)] = UNKNOWN
    return truth


def sign_maps(
    entry: dict[str, Any], extents: dict[str, list[NDArray[np.float64]]], size_px: int, mm_per_px: float
) -> NDArray[np.float32] | None:
    """What a person said of where each sign is, shape (5, size, size); ``None`` if nothing.

    Parameters
    ----------
    entry
        The image's entry in ``labels.json``.
    extents
        Outlines by sign, in pixels of the square that is ``size_px`` wide.
    mm_per_px
        Edge of a pixel of that square.
    """
    if entry.get("verdict") == "not":
        return np.zeros((len(SIGN_NAMES), size_px, size_px), np.float32)
    if entry.get("verdict") != "sign":
        return None
    maps = np.full((len(SIGN_NAMES), size_px, size_px), UNKNOWN, np.float32)
    seen = set(entry.get("signs", ()))
    for number, name in enumerate(SIGN_NAMES):
        if name in seen and extents.get(name):
            mask = filled(extents[name], size_px)
            if mask.any():
                maps[number] = belt(mask, EDGE_MM / mm_per_px)
        elif name in entry.get("rejected", ()) and name not in seen:
            maps[number] = 0.0
    return maps if (maps >= 0).any() else None
