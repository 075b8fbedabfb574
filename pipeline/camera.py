"""The pinhole camera with lens distortion: points in front of it to picture points and back.

The model is OpenCV's (``k1, k2, p1, p2, k3``); here it is written for broadcasting arrays so
that whole grids of bark go through it at once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence

_F = TypeVar("_F", bound=np.floating[Any])

FULL_FRAME_DIAGONAL_MM = 43.266615305567875
"""Diagonal of the 36 mm x 24 mm frame that "35 mm equivalent" focal lengths refer to."""


def focal_px_of_35mm(focal_35mm: float, width_px: int, height_px: int) -> float:
    """Focal length in pixels from a 35 mm equivalent, by the picture's diagonal.

    The standard behind the Exif tag (CIPA DC-X010) compares diagonals, so that a 4:3 picture is
    treated like a 3:2 one of the same diagonal angle.
    """
    return float(focal_35mm * np.hypot(width_px, height_px) / FULL_FRAME_DIAGONAL_MM)


def camera_matrix(focal_px: float, width_px: int, height_px: int) -> NDArray[np.float64]:
    """Camera matrix, shape (3, 3), with the principal point in the middle of the picture."""
    return np.array(
        [[focal_px, 0.0, (width_px - 1) / 2], [0.0, focal_px, (height_px - 1) / 2], [0.0, 0.0, 1.0]], dtype=np.float64
    )


def distort(
    x: NDArray[_F], y: NDArray[_F], distortion: Sequence[float] | NDArray[np.float64]
) -> tuple[NDArray[_F], NDArray[_F]]:
    """Apply lens distortion to coordinates on the plane z = 1; shapes are kept."""
    k1, k2, p1, p2, k3 = (x.dtype.type(c) for c in distortion)
    if not any((k1, k2, p1, p2, k3)):
        return x, y
    r2 = x * x + y * y
    radial = 1 + r2 * (k1 + r2 * (k2 + r2 * k3))
    two_xy = 2 * x * y
    return (
        x * radial + p1 * two_xy + p2 * (r2 + 2 * x * x),
        y * radial + p1 * (r2 + 2 * y * y) + p2 * two_xy,
    )


def undistort(
    x: NDArray[np.float64], y: NDArray[np.float64], distortion: Sequence[float] | NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Take lens distortion off coordinates on the plane z = 1 (fixed point; phones' lenses converge tenfold a turn)."""
    if not np.any(distortion):
        return x, y
    straight_x, straight_y = x, y
    for _ in range(8):
        bent_x, bent_y = distort(straight_x, straight_y, distortion)
        straight_x, straight_y = straight_x + x - bent_x, straight_y + y - bent_y
    return straight_x, straight_y


def project(
    points: NDArray[np.float64],
    rotation: NDArray[np.float64],
    translation: NDArray[np.float64],
    matrix: NDArray[np.float64],
    distortion: Sequence[float] | NDArray[np.float64],
) -> NDArray[np.float64]:
    """Picture points of points in space.

    Parameters
    ----------
    points
        Shape (..., 3), in the frame that ``rotation`` and ``translation`` take to the camera's.
    rotation, translation
        Shapes (3, 3) and (3,).
    matrix
        Camera matrix, shape (3, 3).
    distortion
        Five coefficients ``k1, k2, p1, p2, k3``.

    Returns
    -------
    NDArray
        Shape (..., 2), x and y in pixels.
    """
    seen = points @ rotation.T + translation
    x, y = distort(seen[..., 0] / seen[..., 2], seen[..., 1] / seen[..., 2], distortion)
    return np.stack([matrix[0, 0] * x + matrix[0, 2], matrix[1, 1] * y + matrix[1, 2]], axis=-1)


def rotation_of(vector: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rotation matrix of a rotation vector, shape (3,) -> (3, 3) (Rodrigues' formula)."""
    angle = float(np.sqrt(vector @ vector))
    if angle < 1e-12:
        return np.eye(3) + _cross(vector)
    k = _cross(vector / angle)
    turned: NDArray[np.float64] = np.eye(3) + np.sin(angle) * k + (1 - np.cos(angle)) * (k @ k)
    return turned


def _cross(v: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])
