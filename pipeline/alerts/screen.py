"""Which sites a rule need not look at, found for many sites at once.

A rule costs most where it finds nothing.  A screen is a condition, in columns, that every finding of its rule fulfils:
a site that fails it has none, one that passes is looked at by the rule itself, which alone decides.  So a screen may
let too many through, never too few; a rule without a screen looks at every site.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from pipeline.alerts import asked, closure, signs, standstill, stem, visiting
from pipeline.alerts.view import UNFIT_BITS
from pipeline.lines import theil_sen_each
from pipeline.records import Flag, Stage
from pipeline.seasons import DAYS_A_MONTH, growing_day_numbers

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date
    from typing import TypeAlias

    from numpy.typing import NDArray

    from pipeline.settings import Settings

    Sites: TypeAlias = NDArray[np.bool_]
    Screen: TypeAlias = Callable[["SeenSites", Settings, date], Sites]

NEARLY = 1.0 - 1e-9
"""Screens that calculate take thresholds this much lower, so that rounding loses nothing."""


@dataclass(frozen=True)
class SeenSites:
    """S sites with all their visits, in order of site and day, as columns; ``nan`` is not measured.

    Attributes
    ----------
    end
        Shape (S,): the row after the site's last visit.
    current
        Shape (S,): the row at which its current episode begins; ``end`` where it has no visit.
    day, flags, stage
        Shape (V,) a visit: ordinal, bits, most likely stage (filtered).
    area_mm2, width_mm, height_mm, perimeter_mm, area_own_sd_mm2, width_own_sd_mm, same_place
        Shape (V,).
    sign_p
        Shape (V, 5).
    begun
        Shape (S,): ordinal of a day not after the one on which the current episode began, 0 where none is known.
    told
        Shape (S,): people answered about a site of this tree, or a photo of this site was refused.
    """

    end: NDArray[np.int64]
    current: NDArray[np.int64]
    day: NDArray[np.int64]
    flags: NDArray[np.int64]
    stage: NDArray[np.int64]
    area_mm2: NDArray[np.float64]
    width_mm: NDArray[np.float64]
    height_mm: NDArray[np.float64]
    perimeter_mm: NDArray[np.float64]
    area_own_sd_mm2: NDArray[np.float64]
    width_own_sd_mm: NDArray[np.float64]
    same_place: NDArray[np.float64]
    sign_p: NDArray[np.float64]
    begun: NDArray[np.int64]
    told: Sites

    @cached_property
    def seen(self) -> Sites:
        """Sites with a visit."""
        return self.end > self.current

    def back(self, visits: int) -> NDArray[np.int64]:
        """Row of the last visit but ``visits`` of the current episode; its first where there are fewer."""
        return np.maximum(self.end - 1 - visits, np.minimum(self.current, self.end - 1))

    def enough(self, visits: int) -> NDArray[np.int64]:
        """Row from which the last ``visits`` visits, and the last two that are sized, are all there."""
        first = np.where(self.seen, self.back(visits - 1), self.end)
        before, after, site = self.pairs()
        is_last = self.last_sized[site] == after
        first[site[is_last]] = np.minimum(first[site[is_last]], before[is_last])
        return np.where(self.last_sized >= 0, np.minimum(first, self.last_sized), first)

    def any_of(self, mask: NDArray[np.bool_], begin: NDArray[np.int64] | None = None) -> Sites:
        """Sites with a visit in ``mask`` from row ``begin`` (default: of the current episode) on."""
        counted = np.r_[0, np.cumsum(mask)]
        return np.asarray(counted[self.end] > counted[self.current if begin is None else begin])

    @cached_property
    def sized(self) -> NDArray[np.int64]:
        """Rows of the visits of current episodes whose area can be relied on."""
        within = np.zeros(self.day.size + 1, dtype=np.int64)
        np.add.at(within, self.current, 1)
        np.add.at(within, self.end, -1)
        good = (np.cumsum(within)[:-1] > 0) & ~np.isnan(self.area_mm2) & ((self.flags & UNFIT_BITS) == 0)
        return np.flatnonzero(good)

    @cached_property
    def site_of_sized(self) -> NDArray[np.int64]:
        """Site of each of them."""
        return np.searchsorted(self.end, self.sized, side="right")

    @cached_property
    def last_sized(self) -> NDArray[np.int64]:
        """Row of each site's last visit whose area can be relied on, -1 where there is none."""
        found = np.full(self.end.size, -1)
        found[self.site_of_sized] = self.sized  # of several the last one stays
        return found

    @cached_property
    def is_open(self) -> Sites:
        """Sites whose last sized visit shows an opening."""
        return (self.last_sized >= 0) & (self.area_mm2[self.last_sized] > 0)

    def pairs(self) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """Rows of two sized visits after each other, and their site."""
        before, after, site = self.sized[:-1], self.sized[1:], self.site_of_sized
        same = site[:-1] == site[1:]
        return before[same], after[same], site[1:][same]


