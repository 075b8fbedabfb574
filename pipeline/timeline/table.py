"""Readings and visits of many sites as columns: the same numbers as :mod:`pipeline.timeline.visits`, all at once.

A grove of a hundred thousand sites has millions of readings; a record for each is what takes the time.  Here a column
is one array, ``nan`` stands for what was not measured, and a record is made only of the visits that somebody asks for.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.records import POOR_SIZE, Flag, Sign, SignReading, Visit
from pipeline.timeline.visits import (
    DIFFER_BITS,
    SHUT_BITS,
    SIGNS,
    SIZES,
    STAGES,
    UNSEEN,
    WORSE,
    combine_sizes,
    variance_shares,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from pipeline.records import Reading
    from pipeline.settings import TimeSettings

AREA, WIDTH, HEIGHT, PERIMETER = range(4)

day_of = lru_cache(maxsize=16384)(date.fromordinal)
"""The day of a proleptic ordinal; one object a day, however many visits share it."""


@dataclass(frozen=True, slots=True, eq=False)
class ReadingTable:
    """N readings, in order of site, day and hash, each photo once.

    Attributes
    ----------
    site, day, flags
        Shape (N,), whole numbers; ``day`` is a proleptic ordinal.
    sha256, taken_at
        Shape (N,), objects: text, and aware times.
    stage_p
        Shape (N, 6).
    size, size_sd
        Shape (N, 4), in the order of :data:`SIZES`.
    shares
        Shape (N, 3): share of the area's variance that is common to the site, to the visit, and independent.
    sign_p, sign_area_mm2
        Shape (N, 5), in the order of ``Sign``.
    sharpness_mm, scale_px_per_mm, view_angle_deg, same_place
        Shape (N,).
    """

    site: NDArray[np.int64]
    day: NDArray[np.int64]
    sha256: NDArray[np.object_]
    taken_at: NDArray[np.object_]
    flags: NDArray[np.int64]
    stage_p: NDArray[np.float64]
    size: NDArray[np.float64]
    size_sd: NDArray[np.float64]
    shares: NDArray[np.float64]
    sign_p: NDArray[np.float64]
    sign_area_mm2: NDArray[np.float64]
    sharpness_mm: NDArray[np.float64]
    scale_px_per_mm: NDArray[np.float64]
    view_angle_deg: NDArray[np.float64]
    same_place: NDArray[np.float64]

    def of_sites(self, numbers: NDArray[np.int64]) -> ReadingTable:
        """The readings of some sites alone."""
        wanted = np.isin(self.site, numbers)
        if wanted.all():
            return self
        return ReadingTable(**{field.name: getattr(self, field.name)[wanted] for field in fields(self)})

    def with_sites_of(self, other: ReadingTable) -> ReadingTable:
        """Both together; no site may be in both."""
        order = np.argsort(np.r_[self.site, other.site], kind="stable")
        names = [field.name for field in fields(self)]
        return ReadingTable(**{n: np.concatenate([getattr(self, n), getattr(other, n)])[order] for n in names})


def table_of(readings: Iterable[Reading]) -> ReadingTable:
    """Columns of readings in any order; the same photo given twice counts once, as in ``visits_of``."""
    unique: dict[tuple[int, str], Reading] = {}
    for reading in sorted(readings, key=lambda r: (r.site, r.visit_on, r.sha256, r.model, r.settings)):
        unique.setdefault((reading.site, reading.sha256), reading)
    rows = list(unique.values())
    signs = [[r.signs.get(sign) for sign in SIGNS] for r in rows]
    return ReadingTable(
        site=np.array([r.site for r in rows], dtype=np.int64),
        day=np.array([r.visit_on.toordinal() for r in rows], dtype=np.int64),
        sha256=np.array([r.sha256 for r in rows], dtype=object),
        taken_at=np.array([r.taken_at for r in rows], dtype=object),
        flags=np.array([int(r.flags) for r in rows], dtype=np.int64),
        stage_p=_floats([r.stage_p for r in rows], len(STAGES)),
        size=_floats([[getattr(r, name) for name in SIZES] for r in rows], 4),
        size_sd=_floats([[getattr(r, f"{name}_sd") for name in SIZES] for r in rows], 4),
        shares=_floats([variance_shares(r.area_sd_parts) for r in rows], 3),
        sign_p=_floats([[None if s is None else s.p for s in row] for row in signs], len(SIGNS)),
        sign_area_mm2=_floats([[None if s is None else s.area_mm2 for s in row] for row in signs], len(SIGNS)),
        sharpness_mm=_floats([r.sharpness_mm for r in rows]),
        scale_px_per_mm=_floats([r.scale_px_per_mm for r in rows]),
        view_angle_deg=_floats([r.view_angle_deg for r in rows]),
        same_place=_floats([r.same_place for r in rows]),
    )


def _floats(values: Sequence[Any], width: int | None = None) -> NDArray[np.float64]:
    """An array with ``nan`` for ``None``; ``width`` keeps the shape where there are no rows."""
    array = np.array(values, dtype=np.float64)
    return array if width is None else array.reshape(-1, width)


@dataclass(frozen=True, slots=True, eq=False)
class VisitTable:
    """N visits, in order of site and day; what :class:`~pipeline.records.Visit` holds, as columns.

    Attributes
    ----------
    site, day, flags
        Shape (N,).
    chosen
        Shape (N,): row in ``readings`` of the photo that stands for the visit.
    photos
        Rows in ``readings`` of a visit's photos, best first, one visit after the other.
    first_photo
        Shape (N + 1,): where each visit's photos begin in ``photos``.
    stage_p
        Shape (N, 6), of the photos.
    size, size_sd
        Shape (N, 4), in the order of :data:`SIZES`.
    common_rel_sd, same_place
        Shape (N,).
    sign_p, sign_area_mm2
        Shape (N, 5).
    """

    readings: ReadingTable
    site: NDArray[np.int64]
    day: NDArray[np.int64]
    flags: NDArray[np.int64]
    chosen: NDArray[np.intp]
    photos: NDArray[np.intp]
    first_photo: NDArray[np.intp]
    stage_p: NDArray[np.float64]
    size: NDArray[np.float64]
    size_sd: NDArray[np.float64]
    common_rel_sd: NDArray[np.float64]
    same_place: NDArray[np.float64]
    sign_p: NDArray[np.float64]
    sign_area_mm2: NDArray[np.float64]


def visits_in(readings: ReadingTable, settings: TimeSettings) -> VisitTable:
    """All photos of one site and day as one visit, for many sites at once; see ``combine_visit``."""
    count = readings.site.size
    begins = np.flatnonzero(
        np.r_[True, (np.diff(readings.site) != 0) | (np.diff(readings.day) != 0)] if count else np.zeros(0, bool)
    )
    first_photo = np.r_[begins, count].astype(np.intp)
    photos = _best_first(readings, first_photo)
    chosen = photos[begins]
    table = VisitTable(
        readings,
        readings.site[chosen],
        readings.day[chosen],
        readings.flags[chosen] & ~DIFFER_BITS,
        chosen,
        photos,
        first_photo,
        readings.stage_p[chosen],
        *_alone(readings, chosen, settings),
        readings.same_place[chosen],
        np.nan_to_num(readings.sign_p[chosen]),
        readings.sign_area_mm2[chosen],
    )
    lengths = np.diff(first_photo)
    for several in np.unique(lengths[lengths > 1]).tolist():
        which = np.flatnonzero(lengths == several)
        _combine(table, which, photos[first_photo[which][:, None] + np.arange(several)], settings)
    return table


def _best_first(readings: ReadingTable, first_photo: NDArray[np.intp]) -> NDArray[np.intp]:
    """Rows in the order of ``photo_quality`` within each visit."""
    lengths = np.diff(first_photo)
    order = np.arange(readings.site.size)
    visit = np.repeat(np.arange(lengths.size), lengths)
    rows = np.flatnonzero(lengths[visit] > 1) if lengths.size else order
    if not rows.size:
        return order
    # Python's round, as in photo_quality: numpy's differs from it in the last place now and then
    sharpness = np.array([round(value, 2) for value in readings.sharpness_mm[rows].tolist()])
    scale = np.array([-round(value, 1) for value in readings.scale_px_per_mm[rows].tolist()])
    keys = (
        readings.view_angle_deg[rows],
        scale,
        sharpness,
        np.bitwise_count(readings.flags[rows] & int(WORSE)),
        np.bitwise_count(readings.flags[rows] & int(POOR_SIZE)),
        visit[rows],
    )
    order[rows] = rows[np.lexsort(keys)]
    return order


def _alone(
    readings: ReadingTable, rows: NDArray[np.intp], settings: TimeSettings
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Sizes, their standard uncertainties and the area's common share of visits with one photo each."""
    value, sd = readings.size[rows], readings.size_sd[rows]
    shut = (readings.flags[rows] & SHUT_BITS) != 0
    value = np.where(np.isnan(value) & shut[:, None], 0.0, value)
    closed = np.array([settings.closed_area_sd_mm2, *[settings.closed_width_sd_mm] * 3])
    none = value <= 0
    sd = np.where(none, closed, np.where((sd == 0) | np.isnan(value), np.nan, sd))
    value = np.where(none, 0.0, value)
    area = value[:, AREA]
    some = area > 0
    share = np.sqrt(readings.shares[rows, 0])
    common = np.where(some, np.nan_to_num(sd[:, AREA]) / np.where(some, area, 1.0) * share, 0.0)
    return value, sd, common


