"""Closing date with an 80 % interval, or the reason why none is given.

The width controls closure (Neely 1970), and it closes only while the stem grows: so half the width, the way each
side has to go, is followed over growing months with a robust line and carried on to zero.  The interval holds the
uncertainty of the line (its level and slope, after Fieller 1954), and that the coming rate may differ from the one
seen.
A site with few visits borrows from others (``RatePrior``), and says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from pipeline.advance import open_visits, width_line
from pipeline.records import Forecast
from pipeline.seasons import DAYS_A_MONTH, after_growing_days, growing_months

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from pipeline.lines import Line
    from pipeline.records import Interval, Site, SiteHistory, Visit, WoundKind
    from pipeline.settings import TimeSettings

COVERAGE = 0.80
MIN_LENDERS = 3
"""Sites needed before a rate is borrowed; own choice."""
MIN_GROWING_MONTHS = 1.5
"""Visits must span this much growing season before a date is given; own choice."""


@dataclass(frozen=True, slots=True)
class RatePrior:
    """What other sites teach of the side's advance, mm a growing month: mean and spread between sites."""

    mean: float
    spread: float
    sites: int
    words: str


@dataclass(frozen=True, slots=True)
class Outlook:
    """A closing date, or why there is none; ``borrows`` says from whom the rate was borrowed."""

    forecast: Forecast | None
    why_not: str
    borrows: str = ""


def forecast_closing(
    visits: Sequence[Visit], settings: TimeSettings, growing: tuple[int, ...], prior: RatePrior | None = None
) -> Outlook:
    """Closing date of one episode.

    Parameters
    ----------
    visits
        Visits of the episode, in order.
    growing
        The grove's growing months.
    prior
        What other sites teach; lessens the number of visits needed to two.
    """
    refused = _why_not(visits, settings, growing, prior)
    if refused:
        return Outlook(None, refused)
    carrying = [v for v in open_visits(visits, 2) if v.aperture_width_mm is not None][-settings.forecast_visits :]
    begin = carrying[0].visit_on
    seasons = np.array([growing_months(begin, v.visit_on, growing) for v in carrying])
    line = width_line(carrying, seasons)
    if line is None:
        return Outlook(None, "The width was not measured often enough.")
    rate, rate_sd, borrows = _side_rate(line, prior, len(carrying), settings)
    if rate <= 0:
        return Outlook(None, "The opening does not close: its width has not become smaller over the growing season.")
    if not borrows and abs(line.correlation) < settings.min_correlation:
        return Outlook(
            None,
            f"The width does not follow a line yet (correlation {abs(line.correlation):.2f}, "
            f"needed {settings.min_correlation:.2f}); one more visit may settle it.",
        )
    way, way_sd = max(0.0, -0.5 * line.level), 0.5 * line.level_sd
    factor = line.factor(COVERAGE)
    months = growing_months_to_close(way, way_sd, rate, rate_sd, factor)
    if months is None:
        return Outlook(
            None,
            "The closing rate is not yet distinguishable from standing still; "
            "two more visits in the growing season may settle it.",
        )
    last = carrying[-1].visit_on
    limit = settings.max_forecast_years * len(growing)
    if months[0] > limit:
        return Outlook(None, f"At this rate closing is more than {settings.max_forecast_years:.0f} years away.")
    lo, middle, hi = (
        after_growing_days(last, m * DAYS_A_MONTH, growing) for m in (months[1], months[0], min(months[2], 3 * limit))
    )
    return Outlook(Forecast(max(middle, last + timedelta(days=1)), lo, hi), "", borrows)


def growing_months_to_close(
    way_mm: float, way_sd_mm: float, rate: float, rate_sd: float, factor: float
) -> tuple[float, float, float] | None:
    """Growing months until a side has gone its way: value, lower, upper (Fieller's interval of the ratio).

    ``None`` where the rate is not clearly above zero, so that no upper bound exists.
    """
    if rate <= 0 or rate - factor * rate_sd <= 0:
        return None
    k = factor * factor
    a, b, c = rate**2 - k * rate_sd**2, way_mm * rate, way_mm**2 - k * way_sd_mm**2
    root = math.sqrt(max(0.0, b * b - a * c))
    return way_mm / rate, max(0.0, (b - root) / a), (b + root) / a


def _side_rate(line: Line, prior: RatePrior | None, visits: int, settings: TimeSettings) -> tuple[float, float, str]:
    """Advance of one side a growing month, and its uncertainty; drawn to the prior as its own data are weak."""
    rate, sd = 0.5 * line.slope, 0.5 * line.slope_sd
    borrows = ""
    if prior is not None and prior.spread > 0:
        own, other = 1.0 / max(sd, 1e-9) ** 2, 1.0 / prior.spread**2
        share = other / (own + other)
        rate, sd = (own * rate + other * prior.mean) / (own + other), math.sqrt(1.0 / (own + other))
        if share > 0.2 or visits < settings.min_visits_for_forecast:
            borrows = f"{100 * share:.0f} % of the rate is borrowed from {prior.words}"
    return rate, math.hypot(sd, settings.future_rate_rel_sd * max(rate, 0.0)), borrows


