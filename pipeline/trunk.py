"""The trunk as a cylinder behind the card: places of the bark to the card's frame and into the picture.

Trunk frame: origin on the bark's near line at the height of the card's centre, x right, y along the
trunk, z out of the bark.  A place of the site frame (arc ``s``, height ``y``) lies at
``(R sin(s/R), y, R cos(s/R) - R)``.  The card's frame is turned against it by ``tilt`` (lower edge
away from the trunk is positive), ``roll`` (in its own plane) and ``yaw`` (about its long axis, right edge towards
the trunk is positive), and its centre stands off by ``standoff``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline import camera

if TYPE_CHECKING:
    from pipeline.records import SurfaceFix


def card_in_trunk(tilt_rad: float, roll_rad: float, yaw_rad: float = 0.0) -> NDArray[np.float64]:
    """Rotation (3, 3) that takes card-frame directions to the trunk frame."""
    ct, st = np.cos(tilt_rad), np.sin(tilt_rad)
    cr, sr = np.cos(roll_rad), np.sin(roll_rad)
    cy, sy = np.cos(yaw_rad), np.sin(yaw_rad)
    yaw = np.array([[cy, 0.0, sy], [0.0, 1.0, 0.0], [-sy, 0.0, cy]])
    tilt = np.array([[1.0, 0.0, 0.0], [0.0, ct, st], [0.0, -st, ct]])
    roll = np.array([[cr, -sr, 0.0], [sr, cr, 0.0], [0.0, 0.0, 1.0]])
    turned: NDArray[np.float64] = roll @ tilt @ yaw
    return turned


def bark_points(arc: NDArray[np.float64], along: NDArray[np.float64], radius_mm: float) -> NDArray[np.float64]:
    """Trunk-frame points (..., 3) of places on the bark, arc and along of one shape (...)."""
    angle = arc / radius_mm
    return np.stack([radius_mm * np.sin(angle), along, radius_mm * (np.cos(angle) - 1)], axis=-1)


def trunk_to_camera(fix: SurfaceFix) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rotation (3, 3) and translation (3,) from the trunk frame to the camera frame."""
    turn = fix.rotation @ card_in_trunk(fix.tilt_rad, fix.roll_rad, fix.yaw_rad).T
    return turn, fix.translation_mm - turn @ np.array([0.0, 0.0, fix.standoff_mm])


def bark_in_picture(fix: SurfaceFix, arc: NDArray[np.float64], along: NDArray[np.float64]) -> NDArray[np.float64]:
    """Picture points (..., 2) of places on the bark, arc and along of one shape (...)."""
    rotation, translation = trunk_to_camera(fix)
    points = bark_points(np.asarray(arc, np.float64), np.asarray(along, np.float64), fix.radius_mm)
    return camera.project(points, rotation, translation, fix.camera_matrix, fix.distortion)


def bark_of_picture(fix: SurfaceFix, points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Places of the bark, arc and height (..., 2), that picture points (..., 2) show; the inverse of the projection.

    A line of sight meets the cylinder where a quadratic equation says, nearer root first.  ``nan`` where it
    passes the trunk by.
    """
    rotation, translation = trunk_to_camera(fix)
    x = (points[..., 0] - fix.camera_matrix[0, 2]) / fix.camera_matrix[0, 0]
    y = (points[..., 1] - fix.camera_matrix[1, 2]) / fix.camera_matrix[1, 1]
    x, y = camera.undistort(x, y, fix.distortion)
    sight = np.stack([x, y, np.ones_like(x)], axis=-1) @ rotation
    eye = -rotation.T @ translation
    depth = eye[2] + fix.radius_mm
    a = sight[..., 0] ** 2 + sight[..., 2] ** 2
    b = eye[0] * sight[..., 0] + depth * sight[..., 2]
    root = b * b - a * (eye[0] ** 2 + depth**2 - fix.radius_mm**2)
    way = (-b - np.sqrt(np.where(root >= 0, root, np.nan))) / a
    arc = fix.radius_mm * np.arctan2(eye[0] + way * sight[..., 0], depth + way * sight[..., 2])
    return np.stack([arc, eye[1] + way * sight[..., 1]], axis=-1)


def scale_px_per_mm(fix: SurfaceFix, arc: float, along: float) -> float:
    """Photo pixels a millimetre of bark at one place: the root of the area scale."""
    half = 0.5
    points = bark_in_picture(
        fix, np.array([arc - half, arc + half, arc, arc]), np.array([along, along, along - half, along + half])
    )
    round_trunk, up_trunk = points[1] - points[0], points[3] - points[2]
    return float(np.sqrt(abs(round_trunk[0] * up_trunk[1] - round_trunk[1] * up_trunk[0])))
