"""The trunk as a cylinder behind the card: places of the bark to the card's frame and into the picture.

Trunk frame: origin on the bark's near line at the height of the card's centre, x right, y along the
trunk, z out of the bark.  A place of the site frame (arc ``s``, height ``y``) lies at
``(R sin(s/R), y, R cos(s/R) - R)``.  The card's frame is turned against it by ``tilt`` (lower edge
away from the trunk is positive) and ``roll`` (in its own plane), and its centre stands off by ``standoff``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline import camera

if TYPE_CHECKING:
    from pipeline.records import SurfaceFix


def card_in_trunk(tilt_rad: float, roll_rad: float) -> NDArray[np.float64]:
    """Rotation (3, 3) that takes card-frame directions to the trunk frame."""
    ct, st = np.cos(tilt_rad), np.sin(tilt_rad)
    cr, sr = np.cos(roll_rad), np.sin(roll_rad)
    tilt = np.array([[1.0, 0.0, 0.0], [0.0, ct, st], [0.0, -st, ct]])
    roll = np.array([[cr, -sr, 0.0], [sr, cr, 0.0], [0.0, 0.0, 1.0]])
    turned: NDArray[np.float64] = roll @ tilt
    return turned


def bark_points(arc: NDArray[np.float64], along: NDArray[np.float64], radius_mm: float) -> NDArray[np.float64]:
    """Trunk-frame points (..., 3) of places on the bark, arc and along of one shape (...)."""
    angle = arc / radius_mm
    return np.stack([radius_mm * np.sin(angle), along, radius_mm * (np.cos(angle) - 1)], axis=-1)


def trunk_to_camera(fix: SurfaceFix) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rotation (3, 3) and translation (3,) from the trunk frame to the camera frame."""
    turn = fix.rotation @ card_in_trunk(fix.tilt_rad, fix.roll_rad).T
    return turn, fix.translation_mm - turn @ np.array([0.0, 0.0, fix.standoff_mm])


def bark_in_picture(fix: SurfaceFix, arc: NDArray[np.float64], along: NDArray[np.float64]) -> NDArray[np.float64]:
    """Picture points (..., 2) of places on the bark, arc and along of one shape (...)."""
    rotation, translation = trunk_to_camera(fix)
    points = bark_points(np.asarray(arc, np.float64), np.asarray(along, np.float64), fix.radius_mm)
    return camera.project(points, rotation, translation, fix.camera_matrix, fix.distortion)


def scale_px_per_mm(fix: SurfaceFix, arc: float, along: float) -> float:
    """Photo pixels a millimetre of bark at one place: the root of the area scale."""
    half = 0.5
    points = bark_in_picture(
        fix, np.array([arc - half, arc + half, arc, arc]), np.array([along, along, along - half, along + half])
    )
    round_trunk, up_trunk = points[1] - points[0], points[3] - points[2]
    return float(np.sqrt(abs(round_trunk[0] * up_trunk[1] - round_trunk[1] * up_trunk[0])))
