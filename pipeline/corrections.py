"""What people put right: a rim that a person drew or accepted, a stage that a person named, instead of the reader's.

The reading that is stored stays as it was read; this is laid over it whenever it is used, from the answers that stand,
so that taking an answer back takes its effect back too.

Where a person drew how far a sign reaches, that outline is shown.  The sign's area stays the reader's: areas drawn by a
hand and areas read by a network, put beside each other, would look like growth.

A person's rim has an uncertainty of its own, common to the whole rim, in place of the reader's (never more than that);
what the scale adds stays, in proportion, and so does the wandering along a blurred rim, for a person sees the same
picture.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.outline import Sizes, sizes_of
from pipeline.records import Correction, Flag, Outlines, Sign, Stage

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from pipeline.records import Polygon, Reading, Review, SiteHistory, Visit
    from pipeline.settings import Settings

OF_RIM = ("rim", "reader", "reader's habit")
WANDER = "softness"
FALLBACK_AREA_REL_SD = 0.04
"""Scale uncertainty of an area where no photo of the site says it; own choice, more than usual cards give."""


@dataclass(frozen=True, slots=True)
class Said:
    """What stands of people's answers about one photo: the newest rim, stage, and extent of each sign."""

    rim: Polygon = ()
    rim_accepted: bool = False
    rim_from: Review | None = None
    stage: Stage | None = None
    stage_from: Review | None = None
    extents: dict[Sign, tuple[Polygon, ...]] = field(default_factory=dict)
    extents_from: dict[Sign, Review] = field(default_factory=dict)


def said_of(reviews: Iterable[Review]) -> dict[str, Said]:
    """What counts of each photo, by hash; answers that were replaced or taken back count no more."""
    kept = list(reviews)
    replaced = {review.replaces for review in kept if review.replaces is not None}
    found: dict[str, Said] = {}
    for review in sorted(kept, key=lambda r: (r.at, r.id)):
        if not review.sha256 or review.id in replaced or review.payload.get("takes_back"):
            continue
        said = found.get(review.sha256, Said())
        drawn = review.payload.get("rim_mm")
        if isinstance(drawn, list):
            rim = tuple((float(x), float(y)) for x, y in drawn)
            said = replace(said, rim=rim, rim_accepted=False, rim_from=review)
        elif review.payload.get("rim") == "accepted":
            said = replace(said, rim=(), rim_accepted=True, rim_from=review)
        if review.stage is not None:
            said = replace(said, stage=review.stage, stage_from=review)
        extent = extent_of(review)
        if extent is not None and review.sign is not None:
            said = replace(
                said,
                extents=said.extents | {review.sign: extent},
                extents_from=said.extents_from | {review.sign: review},
            )
        if said != Said():
            found[review.sha256] = said
    return found


def extent_of(review: Review) -> tuple[Polygon, ...] | None:
    """Outlines of a sign that an answer draws, or none of them where it calls the reader's right; else ``None``."""
    drawn = review.payload.get("extent_mm")
    if isinstance(drawn, list):
        return tuple(tuple((float(x), float(y)) for x, y in polygon) for polygon in drawn)
    return () if review.payload.get("extent") == "accepted" else None


def corrected_all(readings: Sequence[Reading], reviews: Iterable[Review], settings: Settings) -> list[Reading]:
    """Readings as people put them right, in the same order."""
    said = said_of(reviews)
    if not said:
        return list(readings)
    scales: dict[int, float] = {}
    for reading in readings:
        share = _scale_rel_sd(reading)
        if share is not None:
            scales[reading.site] = max(share, scales.get(reading.site, 0.0))
    return [
        corrected(reading, said[reading.sha256], settings, scales.get(reading.site, FALLBACK_AREA_REL_SD))
        if reading.sha256 in said
        else reading
        for reading in readings
    ]


def corrected(reading: Reading, said: Said, settings: Settings, area_rel_sd: float = FALLBACK_AREA_REL_SD) -> Reading:
    """One reading as people put it right.

    Parameters
    ----------
    area_rel_sd
        Relative uncertainty of the scale of an area, for a photo whose own reading has no opening.
    """
    found, corrections = reading, []
    if said.rim and said.rim_from is not None:
        found = _with_rim(found, said.rim, settings, area_rel_sd)
        corrections.append(_note("rim", said.rim_from, reading))
    elif said.rim_accepted and said.rim_from is not None and reading.aperture_area_mm2:
        found = _with_sizes(found, _sizes_as_read(reading), settings, area_rel_sd)
        corrections.append(_note("rim", said.rim_from, reading))
    if said.stage is not None and said.stage_from is not None:
        found = replace(found, stage_p=_as_named(said.stage, settings), flags=found.flags & ~Flag.UNSURE_STAGE)
        corrections.append(_note("stage", said.stage_from, reading))
    drawn = {sign: shapes for sign, shapes in said.extents.items() if shapes}
    if drawn:
        signs = found.outlines.signs | drawn
        found = replace(found, outlines=replace(found.outlines, signs=signs))
    return replace(found, corrections=tuple(corrections)) if corrections else found


def _note(what: str, review: Review, reading: Reading) -> Correction:
    stage = review.stage if what == "stage" else None
    return Correction(what, review.who, review.answered_on, reading.sha256, stage)


# ---------------------------------------------------------------- sizes of a drawn rim


def _sizes_as_read(reading: Reading) -> Sizes:
    return Sizes(reading.aperture_area_mm2 or 0.0, reading.aperture_width_mm or 0.0,
                 reading.aperture_height_mm or 0.0, reading.aperture_perimeter_mm or 0.0)  # fmt: skip


