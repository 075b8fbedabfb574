"""Readings of a site over time: visits, episodes, rates with intervals, stages, and a closing date.

    Readings ──visits──> one Visit a day ──episodes──> numbered by what people did
        ──stages──> filtered stage ──rates──> Trend of each episode ──forecast──> closing date or why none

Pure functions: no clock, no files, no randomness.  ``docs/timeline.md`` says what each number means.
"""

from pipeline.timeline.chain import follow
from pipeline.timeline.episodes import RegisterIndex, episode_starts, events_of_site, index_register
from pipeline.timeline.forecast import Lenders, RatePrior, forecast_closing, rate_prior
from pipeline.timeline.history import borrow_rates, site_history
from pipeline.timeline.rates import area_closure_pct, rim_advance_rate, rim_advance_rate_of, trend_of
from pipeline.timeline.stages import filter_stages, smooth_stages
from pipeline.timeline.turning import standing_still, with_change_points
from pipeline.timeline.visits import combine_visit, visits_of

__all__ = [
    "Lenders",
    "RatePrior",
    "RegisterIndex",
    "area_closure_pct",
    "borrow_rates",
    "combine_visit",
    "episode_starts",
    "events_of_site",
    "filter_stages",
    "follow",
    "forecast_closing",
    "index_register",
    "rate_prior",
    "rim_advance_rate",
    "rim_advance_rate_of",
    "site_history",
    "smooth_stages",
    "standing_still",
    "trend_of",
    "visits_of",
    "with_change_points",
]
