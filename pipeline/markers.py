"""The markers' family: reading a code at a known place, and the homographies that say where that is."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import cardspec, edges

if TYPE_CHECKING:
    from pipeline.records import ImageRGB


def code_at(
    pixels: ImageRGB, to_picture: NDArray[np.float64], corners_mm: NDArray[np.float64], most_wrong_bits: int
) -> int | None:
    """Code of the marker at a known place, or ``None`` if there is no black border or no code near enough."""
    cell = cardspec.MARKER_EDGE_MM / 8
    steps = (np.arange(10) - 4.5) * cell  # the marker's 8 x 8 cells and the white ring around it
    x, y = np.meshgrid(steps, -steps)
    within = np.array([(dx, dy) for dx in (-0.2, 0.0, 0.2) for dy in (-0.2, 0.0, 0.2)]) * cell
    places = np.stack([x, y], axis=-1)[:, :, None, :] + within + corners_mm.mean(axis=0)
    points = through(to_picture, places.reshape(-1, 2))
    height, width = pixels.shape[:2]
    if points.min() < 0 or points[:, 0].max() > width - 2 or points[:, 1].max() > height - 2:
        return None
    light, origin = edges.linear_crop(pixels, points, 2)
    at = (points - origin).astype(np.float32).reshape(100, -1, 2)
    cells = cv2.remap(light, at[..., 0], at[..., 1], cv2.INTER_LINEAR).mean(axis=1).reshape(10, 10)
    ring = np.ones((10, 10), dtype=bool)
    ring[1:-1, 1:-1] = False
    border = np.ones((10, 10), dtype=bool)
    border[2:-2, 2:-2] = False
    border &= ~ring
    white, black = np.median(cells[ring]), np.median(cells[border])
    middle = (white + black) / 2
    if white - black < edges.LEAST_CONTRAST or (cells[border] > middle).sum() > 4 or (cells[ring] < middle).sum() > 6:
        return None
    wrong = (family_bits() != (cells[2:-2, 2:-2] > middle).ravel()).sum(axis=1)
    best = int(np.argmin(wrong))
    return best if wrong[best] <= most_wrong_bits else None


@lru_cache(maxsize=1)
def family_bits() -> NDArray[np.bool_]:
    """White cells of all codes, upright, shape (587, 36)."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    tiles = [cv2.aruco.generateImageMarker(family, code, 8, borderBits=1) for code in range(cardspec.FAMILY_CODES)]
    return np.stack([tile[1:7, 1:7].ravel() > 127 for tile in tiles])


def white_cells_inside_border(code: int) -> NDArray[np.bool_]:
    """Whether the six cells along each side of a marker's data are white, shape (4, 6): clockwise from the top left."""
    cells = family_bits()[code].reshape(6, 6)
    return np.stack([cells[0], cells[:, -1], cells[-1, ::-1], cells[::-1, 0]])


def homography_of(points: NDArray[np.float64], seen: NDArray[np.float64]) -> NDArray[np.float64]:
    """Plane-to-picture homography, shape (3, 3), by linear least squares with the last element 1.

    The card's centre is in front of the camera, so the last element is not 0; the points are scaled
    to about 1 for a good condition.
    """
    scale, shift, unit = 50.0, seen.mean(axis=0), float(np.ptp(seen)) or 1.0
    x, y = points.T / scale
    u, v = (seen - shift).T / unit
    zero, one = np.zeros_like(x), np.ones_like(x)
    rows = np.concatenate(
        [
            np.stack([x, y, one, zero, zero, zero, -u * x, -u * y], axis=1),
            np.stack([zero, zero, zero, x, y, one, -v * x, -v * y], axis=1),
        ]
    )
    h = np.append(np.linalg.lstsq(rows, np.concatenate([u, v]), rcond=None)[0], 1.0).reshape(3, 3)
    back = np.array([[unit, 0.0, shift[0]], [0.0, unit, shift[1]], [0.0, 0.0, 1.0]])
    homography: NDArray[np.float64] = back @ h @ np.diag([1 / scale, 1 / scale, 1.0])
    return homography


def through(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points, shape (N, 2), mapped by a homography."""
    mapped: NDArray[np.float64] = cv2.perspectiveTransform(
        np.asarray(points, dtype=np.float64).reshape(-1, 1, 2), homography
    ).reshape(np.shape(points))
    return mapped
