"""How uncertain a size on the bark is, by contribution: propagation in the sense of the GUM.

Each input of the measuring model is moved by a small step; where the step would change the
card's corners, the pose is fitted again to the same observed corners; then the same piece of the
picture is measured with the moved model.  What the measured size changes by, times the input's
standard uncertainty, is its contribution.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from pipeline import bend, camera, trunk
from pipeline.records import ScaleUncertainty

if TYPE_CHECKING:
    from pipeline.records import SurfaceFix

GRID = 5
"""Places across and along the region at which the change is looked at."""
LARGEST_ANGLE = 1.25
"""Radians round the trunk beyond which a place is too close to the horizon to be linearised."""
MEAN_CHORD = np.sqrt(np.pi) / 2
"""Side of the square that has an ellipse's area, for axes of length 1."""

BOOLE = np.array([7.0, 32.0, 12.0, 32.0, 7.0]) / 90
"""Weights of the mean over five equally spaced places (Boole's rule)."""


def scale_uncertainty(
    fix: SurfaceFix, card_corners_mm: NDArray[np.float64], at_mm: tuple[float, float], size_mm: tuple[float, float]
) -> ScaleUncertainty:
    """Relative standard uncertainties of area, width and height of a region of the bark.

    Parameters
    ----------
    fix
        Camera, pose and trunk with their uncertainties.
    card_corners_mm
        Shape (N, 2), corners of the card that the pose was fitted to.
    at_mm
        Middle of the region in the site frame.
    size_mm
        Its width round the trunk and height along it.
    """
    s, y = region_grid(fix, at_mm, size_mm)
    variants = [fix, *(moved(fix, name, step) for name, step in STEPS.items())]
    steps = np.array(list(STEPS.values()))
    on_card = np.stack([corner_points(v, card_corners_mm) for v in variants])
    on_bark = np.stack([trunk.bark_in_picture(v, s, y) for v in variants])
    by_corner = (on_card[1:] - on_card[0]).reshape(len(steps), -1) / steps[:, None]
    rates = _rates(fix, s, y, (on_bark[1:] - on_bark[0]) / steps[:, None, None, None])

    pose, others = by_corner[:6], by_corner[6:]
    inverse = np.linalg.inv(pose @ pose.T)
    noise = np.einsum("ik,ij,jk->k", rates[:6], inverse, rates[:6])
    # whatever moves the corners is taken up by a new fit of the pose to the corners that were seen
    refitted = rates[6:] - (others @ pose.T @ inverse) @ rates[:6]
    parts = {"corner noise": fix.corner_sd_px * np.sqrt(np.maximum(noise, 0))}
    for name, sd, rate in zip(SOURCES, input_sds(fix), refitted, strict=True):
        parts[name] = sd * np.abs(rate)
    area, width, height = ({name: float(part[k]) for name, part in parts.items()} for k in range(3))
    return ScaleUncertainty(area, width, height)


def region_grid(
    fix: SurfaceFix, at_mm: tuple[float, float], size_mm: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places of a region at which a change is looked at: arcs and heights, each of shape (GRID, GRID)."""
    reach = LARGEST_ANGLE * fix.radius_mm
    across = np.linspace(-0.5, 0.5, GRID) * MEAN_CHORD
    arc = np.clip(at_mm[0] + across * max(size_mm[0], 2.0), -reach, reach)
    s, y = np.meshgrid(arc, at_mm[1] + across * max(size_mm[1], 2.0))
    return s, y


SOURCES = ("focal length", "lens", "girth", "card tilt", "card roll", "card yaw", "standoff", "card bend")
STEPS: dict[str, float] = {
    "turn x": 1e-5,
    "turn y": 1e-5,
    "turn z": 1e-5,
    "shift x": 1e-2,
    "shift y": 1e-2,
    "shift z": 1e-2,
    "focal length": 1e-4,
    "lens": 1e-4,
    "girth": 1e-4,
    "card tilt": 1e-4,
    "card roll": 1e-4,
    "card yaw": 1e-4,
    "standoff": 1e-2,
    "card bend": 1e-6,
}
"""Steps of the numerical differences: radians, mm, 1/mm, shares of the value; six of the pose, then the sources."""


def input_sds(fix: SurfaceFix) -> tuple[float, ...]:
    """Standard uncertainties of the inputs, in the order of :data:`SOURCES`."""
    return (
        fix.focal_rel_sd,
        fix.lens_sd,
        fix.radius_rel_sd,
        fix.tilt_sd_rad,
        fix.roll_sd_rad,
        fix.yaw_sd_rad,
        fix.standoff_sd_mm,
        fix.bend_sd_per_mm,
    )


def moved(fix: SurfaceFix, name: str, step: float) -> SurfaceFix:
    """The fix with one input, named as in :data:`STEPS`, moved by a step."""
    kind, _, axis = name.partition(" ")
    if kind in ("turn", "shift"):
        vector = step * np.eye(3)["xyz".index(axis)]
        if kind == "turn":  # about the card's centre, so that turns and shifts stay nearly independent
            return replace(fix, rotation=camera.rotation_of(vector) @ fix.rotation)
        return replace(fix, translation_mm=fix.translation_mm + vector)
    if name == "focal length":
        return replace(fix, camera_matrix=fix.camera_matrix * np.array([[1 + step, 1, 1], [1, 1 + step, 1], [1, 1, 1]]))
    if name == "lens":
        return replace(fix, distortion=fix.distortion + step * np.eye(5)[0])
    if name == "girth":
        return replace(fix, radius_mm=fix.radius_mm * (1 + step))
    if name == "card tilt":
        return replace(fix, tilt_rad=fix.tilt_rad + step)
    if name == "card roll":
        return replace(fix, roll_rad=fix.roll_rad + step)
    if name == "card yaw":
        return replace(fix, yaw_rad=fix.yaw_rad + step)
    if name == "card bend":
        return replace(fix, bend_per_mm=fix.bend_per_mm + step)
    return replace(fix, standoff_mm=fix.standoff_mm + step)


def corner_points(fix: SurfaceFix, corners_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Picture points (N, 2) of places (N, 2) of the card's face, bent as it is."""
    corners = bend.on_card(corners_mm, fix.bend_per_mm)
    return camera.project(corners, fix.rotation, fix.translation_mm, fix.camera_matrix, fix.distortion)


def _rates(
    fix: SurfaceFix, s: NDArray[np.float64], y: NDArray[np.float64], shifts: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Relative change of measured area, width and height if the same picture were read with moved inputs.

    ``shifts``, shape (P, G, G, 2), say how fast each input moves the places' picture points;
    the result has shape (P, 3).
    """
    h = 0.01
    ends = trunk.bark_in_picture(fix, np.stack([s + h, s - h, s, s]), np.stack([y, y, y + h, y - h]))
    slopes = np.stack([ends[0] - ends[1], ends[2] - ends[3]], axis=-1) / (2 * h)
    place = -np.einsum("abij,pabj->pabi", np.linalg.inv(slopes), shifts)
    width = (place[:, :, -1, 0] - place[:, :, 0, 0]) / (s[:, -1] - s[:, 0])
    height = (place[:, -1, :, 1] - place[:, 0, :, 1]) / (y[-1, :] - y[0, :])
    middle = GRID // 2
    return np.stack([width @ BOOLE + height @ BOOLE, width[:, middle], height[:, middle]], axis=1)
