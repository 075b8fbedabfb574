"""From soft maps to the numbers of a Reading, each with its standard uncertainty.

Uncertainties are combined as the GUM (JCGM 100:2008, 5.1.2) says for independent contributions: the
root of the sum of squares.  An area has these, all in mm2:

- the scale's parts (tilt, girth, focal length, ...), each a share of the area;
- ``rim``: the rim is seen ``rim_sd_mm`` too far out or in all round, so the area is off by perimeter
  times that (small holes are limited by their rim: the share grows as 1 / diameter);
- ``reader`` and ``reader's habit``: the same for what this reader was found to be off (``SiteMaps.rim_sd_mm``),
  differently from photo to photo, and alike at all visits of a site;
- ``softness``: the rim wanders about its place by a share of the map's own blur.  Over a rim of
  length P, places further apart than L wander apart, which leaves sd sqrt(P min(P, L)).
"""

from __future__ import annotations

from datetime import UTC, datetime, time
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

import cv2
import numpy as np

from pipeline import colour, rim
from pipeline.records import Flag, Outlines, Reading, Sign, SignReading, Stage, Tissue

if TYPE_CHECKING:
    from datetime import date

    from numpy.typing import NDArray

    from pipeline.records import Photo, Polygon, QualityReport, RimMeasures, ScaleUncertainty, SiteMaps, SitePatch
    from pipeline.settings import ReadingSettings

_MIN_TISSUE_MM2 = 4.0
"""Smaller spots of new tissue or of a sign are not outlined."""
_EDGE_WIDTH_OF_SD = 2.5631
"""10 to 90 % width of a Gauss-blurred edge over its standard deviation, 2 * 1.28155."""
_BLOCK_MM = 2.0
"""Wood colour is averaged in blocks of this size before the median is taken."""
_BALANCE_SD = (1.0, 1.5, 1.5)
_NO_BALANCE_SD = (6.0, 6.0, 9.0)
"""Standard uncertainty of L*, a*, b* from the light, with and without the card's greys: an estimate."""


SignsSeen: TypeAlias = "tuple[dict[Sign, SignReading], dict[Sign, tuple[Polygon, ...]]]"
"""Readings of all signs, and the outlines of those that may be there."""


class _Size(NamedTuple):
    area: float | None = None
    area_sd: float | None = None
    width: float | None = None
    width_sd: float | None = None
    height: float | None = None
    height_sd: float | None = None
    perimeter: float | None = None
    perimeter_sd: float | None = None
    parts: dict[str, float] | None = None


def root_sum_square(values: list[float]) -> float:
    """Combined standard uncertainty of independent contributions (GUM 5.1.2)."""
    return float(np.sqrt(np.square(values).sum()))


