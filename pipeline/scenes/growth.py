"""The wound's shape: how an opening begins and how its rim advances, as a level set in the site frame.

Every function takes places (mm) and returns a signed field: positive inside, about the distance to the
outline in mm near it.  The opening is exactly the set where :func:`opening` is positive, so areas, widths and
masks of any resolution come from one definition.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pipeline.records import Stage, WoundKind
from pipeline.scenes.noise import waves

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.scenes.spec import WoundState

Places: TypeAlias = NDArray[np.float32] | NDArray[np.float64]

CALLUS_FROM_MM = 0.35
"""Rim advance from which a bead of callus can be seen."""
CLOSING_SHARE = 0.6
"""Share of the first area below which the opening counts as clearly smaller."""
RESINOUS_FROM = 0.35
"""Browning from which fresh wood counts as browned."""
REBARKED_FROM = 0.6
"""Cover of new bark from which a closed wound counts as rebarked."""
CLOSED_BELOW_MM2 = 0.5
"""Openings smaller than this cannot be seen and count as closed."""


def is_round(wound: WoundState) -> bool:
    """Whether the wound began as an ellipse; others began as a rounded box."""
    return wound.kind in (WoundKind.DRILL_HOLE, WoundKind.NAIL_HOLE)


@dataclass(frozen=True, slots=True, eq=False)
class _Around:
    """Places relative to the wound's middle: plain, and with the rim's wander taken out."""

    x: Places
    y: Places
    dx: Places
    dy: Places


def _around(wound: WoundState, x_mm: Places, y_mm: Places) -> _Around:
    x, y = x_mm - wound.centre_mm[0], y_mm - wound.centre_mm[1]
    if wound.ragged_mm <= 0:
        return _Around(x, y, x, y)
    size = min(wound.width_mm, wound.height_mm)
    wavelength = max(6.0, 0.4 * size)
    # a bit cuts a rounder rim than a chisel
    wander = np.float32(0.7 * wound.ragged_mm * min(1.0, size / (60.0 if is_round(wound) else 30.0)))
    dx = x + wander * waves(x, y, wavelength, wound.seed * 5 + 1)
    dy = y + wander * waves(x, y, wavelength, wound.seed * 5 + 2)
    return _Around(x, y, dx, dy)


def _soft_min(a: Places, b: Places, k_mm: float) -> Places:
    if k_mm <= 0:
        return np.minimum(a, b)
    h = np.maximum(k_mm - np.abs(a - b), 0)
    return np.asarray(np.minimum(a, b) - h * h / (4 * k_mm))


def _lobe(t: Places, seed: int, period: float) -> Places:
    rng = np.random.default_rng([seed, 41])
    phases, weights = rng.uniform(0, 2 * np.pi, 4), rng.uniform(0.4, 1.0, 4) / np.arange(1, 5)
    total = sum(
        w * np.sin(2 * np.pi * (k + 1) * t / period + p) for k, (w, p) in enumerate(zip(weights, phases, strict=True))
    )
    return np.asarray(total / np.sqrt(np.sum(weights**2) / 2))


def _field(wound: WoundState, at: _Around, advance_mm: float) -> NDArray[np.float32]:
    side, end = advance_mm, advance_mm * wound.end_share
    if is_round(wound):
        return _round_field(wound, at, side, end)
    hw, hh = wound.width_mm / 2, wound.height_mm / 2

    def advance(along: Places, base: float, seed: int, period: float) -> Places:
        if base == 0:
            return np.zeros_like(along)
        return base * np.maximum(1 + wound.lobes * 0.6 * _lobe(along, wound.seed * 7 + seed, period), 0.1)

    left = hw + at.dx - advance(at.y, side, 1, 1.7 * wound.height_mm)
    right = hw - at.dx - advance(at.y, side, 2, 1.7 * wound.height_mm)
    top = hh - at.dy - advance(at.x, end, 3, 1.7 * wound.width_mm)
    bottom = hh + at.dy - advance(at.x, end, 4, 1.7 * wound.width_mm)
    field = _soft_min(np.minimum(left, right), np.minimum(top, bottom), wound.corner_mm)
    return np.asarray(field, dtype=np.float32)


def _round_field(wound: WoundState, at: _Around, side: float, end: float) -> NDArray[np.float32]:
    r = np.hypot(at.dx, at.dy) + 1e-6
    c2 = (at.dx / r) ** 2
    reach = 1 / np.sqrt(c2 / (wound.width_mm / 2) ** 2 + (1 - c2) / (wound.height_mm / 2) ** 2)
    if side == 0:
        return np.asarray(reach - r, dtype=np.float32)
    uneven = 1 + wound.lobes * 0.6 * _lobe(np.arctan2(at.dy, at.dx), wound.seed, 2 * np.pi)
    return np.asarray(reach - r - (end + (side - end) * c2) * np.maximum(uneven, 0.1), dtype=np.float32)


def first_outline(wound: WoundState, x_mm: Places, y_mm: Places) -> NDArray[np.float32]:
    """Positive inside the wound as it was made."""
    return _field(wound, _around(wound, x_mm, y_mm), 0.0)


def opening(wound: WoundState, x_mm: Places, y_mm: Places) -> NDArray[np.float32]:
    """Positive inside the opening as it is now."""
    field = _field(wound, _around(wound, x_mm, y_mm), wound.advance_mm)
    if wound.islands > 0:
        field = np.minimum(field, -island(wound, x_mm, y_mm))
    return field


def island(wound: WoundState, x_mm: Places, y_mm: Places) -> NDArray[np.float32]:
    """Positive on islands of new bark on the wood's face (clipped to nothing outside it by the caller)."""
    dx, dy = x_mm - wound.centre_mm[0], (y_mm - wound.centre_mm[1]) * 0.6
    size = max(8.0, 0.45 * wound.width_mm)
    noise = waves(dx, dy, size, wound.seed * 11 + 3, count=12)
    # share covered by a Gaussian field above a level: the level of that quantile (Abramowitz & Stegun 26.2.23)
    level = _normal_quantile(1 - min(max(wound.islands, 1e-3), 1 - 1e-3))
    return np.asarray((noise - level) * size / 6, dtype=np.float32)