def _combine(table: VisitTable, which: NDArray[np.intp], photos: NDArray[np.intp], settings: TimeSettings) -> None:
    """Write into the table what visits of several photos each say; ``photos`` has shape (G, K), best first."""
    readings = table.readings
    usable = (readings.flags[photos] & int(POOR_SIZE)) == 0
    usable |= ~usable.any(axis=1, keepdims=True)
    shut = (readings.flags[photos] & SHUT_BITS) != 0
    value, sd, common, disagrees = combine_sizes(
        np.where(usable[..., None], readings.size[photos], np.nan).transpose(2, 0, 1),
        readings.size_sd[photos].transpose(2, 0, 1),
        readings.shares[photos].transpose(2, 0, 1),
        shut & usable,
        settings,
    )
    table.size[which], table.size_sd[which] = value.T, sd.T
    area = value[AREA]
    table.common_rel_sd[which] = np.where(area > 0, common[AREA] / np.where(area > 0, area, 1.0), 0.0)
    table.flags[which] |= np.where(disagrees[AREA] | disagrees[WIDTH], DIFFER_BITS, 0)
    total = np.where(usable[..., None], readings.stage_p[photos], 0.0).sum(axis=1)
    whole = total.sum(axis=1, keepdims=True)
    mean = np.where(whole > 0, total / np.where(whole > 0, whole, 1.0), 1.0 / len(STAGES))
    one = usable.sum(axis=1) == 1
    only = np.take_along_axis(photos, usable.argmax(axis=1)[:, None], axis=1)[:, 0]
    table.stage_p[which] = np.where(one[:, None], readings.stage_p[only], mean)
    places = readings.same_place[photos]
    table.same_place[which] = np.fmin.reduce(places, axis=1)
    # a sign is as probable as in the photo that shows it best; of equals the larger one, then the better photo
    p, area_mm2 = readings.sign_p[photos], readings.sign_area_mm2[photos]
    rank = np.lexsort((np.nan_to_num(-area_mm2), np.where(np.isnan(p), np.inf, -p)), axis=1)[:, :1]
    table.sign_p[which] = np.nan_to_num(np.take_along_axis(p, rank, axis=1)[:, 0])
    table.sign_area_mm2[which] = np.take_along_axis(area_mm2, rank, axis=1)[:, 0]


