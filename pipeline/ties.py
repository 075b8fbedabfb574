"""Photos of a site tied together by the bark round the wound: compare two, learn each one's scale, correct readings.

    patch + reading of two photos ──compare──> Comparison      (is it the same place? which bark do both show?)
    all comparisons of a site ──scales──> BarkScale of each photo ──corrected──> Reading in millimetres of one bark
    the same geometry + the rims of two ──rim_field──> RimField (where did the rim advance between the two?)

Pure functions.  ``pipeline.batch.ties`` feeds them from cache and store.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline import hanging, registration, rimfield, ruler
from pipeline.records import POOR_SIZE, BarkScale, Comparison, Flag
from pipeline.rimfield import RimSd

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from pipeline.records import Mask, Polygon, Reading, RimField, SitePatch, SurfaceFix
    from pipeline.settings import Settings

VERSION = "4"
"""Part of what a stored comparison rests on: a new way of comparing makes all of them again."""
LEAST_BLOCKS = 24
"""Blocks of bark below which nothing is said of the place."""
MARGIN_MM = 3.0
"""Bark this near to the wound changes with it."""
PHOTOS_BACK = 3
"""Earlier visits that are tried until one shows the same bark: one swapped photo does not accuse the next one."""
SHARED, OWN = "shared bark", "own view"
"""Names of what then remains of the scale's uncertainty: common to the site's photos, and of the photo alone."""
SCALE_PARTS = frozenset({"corner noise", *ruler.SOURCES})
HABIT = "reader's habit"
"""What a reader does alike at all visits of a site (``measure``)."""
NOT_THE_WHOLE_RIM = SCALE_PARTS | {SHARED, OWN, "softness"}
_SHIFT = 4


def wound_mask(patch: SitePatch, reading: Reading) -> Mask:
    """Where a patch shows what is not lasting bark: opening, new tissue and signs, with a margin; shape (H, W)."""
    mask = np.zeros(patch.valid.shape, dtype=np.uint8)
    outlines = reading.outlines
    polygons: list[Polygon] = [*outlines.aperture, *outlines.new_tissue]
    polygons += [polygon for lines in outlines.signs.values() for polygon in lines]
    for polygon in polygons:
        corners = np.asarray(polygon, dtype=np.float64)
        x = (corners[:, 0] - patch.left_mm) / patch.mm_per_px - 0.5
        y = (patch.top_mm - corners[:, 1]) / patch.mm_per_px - 0.5
        points = np.rint(np.column_stack([x, y]) * 2**_SHIFT).astype(np.int32)
        cv2.fillPoly(mask, [points], 1, shift=_SHIFT)
    reach = round(MARGIN_MM / patch.mm_per_px)
    ball = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    return np.asarray(cv2.dilate(mask, ball) > 0)


def compare(earlier_patch: SitePatch, earlier: Reading, later_patch: SitePatch, later: Reading) -> Comparison:
    """Lay a photo's overview patch over an earlier one's."""
    found = registration.register(
        earlier_patch, later_patch, wound_mask(earlier_patch, earlier), wound_mask(later_patch, later)
    )
    table = np.column_stack([found.places_earlier, found.places_later, found.places_sd_mm])
    return Comparison(
        earlier=earlier.sha256,
        later=later.sha256,
        same_place=found.same_place if found.blocks >= LEAST_BLOCKS else None,
        blocks=found.blocks,
        agreeing=found.agreeing,
        scatter_mm=found.scatter_mm if np.isfinite(found.scatter_mm) else None,
        places=tuple((a, b, c, d, sd) for a, b, c, d, sd in np.round(table, 3).tolist()),
    )


def partners(readings: Sequence[Reading], moved_on: Iterable[date] = ()) -> dict[str, tuple[Reading, ...]]:
    """For each photo of a site the earlier photos it is to be compared with, most recent visit first.

    Parameters
    ----------
    readings
        All of one site.
    moved_on
        Days on which the card was moved: photos from before and after are not compared.

    Returns
    -------
    dict
        By hash: one photo of each of the last visits (the sharpest); the first visit's photos are compared with its
        sharpest.  The very first has none.  Nothing is compared with a photo that does not look like a site, but such a
        photo is: the card of one wound at another is found out whatever a reader thinks of the picture.
    """
    every = sorted(readings, key=lambda r: (r.visit_on, r.sha256))
    usable = [r for r in every if not r.flags & Flag.NOT_LIKE_A_SITE]
    best: dict[date, Reading] = {}
    for reading in usable:
        known = best.get(reading.visit_on)
        if known is None or (reading.sharpness_mm, reading.sha256) < (known.sharpness_mm, known.sha256):
            best[reading.visit_on] = reading
    days = sorted(best)
    breaks = sorted(moved_on)
    found: dict[str, tuple[Reading, ...]] = {}
    for reading in every:
        since = max((day for day in breaks if day <= reading.visit_on), default=None)
        before = [d for d in days if d < reading.visit_on and (since is None or d >= since)]
        chosen = [best[day] for day in reversed(before[-PHOTOS_BACK:])]
        same_day = best.get(reading.visit_on, reading)
        if not chosen and same_day is not reading:
            chosen = [same_day]
        if chosen:
            found[reading.sha256] = tuple(chosen)
    return found


def scales(
    readings: Sequence[Reading],
    fixes: Mapping[str, SurfaceFix],
    comparisons: Iterable[Comparison],
    same_place_score: float,
) -> dict[str, BarkScale]:
    """Scale of every photo of a site that shares bark with another one; the others keep their own."""
    return {
        sha256: scale
        for frame in frames(readings, fixes, comparisons, same_place_score)
        for sha256, scale in frame.scales.items()
    }


def frames(
    readings: Sequence[Reading],
    fixes: Mapping[str, SurfaceFix],
    comparisons: Iterable[Comparison],
    same_place_score: float,
) -> list[BarkFrame]:
    """Photos of a site that share bark, as far as comparisons of the same place tie them; often all of them."""
    by_hash = {r.sha256: r for r in readings if r.sha256 in fixes}
    ties = [
        c
        for c in comparisons
        if c.same_place is not None
        and c.same_place >= same_place_score
        and c.earlier in by_hash
        and c.later in by_hash
        and len(c.places) >= 3
    ]
    found = []
    for group in _groups(ties):
        order = sorted(group, key=lambda h: (by_hash[h].taken_at, h))
        number = {sha256: k for k, sha256 in enumerate(order)}
        views = [_view(by_hash[h], fixes[h]) for h in order]
        links = []
        for tie in ties:
            if tie.later in number:
                table = np.asarray(tie.places, dtype=np.float64)
                links.append(
                    hanging.Link(number[tie.earlier], number[tie.later], table[:, :2], table[:, 2:4], table[:, 4])
                )
        solution = hanging.solve(views, links)
        found.append(BarkFrame(number, solution, dict(zip(order, solution.scales(), strict=True))))
    return found


@dataclass(frozen=True, slots=True, eq=False)
class BarkFrame:
    """Photos that share bark, by hash and number, the geometry that all of them give, and the scale of each."""

    number: dict[str, int]
    solution: hanging.Solution
    scales: dict[str, BarkScale]


def _groups(ties: Iterable[Comparison]) -> list[set[str]]:
    groups: list[set[str]] = []
    for tie in ties:
        joined = {tie.earlier, tie.later}
        apart = []
        for group in groups:
            if group & joined:
                joined |= group
            else:
                apart.append(group)
        groups = [*apart, joined]
    return groups


def _phone(reading: Reading, fix: SurfaceFix) -> str:
    """Photos that share what is not known of their lens: same phone, same focal length and lens to begin with."""
    diagonal = float(np.hypot(*(2 * fix.camera_matrix[:2, 2] + 1)))
    return f"{reading.device} {fix.camera_matrix[0, 0] / diagonal:.3f} {fix.distortion[0]:.5f}"


def _view(reading: Reading, fix: SurfaceFix) -> hanging.View:
    corners = [corner for polygon in reading.outlines.aperture for corner in polygon]
    if not corners:
        return hanging.View(fix, _phone(reading, fix), reading.centroid_mm or (0.0, -110.0), (20.0, 20.0))
    lo, hi = np.min(corners, axis=0), np.max(corners, axis=0)
    at, size = (lo + hi) / 2, hi - lo
    return hanging.View(fix, _phone(reading, fix), (float(at[0]), float(at[1])), (float(size[0]), float(size[1])))


def rim_field(earlier: Reading, later: Reading, frame: BarkFrame, settings: Settings) -> RimField | None:
    """Advance of the rim between two photos of a frame.

    Returns
    -------
    RimField or None
        ``None`` where a rim was not seen whole or lies at the trunk's horizon.
    """
    if (earlier.flags | later.flags) & POOR_SIZE or later.aperture_area_mm2 is None:
        return None
    first, second = frame.number[earlier.sha256], frame.number[later.sha256]
    before, after = (
        [frame.solution.on_bark(number, np.asarray(polygon, dtype=np.float64)) for polygon in polygons]
        for number, polygons in (
            (first, earlier.outlines.aperture),
            (second, later.outlines.aperture if later.aperture_area_mm2 > 0 else ()),
        )
    )
    if not all(np.isfinite(ring).all() for ring in (*before, *after)):
        return None
    wander_mm = settings.reading.rim_wander_mm
    return rimfield.field(
        before,
        after,
        parting=rimfield.Parting(lambda at: frame.solution.parting(first, second, at), frame.solution.covariance),
        scale_rel_sd=0.5 * frame.scales[earlier.sha256].area_rel_sd,
        rim_sd=(
            rim_sd(earlier, wander_mm, with_habit=False),
            rim_sd(later, wander_mm, earlier.aperture_perimeter_mm or 0.0, with_habit=False),
        ),
        wander_length_mm=wander_mm,
        photos=(earlier.sha256, later.sha256),
    )


def without_shared_habit(readings: Sequence[Reading]) -> list[Reading]:
    """Readings in which a reader's habit cancels in a change only where the same reader read every photo of a site.

    Where another reader, or a person's rim, stands beside it, the habit is an error of its own like the rest of it.
    """
    eyes: dict[int, set[tuple[str, bool]]] = {}
    for reading in readings:
        by_person = any(correction.what == "rim" for correction in reading.corrections)
        eyes.setdefault(reading.site, set()).add((reading.model, by_person))
    return [
        _habit_as_own(reading) if len(eyes[reading.site]) > 1 and HABIT in reading.area_sd_parts else reading
        for reading in readings
    ]


def _habit_as_own(reading: Reading) -> Reading:
    parts = dict(reading.area_sd_parts)
    parts["reader"] = float(np.hypot(parts.pop(HABIT), parts.get("reader", 0.0)))
    return replace(reading, area_sd_parts=parts)


def corrected(
    reading: Reading,
    scale: BarkScale | None,
    same_place: float | None,
    settings: Settings,
    field: RimField | None = None,
) -> Reading:
    """A reading in the scale that the site's bark gives; outlines stay in the photo's own.

    Parameters
    ----------
    field
        Advance of the rim since the site's earlier photo, to be carried by the reading.
    """
    area, parts = reading.aperture_area_mm2, reading.area_sd_parts
    if scale is None or not area or not parts:
        if same_place is None and field is None:
            return reading
        return replace(reading, same_place=same_place, rim_field=field)
    kept = {name: part * scale.area for name, part in parts.items() if name not in SCALE_PARTS}
    size = area * scale.area
    own = np.sqrt(max(scale.area_rel_sd**2 - scale.area_common_rel_sd**2, 0.0))
    kept |= {SHARED: size * scale.area_common_rel_sd, OWN: float(size * own)}
    ends = _ends_sd_mm(reading, settings.reading.rim_wander_mm)
    line = (scale.area) ** 0.5

    def length(value: float | None, factor: float, rel_sd: float) -> tuple[float | None, float | None]:
        return (None, None) if value is None else (value * factor, float(np.hypot(value * factor * rel_sd, ends)))

    width = length(reading.aperture_width_mm, scale.width, scale.width_rel_sd)
    height = length(reading.aperture_height_mm, scale.height, scale.height_rel_sd)
    perimeter, perimeter_sd = reading.aperture_perimeter_mm, reading.aperture_perimeter_mm_sd
    return replace(
        reading,
        aperture_area_mm2=size,
        aperture_area_mm2_sd=float(np.sqrt(sum(part**2 for part in kept.values()))),
        aperture_width_mm=width[0],
        aperture_width_mm_sd=width[1],
        aperture_height_mm=height[0],
        aperture_height_mm_sd=height[1],
        aperture_perimeter_mm=None if perimeter is None else perimeter * line,
        aperture_perimeter_mm_sd=perimeter_sd,
        area_sd_parts=kept,
        same_place=same_place,
        rim_field=field,
    )


def rim_sd(reading: Reading, wander_length_mm: float, around_mm: float = 0.0, *, with_habit: bool = True) -> RimSd:
    """How sure a photo's rim is, read back from the parts of its area (``measure``).

    Parameters
    ----------
    around_mm
        Perimeter to use where the reading shows no opening: the rim that is no more.
    with_habit
        Whether what the reader does alike at all visits counts; in a change it cancels.
    """
    perimeter = reading.aperture_perimeter_mm or 0.5 * around_mm
    if perimeter <= 0:
        return RimSd(0.0, 0.0)
    # whatever is no part of the scale and no wandering moves the whole rim, by its share of the perimeter
    left_out = NOT_THE_WHOLE_RIM if with_habit else NOT_THE_WHOLE_RIM | {HABIT}
    whole = [v for name, v in reading.area_sd_parts.items() if name not in left_out]
    wander = reading.area_sd_parts.get("softness", 0.0) / np.sqrt(perimeter * min(perimeter, wander_length_mm))
    return RimSd(float(np.sqrt(np.sum(np.square(whole))) / perimeter), float(wander))


def _ends_sd_mm(reading: Reading, wander_mm: float) -> float:
    """What the rim's own uncertainty makes of a chord's two ends."""
    sd = rim_sd(reading, wander_mm)
    return float(np.hypot(2 * sd.whole_mm, np.sqrt(2) * sd.wander_mm))
