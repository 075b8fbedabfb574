"""Where the wound is: unlike the bark round about, near the place of the site, coloured as wood or callus can be."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np

from pipeline.classical.view import FLOOR, WOUND_DENSITY, blur, density, disk, logistic

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.classical.view import View

    Layer = NDArray[np.float32]


class Wound(NamedTuple):
    """Where the wound is, at working size: probability, hard region, and how plainly it stands out."""

    p: Layer
    region: NDArray[np.bool_]
    contrast: float
    area_mm2: float
    solidity: float
    bark: Layer
    """Density of the bark's colours."""
    beside: NDArray[np.float64]
    """Median CIELAB of the bark just outside."""


def find_wound(view: View) -> Wound:
    """Find what is unlike the bark: three looks, each with the colours that the one before has found."""
    shown = view.valid.astype(np.float32)
    bark = density(view.cell, shown * (1 - view.near) ** 2)
    own = WOUND_DENSITY
    region = np.zeros(shown.shape, np.bool_)
    p = np.zeros(shown.shape, np.float32)
    for turn in range(3):
        odds = np.log((own + FLOOR) / (bark + FLOOR))
        p = logistic(blur(np.clip(odds, -4, 4)[view.cell], 0.6 / view.mm) + 2.4 * view.near - 1.6)
        p *= shown
        region = _main_region(p, view)
        if turn == 2 or not region.any():
            break
        inner = cv2.erode(region.astype(np.uint8), disk(1.0 / view.mm)).astype(np.float32)
        outer = 1 - cv2.dilate(region.astype(np.uint8), disk(4.0 / view.mm)).astype(np.float32)
        if inner.sum() < 12:
            inner = region.astype(np.float32)
        own = np.asarray(
            0.6 * density(view.cell, inner) + 0.2 * density(view.shaded, inner) + 0.2 * WOUND_DENSITY,
            dtype=np.float32,
        )
        bark = density(view.cell, shown * outer * (1.2 - view.near))
    return _described(p, region, bark, view)


def _main_region(p: Layer, view: View) -> NDArray[np.bool_]:
    """The likeliest connected region, and others close to it; holes are filled, thin tails (runs of resin) cut off."""
    solid = cv2.morphologyEx((p > 0.5).astype(np.uint8), cv2.MORPH_OPEN, disk(0.8 / view.mm))
    solid = cv2.morphologyEx(solid, cv2.MORPH_CLOSE, disk(1.5 / view.mm))
    stout = cv2.morphologyEx(solid, cv2.MORPH_OPEN, disk(2.2 / view.mm))
    count, labels = cv2.connectedComponents(solid, connectivity=4)
    if count < 2:
        return np.zeros(p.shape, np.bool_)
    weight = np.bincount(
        labels.ravel(), ((p - 0.4) * view.near * (0.35 + stout + 2.0 * (view.lab[..., 0] < 13))).ravel(), count
    )
    weight[0] = 0
    main = int(weight.argmax())
    around = cv2.dilate((labels == main).astype(np.uint8), disk(8.0 / view.mm)) > 0
    kept = np.zeros(count, np.bool_)
    kept[np.unique(labels[around])] = True
    kept &= weight > 0.15 * weight[main]
    kept[0] = False
    region = kept[labels]
    if float(view.near[region].mean()) < 0.12:
        # Nothing near the place of the site; what stands out at the border is something else.
        return np.zeros(p.shape, np.bool_)
    body = region & (cv2.dilate(stout, disk(0.8 / view.mm)) > 0)
    if np.count_nonzero(body) > 0.3 * np.count_nonzero(region):
        region = body
    return fill_holes(region)


