"""One site over time: the whole way from readings to trends."""

from __future__ import annotations

from dataclasses import replace
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

from pipeline.advance import advance_between, area_own_sd, width_change_between
from pipeline.records import SiteHistory, Stage, WoundKind
from pipeline.timeline.episodes import episode_starts, events_of_site, number_visits
from pipeline.timeline.forecast import forecast_closing
from pipeline.timeline.rates import trend_of
from pipeline.timeline.stages import filter_stages, smooth_stages, steps_of
from pipeline.timeline.visits import visits_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from pipeline.records import Event, Reading, Site, Trend, Visit
    from pipeline.settings import GroveSettings, TimeSettings
    from pipeline.timeline.forecast import RatePrior


def site_history(
    site: Site,
    readings: Iterable[Reading],
    events: Sequence[Event],
    time: TimeSettings,
    grove: GroveSettings,
    prior: RatePrior | None = None,
) -> SiteHistory:
    """Visits, episodes, stages, rates and closing date of one site.

    Parameters
    ----------
    readings
        Readings in any order; those of other sites are left out.
    events
        The register's events; those that do not concern this site are left out.
    prior
        What other sites teach of the closing rate (:func:`~pipeline.timeline.forecast.rate_prior`).

    Returns
    -------
    SiteHistory
        Visits in order of day, one trend an episode that has visits, the site's own events.
    """
    visits = visits_of(site.site, readings, time)
    concerning = events_of_site(site, events)
    if not visits:
        return SiteHistory(site, (), (), concerning)
    starts = episode_starts(site, concerning, visits[0].visit_on)
    numbers = number_visits(
        [v.visit_on for v in visits], [v.aperture_area_mm2 for v in visits], [area_own_sd(v) for v in visits], starts
    )
    numbered = [replace(v, episode=number) for v, number in zip(visits, numbers, strict=True)]
    staged = _with_stages(numbered, starts, site.made_on, time)
    changed = _with_changes(staged)
    trends = () if site.kind is WoundKind.BARK_PANEL else _trends(site.site, changed, time, grove, prior)
    return SiteHistory(site, tuple(changed), trends, concerning)


def _with_stages(
    visits: Sequence[Visit], starts: Sequence[date], made_on: date | None, settings: TimeSettings
) -> list[Visit]:
    """Add the stage as known on the day, and as known today (from later visits too)."""
    steps = steps_of(visits, starts, made_on, settings)
    filtered = filter_stages(steps, settings)
    smoothed = smooth_stages(steps, settings, filtered)
    return [
        replace(visit, stage_posterior=p, stage=Stage(p.index(max(p))), stage_smoothed=Stage(q.index(max(q))))
        for visit, p, q in zip(visits, filtered, smoothed, strict=True)
    ]


def _with_changes(visits: Sequence[Visit]) -> list[Visit]:
    """Rim advance and change of width since the visit before, within an episode."""
    changed = list(visits[:1])
    for before, visit in pairwise(visits):
        if before.episode != visit.episode:
            changed.append(visit)
            continue
        advance, width = advance_between(before, visit), width_change_between(before, visit)
        changed.append(
            replace(
                visit,
                rim_advance_mm=advance[0] if advance else None,
                rim_advance_mm_sd=advance[1] if advance else None,
                width_change_mm=width[0] if width else None,
                width_change_mm_sd=width[1] if width else None,
            )
        )
    return changed


def _trends(
    site: int, visits: Sequence[Visit], time: TimeSettings, grove: GroveSettings, prior: RatePrior | None
) -> tuple[Trend, ...]:
    trends = []
    last_episode = visits[-1].episode
    for episode, group in groupby(visits, key=lambda v: v.episode):
        within = list(group)
        trend = trend_of(site, episode, within, time, grove.growing_months)
        if episode == last_episode:
            outlook = forecast_closing(within, time, grove.growing_months, prior)
            trend = replace(trend, forecast=outlook.forecast, why_no_forecast=outlook.why_not, borrows=outlook.borrows)
        else:
            trend = replace(trend, why_no_forecast="This episode has ended: the wound was opened again.")
        trends.append(trend)
    return tuple(trends)