class VisitRecords:
    """Records of visits, as the rules need them: without the changes since the visit before and the smoother.

    Parameters
    ----------
    table
        The visits.
    episode, flags
        Shape (N,).
    posterior
        Shape (N, 6): filtered stage probabilities.
    """

    def __init__(
        self,
        table: VisitTable,
        episode: NDArray[np.int64],
        posterior: NDArray[np.float64],
        flags: NDArray[np.int64],
    ) -> None:
        self._table = table
        # plain lists: an array gives its numbers one by one far more slowly
        self._sizes = _with_none(np.hstack([table.size, table.size_sd]))
        self._stage_p, self._posterior = table.stage_p.tolist(), posterior.tolist()
        self._stage = [STAGES[stage] for stage in posterior.argmax(axis=1).tolist()]
        self._days = [day_of(day) for day in table.day.tolist()]
        self._flags = [_flags(bits) for bits in flags.tolist()]
        self._episode, self._common = episode.tolist(), table.common_rel_sd.tolist()
        self._same_place = [row[0] for row in _with_none(table.same_place[:, None])]
        self._site, self._chosen = table.site.tolist(), table.chosen.tolist()
        self._first_photo, self._photos = table.first_photo.tolist(), table.photos.tolist()
        self._sha256, self._taken_at = table.readings.sha256.tolist(), table.readings.taken_at.tolist()

    def of(self, rows: range, *, with_signs: bool = True) -> list[Visit]:
        """Records of some rows.

        Parameters
        ----------
        with_signs
            ``False`` leaves the signs out, where they are known to matter to nobody.
        """
        hashes, found = self._sha256, []
        for i in rows:
            photos = self._photos[self._first_photo[i] : self._first_photo[i + 1]]
            chosen = self._chosen[i]
            signs: dict[Sign, SignReading] = {}
            by_photo: dict[Sign, tuple[float, ...]] = {}
            if with_signs:
                signs, by_photo = _signs(self._table, i, photos)
            area, width, height, perimeter, area_sd, width_sd, height_sd, perimeter_sd = self._sizes[i]
            found.append(
                Visit(
                    self._site[i], self._days[i], self._taken_at[chosen], hashes[chosen],
                    (hashes[chosen],) if len(photos) == 1 else tuple([hashes[k] for k in photos]),
                    tuple(self._stage_p[i]), self._stage[i], signs,
                    area, area_sd, width, width_sd, height, height_sd, perimeter, perimeter_sd,
                    None, self._flags[i], self._episode[i],
                    same_place=self._same_place[i], stage_posterior=tuple(self._posterior[i]),
                    sign_p_by_photo=by_photo, area_common_rel_sd=self._common[i],
                )
            )  # fmt: skip
        return found


_flags = lru_cache(maxsize=4096)(Flag)


def _with_none(values: NDArray[np.float64]) -> list[list[float | None]]:
    rows: list[list[float | None]] = values.tolist()
    for i in np.unique(np.flatnonzero(np.isnan(values)) // values.shape[1]).tolist():
        rows[i] = [None if value != value else value for value in rows[i]]
    return rows


def _signs(
    table: VisitTable, row: int, photos: Sequence[int]
) -> tuple[dict[Sign, SignReading], dict[Sign, tuple[float, ...]]]:
    best, areas_mm2 = table.sign_p[row].tolist(), table.sign_area_mm2[row].tolist()
    signs: dict[Sign, SignReading] = {}
    by_photo: dict[Sign, tuple[float, ...]] = {}
    for k, shown in enumerate(table.readings.sign_p[photos].T.tolist()):
        seen = [p for p in shown if p == p]
        signs[SIGNS[k]] = SignReading(best[k], _maybe(areas_mm2[k])) if seen else UNSEEN
        by_photo[SIGNS[k]] = tuple(sorted(seen, reverse=True)) if len(seen) > 1 else tuple(seen)
    return signs, by_photo


def _maybe(value: float) -> float | None:
    return None if value != value else value
