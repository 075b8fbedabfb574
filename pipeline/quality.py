"""Whether a photo is good enough, in physical terms: blur in mm of bark, view angle, resolution, burnt light."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline import edges, trunk
from pipeline.cardspec import MARKER_EDGE_MM
from pipeline.errors import PhotoRefused
from pipeline.records import Flag, PhotoStage, QualityReport, RefusalCode

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import CardFix, Photo, SitePatch, SurfaceFix
    from pipeline.settings import QualitySettings

BURNT_LEVEL = 252
BLACK_LEVEL = 3
SAMPLES = 48
"""Places across and along the patch at which the photo's own levels are looked at."""


def assess(photo: Photo, card: CardFix, fix: SurfaceFix, patch: SitePatch, settings: QualitySettings) -> QualityReport:
    """Measure the quality of a photo and refuse it where it cannot be read.

    Parameters
    ----------
    photo, card, fix, patch
        The photo, its card and geometry, and the overview patch.
    settings
        Limits for refusing and for flagging.

    Raises
    ------
    PhotoRefused
        If it is too blurred, too far away, or most of the bark is burnt out or black.
    """
    scale = patch.source_px_per_mm
    if scale < settings.refuse_px_per_mm:
        raise PhotoRefused(
            PhotoStage.QUALITY,
            f"The photo was taken from too far away ({scale:.1f} pixels a millimetre of bark).",
            "Come closer: the card should be at least a fifth of the picture's height.",
            code=RefusalCode.TOO_FAR,
        )
    sharpness_mm = _edge_width_px(photo, card) / scale
    if sharpness_mm > settings.refuse_sharpness_mm:
        raise PhotoRefused(
            PhotoStage.QUALITY,
            f"The photo is blurred: an edge on the card is {sharpness_mm:.1f} mm wide.",
            "Hold the phone still, tap on the card so that it focuses there, and take it again.",
            code=RefusalCode.BLURRED,
        )
    burnt, black = _clipped_shares(photo, fix, patch)
    if max(burnt, black) > settings.refuse_clipped_share:
        raise PhotoRefused(
            PhotoStage.QUALITY,
            f"{max(burnt, black):.0%} of the bark is {'burnt out' if burnt > black else 'black'} in the photo.",
            "Shade the site from the sun with your body and take it again."
            if burnt > black
            else "Take it again by daylight or with the phone's light on.",
            code=RefusalCode.BURNT_OUT if burnt > black else RefusalCode.TOO_DARK,
        )
    flags = Flag.NONE
    for doubtful, flag in (
        (sharpness_mm > settings.flag_sharpness_mm, Flag.SOFT_FOCUS),
        (scale < settings.flag_px_per_mm, Flag.LOW_SCALE),
        (fix.view_angle_deg > settings.flag_view_angle_deg, Flag.OBLIQUE_VIEW),
        (burnt + black > settings.flag_clipped_share, Flag.CLIPPED_LIGHT),
    ):
        if doubtful:
            flags |= flag
    return QualityReport(sharpness_mm, fix.view_angle_deg, scale, burnt + black, flags)


def _edge_width_px(photo: Photo, card: CardFix) -> float:
    """10 to 90 % width of the card's marker edges in pixels; infinite where no edge can be seen."""
    px_per_mm = card.edge_px / MARKER_EDGE_MM
    light, origin = edges.linear_crop(photo.pixels, card.corners_px, 4 * px_per_mm + 4)
    width = edges.edge_width_px(light, (card.corners_px - origin).reshape(-1, 4, 2), px_per_mm)
    return float("inf") if width is None else width


def _clipped_shares(photo: Photo, fix: SurfaceFix, patch: SitePatch) -> tuple[float, float]:
    """Shares of burnt and of black pixels, in the photo's own levels (white balance would hide them)."""
    rows, columns = patch.valid.shape
    i = np.linspace(0, rows - 1, SAMPLES).astype(int)
    j = np.linspace(0, columns - 1, SAMPLES).astype(int)
    valid = patch.valid[np.ix_(i, j)]
    if not valid.any():
        return 0.0, 0.0
    arc, along = np.meshgrid(patch.left_mm + (j + 0.5) * patch.mm_per_px, patch.top_mm - (i + 0.5) * patch.mm_per_px)
    at: NDArray[np.intp] = np.rint(trunk.bark_in_picture(fix, arc[valid], along[valid])).astype(np.intp)
    height, width = photo.pixels.shape[:2]
    levels = photo.pixels[np.clip(at[:, 1], 0, height - 1), np.clip(at[:, 0], 0, width - 1)]
    return float(np.mean((levels >= BURNT_LEVEL).all(axis=1))), float(np.mean((levels <= BLACK_LEVEL).all(axis=1)))
