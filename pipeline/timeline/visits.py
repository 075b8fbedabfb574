"""Photos of one site on one calendar day are one visit: the best photo is chosen, the numbers are combined.

Which uncertainties are shared (GUM: correlated input quantities):

- *common to all visits of a site*: ``girth``, ``standoff``, ``reader's habit`` (how a reader takes that site's rim)
  and, where the site's photos share bark, ``shared bark``.  They stretch every visit alike and cancel in the change
  between two visits, except for their share of the change.
- *common to all visits in part*: ``card tilt``, ``card roll``, ``card yaw`` of a photo whose site's bark gave it no
  scale.  The card hangs the same every time, but what that does to a size depends on where the photo was taken from: a
  photo from above is stretched where one from below shrinks.  :data:`HANGING_SHARED` of the variance cancels.
- *common to the photos of one visit only*: ``focal length``, ``lens`` (same phone, same distance) and ``rim`` (the same
  rim seen by the same reader).  Taking more photos that day does not lessen them; between visits they are independent.
- *independent from photo to photo*: ``corner noise`` and ``softness``.

Parts that a reading does not name count as common to the visit only: never lessened by more photos, never cancelled.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

import numpy as np

from pipeline.lines import chi_square_quantile
from pipeline.records import POOR_SIZE, Flag, Sign, SignReading, Stage, Visit

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from pipeline.records import Reading
    from pipeline.settings import TimeSettings

COMMON_TO_SITE = frozenset({"girth", "standoff", "shared bark", "reader's habit"})
HANGING = frozenset({"card tilt", "card roll", "card yaw"})
HANGING_SHARED = 0.7
"""Share of the variance from the card's hanging that two photos from up to 20 degrees off have in common: judged on 200
simulated pairs without change, of which 4.5 % were then called changed (with all of it, 63 %; with none, 0 %)."""
SIGNS, STAGES, UNSEEN = tuple(Sign), tuple(Stage), SignReading(0.0)
INDEPENDENT = frozenset({"corner noise", "softness", "own view"})
SIZES = ("aperture_area_mm2", "aperture_width_mm", "aperture_height_mm", "aperture_perimeter_mm")
DISAGREES_P = 0.99
RIM_REREAD = 0.3
"""Share of a visit's common uncertainty that differs all the same between two of its photos (a reader never draws the
same rim twice); own choice, it only sets weights and the least spread."""
SHUT_BITS, DIFFER_BITS = int(Flag.NO_APERTURE), int(Flag.DISAGREES_WITHIN_VISIT)
WORSE = (
    Flag.OBLIQUE_VIEW | Flag.SOFT_FOCUS | Flag.LOW_SCALE | Flag.ONE_MARKER | Flag.CARD_TILTED | Flag.CLIPPED_LIGHT
    | Flag.SCALE_FROM_BARK
)  # fmt: skip


def visits_of(site: int, readings: Iterable[Reading], settings: TimeSettings) -> tuple[Visit, ...]:
    """Visits of one site in order of day; episode numbers and changes are added by ``site_history``.

    The order of the readings does not matter and the same photo given twice counts once.
    """
    unique: dict[str, Reading] = {}
    for reading in sorted(
        (r for r in readings if r.site == site), key=lambda r: (r.visit_on, r.sha256, r.model, r.settings)
    ):
        unique.setdefault(reading.sha256, reading)
    by_day = groupby(unique.values(), key=attrgetter("visit_on"))
    return tuple(combine_visit(day, list(group), settings) for day, group in by_day)


def photo_quality(reading: Reading) -> tuple[float, ...]:
    """Sort key of photos of one visit, best first: doubts, sharpness, resolution, view angle."""
    poor = (int(reading.flags) & int(POOR_SIZE)).bit_count()
    worse = (int(reading.flags) & int(WORSE)).bit_count()
    return (poor, worse, round(reading.sharpness_mm, 2), -round(reading.scale_px_per_mm, 1), reading.view_angle_deg)


def combine_visit(visit_on: date, readings: Sequence[Reading], settings: TimeSettings) -> Visit:
    """One visit from the photos of one day.

    Sizes are means weighted by the photos' independent uncertainties; where the photos scatter more, the scatter's
    standard error is used.  Photos that cut the wound off count only where there is no other.
    The stage is the mean of the photos' probabilities; a sign is as probable as in the photo that shows it best.

    Parameters
    ----------
    readings
        One or more, all of one site and one day.
    """
    if len(readings) == 1:
        return _visit_of_one(visit_on, readings[0], settings)
    ordered = sorted(readings, key=lambda r: (*photo_quality(r), r.sha256))
    chosen = ordered[0]
    whole = [r for r in ordered if not r.flags & POOR_SIZE] or ordered
    flags = chosen.flags & ~Flag.DISAGREES_WITHIN_VISIT
    area, width, height, perimeter = _sizes_of(whole, settings)
    if area.disagrees or width.disagrees:
        flags |= Flag.DISAGREES_WITHIN_VISIT
    stage_p = _mean_probabilities([r.stage_p for r in whole])
    return Visit(
        site=chosen.site,
        visit_on=visit_on,
        taken_at=chosen.taken_at,
        chosen_sha256=chosen.sha256,
        photos=tuple(r.sha256 for r in ordered),
        stage_p=stage_p,
        stage=Stage(stage_p.index(max(stage_p))),
        signs={sign: _best_sign(sign, ordered) for sign in SIGNS},
        aperture_area_mm2=area.value,
        aperture_area_mm2_sd=area.sd,
        aperture_width_mm=width.value,
        aperture_width_mm_sd=width.sd,
        aperture_height_mm=height.value,
        aperture_height_mm_sd=height.sd,
        aperture_perimeter_mm=perimeter.value,
        aperture_perimeter_mm_sd=perimeter.sd,
        wood_lab=chosen.wood_lab,
        flags=flags,
        episode=1,
        sign_p_by_photo={
            sign: tuple(sorted((r.signs[sign].p for r in ordered if sign in r.signs), reverse=True)) for sign in SIGNS
        },
        area_common_rel_sd=area.common / area.value if area.value else 0.0,
        same_place=min((r.same_place for r in ordered if r.same_place is not None), default=None),
        rim_field=next((r.rim_field for r in ordered if r.rim_field is not None), None),
    )


def _visit_of_one(visit_on: date, reading: Reading, settings: TimeSettings) -> Visit:
    """The same for a single photo, by far the most frequent case: nothing is to be weighed or compared."""
    bits = int(reading.flags)
    shut = bits & SHUT_BITS != 0
    area, area_sd = _alone(reading.aperture_area_mm2, reading.aperture_area_mm2_sd, shut, settings.closed_area_sd_mm2)
    lengths = (
        (reading.aperture_width_mm, reading.aperture_width_mm_sd),
        (reading.aperture_height_mm, reading.aperture_height_mm_sd),
        (reading.aperture_perimeter_mm, reading.aperture_perimeter_mm_sd),
    )
    (width, width_sd), (height, height_sd), (perimeter, perimeter_sd) = [
        _alone(value, sd, shut, settings.closed_width_sd_mm) for value, sd in lengths
    ]
    flags, seen = reading.flags, reading.signs
    return Visit(
        site=reading.site,
        visit_on=visit_on,
        taken_at=reading.taken_at,
        chosen_sha256=reading.sha256,
        photos=(reading.sha256,),
        stage_p=reading.stage_p,
        stage=STAGES[reading.stage_p.index(max(reading.stage_p))],
        signs={sign: seen.get(sign, UNSEEN) for sign in SIGNS},
        aperture_area_mm2=area,
        aperture_area_mm2_sd=area_sd,
        aperture_width_mm=width,
        aperture_width_mm_sd=width_sd,
        aperture_height_mm=height,
        aperture_height_mm_sd=height_sd,
        aperture_perimeter_mm=perimeter,
        aperture_perimeter_mm_sd=perimeter_sd,
        wood_lab=reading.wood_lab,
        flags=flags & ~Flag.DISAGREES_WITHIN_VISIT if bits & DIFFER_BITS else flags,
        episode=1,
        sign_p_by_photo={sign: (seen[sign].p,) if sign in seen else () for sign in SIGNS},
        area_common_rel_sd=(area_sd or 0.0) / area * variance_shares(reading.area_sd_parts)[0] ** 0.5 if area else 0.0,
        same_place=reading.same_place,
        rim_field=reading.rim_field,
    )


def _alone(value: float | None, sd: float | None, shut: bool, shut_sd: float) -> tuple[float | None, float | None]:
    """Value and standard uncertainty of one photo; 0 with its own uncertainty where no opening is seen."""
    if value is None:
        return (0.0, shut_sd) if shut else (None, None)
    return (value, sd or None) if value > 0 else (0.0, shut_sd)


@dataclass(frozen=True, slots=True)
class _Combined:
    value: float | None
    sd: float | None
    common: float = 0.0
    disagrees: bool = False


def variance_shares(parts: dict[str, float]) -> tuple[float, float, float]:
    """Shares of the variance that are common to the site, to the visit, and independent; they sum to 1."""
    total = site = photo = 0.0
    for name, part in parts.items():
        variance = part * part
        total += variance
        if name in COMMON_TO_SITE:
            site += variance
        elif name in HANGING:
            site += HANGING_SHARED * variance
        elif name in INDEPENDENT:
            photo += variance
    return (site / total, max(0.0, total - site - photo) / total, photo / total) if total > 0 else (0.0, 1.0, 0.0)


def _sizes_of(readings: Sequence[Reading], settings: TimeSettings) -> list[_Combined]:
    """Area, width, height and perimeter of several photos, each combined."""
    value = np.array([[getattr(r, name) for r in readings] for name in SIZES], dtype=np.float64)
    sd = np.array([[getattr(r, f"{name}_sd") for r in readings] for name in SIZES], dtype=np.float64)
    shares = np.array([variance_shares(r.area_sd_parts) for r in readings]).T
    shut = np.array([int(r.flags) & SHUT_BITS != 0 for r in readings])
    columns = combine_sizes(value[:, None], sd[:, None], shares[:, None], shut[None], settings)
    rows = zip(*(column[:, 0].tolist() for column in columns), strict=True)
    return [
        _Combined(None, None) if math.isnan(v) else _Combined(v, None if math.isnan(sd) else sd, common, disagrees)
        for v, sd, common, disagrees in rows
    ]


def combine_sizes(
    value: NDArray[np.float64],
    sd: NDArray[np.float64],
    shares: NDArray[np.float64],
    shut: NDArray[np.bool_],
    settings: TimeSettings,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.bool_]]:
    """Sizes of G visits from K photos each; ``nan`` is not measured, and then does not count.

    Parameters
    ----------
    value, sd
        Shape (4, G, K): area, width, height, perimeter, and their standard uncertainties.
    shares
        Shape (3, G, K): shares of the area's variance (:func:`variance_shares`).
    shut
        Shape (G, K): the photo shows no opening.

    Returns
    -------
    value, sd, common, disagrees
        Shape (4, G); ``common`` is the part of ``sd`` that all visits of the site share, ``disagrees`` where the photos
        scatter beyond the 99 % point of chi-square.
    """
    value = np.where(np.isnan(value) & shut, 0.0, value)
    known = ~np.isnan(value)
    parts = np.where(known, _sd_parts(np.nan_to_num(value), np.nan_to_num(sd), shares, settings), 0.0)
    value = np.where(known, np.maximum(value, 0.0), 0.0)
    site_sd, visit_sd, photo_sd = parts
    count = known.sum(axis=-1)
    own = np.maximum(np.hypot(photo_sd, RIM_REREAD * visit_sd), 1e-6)
    weights = np.where(known, 1.0 / own**2, 0.0)
    total = weights.sum(axis=-1)
    share = weights / np.where(count > 0, total, 1.0)[..., None]
    mean = (share * value).sum(axis=-1)
    apart = np.where(known, value - mean[..., None], 0.0) ** 2
    several = count > 1
    scatter = (share * apart).sum(axis=-1) / np.maximum(count - 1, 1)
    common, of_visit = (share * site_sd).sum(axis=-1), (share * visit_sd).sum(axis=-1)
    alone = (share * photo_sd).sum(axis=-1) ** 2
    independent = np.where(several, np.maximum(1.0 / np.where(count > 0, total, 1.0), scatter), alone)
    all_sd = np.sqrt(common**2 + of_visit**2 + independent)
    chi_square = (apart / np.maximum(photo_sd**2 + visit_sd**2, 1e-12)).sum(axis=-1)
    limits = np.array([math.inf, math.inf, *(chi_square_quantile(DISAGREES_P, n) for n in range(1, value.shape[-1]))])
    none = count == 0
    return (
        np.where(none, np.nan, mean),
        np.where(none | (all_sd == 0), np.nan, all_sd),
        common,
        chi_square > limits[count],
    )


def _sd_parts(
    value: NDArray[np.float64], sd: NDArray[np.float64], shares: NDArray[np.float64], settings: TimeSettings
) -> NDArray[np.float64]:
    """Standard uncertainties of sizes, shape (4, G, K), in three parts: of the site, of the visit, of the photo alone.

    A common stretch of the area by ``e`` stretches lengths by ``e / 2``.  Sizes of 0 have the uncertainty of the visit.
    """
    site, _, photo = np.sqrt(shares)
    area = value[0]
    stretch = np.where(area > 0, 0.5 * sd[0] / np.where(area > 0, area, 1.0), 0.0)
    site_sd = np.concatenate([[sd[0] * site], np.minimum(sd[1:], value[1:] * stretch * site)])
    left = np.sqrt(np.maximum(0.0, sd**2 - site_sd**2))
    photo_sd = np.concatenate([[sd[0] * photo], np.minimum(left[1:], value[1:] * stretch * photo)])
    visit_sd = np.sqrt(np.maximum(0.0, sd**2 - site_sd**2 - photo_sd**2))
    closed = np.array([settings.closed_area_sd_mm2, *[settings.closed_width_sd_mm] * 3])[:, None, None]
    none = value <= 0
    return np.stack([np.where(none, 0.0, site_sd), np.where(none, closed, visit_sd), np.where(none, 0.0, photo_sd)])


def _mean_probabilities(rows: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
    if len(rows) == 1:
        return rows[0]
    sums = [sum(column) for column in zip(*rows, strict=True)]
    total = sum(sums)
    return tuple(value / total for value in sums) if total > 0 else tuple(1.0 / len(sums) for _ in sums)


def _best_sign(sign: Sign, readings: Sequence[Reading]) -> SignReading:
    seen = [r.signs[sign] for r in readings if sign in r.signs]
    if len(seen) == 1:
        return seen[0]
    return max(seen, key=lambda s: (s.p, s.area_mm2 or 0.0), default=SignReading(0.0))
