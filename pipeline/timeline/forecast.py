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

    from pipeline.lines import Line
    from pipeline.records import Interval, SiteHistory, Visit, WoundKind
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


def rate_prior(
    histories: Iterable[SiteHistory], kind: WoundKind, tree: str = "", leave_out: int | None = None
) -> RatePrior | None:
    """What other sites of a kind teach of the side's advance: of the same tree where three are known, else the grove.

    Mean and spread between sites after DerSimonian & Laird 1986 (moments); ``None`` with fewer than three sites.

    Parameters
    ----------
    tree
        Tree whose own sites come first; empty for the grove at once.
    leave_out
        A site that must not lend to itself.
    """
    here: list[Interval] = []
    everywhere: list[Interval] = []
    for history in histories:
        if history.site.kind != kind or history.site.site == leave_out:
            continue
        rates = [t.side_advance_mm_per_growing_month for t in history.trends]
        known = [rate for rate in rates if rate is not None]
        if known:
            everywhere.append(known[-1])
            if history.site.tree == tree:
                here.append(known[-1])
    if tree and len(here) >= MIN_LENDERS:
        return pooled(here, f"{len(here)} sites of the same kind on this tree")
    return (
        pooled(everywhere, f"{len(everywhere)} sites of the same kind in this grove")
        if len(everywhere) >= MIN_LENDERS
        else None
    )


def pooled(rates: Sequence[Interval], words: str) -> RatePrior:
    """Random-effects mean and spread of rates with 95 % intervals (DerSimonian & Laird 1986).

    The spread given is that of a new site: between sites, and of the mean itself.
    """
    values = np.array([rate.value for rate in rates])
    variances = np.maximum(np.array([(rate.hi - rate.lo) / (2 * 1.959964) for rate in rates]) ** 2, 1e-8)
    weights = 1.0 / variances
    fixed = float((weights * values).sum() / weights.sum())
    excess = float((weights * (values - fixed) ** 2).sum()) - (len(rates) - 1)
    scale = float(weights.sum() - (weights**2).sum() / weights.sum())
    between = max(0.0, excess / scale) if scale > 0 else 0.0
    weights = 1.0 / (variances + between)
    mean = float((weights * values).sum() / weights.sum())
    floor = (0.1 * mean) ** 2
    return RatePrior(mean, math.sqrt(max(between, floor) + 1.0 / float(weights.sum())), len(rates), words)
