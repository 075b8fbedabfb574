"""The site card's printed face, exactly per the site-card sheet, with wear, dirt and the nail's head."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from pipeline import cardspec
from pipeline.scenes.noise import Grid, smoothstep, texture

if TYPE_CHECKING:
    from pipeline.scenes.spec import CardHang

WHITE_SRGB = 240
INK_SRGB = 22
FACE_PX_PER_MM = 16


@lru_cache(maxsize=8)
def printed_face(site: int) -> NDArray[np.uint8]:
    """Grey sRGB picture of a clean card, 16 px a mm, shape (1600, 704); modules fall on whole pixels.

    Raises
    ------
    ValueError
        If the site number is outside the card's range.
    """
    k = FACE_PX_PER_MM
    half_w, half_h = cardspec.CARD_HALF_WIDTH_MM, cardspec.CARD_HALF_HEIGHT_MM
    face = np.full((round(2 * half_h * k), round(2 * half_w * k)), WHITE_SRGB, np.uint8)
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    edge = round(cardspec.MARKER_EDGE_MM * k)
    upper, lower = cardspec.codes_of_site(site)
    for code, centre in ((upper, cardspec.UPPER_MARKER_CENTRE_MM), (lower, cardspec.LOWER_MARKER_CENTRE_MM)):
        marker = cv2.aruco.generateImageMarker(family, code, edge, borderBits=1)
        _paste(face, np.where(marker > 127, WHITE_SRGB, INK_SRGB).astype(np.uint8), centre)
    patch = round(cardspec.PATCH_EDGE_MM * k)
    for grey, centre in zip(cardspec.PATCH_SRGB, cardspec.PATCH_CENTRES_MM, strict=True):
        _paste(face, np.full((patch, patch), grey, np.uint8), centre)
    _print_number(face, site)
    return face


def _paste(face: NDArray[np.uint8], tile: NDArray[np.uint8], centre: tuple[float, float]) -> None:
    k = FACE_PX_PER_MM
    column = round((centre[0] + cardspec.CARD_HALF_WIDTH_MM) * k - tile.shape[1] / 2)
    row = round((cardspec.CARD_HALF_HEIGHT_MM - centre[1]) * k - tile.shape[0] / 2)
    face[row : row + tile.shape[0], column : column + tile.shape[1]] = tile


def _print_number(face: NDArray[np.uint8], site: int) -> None:
    k = FACE_PX_PER_MM
    text, wanted = f"{site:06d}", cardspec.NUMBER_HEIGHT_MM * k
    font = ImageFont.load_default(size=100)
    box = font.getbbox("0")
    font = ImageFont.load_default(size=100 * wanted / (box[3] - box[1]))
    blank = Image.new("L", (face.shape[1], 4 * round(wanted)), 0)
    ImageDraw.Draw(blank).text((0, 2 * wanted), text, fill=255, font=font, anchor="ls")
    # the ink, not the glyph's box, begins at the sheet's left edge
    bearing = int(np.flatnonzero(np.asarray(blank).max(axis=0) > 127)[0])
    left = (cardspec.NUMBER_LEFT_MM + cardspec.CARD_HALF_WIDTH_MM) * k - bearing
    baseline = (cardspec.CARD_HALF_HEIGHT_MM - cardspec.NUMBER_BASELINE_MM) * k
    picture = Image.fromarray(face)
    ImageDraw.Draw(picture).text((left, baseline), text, fill=INK_SRGB, font=font, anchor="ls")
    face[:] = np.asarray(picture)


def weathered_face(card: CardHang, px_per_mm: int) -> NDArray[np.float32]:
    """Linear reflectance of the card as it hangs, RGB, shape (100 p, 44 p, 3) with p 4, 8 or 16 px a mm.

    Raises
    ------
    ValueError
        If no card hangs or the resolution is not one of these.
    """
    if card.site is None:
        raise ValueError("no card hangs in this scene")
    if px_per_mm not in (4, 8, 16):
        raise ValueError(f"px_per_mm must be 4, 8 or 16, got {px_per_mm}")
    grey = printed_face(card.site).astype(np.float32) / 255
    linear = np.where(grey <= 0.04045, grey / 12.92, ((grey + 0.055) / 1.055) ** 2.4).astype(np.float32)
    size = (linear.shape[1] * px_per_mm // FACE_PX_PER_MM, linear.shape[0] * px_per_mm // FACE_PX_PER_MM)
    if px_per_mm != FACE_PX_PER_MM:
        linear = np.asarray(cv2.resize(linear, size, interpolation=cv2.INTER_AREA), dtype=np.float32)
    face = np.repeat(linear[:, :, None], 3, axis=2)
    grid = Grid(-22.0, 50.0, float(px_per_mm), size[1], size[0])
    face *= (1 - 0.03 * card.dirt * np.abs(texture(grid, (9.0, 14.0), card.seed + 5, 3)))[:, :, None]
    _soil(face, grid, card)
    _nail(face, grid)
    return face


def _soil(face: NDArray[np.float32], grid: Grid, card: CardHang) -> None:
    edge = np.minimum(22 - np.abs(grid.x_mm), 50 - np.abs(grid.y_mm))
    blots = texture(grid, (7.0, 12.0), card.seed + 9, 4)
    soil = smoothstep(1.9, 3.0, blots + 1.6 * np.exp(-edge / 2.5) + 0.8 * card.dirt) * np.float32(0.7 * card.dirt)
    brown = np.array([0.20, 0.14, 0.08], np.float32)
    face += soil[:, :, None] * (brown - face)
    if card.wear > 0:
        scratch = smoothstep(2.6, 3.2, texture(grid, (0.5, 9.0), card.seed + 13, 2)) * np.float32(0.5 * card.wear)
        face += scratch[:, :, None] * (np.float32(0.62) - face)


def _nail(face: NDArray[np.float32], grid: Grid) -> None:
    cx, cy = cardspec.NAIL_HOLE_CENTRE_MM
    dx, dy = grid.x_mm - np.float32(cx), grid.y_mm - np.float32(cy)
    hole = smoothstep(-0.1, 0.1, cardspec.NAIL_HOLE_DIAMETER_MM / 2 - np.hypot(dx, dy + 0.25))
    face *= (1 - 0.97 * hole)[:, :, None]
    head = smoothstep(-0.1, 0.1, 1.7 - np.hypot(dx, dy - 0.2))
    shine = 0.22 + 0.25 * np.exp(-((dx + 0.6) ** 2 + (dy - 0.9) ** 2) / 0.5)
    face += head[:, :, None] * ((shine * np.float32(0.9))[:, :, None] - face)
