"""Maps at the full size of the patch, their rims on the edges of the picture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline.classical.view import smooth_step
from pipeline.records import Tissue

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.classical.parts import Parts
    from pipeline.classical.view import View
    from pipeline.classical.wound import Wound
    from pipeline.records import SitePatch

    Layer = NDArray[np.float32]


def tissue_map(patch: SitePatch, view: View, wound: Wound, parts: Parts) -> Layer:
    """Tissue at full size; the rims follow the edges of the picture."""
    shape = patch.valid.shape
    trust = 0.55 + 0.42 * float(smooth_step(wound.contrast, 6.0, 18.0))
    whole = np.clip(wound.p * trust, 0, 0.97).astype(np.float32)
    face = np.clip(wound.p * parts.face * parts.open_p, 0, 0.97).astype(np.float32)
    face, whole = full_size(face, shape), full_size(whole, shape)
    if wound.region.any():
        box = _box_round(whole > 0.02, 5.0 / patch.mm_per_px)
        guide = cv2.cvtColor(np.ascontiguousarray(patch.rgb[box]), cv2.COLOR_RGB2GRAY).astype(np.float32)
        face[box] = _follow_edges(face[box], guide, 1.6 / patch.mm_per_px)
        whole[box] = np.maximum(_follow_edges(whole[box], guide, 1.6 / patch.mm_per_px), face[box])
    planes = np.empty((len(Tissue), *shape), np.float32)
    shown = patch.valid.astype(np.float32)
    rest = 1 - whole
    planes[Tissue.APERTURE] = face * shown
    planes[Tissue.NEW_TISSUE] = (whole - face) * shown
    planes[Tissue.FOREIGN] = 0.01 * rest * shown
    planes[Tissue.BACKGROUND] = 1 - shown + 0.01 * rest * shown
    planes[Tissue.BARK] = 0.98 * rest * shown
    return np.moveaxis(planes, 0, -1)


def _box_round(mask: NDArray[np.bool_], margin_px: float) -> tuple[slice, slice]:
    left, top, width, height = cv2.boundingRect(mask.astype(np.uint8))
    margin = round(margin_px) if width else 0
    return slice(max(top - margin, 0), top + height + margin), slice(max(left - margin, 0), left + width + margin)


def _follow_edges(p: Layer, guide: Layer, radius_px: float) -> Layer:
    """Guided filter (He, Sun & Tang 2013): where the picture has an edge near the rim, the rim moves onto it."""
    side = 2 * max(round(radius_px), 1) + 1
    box = (side, side)
    mean_g, mean_p = cv2.blur(guide, box), cv2.blur(p, box)
    slope = (cv2.blur(guide * p, box) - mean_g * mean_p) / (cv2.blur(guide * guide, box) - mean_g * mean_g + 40.0)
    offset = mean_p - slope * mean_g
    return np.asarray(np.clip(cv2.blur(slope, box) * guide + cv2.blur(offset, box), 0, 1), dtype=np.float32)


def as_maps(layers: list[Layer]) -> Layer:
    """Shape (H, W, N) over contiguous planes, which is how the maps are used."""
    return np.moveaxis(np.stack(layers), 0, -1)


def full_size(layers: Layer, shape: tuple[int, int]) -> Layer:
    """Enlarge a layer to the size of the patch, linearly."""
    return np.asarray(cv2.resize(layers, shape[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.float32)
