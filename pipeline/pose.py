"""Camera and pose of one photo: what tags, earlier photos of the lens and the card's corners say.

The focal length is that of the tags, mended by what was learned of the lens; the pose is that of a flat card.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline import camera
from pipeline.errors import PhotoRefused
from pipeline.records import Flag, PhotoStage, RefusalCode

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import CardFix, LensFix, Photo
    from pipeline.settings import SurfaceSettings

LEAST_ZOOM = 0.02
"""A stated digital zoom nearer to 1 than this is none."""
ZOOM_REL_SD = 0.04
"""What a zoomed picture's focal length is uncertain by where the card tells which it is: phones round the ratio."""
ZOOM_GAIN = 10.0
"""Chi-squared by which one focal length must be better than the other."""
LEAST_MISS_PX = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class PhotoCamera:
    """Camera matrix (3, 3), distortion (5,), and how uncertain they are."""

    matrix: NDArray[np.float64]
    distortion: NDArray[np.float64]
    focal_rel_sd: float
    lens_sd: float
    flags: Flag
    tag_focal_px: float | None
    """Focal length of the tags, where this photo can say something of it."""


def camera_of(photo: Photo, card: CardFix, settings: SurfaceSettings, lens: LensFix | None) -> PhotoCamera:
    """Focal length and lens from the tags and from what earlier photos of the lens have told."""
    tags, flags = photo.camera, Flag.NONE
    height, width = photo.pixels.shape[:2]
    focal_px, rel_sd = tags.focal_px, settings.focal_rel_sd
    if focal_px is None and tags.focal_35mm is not None:
        focal_px = camera.focal_px_of_35mm(tags.focal_35mm, width, height)
    if focal_px is None:
        focal_px = camera.focal_px_of_35mm(settings.assumed_focal_35mm, width, height)
        rel_sd, lens = settings.assumed_focal_rel_sd, None
        flags |= Flag.FOCAL_ASSUMED
    plain = tags.focal_px is not None and not tags.focal_rel_doubt and abs(tags.digital_zoom - 1) < LEAST_ZOOM
    k1, k1_sd, factor = 0.0, settings.lens_sd, 1.0
    if lens is not None:
        k1, k1_sd, factor, rel_sd = lens.k1, lens.k1_sd, lens.focal_factor, lens.focal_factor_sd / lens.focal_factor
    doubt = tags.focal_rel_doubt
    if abs(tags.digital_zoom - 1) >= LEAST_ZOOM:
        flags |= Flag.DIGITAL_ZOOM
        included, zoom_doubt = _zoom_in_tag(card, focal_px * factor, tags.digital_zoom, width, height, rel_sd)
        factor, doubt = factor * (1.0 if included else tags.digital_zoom), max(doubt, zoom_doubt)
    distortion = np.array([k1, 0.0, 0.0, 0.0, 0.0])
    return PhotoCamera(
        camera.camera_matrix(focal_px * factor, width, height),
        distortion,
        float(np.hypot(rel_sd, doubt)),
        k1_sd,
        flags,
        focal_px if plain else None,
    )


def _zoom_in_tag(
    card: CardFix, focal_px: float, zoom: float, width: int, height: int, rel_sd: float
) -> tuple[bool, float]:
    """Whether the tags' focal length has a digital zoom in it, as the card's perspective tells; and the doubt.

    Phones disagree.  A card seen at a slant fits one focal length better; one seen squarely fits both, and then the
    tag is taken to have the zoom in it (common practice, no source), with the doubt between the two.
    """
    left = []
    for factor in (1.0, zoom):
        try:
            rms = of_card(card, camera.camera_matrix(focal_px * factor, width, height), np.zeros(5))[2]
        except PhotoRefused:
            rms = np.inf
        left.append(rms**2 * len(card.corners_px))
    # corners are not better than this, whatever their fits say: a lens bends them, rows are read in turn
    noise = card.corner_sd_px**2 + LEAST_MISS_PX**2
    gain = (left[0] - left[1]) / noise
    if abs(gain) > ZOOM_GAIN:
        return gain < 0, ZOOM_REL_SD
    return True, float(max(abs(np.log(zoom)) / np.sqrt(3), rel_sd))


def of_card(
    card: CardFix, matrix: NDArray[np.float64], distortion: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Rotation, translation and root mean square miss of the better of the plane's two poses, both refined."""
    points = np.column_stack([card.corners_mm, np.zeros(len(card.corners_mm))])
    seen = np.ascontiguousarray(card.corners_px).reshape(-1, 1, 2)
    count, turns, shifts, _ = cv2.solvePnPGeneric(points, seen, matrix, distortion, flags=cv2.SOLVEPNP_IPPE)
    best: tuple[float, NDArray[np.float64], NDArray[np.float64]] | None = None
    for turn, shift in zip(turns[:count], shifts[:count], strict=True):
        turn, shift = cv2.solvePnPRefineLM(points, seen, matrix, distortion, turn.copy(), shift.copy())
        rotation = cv2.Rodrigues(turn)[0]
        translation = shift.ravel()
        facing = rotation[2, 2] < 0 and translation[2] > 0
        miss = camera.project(points, rotation, translation, matrix, distortion) - card.corners_px
        rms = float(np.sqrt((miss**2).sum(axis=1).mean()))
        if facing and np.isfinite(rms) and (best is None or rms < best[0]):
            best = rms, rotation, translation
    if best is None:
        raise PhotoRefused(
            PhotoStage.SURFACE,
            "The card's corners fit no flat card in front of the camera.",
            "Photograph the card again, whole, flat and squarely.",
            code=RefusalCode.NO_POSE,
        )
    return best[1], best[2], best[0]
