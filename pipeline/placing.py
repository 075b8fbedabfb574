"""A photo without a card, placed on the bark that an earlier photo of the site shows.

    earlier patch + photo ──features──> rough pose ──unroll, lay over──> bark that both show ──> pose of the photo

The earlier photo's unrolled bark is a map in millimetres: each of its places lies at a known point of the trunk.  Where
the photo shows the same places, they fix the camera's pose as the card's corners would, less exactly.  Sizes read with
that pose carry every error of the earlier photo's scale, and the bark's own.
"""

from __future__ import annotations

import logging
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import cv2
import numpy as np

from pipeline import camera, cardspec, trunk
from pipeline.records import Flag

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import Mask, Photo, SitePatch, SurfaceFix

    Points = NDArray[np.float64]

_log = logging.getLogger(__name__)

LONGEST_PX = 1600
"""Features are looked for in a picture of this longest edge: bark has enough of them at that scale."""
MOST_FEATURES = 4000
NEAREST_TO_SECOND = 0.8
"""A feature counts where its nearest look-alike is this much nearer than the second (Lowe 2004)."""
REACH_PX = 6.0
"""How far, in the reduced picture, a feature may miss the pose."""
LEAST_FEATURES = 12
LEAST_PLACES = 10
ASSUMED_FOCAL_SHARE = 0.75
"""Focal length over the picture's diagonal where the tags do not say it: a usual phone camera."""
LEAST_CORNER_SD_PX = 1.0
BARK_SD_MM = 0.5
"""Bark's relief and its growth since: standard uncertainty of a place, common to its surroundings."""


class Features(NamedTuple):
    """Features of a photo: places (N, 2) in the full picture and looks (N, 128)."""

    places: Points
    looks: NDArray[np.float32]
    reach_px: float


class Rough(NamedTuple):
    """A first pose, and how many features agree with it."""

    fix: SurfaceFix
    features: int


def features_of(photo: Photo) -> Features | None:
    """Features of a photo; ``None`` where it has none."""
    small, share = _reduced(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY))
    seen, looks = _finder().detectAndCompute(small, None)
    if looks is None or len(seen) < 2:
        return None
    places = (np.array([point.pt for point in seen]) + 0.5) / share - 0.5
    return Features(places, looks, REACH_PX / share)


def rough_pose(photo: Photo, seen: Features, patch: SitePatch, not_bark: Mask | None = None) -> Rough | None:
    """Find an earlier photo's bark in a photo and pose the camera by it.

    Parameters
    ----------
    photo, seen
        Without a card, or with a card that cannot be read; and its features.
    patch
        Overview patch of an earlier photo of the site, with its geometry.
    not_bark
        Shape of the patch, True where the wound is: it changes.

    Returns
    -------
    Rough or None
        ``None`` where fewer than :data:`LEAST_FEATURES` agree: other bark, or too little of it.
    """
    fix = patch.fix
    if fix is None:
        return None
    bark = patch.valid if not_bark is None else patch.valid & ~not_bark
    known, known_looks = _finder().detectAndCompute(
        cv2.cvtColor(patch.rgb, cv2.COLOR_RGB2GRAY), bark.astype(np.uint8) * 255
    )
    if known_looks is None:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(known_looks, seen.looks, k=2)
    # one place of the photo is told once: a feature with several directions, or that much bark resembles
    good = list(
        {
            tuple(np.rint(seen.places[first.trainIdx]).tolist()): first
            for first, second in sorted(pairs, key=lambda pair: -pair[0].distance)
            if first.distance < NEAREST_TO_SECOND * second.distance
        }.values()
    )
    if len(good) < LEAST_FEATURES:
        return None
    at = np.array([known[match.queryIdx].pt for match in good])
    places = np.column_stack(
        [patch.left_mm + (at[:, 0] + 0.5) * patch.mm_per_px, patch.top_mm - (at[:, 1] + 0.5) * patch.mm_per_px]
    )
    posed = _posed(photo, fix, places, seen.places[[match.trainIdx for match in good]], seen.reach_px)
    if posed is None or posed[1].sum() < LEAST_FEATURES:
        return None
    return Rough(posed[0], int(posed[1].sum()))