def measure(
    photo: Photo,
    site: int,
    visit_on: date,
    patch: SitePatch,
    maps: SiteMaps,
    quality: QualityReport,
    scale: ScaleUncertainty,
    flags: Flag,
    settings: ReadingSettings,
    model: str,
    settings_hash: str,
    *,
    opening: RimMeasures | None,
    wide: SignsSeen | None = None,
) -> Reading:
    """Measure what a reader saw in a patch.

    An area is a number in two cases: an opening of at least ``min_aperture_mm2`` is seen (then it is its
    size), or none is seen and closed or rebarked is more likely than not (then it is 0, with the
    uncertainty that an opening too small to count would leave).  In every other case the size is
    ``None``: an opening should be there, and was not seen.

    Parameters
    ----------
    photo, site, visit_on
        What was photographed, and the calendar day of the visit.  A photo without a time counts as
        taken at midnight UTC of that day.
    patch, maps
        The patch and what the reader saw in it, pixel for pixel.
    quality, scale
        Physical quality of the photo, and relative uncertainties of sizes at this place.
    flags
        Doubts raised so far; they are carried over.
    settings
        Thresholds and the uncertainty of the rim.
    model, settings_hash
        Written into the reading, so that it can be made again.
    opening
        What :func:`find_opening` and :func:`seam_as_none` gave for this patch.
    wide
        Signs in a wider patch of the same photo (:func:`read_signs`); of each sign the surer look counts.
    """
    if maps.tissue.shape[:2] != patch.valid.shape:
        raise ValueError(f"maps and patch must have the same shape, got {maps.tissue.shape[:2]}, {patch.valid.shape}")
    new_tissue = rim.measure_region(maps.tissue[..., Tissue.NEW_TISSUE], patch, _MIN_TISSUE_MM2)
    signs, sign_outlines = surer_of(read_signs(maps, patch, opening, settings), wide)
    size = _size(opening, maps, quality, scale, settings)
    wood, wood_sd = wood_colour(patch, maps.tissue[..., Tissue.APERTURE]) if opening else (None, None)
    return Reading(
        file=photo.file,
        sha256=photo.sha256,
        site=site,
        taken_at=photo.taken_at or datetime.combine(visit_on, time(), UTC),
        visit_on=visit_on,
        stage_p=tuple(float(p) for p in maps.stage_p),
        signs=signs,
        not_a_site_p=float(maps.not_a_site_p),
        aperture_area_mm2=size.area,
        aperture_area_mm2_sd=size.area_sd,
        aperture_width_mm=size.width,
        aperture_width_mm_sd=size.width_sd,
        aperture_height_mm=size.height,
        aperture_height_mm_sd=size.height_sd,
        aperture_perimeter_mm=size.perimeter,
        aperture_perimeter_mm_sd=size.perimeter_sd,
        new_tissue_width_mm=new_tissue_width_mm(new_tissue, opening),
        wood_lab=wood,
        wood_lab_sd=wood_sd,
        scale_px_per_mm=quality.scale_px_per_mm,
        view_angle_deg=quality.view_angle_deg,
        sharpness_mm=quality.sharpness_mm,
        flags=flags | quality.flags | _flags(patch, maps, opening, settings),
        outlines=Outlines(
            aperture=opening.outlines if opening else (),
            new_tissue=new_tissue.outlines if new_tissue else (),
            signs=sign_outlines,
        ),
        model=model,
        settings=settings_hash,
        area_sd_parts=size.parts or {},
        resin_p=float(maps.resin_p),
        lookalike_p=float(maps.lookalike_p),
        device=photo.camera.device,
        centroid_mm=opening.centroid_mm if opening else None,
    )


def find_opening(patch: SitePatch, maps: SiteMaps, settings: ReadingSettings) -> RimMeasures | None:
    """The opening, or openings together, that a reader saw in a patch; ``None`` where none is large enough to count."""
    return rim.measure_region(maps.tissue[..., Tissue.APERTURE], patch, settings.min_aperture_mm2)


def seam_as_none(opening: RimMeasures | None, maps: SiteMaps, settings: ReadingSettings) -> RimMeasures | None:
    """The opening, or ``None`` if it is the dark seam of a wound whose rims have met.

    A slit and a seam look alike in the map, a dark line; the photo as a whole tells them apart.  So a slit counts as
    the seam where closed or rebarked is more likely than not and its mean width, 2 area / perimeter (exact for a
    long slit; half the diameter of a round hole), is below ``seam_width_mm``.
    """
    if opening is None or _covered_p(maps) <= 0.5:
        return opening
    return None if 2 * opening.area_mm2 / opening.perimeter_mm < settings.seam_width_mm else opening


def _covered_p(maps: SiteMaps) -> float:
    return float(maps.stage_p[Stage.CLOSED] + maps.stage_p[Stage.REBARKED])


