"""What the wound consists of, aperture and new tissue, and which stage that is."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np

from pipeline.classical.view import disk, logistic, smooth_step
from pipeline.classical.wound import fill_holes
from pipeline.records import Stage

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.classical.view import View
    from pipeline.classical.wound import Wound

    Layer = NDArray[np.float32]


class Parts(NamedTuple):
    """The wound divided: share of aperture inside it, and what the division was made from."""

    face: Layer
    plain: bool
    """Whether no band of new tissue was found round the face."""
    open_p: float
    """Probability that what looks like the face is open at all."""
    core_lab: NDArray[np.float64]
    face_share: float
    face_mm2: float
    band_mm: float


def divide(view: View, wound: Wound) -> Parts:
    """Tell the aperture from the new tissue round it."""
    region = wound.region
    if not region.any():
        return Parts(np.zeros(region.shape, np.float32), True, 0.0, np.array([50.0, 5.0, 15.0]), 0.0, 0.0, 0.0)
    depth = cv2.distanceTransform(np.pad(region.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    deepest = float(depth.max())
    soft = cv2.GaussianBlur(view.lab, (0, 0), max(0.5 / view.mm, 0.5))
    band = region & (depth > min(0.6 / view.mm, 0.2 * deepest)) & (depth <= max(0.3 * deepest, 1.5))
    core = region & (depth > 0.55 * deepest)
    band_lab = np.median(soft[band if band.any() else region], axis=0).astype(np.float64)
    core_lab = np.median(soft[core], axis=0).astype(np.float64)
    # A rim much darker than the bark is shadow or cut bark, not new tissue.
    rolled = band_lab[0] > wound.beside[0] - 9.0
    face = _face(soft, region, depth, band_lab, core_lab, view) if rolled else None
    open_p = 0.95
    plain = face is None
    if face is None:
        face = region.astype(np.float32)
        open_p = _looks_open(wound, core_lab, _grain(view.lab[..., 0], region))
    inside = face * region
    face_px = float(inside.sum())
    share = face_px / float(np.count_nonzero(region))
    core_lab = (soft * inside[..., None]).sum(axis=(0, 1), dtype=np.float64) / max(face_px, 1e-6)
    perimeter = 2 * np.sqrt(np.pi * max(face_px, 1.0)) * view.mm
    band_mm2 = (1 - share) * wound.area_mm2
    band_mm = float(np.sqrt(perimeter**2 + 4 * np.pi * band_mm2) - perimeter) / (2 * np.pi)
    return Parts(face, plain, open_p, core_lab, share, face_px * view.mm**2, band_mm)


def _face(
    soft: Layer,
    region: NDArray[np.bool_],
    depth: Layer,
    band_lab: NDArray[np.float64],
    core_lab: NDArray[np.float64],
    view: View,
) -> Layer | None:
    """Probability of face inside the wound, where a paler band goes all round it; else ``None``.

    New tissue is paler than what it surrounds; where the band is the darker one it is the shadow or the cut
    edge of the bark, and the whole wound is face.
    """
    dark_spot = float(np.percentile(soft[..., 0][region], 4))
    small_spot = np.linalg.norm(core_lab - band_lab) < 9.0 or core_lab[0] > band_lab[0] - 5.0
    if small_spot:
        # A small dark opening in a wide roll: the core's median is still new tissue.  A seam is not that dark.
        if band_lab[0] - dark_spot < 22.0 or dark_spot > 0.45 * band_lab[0]:
            return None
        core_lab = np.median(soft[region & (soft[..., 0] < dark_spot + 6.0)], axis=0).astype(np.float64)
    way = (core_lab - band_lab) * (0.8, 1.0, 1.0)
    scaled = (way * (0.8, 1.0, 1.0) / float(way @ way)).astype(np.float32)
    t = (soft - band_lab.astype(np.float32)) @ scaled
    core = (t > 0.5) & region
    middle = region & (depth > 0.6 * float(depth.max()))
    if not _goes_round(core, region, depth, view) or (not small_spot and float(core[middle].mean()) < 0.6):
        return None
    solid = cv2.morphologyEx(core.astype(np.uint8), cv2.MORPH_OPEN, disk(0.7 / view.mm))
    if not solid.any():
        return None
    filled = _hull(solid) & region
    face = logistic(9.0 * (t - 0.5))
    return np.where(filled, np.maximum(face, 0.9), np.minimum(face, 0.4)).astype(np.float32)


def _goes_round(core: NDArray[np.bool_], region: NDArray[np.bool_], depth: Layer, view: View) -> bool:
    """Whether the outermost millimetre is band in at least seven of eight directions; streaks of wood are not."""
    rows, cols = np.nonzero(region & (depth <= max(1.3 / view.mm, 1.5)))
    middle_row, middle_col = (axis.mean() for axis in np.nonzero(region))
    eighth = ((np.arctan2(rows - middle_row, cols - middle_col) / np.pi + 1) * 3.999).astype(np.int64)
    pixels = np.maximum(np.bincount(eighth, minlength=8), 1)
    share = np.bincount(eighth, core[rows, cols], 8) / pixels
    return int(np.count_nonzero(share < 0.5)) >= 7


def _hull(solid: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Each part filled to its convex hull where that adds little, else only its holes: openings are nearly convex."""
    out = fill_holes(solid > 0)
    contours, _ = cv2.findContours(solid, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = np.zeros_like(solid)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.concatenate(contours)), 1)
    if np.count_nonzero(hull) < 1.8 * np.count_nonzero(out):
        return hull > 0
    return out