def finer_pose(photo: Photo, earlier: SurfaceFix, rough: SurfaceFix, places: Points) -> SurfaceFix | None:
    """Pose by the bark that two unrolled patches share.

    Parameters
    ----------
    earlier, rough
        Geometry of the earlier photo, and that with which this photo was unrolled.
    places
        Shape (K, 5), as in ``records.Comparison``: places in the earlier patch and in this photo's.

    Returns
    -------
    SurfaceFix or None
        In the earlier photo's site frame; its card's corners are those the card would have, as uncertain as the pose.
    """
    if len(places) < LEAST_PLACES:
        return None
    picture = trunk.bark_in_picture(rough, places[:, 2], places[:, 3])
    seen = np.isfinite(picture).all(axis=1)
    scale = trunk.scale_px_per_mm(rough, float(places[:, 2].mean()), float(places[:, 3].mean()))
    posed = _posed(photo, earlier, places[seen, :2], picture[seen], 2.0 * scale)
    if posed is None:
        return None
    fix, agreeing = posed
    # the pose's error is carried by corners of the card that is not there: four corner pairs stand for K places
    spread = np.hypot(fix.reprojection_px / np.sqrt(max(agreeing.sum() / 4, 1.0)), BARK_SD_MM * scale)
    return replace(fix, corner_sd_px=float(max(spread, LEAST_CORNER_SD_PX)))


def _finder() -> Any:
    return cv2.SIFT_create(nfeatures=MOST_FEATURES)  # type: ignore[attr-defined]


def _reduced(grey: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], float]:
    share = min(1.0, LONGEST_PX / max(grey.shape))
    if share == 1.0:
        return grey, 1.0
    size = (round(grey.shape[1] * share), round(grey.shape[0] * share))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8), size[0] / grey.shape[1]


def _posed(
    photo: Photo, earlier: SurfaceFix, places: Points, picture: Points, reach_px: float
) -> tuple[SurfaceFix, NDArray[np.bool_]] | None:
    """Pose from places of the bark and where the photo shows them, and which of them agree."""
    height, width = photo.pixels.shape[:2]
    focal = photo.camera.focal_px or ASSUMED_FOCAL_SHARE * float(np.hypot(width, height))
    matrix = camera.camera_matrix(focal, width, height)
    points = trunk.bark_points(places[:, 0], places[:, 1], earlier.radius_mm)
    try:
        found, turn, shift, agreeing = cv2.solvePnPRansac(
            points, np.ascontiguousarray(picture), matrix, earlier.distortion, reprojectionError=reach_px,
            iterationsCount=2000, confidence=0.999, flags=cv2.SOLVEPNP_EPNP,
        )  # fmt: skip
    except cv2.error as error:  # five features on one spot, as another trunk's bark may give
        _log.debug("No pose: %s", error)
        return None
    if not found or agreeing is None or len(agreeing) < 6:
        return None
    inside = np.zeros(len(places), dtype=bool)
    inside[agreeing.ravel()] = True
    turn, shift = cv2.solvePnPRefineLM(points[inside], picture[inside], matrix, earlier.distortion, turn, shift)
    rotation = cv2.Rodrigues(turn)[0]
    seen = camera.project(points[inside], rotation, shift.ravel(), matrix, earlier.distortion)
    rms = float(np.sqrt(((seen - picture[inside]) ** 2).sum(axis=1).mean()))
    # from the trunk's frame to that of the card, which hangs (unseen) as it did
    card = trunk.card_in_trunk(earlier.tilt_rad, earlier.roll_rad, earlier.yaw_rad)
    translation = shift.ravel() + rotation @ np.array([0.0, 0.0, earlier.standoff_mm])
    to_camera = rotation @ card
    sight = to_camera @ np.array([0.0, places[:, 1].mean(), 0.0]) + translation
    view_deg = float(np.degrees(np.arccos(np.clip(-(to_camera[:, 2] @ sight) / np.linalg.norm(sight), -1, 1))))
    doubts = earlier.flags & ~Flag.FOCAL_ASSUMED
    if photo.camera.focal_px is None:
        doubts |= Flag.FOCAL_ASSUMED
    fix = replace(
        earlier,
        camera_matrix=matrix,
        rotation=to_camera,
        translation_mm=translation,
        corner_sd_px=max(rms, LEAST_CORNER_SD_PX),
        reprojection_px=rms,
        view_angle_deg=view_deg,
        corners_mm=_card_corners(),
        corners_px=None,
        flags=doubts,
        lens="",
        tag_focal_px=None,
    )
    return fix, inside


def _card_corners() -> NDArray[np.float64]:
    """Corners of the card's two markers, upper first, in the card's frame, shape (8, 2)."""
    centres = (cardspec.UPPER_MARKER_CENTRE_MM, cardspec.LOWER_MARKER_CENTRE_MM)
    return np.concatenate([cardspec.marker_corners_mm(centre) for centre in centres])