def _showing(sites: SeenSites, settings: Settings, today: date) -> Sites:
    """A sign in the last visits, or a person's answer."""
    shown = np.asarray((sites.sign_p >= settings.alerts.sign_two_photos_p).any(axis=1), dtype=np.bool_)
    begin = np.where(sites.seen, sites.back(signs.RECENT_VISITS - 1), sites.end)
    return sites.told | sites.any_of(shown, begin)


def _told(sites: SeenSites, settings: Settings, today: date) -> Sites:
    return sites.told


def seem_larger(sites: SeenSites, settings: Settings) -> NDArray[np.int64]:
    """Rows of visits by which the area, the height, or the width against its line, grew for all that is known here."""
    limits = settings.alerts
    before, after, site = sites.pairs()
    a1, a2 = sites.area_mm2[before], sites.area_mm2[after]
    doubt = closure.WEIGHED_DOUBT * np.hypot(sites.area_own_sd_mm2[before], sites.area_own_sd_mm2[after])
    # an uncertainty that is not known counts as infinite, as in advance.own_sd
    grown = a2 - a1 > NEARLY * np.maximum(limits.enlarged_area_share * a1, np.nan_to_num(doubt, nan=np.inf))
    grown |= sites.height_mm[after] - sites.height_mm[before] > limits.enlarged_width_mm * NEARLY
    seen = np.nan_to_num(sites.width_mm[after]) - np.nan_to_num(sites.width_mm[before])
    wider = np.flatnonzero(~grown & (seen > closure.LEAST_SEEN_SHARE * limits.enlarged_width_mm * NEARLY))
    growth = _growth_against_line(sites, before[wider], after[wider], site[wider], settings.grove.growing_months)
    growth = np.where(np.isnan(growth), seen[wider], growth)
    # whatever else it is uncertain by, it is so by the width of this visit
    least = np.maximum(limits.enlarged_width_mm, closure.WEIGHED_DOUBT * sites.width_own_sd_mm[after[wider]])
    grown[wider[growth > least * NEARLY]] = True
    grown &= ~((a1 == 0) & (sites.stage[before] >= Stage.CLOSED))
    # undone by the next visit, as in closure
    rows = np.append(sites.sized, 0)
    place = np.searchsorted(sites.sized, after) + 1
    later = rows[place]
    has_later = np.append(sites.site_of_sized, -1)[place] == site
    doubt = np.hypot(sites.area_own_sd_mm2[before], sites.area_own_sd_mm2[later])
    grown &= ~(has_later & (sites.area_mm2[later] - a1 <= NEARLY * doubt))
    return after[grown]


def _enlarged(sites: SeenSites, settings: Settings, today: date) -> Sites:
    mask = np.zeros(sites.day.size, dtype=bool)
    mask[seem_larger(sites, settings)] = True
    return sites.any_of(mask)


def _growth_against_line(
    sites: SeenSites,
    before: NDArray[np.int64],
    after: NDArray[np.int64],
    site: NDArray[np.int64],
    growing: tuple[int, ...],
) -> NDArray[np.float64]:
    """Width beyond the line through the sized visits before; ``nan`` where there is no line; see ``closure``."""
    if not before.size:
        return np.zeros(0)
    place = np.searchsorted(sites.sized, before)
    back = place[:, None] + np.arange(1 - closure.BASELINE_VISITS, 1)
    within = (back >= 0) & (sites.site_of_sized[np.maximum(back, 0)] == site[:, None])
    rows = sites.sized[np.maximum(back, 0)]
    grown = growing_day_numbers(sites.day, growing)
    months = np.where(within, grown[rows] / DAYS_A_MONTH, np.nan)
    width = np.where(within, sites.width_mm[rows], np.nan)
    months[np.isnan(width)] = np.nan
    slope, offset = theil_sen_each(months, -width)
    now = grown[before] / DAYS_A_MONTH
    level = offset + slope * now
    ahead = grown[after] / DAYS_A_MONTH - now
    expected = np.maximum(0.0, -level - np.maximum(0.0, slope) * ahead)
    line = (within.sum(axis=1) >= closure.BASELINE_LEAST) & np.isfinite(sites.width_own_sd_mm[rows]).all(axis=1)
    return np.where(line, sites.width_mm[after] - expected, np.nan)