def _grain(lightness: Layer, region: NDArray[np.bool_]) -> float:
    """How much faster lightness changes across the trunk than along it: wood's fibres run along."""
    inner = cv2.erode(region.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    if np.count_nonzero(inner) < 20:
        return 1.0
    across = np.abs(cv2.Sobel(lightness, cv2.CV_32F, 1, 0))[inner].mean()
    along = np.abs(cv2.Sobel(lightness, cv2.CV_32F, 0, 1))[inner].mean()
    return float(across / (along + 1e-3))


def _looks_open(wound: Wound, lab: NDArray[np.float64], grain: float) -> float:
    """Probability that a wound of one colour is open wood and not new tissue."""
    wood = 0.09 * (wound.contrast - 20.0) + 1.2 * (grain - 1.3)
    dark = 0.06 * (45.0 - lab[0])
    return float(np.clip(logistic(np.float64(wood + max(dark, 0.0))), 0.05, 0.95))


def stage_probabilities(wound: Wound, parts: Parts) -> NDArray[np.float64]:
    """Probabilities of the stages from shares and colours; the order of the weights follows the visible tests."""
    there = smooth_step(wound.area_mm2, 8.0, 40.0) * smooth_step(wound.contrast, 4.0, 14.0)
    opened = parts.open_p * smooth_step(parts.face_mm2, 3.0, 12.0)
    rolled = smooth_step(parts.band_mm, 0.5, 1.6) * smooth_step(1 - parts.face_share, 0.08, 0.22)
    small = smooth_step(parts.face_share, 0.68, 0.45)
    # Wood goes from yellow to red as it browns; in deep shade its colour says nothing.
    light, a, b = parts.core_lab
    pale = smooth_step(float(np.degrees(np.arctan2(b, a))), 70.0, 79.0) * smooth_step(light, 30.0, 48.0)
    weights = np.zeros(len(Stage))
    weights[Stage.FRESH] = opened * (1 - rolled) * pale
    weights[Stage.RESINOUS] = opened * (1 - rolled) * (1 - pale)
    weights[Stage.CALLUS] = opened * rolled * (1 - small)
    weights[Stage.CLOSING] = opened * rolled * small
    weights[Stage.CLOSED] = (1 - opened) * there
    weights[Stage.REBARKED] = 0.8 * (1 - there)
    # Right in about half of the cases on drawn photos: the answer may not sound surer than that.
    weights = weights + 0.12
    return np.asarray(weights / weights.sum())