def _with_rim(reading: Reading, rim: Polygon, settings: Settings, area_rel_sd: float) -> Reading:
    found = _with_sizes(reading, sizes_of([rim]), settings, area_rel_sd)
    x, y = np.asarray(rim, dtype=np.float64).T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    six_areas = 3 * cross.sum()
    centre = (float(((x + np.roll(x, -1)) * cross).sum() / six_areas),
              float(((y + np.roll(y, -1)) * cross).sum() / six_areas))  # fmt: skip
    outlines = Outlines((rim,), reading.outlines.new_tissue, reading.outlines.signs)
    return replace(found, outlines=outlines, centroid_mm=centre, flags=found.flags & ~Flag.NO_APERTURE)


def _with_sizes(reading: Reading, sizes: Sizes, settings: Settings, area_rel_sd: float) -> Reading:
    """The reading with these sizes and a person's uncertainty of the rim."""
    parts, area = dict(reading.area_sd_parts), reading.aperture_area_mm2
    wander_mm, rim_mm = _of_the_rim(reading, settings.reading.rim_wander_mm)
    person_mm = settings.review.rim_sd_mm if rim_mm is None else min(settings.review.rim_sd_mm, rim_mm)
    if area and parts:
        scale = {name: sd * sizes.area_mm2 / area for name, sd in parts.items() if name not in (*OF_RIM, WANDER)}
    else:
        scale = {"scale": area_rel_sd * sizes.area_mm2}
    around = sizes.perimeter_mm
    kept = scale | {"rim": around * person_mm}
    if wander_mm > 0:
        kept[WANDER] = wander_mm * float(np.sqrt(around * min(around, settings.reading.rim_wander_mm)))
    ends2 = (2 * person_mm) ** 2 + 2 * wander_mm**2
    rel = float(np.sqrt(sum(sd**2 for sd in scale.values()))) / sizes.area_mm2 if sizes.area_mm2 else area_rel_sd
    old2 = (2 * (rim_mm or 0.0)) ** 2 + 2 * wander_mm**2

    def length_sd(value: float, read: float | None, read_sd: float | None) -> float:
        # What the rim does not explain of the reader's uncertainty came from the scale, and stays in proportion.
        share = rel / np.sqrt(2)
        if read and read_sd is not None:
            share = np.sqrt(max(read_sd**2 - old2, 0.0)) / read
        return float(np.sqrt((share * value) ** 2 + ends2))

    return replace(
        reading,
        aperture_area_mm2=sizes.area_mm2,
        aperture_area_mm2_sd=float(np.sqrt(sum(sd**2 for sd in kept.values()))),
        aperture_width_mm=sizes.width_mm,
        aperture_width_mm_sd=length_sd(sizes.width_mm, reading.aperture_width_mm, reading.aperture_width_mm_sd),
        aperture_height_mm=sizes.height_mm,
        aperture_height_mm_sd=length_sd(sizes.height_mm, reading.aperture_height_mm, reading.aperture_height_mm_sd),
        aperture_perimeter_mm=around,
        aperture_perimeter_mm_sd=float(np.hypot(rel / 2 * around, 2 * np.pi * person_mm)),
        area_sd_parts=kept,
    )


def _of_the_rim(reading: Reading, wander_length_mm: float) -> tuple[float, float | None]:
    """How far the reader's rim wanders, and how far it may be off all round (``None``: not known), mm."""
    around = reading.aperture_perimeter_mm
    if not around or not reading.area_sd_parts:
        return 0.0, None
    whole = float(np.sqrt(sum(reading.area_sd_parts.get(name, 0.0) ** 2 for name in OF_RIM)))
    wander = reading.area_sd_parts.get(WANDER, 0.0) / float(np.sqrt(around * min(around, wander_length_mm)))
    return wander, whole / around


def _scale_rel_sd(reading: Reading) -> float | None:
    if not reading.aperture_area_mm2 or not reading.area_sd_parts:
        return None
    scale = [sd for name, sd in reading.area_sd_parts.items() if name not in (*OF_RIM, WANDER)]
    return float(np.sqrt(sum(sd**2 for sd in scale))) / reading.aperture_area_mm2


def by_photo(readings: Iterable[Reading]) -> Mapping[str, tuple[Correction, ...]]:
    """Corrections of photos that have some."""
    return {reading.sha256: reading.corrections for reading in readings if reading.corrections}


def over_history(
    history: SiteHistory, put_right: Mapping[str, tuple[Correction, ...]], settings: Settings
) -> SiteHistory:
    """A site's history whose visits name who put them right, and stand in the stage that a person named.

    The chain of stages has weighed a person's stage like a very sure photo; where photos of other visits outweigh it,
    the person's word is shown all the same.
    """
    if not any(photo in put_right for visit in history.visits for photo in visit.photos):
        return history
    return replace(history, visits=tuple(_over_visit(visit, put_right, settings) for visit in history.visits))


def _over_visit(visit: Visit, put_right: Mapping[str, tuple[Correction, ...]], settings: Settings) -> Visit:
    found = tuple(c for photo in visit.photos for c in put_right.get(photo, ()))
    if not found:
        return visit
    named = [c for c in found if c.stage is not None]
    if not named:
        return replace(visit, corrections=found)
    stage = max(named, key=lambda c: (c.on, c.sha256 == visit.chosen_sha256)).stage
    assert stage is not None
    stage_p = _as_named(stage, settings)
    return replace(visit, corrections=found, stage=stage, stage_smoothed=stage, stage_posterior=stage_p)


def _as_named(stage: Stage, settings: Settings) -> tuple[float, ...]:
    """Probabilities of the stages where a person named one."""
    sure = settings.review.stage_sure
    return tuple(sure if each is stage else (1 - sure) / (len(Stage) - 1) for each in Stage)
