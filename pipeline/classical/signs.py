"""Signs from colour, shape and distance to the wound."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline.classical.view import BLEEDING_DENSITY, FLOOR, blur, disk, logistic
from pipeline.records import Sign

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.classical.parts import Parts
    from pipeline.classical.view import View
    from pipeline.classical.wound import Wound

    Layer = NDArray[np.float32]


def read_signs(view: View, wound: Wound, parts: Parts) -> tuple[Layer, NDArray[np.float64], float]:
    """Maps and probabilities of the signs, and the probability that look-alikes are there."""
    lab = cv2.GaussianBlur(view.lab, (0, 0), max(0.7 / view.mm, 0.5))
    bark = (
        np.median(lab[view.valid & ~wound.region], axis=0) if (view.valid & ~wound.region).any() else lab.mean((0, 1))
    )
    light, a, b = lab[..., 0], lab[..., 1], lab[..., 2]
    if wound.region.any():
        away = cv2.distanceTransform((~wound.region).astype(np.uint8), cv2.DIST_L2, 3) * view.mm
    else:
        away = np.full(light.shape, 40.0, np.float32)
    close = logistic((14.0 - away) / 4.0) * view.valid
    green = (
        logistic(0.9 * (-(a - min(float(bark[1]), 4.0)) - 7.0))
        * logistic(0.8 * (-a - 2.0))
        * logistic(0.4 * (light - 18.0))
    )
    chroma = np.hypot(a, b)
    white = logistic(0.35 * (light - max(74.0, float(bark[0]) + 16.0))) * logistic(0.6 * (13.0 - chroma))
    odds = np.log((BLEEDING_DENSITY + FLOOR) / (wound.bark + FLOOR))
    # Against the bark round about, so that the shaded side of the trunk is not dark all over.
    dark = logistic(0.4 * (cv2.blur(light, (round(40.0 / view.mm) | 1,) * 2) - 8.0 - light)) * logistic(
        1.0 + blur(np.clip(odds, -4, 4)[view.cell], 1.2 / view.mm)
    )
    maps = np.zeros((len(Sign), *light.shape), np.float32)
    order = {sign: k for k, sign in enumerate(Sign)}
    maps[order[Sign.GREEN_FILM]] = green * close
    maps[order[Sign.WHITE_MYCELIUM]] = white * close
    maps[order[Sign.CONK]] = _shelves(lab, view) * logistic((25.0 - away) / 5.0)
    maps[order[Sign.DARK_BLEEDING]] = (
        _streaks(dark, wound, view) * logistic((45.0 - away) / 6.0) * logistic(30.0 * (view.near - 0.12))
    )
    maps[order[Sign.SUNKEN_BARK]] = _sunken(lab, bark, wound, view, away)
    mm2 = (maps * (maps > 0.4)).sum(axis=(1, 2)) * view.mm**2
    halfway = np.array([60.0, 60.0, 150.0, 140.0, 260.0])
    sign_p = np.clip(logistic(2.2 * np.log((mm2 + 4.0) / halfway)), 0.02, 0.93).astype(np.float64)
    elsewhere = float(((green + white) * (1 - close))[view.valid].mean()) if view.valid.any() else 0.0
    lookalike_p = float(np.clip(logistic(np.float64(2.0 * np.log((elsewhere + 0.002) / 0.06))), 0.03, 0.95))
    return maps, sign_p, lookalike_p


def _shelves(lab: Layer, view: View) -> Layer:
    """Conk: a pale margin with a dark shadow right below it, over a width of a centimetre and more."""
    light = lab[..., 0]
    width = max(round(9.0 / view.mm), 3) | 1
    level = cv2.blur(light, (width, max(round(1.5 / view.mm), 1)))
    below, above = _moved(level, -4.5 / view.mm), _moved(level, 9.0 / view.mm)
    # The body above the margin is darker than the margin too; the upper edge of a window has plain bark there.
    edge = (
        logistic(0.3 * (level - below - 20.0)) * logistic(0.3 * (level - above - 14.0)) * logistic(0.3 * (level - 55.0))
    )
    wide = np.ones((1, max(round(8.0 / view.mm), 3)), np.uint8)
    edge = cv2.morphologyEx(edge, cv2.MORPH_OPEN, wide)
    up = max(round(9.0 / view.mm), 1)
    return np.asarray(cv2.dilate(edge, np.ones((up, 3), np.uint8), anchor=(1, 0)), dtype=np.float32)


def _moved(layer: Layer, rows: float) -> Layer:
    """The layer moved down (positive) or up, its border row repeated."""
    index = np.clip(np.arange(layer.shape[0]) - round(rows), 0, layer.shape[0] - 1)
    return layer[index]


def _streaks(dark: Layer, wound: Wound, view: View) -> Layer:
    """Dark bleeding: a dark, wide, upright stain on the bark; thin runs of resin are not."""
    covered = cv2.dilate(wound.region.astype(np.uint8), disk(2.0 / view.mm)) > 0
    outside = np.where(covered, 0, dark).astype(np.float32)
    hard = (cv2.morphologyEx(outside, cv2.MORPH_OPEN, disk(1.8 / view.mm)) > 0.4).astype(np.uint8)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(hard, connectivity=8)
    tall = stats[:, cv2.CC_STAT_HEIGHT] * view.mm
    wide = np.maximum(stats[:, cv2.CC_STAT_AREA] * view.mm**2 / np.maximum(tall, 1.0), 0.5)
    # A run of resin is a few millimetres wide; a stain is wider, and longer than wide.
    shape = logistic((tall - 12.0) / 3.0) * logistic(2.0 * (tall / wide - 1.8)) * logistic(2.5 * (wide - 4.6))
    shape[0] = 0
    body = cv2.dilate(shape.astype(np.float32)[labels], disk(1.0 / view.mm))
    return np.asarray(np.sqrt(outside) * body, dtype=np.float32)


def _sunken(lab: Layer, bark: NDArray[np.float32], wound: Wound, view: View, away: Layer) -> Layer:
    """Sunken bark: a broad duller and darker patch of bark by the wound; faint, so never more than a doubt."""
    broad = cv2.blur(lab, (round(12.0 / view.mm) | 1,) * 2)
    duller = logistic(0.5 * (float(bark[0]) - 9.0 - broad[..., 0])) * logistic(
        0.4 * (broad[..., 1] - float(bark[1]) + 1.0)
    )
    beside = (away > 2.0) & (away < 30.0)
    return np.asarray(0.6 * duller * beside * (wound.area_mm2 > 0), dtype=np.float32)