def _stalled(sites: SeenSites, settings: Settings, today: date) -> Sites:
    """Open beyond a slit, and not plainly moving since the visit from which on it must have stood; see ``standstill``.

    Visits of a young wound, which the rule leaves out, only take that visit away, never bring in another one.
    """
    width = np.nan_to_num(sites.width_mm[sites.last_sized])
    wide = sites.is_open & (width >= closure.ALMOST_CLOSED_MM)
    known = ~(np.isnan(sites.width_mm[sites.sized]) | np.isnan(sites.height_mm[sites.sized]))
    rows, site = sites.sized[known], sites.site_of_sized[known]
    last, back = np.full(sites.end.size, -1), np.full(sites.end.size, -1)
    last[site] = rows  # of several the last one stays
    grown = growing_day_numbers(sites.day, settings.grove.growing_months)
    since = grown[last[site]] - grown[rows]
    stood = since >= standstill.LEAST_DAYS
    back[site[stood]] = rows[stood]
    months = np.maximum(grown[last] - grown[back], 1) / DAYS_A_MONTH
    pace = 0.5 * (sites.width_mm[back] - sites.width_mm[last]) / months
    moving = pace * NEARLY >= standstill.PLAINLY_MOVING * settings.alerts.stalled_advance_mm_per_month
    return np.asarray(wide & (back >= 0) & ~moving, dtype=np.bool_)


def _reopened(sites: SeenSites, settings: Settings, today: date) -> Sites:
    shut = (sites.area_mm2 == 0) & (sites.stage >= Stage.CLOSED)
    return sites.is_open & sites.any_of(shut)


def _open_long(sites: SeenSites, settings: Settings, today: date) -> Sites:
    months = (sites.day[sites.end - 1] - sites.begun) / DAYS_A_MONTH
    return sites.is_open & (sites.begun > 0) & (months >= settings.alerts.open_after_months * NEARLY)


def _is_open(sites: SeenSites, settings: Settings, today: date) -> Sites:
    return sites.is_open


def _overdue(sites: SeenSites, settings: Settings, today: date) -> Sites:
    """No visit for the interval of the stage, or of a suspected sign where one may be suspected; or none at all."""
    table, factor = settings.time.visit_interval_days, settings.time.overdue_factor
    waits = [table.get(stage.word, 30) for stage in Stage]
    suspect = np.where(_showing(sites, settings, today), min(table.get("suspect", 30), *waits), max(waits))
    last = sites.end - 1
    wait = np.minimum(np.array(waits)[sites.stage[last]], suspect)
    late = today.toordinal() > sites.day[last] + np.floor(wait * factor) - 1
    return np.asarray(~sites.seen | late, dtype=np.bool_)


def _wrong_place(sites: SeenSites, settings: Settings, today: date) -> Sites:
    return np.asarray(sites.seen & (sites.same_place[sites.end - 1] < settings.alerts.same_place_score), dtype=np.bool_)


def _against(sites: SeenSites, settings: Settings, today: date) -> Sites:
    return np.asarray(
        sites.seen & ((sites.flags[sites.end - 1] & int(Flag.STAGE_AGAINST_OPENING)) != 0), dtype=np.bool_
    )


def _implausible(sites: SeenSites, settings: Settings, today: date) -> Sites:
    """The last two sized visits: an advance a month beyond the limit, whatever its uncertainty."""
    found = np.zeros(sites.end.size, dtype=bool)
    before, after, site = sites.pairs()
    is_last = sites.last_sized[site] == after
    before, after, site = before[is_last], after[is_last], site[is_last]
    rim = 0.5 * (sites.perimeter_mm[before] + sites.perimeter_mm[after])
    lost = sites.area_mm2[before] - sites.area_mm2[after]
    months = (sites.day[after] - sites.day[before]) / DAYS_A_MONTH
    limit = settings.alerts.implausible_advance_mm_per_month * NEARLY
    found[site] = (rim > 0) & (lost > limit * months * rim)
    return found


def _rebarked(sites: SeenSites, settings: Settings, today: date) -> Sites:
    last = sites.end - 1
    both = (sites.stage[last] == Stage.REBARKED) & (sites.stage[np.maximum(last - 1, 0)] == Stage.REBARKED)
    return np.asarray((sites.end - sites.current >= 2) & both & ~sites.is_open, dtype=np.bool_)


SCREENS: dict[str, Screen] = {
    signs.SUSPECTED: _showing,
    signs.CONFIRMED: _told,
    signs.SPREADING: _showing,
    closure.ENLARGED: _enlarged,
    closure.STALLED: _stalled,
    closure.REOPENED: _reopened,
    closure.OPEN_LONG: _open_long,
    stem.GIRDLED: _is_open,
    visiting.OVERDUE: _overdue,
    visiting.RETAKE: _told,
    asked.ASKED: _told,
    visiting.PLACE: _wrong_place,
    visiting.AGAINST: _against,
    closure.IMPLAUSIBLE: _implausible,
    closure.REBARKED: _rebarked,
}
"""By rule."""
LOOK_BACK = (signs.SUSPECTED, signs.CONFIRMED, signs.SPREADING, closure.ENLARGED, closure.STALLED, closure.REOPENED,
             visiting.AGAINST)  # fmt: skip
"""Rules that look at more than the last visits of a site that passes."""
LAST_VISITS = 3
"""Visits that the other rules look at."""
