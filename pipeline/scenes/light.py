"""Light on the unrolled trunk: sun and sky, relief, cast shadows of relief and of the card, highlights."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline.scenes.noise import smoothstep, texture

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.scenes.canvas import Canvas, Layer
    from pipeline.scenes.noise import Grid
    from pipeline.scenes.spec import CardHang, LightSpec

SKY_RGB = np.array([0.90, 1.0, 1.04], np.float32)
SUN_RGB = np.array([1.10, 1.0, 0.84], np.float32)


def sun_direction(light: LightSpec) -> NDArray[np.float64]:
    """Unit vector towards the sun in the trunk frame."""
    az, el = np.deg2rad(light.sun_azimuth_deg), np.deg2rad(light.sun_elevation_deg)
    return np.array([np.sin(az) * np.cos(el), np.sin(el), np.cos(az) * np.cos(el)])


def energies(light: LightSpec) -> tuple[np.float32, np.float32]:
    """Strength of the sun and of the sky."""
    return np.float32(2.4 * light.sun), np.float32(1.0 - 0.5 * light.sun)


def sun_share(grid: Grid, light: LightSpec) -> Layer:
    """Share of the sun that comes through the leaves, 0 to 1, at each place of the grid."""
    if light.dapple <= 0:
        return np.ones(grid.shape, np.float32)
    leaves = texture(grid, (46.0, 60.0), light.seed * 13 + 7, 3, 0.55)
    through = smoothstep(-0.25, 0.35, leaves)
    return np.asarray(1 - np.float32(light.dapple) * (1 - through), dtype=np.float32)


def shade(canvas: Canvas, radius_mm: float, taper: float, light: LightSpec, card: CardHang) -> Layer:
    """Radiance of the lit canvas, linear RGB, shape (H, W, 3)."""
    g, p = canvas.grid, canvas.grid.px_per_mm
    sun = sun_direction(light)
    angle = g.x_mm / (radius_mm + taper * g.y_mm)
    lx = (sun[0] * np.cos(angle) - sun[2] * np.sin(angle)).astype(np.float32)
    ln = (sun[0] * np.sin(angle) + sun[2] * np.cos(angle)).astype(np.float32)
    ly = np.float32(sun[1])
    h = np.asarray(cv2.GaussianBlur(canvas.height_mm, (0, 0), max(0.3, 0.07 * p)), dtype=np.float32)
    slope_x = np.asarray(cv2.Sobel(h, cv2.CV_32F, 1, 0, ksize=3, scale=p / 8), dtype=np.float32)
    slope_y = np.asarray(cv2.Sobel(h, cv2.CV_32F, 0, 1, ksize=3, scale=-p / 8), dtype=np.float32)
    norm = 1 / np.sqrt(1 + slope_x * slope_x + slope_y * slope_y)
    facing = (ln - slope_x * lx - slope_y * ly) * norm
    lit = (
        np.clip(facing, 0, None)
        * sun_share(g, light)
        * _relief_shadow(h, g, lx, ly, ln)
        * _card_shadow(g, radius_mm, sun, card)
    )
    open_sky = _open_sky(h, p)
    # the sky is brightest above and in front, so a facet that tilts away from there is darker
    up_and_out = np.clip(norm * (0.84 - 0.54 * slope_y), 0, 1.2)
    sky = (0.27 + 0.20 * np.cos(angle) + 0.60 * up_and_out) * open_sky
    energy_sun, energy_sky = energies(light)
    out = canvas.albedo * (lit[..., None] * (energy_sun * SUN_RGB) + sky[..., None] * (energy_sky * SKY_RGB))
    if canvas.gloss.any():
        half = (ln + 1) / 2 - 0.5 * (slope_x * lx + slope_y * ly)
        shine = np.clip(half * norm * 1.02, 0, 1.02) ** 30
        out += (canvas.gloss * shine * (0.25 * energy_sky * open_sky + 0.5 * energy_sun * lit))[..., None]
    return np.asarray(out, dtype=np.float32)


def _open_sky(h: Layer, p: float) -> Layer:
    """Share of the sky that hollows still see: relief below its surroundings is darker, on three scales."""
    share = np.ones(h.shape, np.float32)
    for sigma_mm, depth_mm in ((0.8, 1.6), (3.0, 6.0), (9.0, 14.0)):
        sunk = _wide_blur(h, sigma_mm * p) - h
        share *= np.exp(-np.clip(sunk, 0, None) / np.float32(depth_mm))
        share *= 1 + 0.25 * np.clip(-sunk, 0, depth_mm) / np.float32(depth_mm)
    return share


def _wide_blur(h: Layer, sigma_px: float) -> Layer:
    factor = int(max(1, sigma_px // 3))
    if factor == 1:
        return np.asarray(cv2.GaussianBlur(h, (0, 0), max(sigma_px, 0.3)), dtype=np.float32)
    small = cv2.resize(h, None, fx=1 / factor, fy=1 / factor, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma_px / factor)
    return np.asarray(cv2.resize(small, h.shape[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _relief_shadow(h: Layer, grid: Grid, lx: Layer, ly: np.float32, ln: Layer) -> Layer:
    """Where relief keeps the sun off: march towards the sun at a coarse scale."""
    if float(np.ptp(h)) < 1.0:
        return np.ones(h.shape, np.float32)
    factor = max(1, round(grid.px_per_mm / 2.2))
    rows, columns = -(-h.shape[0] // factor), -(-h.shape[1] // factor)
    low = np.asarray(cv2.resize(h, (columns, rows), interpolation=cv2.INTER_AREA), dtype=np.float32)
    shape = (rows, columns)
    across = np.asarray(
        cv2.resize(np.broadcast_to(lx, h.shape).astype(np.float32), shape[::-1], interpolation=cv2.INTER_NEAREST),
        dtype=np.float32,
    )
    out = np.asarray(
        cv2.resize(np.broadcast_to(ln, h.shape).astype(np.float32), shape[::-1], interpolation=cv2.INTER_NEAREST),
        dtype=np.float32,
    )
    p = rows / (h.shape[0] / grid.px_per_mm)
    row, column = np.mgrid[0:rows, 0:columns].astype(np.float32)
    blocked = np.zeros(shape, np.float32)
    sideways = np.sqrt(across**2 + ly**2) + 1e-6
    for k in range(1, 19):
        step_mm = 0.45 * k * (1 + 0.06 * k)
        there = cv2.remap(
            low,
            column + across / sideways * step_mm * p,
            row - ly / sideways * step_mm * p,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        over = there - low - step_mm * out / sideways
        blocked = np.maximum(blocked, np.clip(over / (0.35 + 0.05 * step_mm), 0, 1))
    blocked = cv2.GaussianBlur(blocked, (0, 0), 0.7)
    return np.asarray(1 - cv2.resize(blocked, h.shape[::-1], interpolation=cv2.INTER_LINEAR), dtype=np.float32)


def _card_shadow(grid: Grid, radius_mm: float, sun: NDArray[np.float64], card: CardHang) -> Layer:
    """Share of the sun that the card lets by: the bark behind and, a little further off, beside it."""
    if card.site is None or sun[2] <= 0.05:
        return np.ones(grid.shape, np.float32)
    cut = grid.crop(-45.0, 45.0, -85.0, 60.0)
    share = np.ones(grid.shape, np.float32)
    if cut is None:
        return share
    rows, columns, part = cut
    angle = part.x_mm / np.float32(radius_mm)
    x, z = radius_mm * np.sin(angle), radius_mm * (np.cos(angle) - 1)
    tilt, roll = np.deg2rad(card.tilt_deg), np.deg2rad(card.roll_deg)
    gap = np.maximum(card.standoff_mm - np.tan(tilt) * part.y_mm - z, 0.0)
    px, py = x + gap * sun[0] / sun[2], part.y_mm + gap * sun[1] / sun[2]
    cx, cy = np.cos(roll) * px + np.sin(roll) * py, np.cos(roll) * py - np.sin(roll) * px
    inside = np.minimum(22 - np.abs(cx), 50 - np.abs(cy))
    soft = 0.3 + 0.12 * gap
    share[rows, columns] = 1 - np.clip(inside / (2 * soft) + 0.5, 0, 1)
    # the sky's light is also kept off close to the card
    return share
