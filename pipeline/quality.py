"""Whether a photo is good enough, in physical terms.

Blur in mm of bark, view angle, resolution, burnt light, and how much of the card something covers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline import bend, camera, cardspec, colour, edges, markers, trunk
from pipeline.cardspec import MARKER_EDGE_MM
from pipeline.errors import PhotoRefused
from pipeline.records import Flag, PhotoStage, QualityReport, RefusalCode

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import CardFix, Photo, SitePatch, SurfaceFix
    from pipeline.settings import QualitySettings

BURNT_LEVEL = 252
BLACK_LEVEL = 3
MARGIN_MM = 18.5
BANDS_MM = (3.75, -11.75, -47.5)
"""Heights of the card's bare bands, clear of markers, patches, number and nail hole."""
LEAST_PLACES = 20
COLOURED = 0.35
"""Logarithm of a colour's part against the card's usual one beyond which it is no light on a neutral card: skin and
leaves begin at about 0.4, sun against blue sky makes 0.2."""
SHADE_COLOUR = 0.28
BLACK_TONE, SHADE_TONE = 0.1, 0.3
"""Light on white, over that on most of it: below the first no shade, below the second a deep one."""
DARK_TONE, BRIGHT_TONE = 0.12, 0.7
"""The same on black: below the first its colour cannot be told, above the second it is not black."""
DARK_SHARE = 0.02
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
    covered = covered_share(photo, card, fix)
    flags = Flag.NONE
    for doubtful, flag in (
        (sharpness_mm > settings.flag_sharpness_mm, Flag.SOFT_FOCUS),
        (scale < settings.flag_px_per_mm, Flag.LOW_SCALE),
        (fix.view_angle_deg > settings.flag_view_angle_deg, Flag.OBLIQUE_VIEW),
        (burnt + black > settings.flag_clipped_share, Flag.CLIPPED_LIGHT),
        (covered > settings.flag_covered_share, Flag.CARD_COVERED),
    ):
        if doubtful:
            flags |= flag
    return QualityReport(sharpness_mm, fix.view_angle_deg, scale, burnt + black, flags, covered)


def covered_share(photo: Photo, card: CardFix, fix: SurfaceFix) -> float:
    """Share of the card that does not look as printed, 0 to 1.

    The card is looked at in some 200 places: the cells of its markers, its grey patches, its bare margins.  All of it
    is neutral, so what is coloured against the rest (skin, a leaf, bark, mud) covers it; so does what is bright where
    the card is black, or nearly black where it is white.  Shade alone covers nothing: it darkens white less than that,
    and its light is a little bluer, not coloured.
    """
    places, printed = _card_places(card)
    light = _light_at(photo, fix, places)
    white = np.isfinite(light[:, 0]) & (printed == 1)
    if white.sum() < LEAST_PLACES:
        return 0.0
    typical = np.median(light[white], axis=0)
    tone = light.mean(axis=1) / typical.mean()
    # a little white is added, so that noise in the dark is no colour
    cast = np.log((light + DARK_SHARE * typical) / (light + DARK_SHARE * typical).mean(axis=1, keepdims=True))
    usual = np.log(typical / typical.mean())
    coloured = np.abs(cast - usual).max(axis=1)
    covered = (coloured > COLOURED) & ((tone > DARK_TONE) | (printed == 1))
    covered |= (printed == 1) & ((tone < BLACK_TONE) | ((tone < SHADE_TONE) & (coloured > SHADE_COLOUR)))
    covered |= (printed == 0) & (tone > BRIGHT_TONE)
    return float(np.mean(covered[np.isfinite(light[:, 0])]))


def _card_places(card: CardFix) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places (N, 2) of the card in mm and what is printed there, (N,): 1 white, 0 black, nan anything neutral."""
    at: list[NDArray[np.float64]] = []
    printed: list[NDArray[np.float64]] = []
    cell = MARKER_EDGE_MM / 8
    x, y = np.meshgrid((np.arange(8) - 3.5) * cell, (3.5 - np.arange(8)) * cell)
    for code, centre in (
        (card.upper_code, cardspec.UPPER_MARKER_CENTRE_MM),
        (card.lower_code, cardspec.LOWER_MARKER_CENTRE_MM),
    ):
        bits = np.zeros((8, 8))
        bits[1:-1, 1:-1] = np.nan if code is None else markers.family_bits()[code].reshape(6, 6)
        at.append(np.stack([x, y], axis=-1).reshape(-1, 2) + centre)
        printed.append(np.full(64, np.nan) if code is None else bits.ravel())
    at.append(np.array(cardspec.PATCH_CENTRES_MM))
    printed.append(np.full(len(cardspec.PATCH_CENTRES_MM), np.nan))
    margins = [(side * MARGIN_MM, up) for side in (-1, 1) for up in np.arange(-46.0, 47.0, 4.0)]
    bands = [(across, up) for up in BANDS_MM for across in np.arange(-16.0, 17.0, 4.0)]
    at.append(np.array([*margins, *bands]))
    printed.append(np.ones(len(margins) + len(bands)))
    return np.concatenate(at), np.concatenate(printed)


def _light_at(photo: Photo, fix: SurfaceFix, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear sRGB light (N, 3) at places of the card, each the mean of nine samples; nan outside the picture."""
    steps = np.array([(dx, dy) for dx in (-0.6, 0.0, 0.6) for dy in (-0.6, 0.0, 0.6)])
    points = bend.on_card(places[:, None] + steps, fix.bend_per_mm)
    seen = camera.project(points, fix.rotation, fix.translation_mm, fix.camera_matrix, fix.distortion)
    at = np.rint(seen).astype(np.intp)
    height, width = photo.pixels.shape[:2]
    inside = ((at >= 0) & (at < [width, height])).all(axis=(1, 2))
    at[~inside] = 0
    own = colour.LINEAR_OF_8BIT[photo.pixels[at[..., 1], at[..., 0]]].mean(axis=1)
    light = colour.linear_srgb(own, photo.camera.colour_profile)
    light[~inside] = np.nan
    return light


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
