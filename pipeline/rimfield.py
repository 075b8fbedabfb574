"""Rim advance as a field round the rim: where between two visits the bark's rim advances, stands still or retreats.

Both rims lie in one frame of the bark (``hanging.Solution.on_bark``).  The band between them is shared out to the
nearest arc of the earlier rim; an arc's advance is the area of its share over the mean of the rim's lengths there:
Gilman's formula (Gilman 1990, Wounds 2:95), arc by arc.  So the arcs' areas add up to the change of area, and where a
rim moves everywhere by ``d`` (a parallel curve, Steiner's formulas) every arc reads ``d``.

**Sides** are the arcs whose rim runs rather along the trunk than round it, **ends** the others.

Uncertainty of an arc or of several together: the whole rim is seen too far out or in, in either photo; the rim wanders;
the geometry and the light of the two photos part the same bark; the scale is off by its share.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np

from pipeline.outline import ring_length
from pipeline.records import RimArc, RimField, RimMove, RimPart, RimShift

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from pipeline.records import Polygon

    Points = NDArray[np.float64]

ARC_MM = 6.0
"""Arcs are about this long; a rim has a multiple of four of them, the first in the middle of its top."""
MOST_ARCS = 36
STEP_SHARE, LEAST_STEP_MM, LARGEST_STEP_MM = 1 / 500, 0.1, 0.4
"""Rows of the grid in which the band is shared out; along a row areas are exact."""
LIGHT_SHIFT_MM_SD, LIGHT_MM_SD, LIGHT_LENGTH_MM = 0.1, 0.05, 50.0
"""Another light moves the picture of rough bark: standard uncertainty of the whole of it in each direction (cancels
between two sides of a wound), and of pieces of this length; judged on 24 pairs of drawn photos of 12 sites."""
SURE = 2.576
"""An arc is said to move where its advance is beyond this many standard uncertainties (99 %): a rim has many arcs."""
STILL_MM = 0.5
"""An arc is said to stand still where its 95 % interval lies within this of 0; else nothing is said of it."""


class RimSd(NamedTuple):
    """Standard uncertainties of one photo's rim in mm: of the whole rim together, and of its wandering."""

    whole_mm: float
    wander_mm: float


class Parting(NamedTuple):
    """What parts places that two photos put on one frame, though it is the same bark.

    ``rates`` takes places (N, 2) to how fast each unknown parts them, (N, 2, U); ``covariance``, shape (U, U), is that
    of the unknowns.
    """

    rates: Callable[[Points], Points]
    covariance: Points


def field(
    earlier: Sequence[Points],
    later: Sequence[Points],
    *,
    parting: Parting | None = None,
    scale_rel_sd: float = 0.0,
    rim_sd: tuple[RimSd, RimSd] = (RimSd(0.0, 0.0), RimSd(0.0, 0.0)),
    wander_length_mm: float = 5.0,
    photos: tuple[str, str] = ("", ""),
) -> RimField | None:
    """Advance of the rim between two photos of a site, arc by arc.

    Parameters
    ----------
    earlier, later
        Rims in one frame of the bark, in mm, each (N, 2): openings counter-clockwise, islands clockwise; ``later`` is
        empty where the wound has closed.
    parting
        How what is not known of the two photos' geometry parts their places; ``None`` where all is known.
    scale_rel_sd
        Standard uncertainty of a length's scale, as a share.
    rim_sd, wander_length_mm
        How sure the two rims are, and the length over which a rim wanders together.
    photos
        Hashes of the two, to be written into the field.

    Returns
    -------
    RimField or None
        ``None`` where the earlier photo shows no opening.
    """
    before, after = (
        [np.asarray(ring, dtype=np.float64) for ring in rings if len(ring) > 2] for rings in (earlier, later)
    )
    arcs = [arc for ring in before for arc in _arcs(ring)]
    if not arcs:
        return None
    lost, after_mm = _shared_out(before, after, arcs)
    lengths = 0.5 * (np.array([arc.length_mm for arc in arcs]) + after_mm)
    sums = _Sums(arcs, lost, lengths, parting, scale_rel_sd, rim_sd, wander_length_mm)
    every = np.ones(len(arcs), dtype=bool)
    of_part = {part: np.array([arc.part is part for arc in arcs]) for part in RimPart}
    is_side = np.array([arc.part.is_side for arc in arcs])
    return RimField(
        earlier=photos[0],
        later=photos[1],
        whole=sums.of(every),
        sides=sums.over(is_side),
        ends=sums.over(~is_side),
        parts={part: sums.of(of_part[part]) for part in RimPart if of_part[part].any()},
        arcs=tuple(_named(arc, sums.of(np.arange(len(arcs)) == k)) for k, arc in enumerate(arcs)),
        earlier_rims=tuple(_short(ring) for ring in before),
        later_rims=tuple(_short(ring) for ring in after),
    )


