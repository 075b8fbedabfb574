"""A card that follows a thin trunk: curved about its long axis, told from a flat one and fitted.

A bent card lies on a cylinder that touches the flat card's face along its long middle line: a place ``x`` right of that
line is at ``(sin(k x) / k, y, (cos(k x) - 1) / k)`` for the curvature ``k``.  All corners of the markers lie equally
far from the middle line, so the corners hardly tell a bend; the markers' upper and lower edges do, which then are bows
in every view that is not exactly level with them.  Flat and bent are compared by what the edge fits saw: corners, and
how far the middle of each edge lies outside the line between its ends (likelihood ratio).  No card bends more than the
trunk it hangs on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline import camera

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import CardFix

SHARES = np.linspace(-0.4, 0.4, 9)
"""Places along an edge, as shares of its length: the part that the edge fits look at."""
BOW_OF_SQUARE = -0.25
"""Bow of an edge whose offset is the share's square: middle against the line between both ends."""
STEPS = (1e-5, 1e-5, 1e-5, 1e-2, 1e-2, 1e-2, 1e-5)
LEAST_GAIN = 9.0
"""Chi-squared that the bend must take away: three standard uncertainties."""
LEAST_BEND_PER_MM = 0.0012
"""Curvature below which the card counts as flat: 0.3 mm from middle to edge change an area by about 0.1 %."""
BOW_SD_SHARE = 1.5
"""Bows are this much less certain than the profiles' scatter says, as neighbouring profiles err alike (judged on drawn
photos)."""
ROOM = 1.15
"""How much more than its trunk a card may seem to bend."""
ROUNDS = 4


@dataclass(frozen=True, slots=True, eq=False)
class BentPose:
    """A bent card's pose: rotation (3, 3), translation (3,), curvature with its uncertainty, corners' rms miss."""

    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]
    bend_per_mm: float
    bend_sd_per_mm: float
    rms_px: float


def on_card(flat_mm: NDArray[np.float64], bend_per_mm: float) -> NDArray[np.float64]:
    """Card-frame points (..., 3) of places (..., 2) of a card's face with a curvature about its long axis."""
    x, y = flat_mm[..., 0], flat_mm[..., 1]
    angle = bend_per_mm * x
    # sin(k x) / k and (cos(k x) - 1) / k without dividing by a curvature of 0
    return np.stack([x * np.sinc(angle / np.pi), y, -angle / 2 * x * np.sinc(angle / (2 * np.pi)) ** 2], axis=-1)


def fit(
    card: CardFix,
    matrix: NDArray[np.float64],
    distortion: NDArray[np.float64],
    rotation: NDArray[np.float64],
    translation_mm: NDArray[np.float64],
    radius_mm: float,
) -> BentPose | None:
    """The pose of a bent card, or ``None`` where a flat one explains what was seen as well.

    Parameters
    ----------
    card
        Corners and bows of both markers.
    matrix, distortion
        Camera.
    rotation, translation_mm
        Pose of the flat card.
    radius_mm
        Of the trunk: the card bends no more than it.
    """
    if card.bows_px is None or len(card.corners_px) != 8:
        return None
    sd = np.concatenate([np.full(16, card.corner_sd_px), np.full(8, max(BOW_SD_SHARE * card.bow_sd_px, 0.02))])
    wanted = np.concatenate([card.corners_px.ravel(), card.bows_px])
    turn, shift, bend = rotation, translation_mm, 0.0
    for turn_number in range(ROUNDS):
        seen, rates = _linear(card.corners_mm, turn, shift, bend, matrix, distortion)
        miss, rates = (wanted - seen) / sd, rates / sd[:, None]
        covariance = np.linalg.inv(rates.T @ rates)
        step = covariance @ (rates.T @ miss)
        left = float(((miss - rates @ step) ** 2).sum())
        birge = max(1.0, left / (len(miss) - 7))
        bend_sd = float(np.sqrt(covariance[6, 6] * birge))
        # the bend alone, all else refitted, lowers chi-squared by its square over its variance
        if turn_number == 0 and not _is_bent(step[6], bend_sd):
            return None
        largest = ROOM / radius_mm
        if bend + step[6] > largest:
            step = step + covariance[:, 6] / covariance[6, 6] * (largest - bend - step[6])
        turn, shift, bend = camera.rotation_of(step[:3]) @ turn, shift + step[3:6], bend + float(step[6])
    if not _is_bent(bend, bend_sd):
        return None
    off = _seen(card.corners_mm, turn, shift, bend, matrix, distortion)[:16].reshape(8, 2) - card.corners_px
    return BentPose(turn, shift, bend, bend_sd, float(np.sqrt((off**2).sum(axis=1).mean())))


def _is_bent(bend: float, bend_sd: float) -> bool:
    return bend > LEAST_BEND_PER_MM and bend**2 > LEAST_GAIN * bend_sd**2


def _linear(
    corners_mm: NDArray[np.float64],
    turn: NDArray[np.float64],
    shift: NDArray[np.float64],
    bend: float,
    matrix: NDArray[np.float64],
    distortion: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What the edge fits would see, shape (24,), and how fast it moves with pose and bend, shape (24, 7)."""
    seen = _seen(corners_mm, turn, shift, bend, matrix, distortion)
    rates = []
    for k, step in enumerate(STEPS):
        change = step * np.eye(7)[k]
        moved = camera.rotation_of(change[:3]) @ turn, shift + change[3:6], bend + float(change[6])
        rates.append((_seen(corners_mm, *moved, matrix, distortion) - seen) / step)
    return seen, np.stack(rates, axis=1)


def _seen(
    corners_mm: NDArray[np.float64],
    turn: NDArray[np.float64],
    shift: NDArray[np.float64],
    bend: float,
    matrix: NDArray[np.float64],
    distortion: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Corners (straight lines through the edges, intersected) and bows that a card would show, shape (24,)."""
    start = corners_mm.reshape(-1, 4, 2)
    way = np.roll(start, -1, axis=1) - start
    flat = start[:, :, None] + (SHARES[:, None] + 0.5) * way[:, :, None]
    at = camera.project(on_card(flat, bend), turn, shift, matrix, distortion)
    middle = at.mean(axis=2)
    direction = np.einsum("s,mesk->mek", SHARES, at) / (SHARES**2).sum()
    length = np.hypot(direction[..., 0], direction[..., 1])
    outward = np.stack([direction[..., 1], -direction[..., 0]], axis=-1) / length[..., None]
    curve = SHARES**2 - (SHARES**2).mean()
    square = np.einsum("s,mesk->mek", curve, at) / (curve**2).sum()
    bows = BOW_OF_SQUARE * (square * outward).sum(axis=-1)
    before, way_before = np.roll(middle, 1, axis=1), np.roll(direction, 1, axis=1)
    cross = way_before[..., 0] * direction[..., 1] - way_before[..., 1] * direction[..., 0]
    gap = middle - before
    t = (gap[..., 0] * direction[..., 1] - gap[..., 1] * direction[..., 0]) / cross
    return np.concatenate([(before + t[..., None] * way_before).ravel(), bows.ravel()])
