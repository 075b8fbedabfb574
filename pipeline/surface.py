"""The bark under the card: camera and pose from the corners, the trunk behind it, the unrolled patch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import bend, camera, cardspec, colour, pose, ruler, trunk
from pipeline.errors import PhotoRefused
from pipeline.records import Flag, PhotoStage, RefusalCode, SitePatch, SurfaceFix, Window, WoundKind

if TYPE_CHECKING:
    from pipeline.records import CardFix, LensFix, Mask, Photo, ScaleUncertainty, Site, WhiteBalance
    from pipeline.settings import PatchSettings, SurfaceSettings

GRAZING_LIMIT_DEG = 76.0
"""Bark seen at more than this angle from its normal is too foreshortened to be judged."""
LEAST_VALID_SHARE = 0.1
ROW_STEP = 8
RELATIVE_WIDTH_MM = 100.0
HANGING_MM = 60.0
"""A card hangs at most this far above its wound (site card sheet)."""
MARGIN_MM = 20.0
LONG_KINDS = (WoundKind.STRIP, WoundKind.TRUNK_CUT)
LONG_WINDOW_MM = 260.0

# ---------------------------------------------------------------- pose


def fit_surface(
    photo: Photo, card: CardFix, girth_mm: float | None, settings: SurfaceSettings, lens: LensFix | None = None
) -> SurfaceFix:
    """Camera, card pose and trunk cylinder of one photo.

    Parameters
    ----------
    photo
        Gives picture size and focal length.
    card
        Corners in the picture and on the card.
    girth_mm
        Circumference at the site; ``None`` where the register has none.
    settings
        What is assumed, how uncertain it is, and limits.
    lens
        What earlier photos of the same lens have told of it.

    Raises
    ------
    PhotoRefused
        If the corners fit no pose or the view is too oblique.
    """
    seen_by = pose.camera_of(photo, card, settings, lens)
    matrix, distortion, flags = seen_by.matrix, seen_by.distortion, seen_by.flags
    radius_rel_sd = settings.girth_rel_sd
    if girth_mm is None:
        girth_mm, radius_rel_sd = settings.assumed_girth_mm, settings.assumed_girth_rel_sd
        flags |= Flag.GIRTH_ASSUMED
    if card.upper_code is None or card.lower_code is None:
        flags |= Flag.ONE_MARKER
    rotation, translation, rms = pose.of_card(card, matrix, distortion)
    curved = bend.fit(card, matrix, distortion, rotation, translation, girth_mm / (2 * np.pi))
    if curved is not None:
        rotation, translation, rms = curved.rotation, curved.translation_mm, curved.rms_px
        flags |= Flag.CARD_BENT
    if rms > max(settings.max_reprojection_px, 0.03 * card.edge_px):
        raise PhotoRefused(
            PhotoStage.SURFACE,
            f"The card's corners do not lie on a flat card (they miss by {rms:.1f} pixels).",
            "Check that the card is flat and nothing covers its black squares, then photograph it again.",
            code=RefusalCode.CARD_NOT_FLAT,
        )
    middle = card.corners_mm.mean(axis=0)
    sight = rotation @ np.array([*middle, 0.0]) + translation
    cosine = float(-(rotation[:, 2] @ sight) / np.linalg.norm(sight))
    view_angle_deg = float(np.degrees(np.arccos(np.clip(cosine, -1, 1))))
    if view_angle_deg > settings.max_view_angle_deg:
        raise PhotoRefused(
            PhotoStage.SURFACE,
            f"The photo was taken from too far to the side ({view_angle_deg:.0f} degrees).",
            "Stand squarely in front of the card and hold the phone parallel to the trunk.",
            code=RefusalCode.TOO_OBLIQUE,
        )
    return SurfaceFix(
        camera_matrix=matrix,
        distortion=distortion,
        rotation=rotation,
        translation_mm=translation,
        radius_mm=girth_mm / (2 * np.pi),
        standoff_mm=settings.standoff_mm,
        tilt_rad=0.0,
        corner_sd_px=_corner_sd_px(card, rms),
        focal_rel_sd=seen_by.focal_rel_sd,
        radius_rel_sd=radius_rel_sd,
        tilt_sd_rad=float(np.radians(settings.tilt_sd_deg)),
        standoff_sd_mm=settings.standoff_sd_mm,
        reprojection_px=rms,
        view_angle_deg=view_angle_deg,
        flags=flags,
        corners_mm=card.corners_mm,
        roll_sd_rad=float(np.radians(settings.roll_sd_deg)),
        lens_sd=seen_by.lens_sd,
        yaw_sd_rad=float(np.radians(settings.yaw_sd_deg)),
        bend_per_mm=curved.bend_per_mm if curved is not None else 0.0,
        bend_sd_per_mm=curved.bend_sd_per_mm if curved is not None else 0.0,
        corners_px=card.corners_px,
        lens=photo.camera.lens if seen_by.tag_focal_px is not None and curved is None else "",
        tag_focal_px=seen_by.tag_focal_px,
    )


def _corner_sd_px(card: CardFix, rms_px: float) -> float:
    """Corner uncertainty from the edge fits (worth four degrees of freedom) and from what the pose leaves over."""
    freedom = card.corners_px.size - 6
    left_over = rms_px**2 * len(card.corners_px)
    return float(np.sqrt((4 * card.corner_sd_px**2 + left_over) / (4 + freedom)))


def area_sd_parts(fix: SurfaceFix, at_mm: tuple[float, float], size_mm: tuple[float, float]) -> ScaleUncertainty:
    """Relative standard uncertainties of area, width and height at a place of the site frame, by contribution.

    Parameters
    ----------
    fix
        Camera, pose and trunk.
    at_mm, size_mm
        Middle of the region in the site frame, and its width and height.
    """
    return ruler.scale_uncertainty(fix, fix.corners_mm, at_mm, size_mm)


# ---------------------------------------------------------------- windows


def overview_window(site: Site | None, settings: PatchSettings) -> Window:
    """The square of bark directly below the card, larger where the register says that the wound is."""
    edge = settings.overview_mm
    if site is not None:
        known = site.first_width_mm is not None or site.first_height_mm is not None
        if known:
            edge = max(
                edge,
                (site.first_height_mm or 0.0) + HANGING_MM + MARGIN_MM,
                (site.first_width_mm or 0.0) + 2 * MARGIN_MM,
            )
        elif site.kind in LONG_KINDS:
            edge = max(edge, LONG_WINDOW_MM)
    edge = min(edge, settings.max_window_mm)
    top = -cardspec.CARD_HALF_HEIGHT_MM - settings.gap_below_card_mm
    return Window(-edge / 2, edge / 2, top - edge, top)


def closer_window(opening: Window, seen: SitePatch, cut: bool, settings: PatchSettings) -> Window | None:
    """The square in which an opening should be measured, if another look pays.

    A small opening is looked at from closer, so that it takes ``detail_share`` of the window; one
    that the overview cuts is looked at in a window large enough for it.

    Parameters
    ----------
    opening
        Its bounding box in the site frame.
    seen
        The patch in which it was found.
    cut
        Whether it meets the border of what the patch shows.
    settings
        Shares and limits.

    Returns
    -------
    Window or None
        ``None`` where the patch at hand is the right one.
    """
    window = seen.window
    extent = max(opening.width_mm, opening.height_mm)
    middle_x = (opening.left_mm + opening.right_mm) / 2
    middle_y = (opening.top_mm + opening.bottom_mm) / 2
    if cut:
        edge = min(1.6 * max(extent, window.width_mm), settings.max_window_mm)
        if edge <= 1.05 * max(window.width_mm, window.height_mm):
            return None
        # the card stays out of the picture: only sides and bottom may grow
        return Window(middle_x - edge / 2, middle_x + edge / 2, window.top_mm - edge, window.top_mm)
    if extent >= settings.detail_below_share * max(window.width_mm, window.height_mm):
        return None
    # a window finer than the photo would only blow up its pixels
    finest = 0.5 * max(seen.valid.shape) / seen.source_px_per_mm
    edge = max(extent / settings.detail_share, finest, 1.0)
    if edge > 0.8 * max(window.width_mm, window.height_mm):
        return None
    return Window(middle_x - edge / 2, middle_x + edge / 2, middle_y - edge / 2, middle_y + edge / 2)


# ---------------------------------------------------------------- unrolling


def unroll(photo: Photo, fix: SurfaceFix, window: Window, px: int, balance: WhiteBalance | None) -> SitePatch:
    """Unroll a window of the bark.

    Parameters
    ----------
    photo, fix
        The photo and its geometry.
    window
        Rectangle of the site frame.
    px
        Pixels along the patch's longer edge.
    balance
        White balance to apply; ``None`` leaves colours as they are.

    Returns
    -------
    SitePatch
        Pixels outside the picture or behind the trunk's horizon are black and not ``valid``.

    Raises
    ------
    PhotoRefused
        If hardly any of the window is in the picture.
    """
    mm_per_px = max(window.width_mm, window.height_mm) / px
    columns, rows = max(1, round(window.width_mm / mm_per_px)), max(1, round(window.height_mm / mm_per_px))
    u, v, facing = _picture_grid(fix, window, mm_per_px, rows, columns)
    height, width = photo.pixels.shape[:2]
    valid = (facing > 0) & (u >= 0) & (v >= 0) & (u <= width - 1) & (v <= height - 1)
    if valid.mean() < LEAST_VALID_SHARE:
        raise PhotoRefused(
            PhotoStage.SURFACE,
            "The bark below the card is not in the picture.",
            "Hold the phone so that the card is in the upper half of the picture and the whole wound below it.",
            code=RefusalCode.WOUND_OUTSIDE,
        )
    middle = (window.left_mm + window.right_mm) / 2, (window.bottom_mm + window.top_mm) / 2
    source = trunk.scale_px_per_mm(fix, *middle)
    rgb = _sampled(photo, u, v, valid, source * mm_per_px)
    rgb = colour.apply(balance, rgb) if balance is not None else colour.srgb_of(rgb, photo.camera.colour_profile)
    light_sd = balance.lab_sd if balance is not None else None
    return SitePatch(
        rgb, valid, mm_per_px, window.left_mm, window.top_mm, source, True, balance is not None, fix, light_sd
    )


def _picture_grid(
    fix: SurfaceFix, window: Window, mm_per_px: float, rows: int, columns: int
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """Picture x and y of every patch pixel's centre, and by how much it faces the camera (above 0: it does).

    Computed exactly on every column and every eighth row, then interpolated along the trunk,
    where the map is nearly straight: the error stays under 0.02 photo pixels.
    """
    coarse = -(-rows // ROW_STEP) + 2
    at_row = (np.arange(coarse) - 0.5) * ROW_STEP - 0.5
    along = window.top_mm - (at_row + 0.5) * mm_per_px
    arc = np.asarray(window.left_mm + (np.arange(columns) + 0.5) * mm_per_px, dtype=np.float64)
    rotation, translation = trunk.trunk_to_camera(fix)
    # a place's camera coordinates are a part for its column plus a part for its row
    at_zero = trunk.bark_points(arc, np.zeros_like(arc), fix.radius_mm) @ rotation.T + translation
    x, y, z = (along[:, None] * rotation[k, 1] + at_zero[None, :, k] for k in range(3))
    # the outward normal has no part along the trunk, so its product with the way to the eye depends on the column alone
    angle = arc / fix.radius_mm
    eye = -rotation.T @ translation
    towards = np.sin(angle) * eye[0] + np.cos(angle) * (eye[2] + fix.radius_mm) - fix.radius_mm
    farthest = np.maximum(towards / np.cos(np.radians(GRAZING_LIMIT_DEG)), 0.0)
    farthest[np.abs(angle) >= np.pi / 2] = 0.0
    facing = farthest - np.sqrt(x * x + y * y + z * z)
    facing[z <= 1] = -np.inf
    z = np.maximum(z, 1.0)
    plane_x, plane_y = camera.distort(x / z, y / z, fix.distortion)
    u = fix.camera_matrix[0, 0] * plane_x + fix.camera_matrix[0, 2]
    v = fix.camera_matrix[1, 1] * plane_y + fix.camera_matrix[1, 2]
    fine_u, fine_v, fine_facing = (_stretched(grid, rows) for grid in (u, v, facing))
    return fine_u, fine_v, fine_facing


def _stretched(grid: NDArray[np.float64], rows: int) -> NDArray[np.float32]:
    """Rows interpolated ``ROW_STEP`` times finer; the first and last coarse row lie outside the patch."""
    size = (grid.shape[1], grid.shape[0] * ROW_STEP)
    fine: NDArray[np.float32] = cv2.resize(grid.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    return fine[ROW_STEP : ROW_STEP + rows]


def _sampled(
    photo: Photo, u: NDArray[np.float32], v: NDArray[np.float32], valid: Mask, px_per_px: float
) -> NDArray[np.uint8]:
    """Colours at picture points, the photo shrunk first where it is finer than the patch.

    Shrinking goes in halves, which is several times faster than other factors; what remains is
    between 0.8 and 1.6 photo pixels a patch pixel, which bilinear sampling serves well.
    """
    height, width = photo.pixels.shape[:2]
    halvings = max(0, int(np.floor(np.log2(max(px_per_px, 1.0) / 1.6) + 1)))
    shrink = 2**halvings
    (low_u, high_u), (low_v, high_v) = (cv2.minMaxLoc(points, valid.view(np.uint8))[:2] for points in (u, v))
    left, top = max(0, int(low_u) - 2 * shrink), max(0, int(low_v) - 2 * shrink)
    right, bottom = min(width, int(high_u) + 2 * shrink + 2), min(height, int(high_v) + 2 * shrink + 2)
    right -= (right - left) % shrink
    bottom -= (bottom - top) % shrink
    crop = photo.pixels[top:bottom, left:right]
    for _ in range(halvings):
        crop = cv2.resize(crop, (crop.shape[1] // 2, crop.shape[0] // 2), interpolation=cv2.INTER_AREA)
    scale = np.float32(1 / shrink)
    map_x = u * scale + np.float32((0.5 - left) / shrink - 0.5)
    map_y = v * scale + np.float32((0.5 - top) / shrink - 0.5)
    # four channels are sampled three times faster than three
    four = cv2.remap(
        cv2.cvtColor(crop, cv2.COLOR_RGB2RGBA), map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    four.view(np.uint32)[..., 0][~valid] = 0
    sampled: NDArray[np.uint8] = cv2.cvtColor(four, cv2.COLOR_RGBA2RGB)
    return sampled


def relative_patch(photo: Photo, px: int) -> SitePatch:
    """The middle square of a photo without a card, taken as 100 mm wide."""
    height, width = photo.pixels.shape[:2]
    edge = min(height, width)
    top, left = (height - edge) // 2, (width - edge) // 2
    crop = photo.pixels[top : top + edge, left : left + edge]
    interpolation = cv2.INTER_AREA if edge > px else cv2.INTER_LINEAR
    rgb = colour.srgb_of(cv2.resize(crop, (px, px), interpolation=interpolation), photo.camera.colour_profile)
    return SitePatch(
        rgb,
        np.ones((px, px), dtype=np.bool_),
        RELATIVE_WIDTH_MM / px,
        -RELATIVE_WIDTH_MM / 2,
        RELATIVE_WIDTH_MM / 2,
        edge / RELATIVE_WIDTH_MM,
        has_scale=False,
        white_balanced=False,
    )