class _Arc(NamedTuple):
    points: Points
    """Shape (N, 2), close to each other along the rim."""
    middle: Points
    outward: Points
    """Away from the opening, length 1."""
    length_mm: float
    part: RimPart


def _arcs(ring: Points) -> list[_Arc]:
    """A closed rim in arcs of equal length, the first in the middle of its top."""
    total = ring_length(ring)
    if total <= 0:
        return []
    count = 4 * int(np.clip(round(total / ARC_MM / 4), 1, MOST_ARCS // 4))
    fine = count * max(int(np.ceil(total / count / (LEAST_STEP_MM / 2))), 8)
    top = _top_mm(ring)
    points = _along(ring, top + (np.arange(fine + 1) / fine - 0.5 / count) * total)
    step = fine // count
    arcs = []
    for k in range(count):
        own = points[k * step : (k + 1) * step + 1]
        run = own[-1] - own[0]
        away = np.array([run[1], -run[0]])
        size = float(np.hypot(*away))
        outward = away / size if size > 0 else np.array([0.0, 1.0])
        arcs.append(_Arc(own, own[step // 2], outward, total / count, _part(outward)))
    return arcs


def _part(outward: Points) -> RimPart:
    x, y = outward
    if abs(x) > abs(y):
        return RimPart.RIGHT_SIDE if x > 0 else RimPart.LEFT_SIDE
    return RimPart.UPPER_END if y > 0 else RimPart.LOWER_END


def _top_mm(ring: Points) -> float:
    """How far along a rim the middle of its top lies: where it crosses the line through its middle highest."""
    middle = (ring[:, 0].min() + ring[:, 0].max()) / 2
    following = np.roll(ring, -1, axis=0)
    steps = np.hypot(*(following - ring).T)
    crossing = (ring[:, 0] < middle) != (following[:, 0] < middle)
    share = (middle - ring[crossing, 0]) / (following[crossing, 0] - ring[crossing, 0])
    height = ring[crossing, 1] + share * (following[crossing, 1] - ring[crossing, 1])
    best = int(np.argmax(height))
    before = np.concatenate([[0.0], np.cumsum(steps)])[:-1]
    return float((before[crossing] + share * steps[crossing])[best])


def _along(ring: Points, at_mm: Points) -> Points:
    """Points of a closed polygon at given lengths along it, shape (N, 2)."""
    closed = np.vstack([ring, ring[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    at = at_mm % length[-1]
    points: Points = np.stack([np.interp(at, length, closed[:, k]) for k in (0, 1)], axis=1)
    return points


def _shared_out(before: list[Points], after: list[Points], arcs: list[_Arc]) -> tuple[Points, Points]:
    """For each arc the area that closed there (below 0 where it opened), and the length of the later rim there."""
    corners = np.concatenate([*before, *after])
    lo, hi = corners.min(axis=0), corners.max(axis=0)
    step = float(np.clip((hi - lo).max() * STEP_SHARE, LEAST_STEP_MM, LARGEST_STEP_MM))
    origin = np.array([lo[0] - 2 * step, hi[1] + 2 * step])
    shape = (int(np.ceil((hi[1] - lo[1]) / step)) + 4, int(np.ceil((hi[0] - lo[0]) / step)) + 4)

    def pixels(points: Points) -> Points:
        placed: Points = (points - origin) / np.array([step, -step])
        return placed

    nearest = _nearest_arc([pixels(arc.points) for arc in arcs], shape)
    closed = _covered([pixels(ring) for ring in before], shape) - _covered([pixels(ring) for ring in after], shape)
    lost = np.bincount(nearest.ravel(), closed.ravel(), len(arcs)).astype(np.float64) * step**2
    after_mm = np.zeros(len(arcs))
    for ring in after:
        total = ring_length(ring)
        count = max(int(np.ceil(total / (step / 2))), 8)
        columns, rows = np.rint(pixels(_along(ring, np.arange(count) * total / count))).astype(int).T
        after_mm += np.bincount(nearest[rows, columns], minlength=len(arcs)) * total / count
    return lost, after_mm


def _nearest_arc(arcs: list[Points], shape: tuple[int, int]) -> NDArray[np.int64]:
    """For each pixel the number of the arc nearest to it."""
    clear = np.ones(shape, dtype=np.uint8)
    number = np.zeros(shape, dtype=np.int64)
    for k, points in enumerate(arcs):
        columns, rows = np.rint(points[:-1]).astype(int).T
        clear[rows, columns] = 0
        number[rows, columns] = k
    _, labels = cv2.distanceTransformWithLabels(clear, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    arc_of_label = np.zeros(int(labels.max()) + 1, dtype=np.int64)
    arc_of_label[labels[clear == 0]] = number[clear == 0]
    return np.asarray(arc_of_label[labels])


def _covered(rings: list[Points], shape: tuple[int, int]) -> Points:
    """Share of each pixel that lies inside counter-clockwise polygons (y up): exact along a row's middle."""
    cover = np.zeros((shape[0], shape[1] + 2))
    for ring in rings:
        x0, y0 = ring.T
        x1, y1 = np.roll(ring, -1, axis=0).T
        first, last = np.ceil(np.minimum(y0, y1)), np.ceil(np.maximum(y0, y1))
        counts = (last - first).astype(int)
        edge = np.repeat(np.arange(len(ring)), counts)
        row = (first[edge] + np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts, counts)).astype(int)
        x = x0[edge] + (row - y0[edge]) / (y1[edge] - y0[edge]) * (x1[edge] - x0[edge])
        # pixel rows run downwards, so a rim with the opening on its left goes down on the opening's left
        sign = np.where(y1[edge] > y0[edge], 1.0, -1.0)
        column = np.floor(x + 0.5).astype(int)
        share = column + 0.5 - x
        np.add.at(cover, (row, column), sign * share)
        np.add.at(cover, (row, column + 1), sign * (1 - share))
    summed: Points = np.cumsum(cover, axis=1)[:, :-2]
    return summed


class _Sums:
    """Advances of several arcs together, with their uncertainty."""

    def __init__(
        self,
        arcs: list[_Arc],
        lost: Points,
        lengths: Points,
        parting: Parting | None,
        scale_rel_sd: float,
        rim_sd: tuple[RimSd, RimSd],
        wander_length_mm: float,
    ) -> None:
        self._lost, self._lengths = lost, lengths
        self._scale_rel_sd, self._rim_sd, self._wander_mm = scale_rel_sd, rim_sd, wander_length_mm
        self._along = np.zeros((len(arcs), len(arcs)))
        if parting is not None:
            outward = np.array([arc.outward for arc in arcs])
            rates = parting.rates(np.array([arc.middle for arc in arcs]))
            pull = (outward[:, :, None] * rates).sum(axis=1)
            self._along = pull @ parting.covariance @ pull.T + LIGHT_SHIFT_MM_SD**2 * (outward @ outward.T)
        self._light = 0.0 if parting is None else LIGHT_MM_SD**2

    def over(self, chosen: NDArray[np.bool_]) -> RimShift | None:
        """The arcs chosen together; ``None`` where there are none."""
        return self.of(chosen) if chosen.any() else None

    def of(self, chosen: NDArray[np.bool_]) -> RimShift:
        """Area over mean length of the arcs chosen, one or more."""
        length = float(self._lengths[chosen].sum())
        advance = float(self._lost[chosen].sum()) / length
        weight = self._lengths[chosen] / length
        whole = sum(sd.whole_mm**2 for sd in self._rim_sd)
        wander = sum(sd.wander_mm**2 for sd in self._rim_sd) * min(self._wander_mm / length, 1.0)
        place = float(weight @ self._along[np.ix_(chosen, chosen)] @ weight)
        place += self._light * min(LIGHT_LENGTH_MM / length, 1.0)
        return RimShift(advance, float(np.sqrt(whole + wander + place + (advance * self._scale_rel_sd) ** 2)), length)


def _named(arc: _Arc, shift: RimShift) -> RimArc:
    return RimArc(
        part=arc.part,
        x_mm=float(arc.middle[0]),
        y_mm=float(arc.middle[1]),
        length_mm=arc.length_mm,
        advance_mm=shift.advance_mm,
        advance_mm_sd=shift.advance_mm_sd,
        move=_move(shift),
    )


def _move(shift: RimShift) -> RimMove:
    if shift.advance_mm > SURE * shift.advance_mm_sd:
        return RimMove.ADVANCES
    if -shift.advance_mm > SURE * shift.advance_mm_sd:
        return RimMove.RETREATS
    if abs(shift.advance_mm) + 1.96 * shift.advance_mm_sd <= STILL_MM:
        return RimMove.STILL
    return RimMove.UNCLEAR


def _short(ring: Points) -> Polygon:
    """A rim with no more corners than a picture needs: within 0.1 mm, given to 0.01 mm."""
    corners = cv2.approxPolyDP(ring.astype(np.float32)[:, None], 0.1, closed=True)[:, 0]
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in corners)