def _size(
    opening: RimMeasures | None,
    maps: SiteMaps,
    quality: QualityReport,
    scale: ScaleUncertainty,
    settings: ReadingSettings,
) -> _Size:
    if opening is None:
        return _closed_size(settings) if _covered_p(maps) > 0.5 else _Size()
    perimeter = opening.perimeter_mm
    # fmax: without a card the sharpness is not known (nan), and only the map's own blur counts.
    blur_mm = float(np.fmax(opening.rim_softness_mm, quality.sharpness_mm / _EDGE_WIDTH_OF_SD))
    wander_mm = settings.rim_wander_share * blur_mm
    parts = {name: share * opening.area_mm2 for name, share in scale.area.items()}
    parts["rim"] = perimeter * settings.rim_sd_mm
    if maps.rim_sd_mm > 0:
        repeat = maps.rim_sd_mm if maps.rim_repeat_sd_mm is None else min(maps.rim_repeat_sd_mm, maps.rim_sd_mm)
        parts["reader"] = perimeter * repeat
        if repeat < maps.rim_sd_mm:
            parts["reader's habit"] = perimeter * float(np.sqrt(maps.rim_sd_mm**2 - repeat**2))
    rim_sd_mm = float(np.hypot(settings.rim_sd_mm, maps.rim_sd_mm))
    parts["softness"] = wander_mm * float(np.sqrt(perimeter * min(perimeter, settings.rim_wander_mm)))
    # Both ends of a chord move: together with the whole rim, each on its own with the wandering.
    ends = [2 * rim_sd_mm, np.sqrt(2) * wander_mm]
    # A rim moved outward by d all round is 2 pi d longer (Steiner's formula), whatever its shape.
    longer = 2 * np.pi * opening.openings * rim_sd_mm
    return _Size(
        area=opening.area_mm2,
        area_sd=root_sum_square(list(parts.values())),
        width=opening.width_mm,
        width_sd=root_sum_square([scale.width_rel_sd * opening.width_mm, *ends]),
        height=opening.height_mm,
        height_sd=root_sum_square([scale.height_rel_sd * opening.height_mm, *ends]),
        perimeter=perimeter,
        perimeter_sd=root_sum_square([scale.area_rel_sd / 2 * perimeter, longer]),
        parts=parts,
    )


def _closed_size(settings: ReadingSettings) -> _Size:
    """Size of what is closed: 0.

    The opening that would go unseen lies anywhere between 0 and the smallest that counts; for such a
    uniform distribution from 0 to a, the root mean square is a / sqrt(3) (GUM 4.3.7).
    """
    area_sd = settings.min_aperture_mm2 / np.sqrt(3)
    diameter_sd = np.sqrt(4 * settings.min_aperture_mm2 / np.pi) / np.sqrt(3)
    across = float(diameter_sd)
    return _Size(
        0.0, float(area_sd), 0.0, across, 0.0, across, 0.0, float(np.pi * diameter_sd), {"unseen": float(area_sd)}
    )


def _flags(patch: SitePatch, maps: SiteMaps, opening: RimMeasures | None, settings: ReadingSettings) -> Flag:
    checks = {
        Flag.NO_APERTURE: opening is None,
        Flag.SEVERAL_APERTURES: opening is not None and opening.openings > 1,
        Flag.CUT_BY_FRAME: opening is not None and opening.cut,
        Flag.UNSURE_STAGE: float(maps.stage_p.max()) < settings.unsure_stage_p,
        Flag.UNSURE_SIGN: any(settings.unsure_sign_p <= p < settings.sign_p for p in maps.sign_p),
        Flag.NOT_LIKE_A_SITE: maps.not_a_site_p >= settings.not_a_site_p,
        Flag.NO_SCALE: not patch.has_scale,
        Flag.WHITE_BALANCE_ASSUMED: not patch.white_balanced,
    }
    raised = Flag.NONE
    for flag, holds in checks.items():
        if holds:
            raised |= flag
    return raised


def read_signs(maps: SiteMaps, patch: SitePatch, opening: RimMeasures | None, settings: ReadingSettings) -> SignsSeen:
    """Probability, area and distance from the rim of each sign, and outlines of those that may be there.

    A sign below ``unsure_sign_p`` is not placed: it has a probability only.
    """
    readings: dict[Sign, SignReading] = {}
    outlines: dict[Sign, tuple[Polygon, ...]] = {}
    for k, sign in enumerate(Sign):
        p = float(maps.sign_p[k])
        seen = None
        if p >= settings.unsure_sign_p:
            seen = rim.measure_region(maps.signs[..., k], patch, _MIN_TISSUE_MM2)
        if seen is None:
            readings[sign] = SignReading(p)
            continue
        outlines[sign] = seen.outlines
        distance = distance_mm(seen.outlines, opening.outlines, patch.mm_per_px) if opening else None
        readings[sign] = SignReading(p, seen.area_mm2, distance)
    return readings, outlines


