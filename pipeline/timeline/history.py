"""One site over time: the whole way from readings to trends."""

from __future__ import annotations

from dataclasses import fields, replace
from itertools import groupby
from operator import attrgetter
from typing import TYPE_CHECKING

from pipeline.advance import advance_between, area_own_sd, width_change_between
from pipeline.records import SiteHistory, Stage, Visit
from pipeline.timeline.episodes import episode_starts, events_of_site, number_visits
from pipeline.timeline.forecast import Lenders, forecast_closing
from pipeline.timeline.rates import trend_of
from pipeline.timeline.stages import contradictions, filter_stages, smooth_stages, steps_of
from pipeline.timeline.visits import visits_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.records import Event, Reading, RimField, Site, Trend
    from pipeline.settings import GroveSettings, TimeSettings
    from pipeline.timeline.forecast import RatePrior
    from pipeline.timeline.stages import Step

STAGES = tuple(Stage)
VISIT_FIELDS = tuple(field.name for field in fields(Visit))
visit_values = attrgetter(*VISIT_FIELDS)


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
    steps = steps_of(visits, numbers, starts, site.made_on, time)
    changed = _complete(visits, numbers, steps, time)
    if not site.is_wound:  # bark that is watched: nothing there opens or closes
        plain = tuple(replace(visit, stage_posterior=(), stage_smoothed=None) for visit in changed)
        return SiteHistory(site, plain, (), concerning)
    trends = _trends(site.site, changed, time, grove, prior)
    return SiteHistory(site, tuple(changed), trends, concerning)


def borrow_rates(histories: Sequence[SiteHistory], time: TimeSettings, grove: GroveSettings) -> tuple[SiteHistory, ...]:
    """The same sites; those without a closing date for want of visits borrow their rate from sites of the same kind.

    A tree's own sites lend first, else the grove's (:func:`~pipeline.timeline.forecast.rate_prior`); the trend's
    ``borrows`` says so.  A site never lends to itself, and a date that the site's own visits gave is kept.
    """
    lenders = Lenders(histories)
    return tuple(_borrowing(history, lenders, time, grove) for history in histories)


def _borrowing(history: SiteHistory, lenders: Lenders, time: TimeSettings, grove: GroveSettings) -> SiteHistory:
    trend = history.trends[-1] if history.trends else None
    if trend is None or trend.forecast is not None or trend.stands_still or not history.visits[-1].aperture_area_mm2:
        return history
    within = [v for v in history.visits if v.episode == trend.episode]
    if len(within) >= time.min_visits_for_forecast:
        return history
    site = history.site
    prior = lenders.prior(site.kind, site.tree, leave_out=site.site)
    if prior is None:
        return history
    outlook = forecast_closing(within, time, grove.growing_months, prior)
    if outlook.forecast is None:
        return history
    helped = replace(trend, forecast=outlook.forecast, why_no_forecast="", borrows=outlook.borrows)
    return replace(history, trends=(*history.trends[:-1], helped))


def _complete(
    visits: Sequence[Visit], numbers: Sequence[int], steps: Sequence[Step], settings: TimeSettings
) -> list[Visit]:
    """Add the episode, the stage as known on the day and as known today, and the change since the visit before."""
    filtered = filter_stages(steps, settings)
    smoothed = smooth_stages(steps, settings, filtered)
    doubts = contradictions(visits, filtered, settings)
    complete = []
    for i, visit in enumerate(visits):
        values = dict(zip(VISIT_FIELDS, visit_values(visit), strict=True))
        before = visits[i - 1] if i and numbers[i - 1] == numbers[i] else None
        advance = advance_between(before, visit) if before is not None else None
        width = width_change_between(before, visit) if before is not None else None
        values |= {
            "episode": numbers[i],
            "flags": visit.flags | doubts[i] if doubts[i] else visit.flags,
            "stage": STAGES[filtered[i].index(max(filtered[i]))],
            "stage_posterior": filtered[i],
            "stage_smoothed": STAGES[smoothed[i].index(max(smoothed[i]))],
            "rim_advance_mm": advance[0] if advance else None,
            "rim_advance_mm_sd": advance[1] if advance else None,
            "width_change_mm": width[0] if width else None,
            "width_change_mm_sd": width[1] if width else None,
            "rim_field": _since(visit.rim_field, before),
        }
        complete.append(Visit(**values))  # dataclasses.replace takes four times as long, and this runs for every visit
    return complete


def _since(field: RimField | None, before: Visit | None) -> RimField | None:
    """A field that tells of the visit before, in the same episode; others say nothing of this visit's change."""
    return field if field is not None and before is not None and field.earlier in before.photos else None


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