def _why_not(visits: Sequence[Visit], settings: TimeSettings, growing: tuple[int, ...], prior: RatePrior | None) -> str:
    """Reasons known before any line is drawn; empty where there are none."""
    if not growing:
        return "The grove's growing months are not set."
    if not visits:
        return "There is no visit yet."
    last = visits[-1]
    if last.aperture_area_mm2 is not None and last.aperture_area_mm2 <= 0:
        return "No opening is visible any more."
    carrying = [v for v in open_visits(visits, 2) if v.aperture_width_mm is not None]
    need = 2 if prior is not None else settings.min_visits_for_forecast
    if len(carrying) < need:
        missing = need - len(carrying)
        return f"{missing} more visit{'s' if missing > 1 else ''} needed ({len(carrying)} of {need})."
    span = growing_months(carrying[0].visit_on, carrying[-1].visit_on, growing)
    if span < MIN_GROWING_MONTHS:
        return f"The visits span {span:.1f} months of growing season; {MIN_GROWING_MONTHS} are needed."
    return ""


@dataclass(frozen=True, slots=True)
class _Rates:
    """Rates of the sites of one kind, in the order of the histories; all shapes (N,)."""

    sites: NDArray[np.int64]
    values: NDArray[np.float64]
    variances: NDArray[np.float64]
    by_tree: dict[str, list[int]]


class Lenders:
    """What every site of a grove can lend, by kind of wound, so that a grove is gone through once and not once a site.

    Parameters
    ----------
    histories
        Sites with their trends; those without a rate lend nothing.
    """

    def __init__(self, histories: Iterable[SiteHistory]) -> None:
        known: dict[WoundKind, list[tuple[Site, Interval]]] = {}
        for history in histories:
            rates = [t.side_advance_mm_per_growing_month for t in history.trends]
            last = next((rate for rate in reversed(rates) if rate is not None), None)
            if last is not None:
                known.setdefault(history.site.kind, []).append((history.site, last))
        self._kinds = {kind: self._of_kind(lent) for kind, lent in known.items()}

    @staticmethod
    def _of_kind(lent: Sequence[tuple[Site, Interval]]) -> _Rates:
        by_tree: dict[str, list[int]] = {}
        for k, (site, _) in enumerate(lent):
            by_tree.setdefault(site.tree, []).append(k)
        return _Rates(
            np.array([site.site for site, _ in lent]),
            np.array([rate.value for _, rate in lent]),
            _variances([rate for _, rate in lent]),
            by_tree,
        )

    def prior(self, kind: WoundKind, tree: str = "", leave_out: int | None = None) -> RatePrior | None:
        """What other sites of a kind teach; see :func:`rate_prior`."""
        rates = self._kinds.get(kind)
        if rates is None:
            return None
        here = [k for k in rates.by_tree.get(tree, ()) if rates.sites[k] != leave_out] if tree else []
        if len(here) >= MIN_LENDERS:
            words = f"{len(here)} sites of the same kind on this tree"
            return _pooled(rates.values[here], rates.variances[here], words)
        others = rates.sites != leave_out if leave_out is not None else np.full(rates.sites.shape, True)
        count = int(others.sum())
        if count < MIN_LENDERS:
            return None
        words = f"{count} sites of the same kind in this grove"
        return _pooled(rates.values[others], rates.variances[others], words)


def rate_prior(
    histories: Iterable[SiteHistory], kind: WoundKind, tree: str = "", leave_out: int | None = None
) -> RatePrior | None:
    """What other sites of a kind teach of the side's advance: of the same tree where three are known, else the grove.

    Mean and spread between sites after DerSimonian & Laird 1986 (moments); ``None`` with fewer than three sites.
    Ask :class:`Lenders` where many sites borrow from one grove.

    Parameters
    ----------
    tree
        Tree whose own sites come first; empty for the grove at once.
    leave_out
        A site that must not lend to itself.
    """
    return Lenders(histories).prior(kind, tree, leave_out)


def pooled(rates: Sequence[Interval], words: str) -> RatePrior:
    """Random-effects mean and spread of two or more rates with 95 % intervals (DerSimonian & Laird 1986).

    The spread given is that of a new site: between sites, and of the mean itself.
    """
    return _pooled(np.array([rate.value for rate in rates]), _variances(rates), words)


def _variances(rates: Sequence[Interval]) -> NDArray[np.float64]:
    sds = np.array([(rate.hi - rate.lo) / (2 * 1.959964) for rate in rates], dtype=np.float64)
    return np.maximum(sds * sds, 1e-8)


def _pooled(values: NDArray[np.float64], variances: NDArray[np.float64], words: str) -> RatePrior:
    """The same from values and their variances, shape (N,)."""
    weights = 1.0 / variances
    total = float(weights.sum())
    fixed = float(weights @ values) / total
    excess = float(weights @ (values - fixed) ** 2) - (len(values) - 1)
    scale = total - float(weights @ weights) / total
    between = max(0.0, excess / scale) if scale > 0 else 0.0
    weights = 1.0 / (variances + between)
    total = float(weights.sum())
    mean = float(weights @ values) / total
    floor = (0.1 * mean) ** 2
    return RatePrior(mean, math.sqrt(max(between, floor) + 1.0 / total), len(values), words)