def surer_of(near: SignsSeen, wide: SignsSeen | None) -> SignsSeen:
    """Of each sign the look that is surer of it; outlines of either, those of the near look first."""
    if wide is None:
        return near
    signs = {sign: max(wide[0][sign], seen, key=lambda reading: reading.p) for sign, seen in near[0].items()}
    return signs, wide[1] | near[1]


def distance_mm(first: tuple[Polygon, ...], second: tuple[Polygon, ...], resolution_mm: float) -> float:
    """Shortest distance between two sets of outlines; 0 where they touch or cross.

    Outlines have a corner in every pixel they pass, so corners stand for the lines; what is nearer than
    1.5 pixels (``resolution_mm`` each) counts as touching.
    """
    a, b = (np.concatenate([np.asarray(line, dtype=np.float32) for line in lines]) for lines in (first, second))
    shorter, longer = sorted((a, b), key=len)
    nearest = min(float(np.hypot(*(longer - corner).T).min()) for corner in shorter)
    return nearest if nearest > 1.5 * resolution_mm else 0.0


def new_tissue_width_mm(new_tissue: RimMeasures | None, opening: RimMeasures | None) -> float | None:
    """Mean width of the new tissue that grew from the rim.

    Round an opening of perimeter P, a band of width w has the area P w + pi w² (Steiner's formula), which
    is solved for w.  Where nothing is open the rims have met: half the width of the new tissue.
    ``None`` where no new tissue is seen.
    """
    if new_tissue is None:
        return None
    if opening is None:
        return new_tissue.width_mm / 2
    p, area = opening.perimeter_mm, new_tissue.area_mm2
    return float((np.sqrt(p * p + 4 * np.pi * area) - p) / (2 * np.pi))


def wood_colour(
    patch: SitePatch, aperture_p: NDArray[np.floating]
) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """CIELAB of the exposed wood and its standard uncertainty.

    The core of the opening (clear of the rim by a fifth of its half width, at most 2 mm) is averaged in
    linear light in blocks of 2 mm; the median block stands for the wood, so that a shadow or a drop of
    resin does not.  The spread of the blocks over the root of their number is combined with the
    uncertainty of the light.
    """
    shown = np.where(patch.valid, aperture_p, 0)
    inside = (shown >= min(0.5, float(shown.max()))).astype(np.uint8)
    left, top, width, height = cv2.boundingRect(inside)
    view = np.s_[top : top + height, left : left + width]
    inside = inside[view]
    depth = cv2.distanceTransform(np.pad(inside, 1), cv2.DIST_L2, 5)[1:-1, 1:-1]
    core = depth >= max(min(0.2 * float(depth.max()), 2.0 / patch.mm_per_px), 1.0)
    if not core.any():
        core = inside > 0
    linear = colour.LINEAR_OF_8BIT[patch.rgb[view]]
    blocks = _block_means(linear, core, max(round(_BLOCK_MM / patch.mm_per_px), 1))
    lab = colour.lab_of_linear(blocks)
    middle = np.median(lab, axis=0)
    # 1.4826 times the median absolute deviation is the standard deviation of a normal sample.
    spread = 1.4826 * np.median(np.abs(lab - middle), axis=0) / np.sqrt(len(lab))
    light = patch.light_lab_sd or (_BALANCE_SD if patch.white_balanced else _NO_BALANCE_SD)
    sd = np.hypot(spread, light)
    return (float(middle[0]), float(middle[1]), float(middle[2])), (float(sd[0]), float(sd[1]), float(sd[2]))


def _block_means(linear: NDArray[np.float64], core: NDArray[np.bool_], edge_px: int) -> NDArray[np.float64]:
    """Means over the blocks that lie mostly in the core, shape (N, 3); over all of it where there are none."""
    rows, cols = (n // edge_px * edge_px for n in core.shape)
    shape = (rows // edge_px, edge_px, cols // edge_px, edge_px)
    share = core[:rows, :cols].reshape(shape).mean(axis=(1, 3))
    whole = share > 0.75
    if not whole.any():
        return np.asarray(linear[core].mean(axis=0, keepdims=True))
    weights = core[:rows, :cols, None].astype(np.float64)
    sums = (linear[:rows, :cols] * weights).reshape(*shape, 3).sum(axis=(1, 3))
    return np.asarray(sums[whole] / (share[whole, None] * edge_px**2))