def _normal_quantile(p: float) -> float:
    q = min(p, 1 - p)
    t = np.sqrt(-2 * np.log(q))
    z = t - (2.515517 + 0.802853 * t + 0.010328 * t * t) / (1 + 1.432788 * t + 0.189269 * t * t + 0.001308 * t**3)
    return float(z if p > 0.5 else -z)


def callus_swell_mm(wound: WoundState) -> float:
    """How far the swelling reaches outside the first outline."""
    return float(min(0.35 * wound.advance_mm, 3.0))


def extent_mm(wound: WoundState, margin_mm: float = 6.0) -> tuple[float, float, float, float]:
    """Left, right, bottom, top of a rectangle that holds the wound."""
    m = margin_mm + 3 * wound.ragged_mm
    x, y = wound.centre_mm
    return (
        x - wound.width_mm / 2 - m,
        x + wound.width_mm / 2 + m,
        y - wound.height_mm / 2 - m,
        y + wound.height_mm / 2 + m,
    )


def fully_closed_advance_mm(wound: WoundState) -> float:
    """Smallest rim advance (to 0.05 mm) at which no opening is left, islands aside."""
    at = _coarse(wound)
    return _bisect(
        lambda advance: float(_field(wound, at, advance).max()) > 0, 3.0 * max(wound.width_mm, wound.height_mm)
    )


def advance_for_share(wound: WoundState, share: float) -> float:
    """Rim advance (to 0.05 mm) that leaves a share of the first area open, islands aside."""
    at = _coarse(wound)
    step = _coarse_step_mm(wound)

    def open_sum(advance: float) -> float:
        return float(np.clip(_field(wound, at, advance) / step + 0.5, 0, 1).sum())

    wanted = share * open_sum(0.0)
    return _bisect(lambda advance: open_sum(advance) > wanted, 3.0 * max(wound.width_mm, wound.height_mm))


def _coarse_step_mm(wound: WoundState) -> float:
    return max(0.12, min(wound.width_mm, wound.height_mm) / 100)


def _coarse(wound: WoundState) -> _Around:
    left, right, bottom, top = extent_mm(wound, 1.0)
    step = _coarse_step_mm(wound)
    x = np.arange(left, right, step, dtype=np.float32)[None, :]
    y = np.arange(top, bottom, -step, dtype=np.float32)[:, None]
    return _around(wound, x, y)


def _bisect(still: Callable[[float], bool], high: float, tolerance: float = 0.05) -> float:
    low = 0.0
    while high - low > tolerance:
        middle = (low + high) / 2
        low, high = (middle, high) if still(middle) else (low, middle)
    return high


def stage_of(wound: WoundState, area_mm2: float, first_area_mm2: float) -> Stage:
    """Closure stage by the visible test of each stage."""
    if area_mm2 < CLOSED_BELOW_MM2:
        return Stage.REBARKED if wound.bark_over >= REBARKED_FROM else Stage.CLOSED
    if wound.advance_mm < CALLUS_FROM_MM:
        browned = wound.browning >= RESINOUS_FROM or wound.resin >= 0.25 or wound.resin_runs > 0
        return Stage.RESINOUS if browned else Stage.FRESH
    return Stage.CLOSING if area_mm2 < CLOSING_SHARE * first_area_mm2 else Stage.CALLUS


def seam_distance_mm(wound: WoundState, x_mm: Places, y_mm: Places) -> NDArray[np.float32]:
    """Distance to the line in which the two nearer rims meet (drawn only where they have met)."""
    around = _around(wound, x_mm, y_mm)
    dx, dy = around.dx, around.dy
    upright = wound.height_mm >= wound.width_mm * (0.5 if is_round(wound) else 0.8)
    across, along = (dx, dy) if upright else (dy, dx)
    half_along = (wound.height_mm if upright else wound.width_mm) / 2
    half_across = (wound.width_mm if upright else wound.height_mm) / 2
    # the faster lobe pushes the seam to the other side
    shift = (
        0.18
        * wound.lobes
        * half_across
        * _lobe(around.y if upright else around.x, wound.seed * 7 + 1, 3.4 * half_along)
    )
    beyond = np.maximum(np.abs(along) - np.maximum(half_along - 0.5 * half_across, 0.35 * half_along), 0)
    return np.asarray(np.hypot(across - shift, 2.0 * beyond), dtype=np.float32)
