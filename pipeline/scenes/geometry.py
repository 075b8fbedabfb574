"""Where a pixel looks: pinhole camera with radial distortion, trunk cone and flat card, written for whole pictures.

This is the renderer's own geometry.  The measuring stages have theirs; the two must agree and share nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from pipeline.cardspec import LOWER_MARKER_CENTRE_MM, UPPER_MARKER_CENTRE_MM, marker_corners_mm

if TYPE_CHECKING:
    from pipeline.scenes.spec import CameraSpec, CardHang, SceneSpec

_F = TypeVar("_F", bound=np.floating[Any])

DIAGONAL_35MM = float(np.hypot(36.0, 24.0))


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """One camera in front of one trunk and card.

    Attributes
    ----------
    matrix
        Camera matrix (3, 3), pixel centres on whole numbers.
    k1, k2
        Radial distortion as OpenCV's.
    trunk_rotation, trunk_translation_mm
        Trunk frame to camera frame.
    card_rotation, card_translation_mm
        Card frame to camera frame.
    radius_mm, taper
        Trunk radius at the card's height and its growth with height (mm a mm).
    """

    width_px: int
    height_px: int
    matrix: NDArray[np.float64]
    k1: float
    k2: float
    trunk_rotation: NDArray[np.float64]
    trunk_translation_mm: NDArray[np.float64]
    card_rotation: NDArray[np.float64]
    card_translation_mm: NDArray[np.float64]
    radius_mm: float
    taper: float

    @property
    def distortion(self) -> NDArray[np.float64]:
        """OpenCV order k1, k2, p1, p2, k3."""
        return np.array([self.k1, self.k2, 0.0, 0.0, 0.0])

    @property
    def eye_mm(self) -> NDArray[np.float64]:
        """The camera's centre in the trunk frame."""
        return np.asarray(-self.trunk_rotation.T @ self.trunk_translation_mm)

    # ------------------------------------------------------------ scene to picture

    def project_trunk(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Picture points (N, 2) of trunk-frame points (N, 3)."""
        return self._project(points_mm @ self.trunk_rotation.T + self.trunk_translation_mm)

    def project_card(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Picture points (N, 2) of card-frame points (N, 3)."""
        return self._project(points_mm @ self.card_rotation.T + self.card_translation_mm)

    def project_site(self, places_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Picture points (N, 2) of places on the bark (N, 2)."""
        return self.project_trunk(self.bark_points(places_mm))

    def bark_points(self, places_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Trunk-frame points (N, 3) of places on the bark (N, 2)."""
        radius = self.radius_mm + self.taper * places_mm[:, 1]
        angle = places_mm[:, 0] / radius
        return np.stack([radius * np.sin(angle), places_mm[:, 1], radius * np.cos(angle) - self.radius_mm], axis=1)

    def _project(self, seen: NDArray[np.float64]) -> NDArray[np.float64]:
        x, y = seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2]
        r2 = x * x + y * y
        radial = 1 + r2 * (self.k1 + r2 * self.k2)
        f, cx, cy = self.matrix[0, 0], self.matrix[0, 2], self.matrix[1, 2]
        return np.stack([f * x * radial + cx, f * y * radial + cy], axis=1)

    @property
    def corners_px(self) -> NDArray[np.float64]:
        """The card's eight marker corners in the picture, upper marker first, each from its top left clockwise."""
        flat = np.concatenate([marker_corners_mm(UPPER_MARKER_CENTRE_MM), marker_corners_mm(LOWER_MARKER_CENTRE_MM)])
        return self.project_card(np.column_stack([flat, np.zeros(8)]))

    # ------------------------------------------------------------ picture to scene

    def rays(self, columns: NDArray[_F], rows: NDArray[_F]) -> tuple[NDArray[_F], NDArray[_F]]:
        """Undistorted coordinates on the plane z = 1 of the pixels at ``columns`` (W) by ``rows`` (H)."""
        number = columns.dtype.type
        f, cx, cy = (number(v) for v in (self.matrix[0, 0], self.matrix[0, 2], self.matrix[1, 2]))
        u, v = ((columns - cx) / f)[None, :], ((rows - cy) / f)[:, None]
        if self.k1 == 0 and self.k2 == 0:
            return np.broadcast_to(u, (rows.size, columns.size)), np.broadcast_to(v, (rows.size, columns.size))
        r2_seen = u * u + v * v
        r2, k1, k2 = r2_seen, number(self.k1), number(self.k2)
        for _ in range(6):  # fixed point of r = seen / (1 + k1 r^2 + k2 r^4); phones: converges by ten times a turn
            radial = 1 + r2 * (k1 + r2 * k2)
            r2 = r2_seen / (radial * radial)
        inverse = 1 / (1 + r2 * (k1 + r2 * k2))
        return u * inverse, v * inverse

    def on_trunk(self, u: NDArray[_F], v: NDArray[_F]) -> tuple[NDArray[_F], NDArray[_F], NDArray[_F]]:
        """Site-frame x, y that rays meet, and the root's argument (negative: the ray misses the trunk)."""
        number = u.dtype.type
        m = self.trunk_rotation.T.astype(number)
        ex, ey, ez = (number(e) for e in self.eye_mm)
        radius, taper = number(self.radius_mm), number(self.taper)
        dx, dy, dz = (m[i, 0] * u + m[i, 1] * v + m[i, 2] for i in range(3))
        axis = ez + radius
        at_eye = radius + taper * ey
        a = dx * dx + dz * dz - taper * taper * dy * dy
        b = ex * dx + axis * dz - taper * dy * at_eye
        c = ex * ex + axis * axis - at_eye * at_eye
        root = b * b - a * c
        s = (-b - np.sqrt(np.maximum(root, 0))) / a
        y = ey + s * dy
        angle = np.arctan2(ex + s * dx, axis + s * dz)
        return angle * (radius + taper * y), y, root

    def on_card(self, u: NDArray[_F], v: NDArray[_F]) -> tuple[NDArray[_F], NDArray[_F]]:
        """Card-frame x, y where rays meet the card's plane."""
        h = np.linalg.inv(
            np.column_stack([self.card_rotation[:, 0], self.card_rotation[:, 1], self.card_translation_mm])
        )
        h = h.astype(u.dtype)
        w = h[2, 0] * u + h[2, 1] * v + h[2, 2]
        return (h[0, 0] * u + h[0, 1] * v + h[0, 2]) / w, (h[1, 0] * u + h[1, 1] * v + h[1, 2]) / w

    def sees(self, places_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether places on the bark (N, 2) face the camera."""
        points = self.bark_points(places_mm)
        angle = places_mm[:, 0] / (self.radius_mm + self.taper * places_mm[:, 1])
        normal = np.stack([np.sin(angle), np.full(len(angle), -self.taper), np.cos(angle)], axis=1)
        return np.asarray(np.sum((self.eye_mm - points) * normal, axis=1) > 0)

    def behind_card(self, places_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Whether the card hides places on the bark (N, 2)."""
        seen = self.bark_points(places_mm) @ self.trunk_rotation.T + self.trunk_translation_mm
        x, y = self.on_card(seen[:, 0] / seen[:, 2], seen[:, 1] / seen[:, 2])
        return np.asarray((np.abs(x) <= 22) & (np.abs(y) <= 50))


def _turn(axis: int, degrees: float) -> NDArray[np.float64]:
    c, s = np.cos(np.deg2rad(degrees)), np.sin(np.deg2rad(degrees))
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    turn = np.eye(3)
    turn[i, i] = turn[j, j] = c
    turn[i, j], turn[j, i] = -s, s
    return turn


def focal_px(camera: CameraSpec) -> float:
    """Focal length in pixels from the 35 mm equivalent, by diagonals."""
    return float(camera.focal_35mm * np.hypot(camera.width_px, camera.height_px) / DIAGONAL_35MM)


def _card_in_trunk(card: CardHang) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    # a turn about x by a positive angle moves the upper edge (y > 0) outwards, so the tilt enters with a minus
    rotation = _turn(2, card.roll_deg) @ _turn(0, -card.tilt_deg) @ _turn(1, card.yaw_deg)
    return rotation, np.array([0.0, 0.0, card.standoff_mm])


def view_of(scene: SceneSpec) -> View:
    """Camera, trunk and card of a scene."""
    camera = scene.camera
    az, el = np.deg2rad(camera.azimuth_deg), np.deg2rad(camera.elevation_deg)
    away = np.array([np.sin(az) * np.cos(el), np.sin(el), np.cos(az) * np.cos(el)])
    eye = np.array([camera.aim_mm[0], camera.aim_mm[1], 0.0]) + camera.distance_mm * away
    right = np.cross(-away, [0.0, 1.0, 0.0])
    right /= np.linalg.norm(right)
    rotation = _turn(2, camera.roll_deg) @ np.stack([right, np.cross(-away, right), -away])
    translation = -rotation @ eye
    card_turn, card_shift = _card_in_trunk(scene.card)
    f = focal_px(camera)
    matrix = np.array([[f, 0, (camera.width_px - 1) / 2], [0, f, (camera.height_px - 1) / 2], [0, 0, 1]])
    return View(
        camera.width_px, camera.height_px, matrix, camera.k1, camera.k2, rotation, translation,
        rotation @ card_turn, rotation @ card_shift + translation, scene.trunk_radius_mm, scene.taper,
    )  # fmt: skip