def fill_holes(region: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The region without holes."""
    outside = np.pad((~region).astype(np.uint8), 1, constant_values=1)
    _, labels = cv2.connectedComponents(outside, connectivity=4)
    return np.asarray(labels[1:-1, 1:-1] != labels[0, 0])


_SECTORS = 16


def onto_edges(region: NDArray[np.bool_], view: View) -> NDArray[np.bool_]:
    """Move the outline, in each of sixteen directions, out to a strong edge within a few millimetres.

    For an open wound without new tissue: its face is surrounded by the shadow and the cut edge of the bark, which
    are dark as bark is, and the rim is the outermost of the strong edges.
    """
    soft = cv2.GaussianBlur(view.lab, (0, 0), 0.8)
    slope = sum(
        np.hypot(cv2.Sobel(soft[..., k], cv2.CV_32F, 1, 0), cv2.Sobel(soft[..., k], cv2.CV_32F, 0, 1)) for k in range(3)
    )
    outward = cv2.distanceTransform((~region).astype(np.uint8), cv2.DIST_L2, 5)
    inward = cv2.distanceTransform(np.pad(region.astype(np.uint8), 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    distance = outward - inward
    reach, fall = 4.0 / view.mm, 5.0 / view.mm
    near = (distance > -1.5) & (distance < reach)
    rows, cols = np.nonzero(near)
    middle_row, middle_col = (axis.mean() for axis in np.nonzero(region))
    turn = (np.arctan2(rows - middle_row, cols - middle_col) / (2 * np.pi) + 0.5) * _SECTORS
    sector = np.minimum(turn.astype(np.int64), _SECTORS - 1)
    step = np.floor(distance[near] + 1.5).astype(np.int64)
    steps = int(step.max()) + 1
    cell = sector * steps + step
    pixels = np.bincount(cell, minlength=_SECTORS * steps)
    strength = np.bincount(cell, slope[near], _SECTORS * steps) / np.maximum(pixels, 1)
    offset = np.arange(steps) - 1.0
    score = strength.reshape(_SECTORS, steps) * np.exp(-((offset / fall) ** 2))
    score = (np.roll(score, 1, axis=0) + 2 * score + np.roll(score, -1, axis=0)) / 4
    strong = score >= 0.8 * score.max(axis=1, keepdims=True)
    best = offset[steps - 1 - strong[:, ::-1].argmax(axis=1)]
    best = np.median([np.roll(best, 1), best, np.roll(best, -1)], axis=0)
    place = np.arange(_SECTORS) + 0.5
    limit = np.interp(turn, place, best, period=_SECTORS)
    moved = region & (distance <= -1.5)
    moved[near] = distance[near] <= limit
    return fill_holes(moved) if moved.any() else region


def _described(p: Layer, region: NDArray[np.bool_], bark: Layer, view: View) -> Wound:
    area = float(np.count_nonzero(region)) * view.mm**2
    if area < 4.0:
        return Wound(p * 0.3, np.zeros_like(region), 0.0, 0.0, 0.0, bark, np.zeros(3))
    wide = cv2.dilate(region.astype(np.uint8), disk(6.0 / view.mm)) > 0
    gap = cv2.dilate(region.astype(np.uint8), disk(1.5 / view.mm)) > 0
    around = wide & ~gap & view.valid
    contrast, beside = 0.0, np.zeros(3)
    if around.any():
        inside = view.lab[region]
        # The part that differs most counts: a closing wound is mostly bark-like, its opening is not.
        beside = np.median(view.lab[around], axis=0).astype(np.float64)
        contrast = float(np.percentile(np.sqrt((((inside - beside) * (0.7, 1.3, 1.0)) ** 2).sum(axis=1)), 60))
    contours, _ = cv2.findContours(region.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    hull = np.zeros(region.shape, np.uint8)
    cv2.fillConvexPoly(hull, cv2.convexHull(np.concatenate(contours)), 1)
    solidity = float(np.count_nonzero(region)) / float(np.count_nonzero(hull))
    spread = cv2.GaussianBlur(region.astype(np.float32), (0, 0), 0.7)
    return Wound(np.asarray(spread, dtype=np.float32), region, contrast, area, solidity, bark, beside)
