"""Episodes and filtered stages of many sites at once: the chain of :mod:`pipeline.timeline.stages`, in columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.advance import own_sds
from pipeline.timeline.episodes import episode_starts, number_visits
from pipeline.timeline.stages import STAGES, doubt_bits, prior_at_start, seen_at_visits, transition, wounded_days
from pipeline.timeline.table import AREA, WIDTH, day_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from pipeline.records import Event, Site
    from pipeline.settings import TimeSettings
    from pipeline.timeline.table import VisitTable


def follow(
    sites: Sequence[Site],
    events: Sequence[Sequence[Event]],
    visits: VisitTable,
    begin: NDArray[np.int64],
    end: NDArray[np.int64],
    settings: TimeSettings,
) -> tuple[NDArray[np.int64], NDArray[np.float64], NDArray[np.int64]]:
    """Episode, filtered stage probabilities and flags of every visit, as ``site_history`` gives them.

    Parameters
    ----------
    sites, events
        S sites in the order of ``visits``, each with the events that concern it.
    begin, end
        Shape (S,): rows of a site's visits; together all rows.

    Returns
    -------
    episode, posterior, flags
        Shape (V,), (V, 6), (V,).
    """
    count = visits.day.size
    episode, begins = np.ones(count, dtype=np.int64), np.zeros(count, dtype=bool)
    since = np.full(count, -1, dtype=np.int64)
    own_sd = own_sds(visits.size[:, AREA], visits.size_sd[:, AREA], visits.common_rel_sd)
    for site, concerning, first, stop in zip(sites, events, begin.tolist(), end.tolist(), strict=True):
        if first == stop:
            continue
        begins[first] = True
        begun = day_of(int(visits.day[first]))
        starts = episode_starts(site, concerning, begun)
        heads = [first]
        if starts:
            rows = slice(first, stop)
            days = [day_of(day) for day in visits.day[rows].tolist()]
            areas = [None if area != area else area for area in visits.size[rows, AREA].tolist()]
            episode[rows] = number_visits(days, areas, own_sd[rows].tolist(), starts)
            heads += (first + 1 + np.flatnonzero(np.diff(episode[rows]))).tolist()
        for row in heads:
            days_since = wounded_days(day_of(int(visits.day[row])), starts, site.made_on)
            since[row] = -1 if days_since is None else days_since
    opened = np.diff(episode, prepend=episode[:1]) != 0
    opened &= ~begins
    width, width_sd = visits.size[:, WIDTH], visits.size_sd[:, WIDTH]
    seen = seen_at_visits(visits.day, width, width_sd, visits.stage_p, begins, opened, visits.same_place, settings)
    posterior = filtered(seen, visits.day, begins, opened, since, settings)
    stage = posterior.argmax(axis=1)
    return episode, posterior, visits.flags | doubt_bits(stage, width, width_sd, visits.same_place, settings)


def filtered(
    seen: NDArray[np.float64],
    day: NDArray[np.int64],
    begins: NDArray[np.bool_],
    opened: NDArray[np.bool_],
    since: NDArray[np.int64],
    settings: TimeSettings,
) -> NDArray[np.float64]:
    """Probability of each stage at each visit, shape (N, 6), as :func:`~pipeline.timeline.stages.filter_stages`.

    Every site makes its k-th step at the same time.

    Parameters
    ----------
    seen
        Shape (N, 6): :func:`~pipeline.timeline.stages.seen_at_visits`.
    day, begins, opened
        Shape (N,).
    since
        Shape (N,): days since the wounding, below 0 where not known; read only where a chain or an episode begins.
    """
    posterior = np.empty_like(seen)
    first = np.flatnonzero(begins)
    if not first.size:
        return posterior
    steps = np.diff(np.r_[first, day.size])
    gaps = np.diff(day, prepend=day[:1])
    gaps[first] = 0
    unique, place = np.unique(gaps, return_inverse=True)
    forward = np.array([transition(days, settings.stage_mean_days) for days in unique.tolist()])
    rho = settings.unrecorded_opening_p
    longest_first = np.argsort(-steps, kind="stable")
    first, steps = first[longest_first], steps[longest_first]
    for k in range(int(steps[0])):
        rows = first[: np.searchsorted(-steps, -k)] + k
        if k:
            prior = np.einsum("si,sij->sj", posterior[rows - 1], forward[place[rows]]) * (1 - rho) + rho / STAGES
        else:
            prior = np.empty((rows.size, STAGES))
        for i in np.flatnonzero(opened[rows] | (k == 0)).tolist():
            days = int(since[rows[i]])
            prior[i] = prior_at_start(None if days < 0 else days, k == 0, settings)
        found = prior * seen[rows]
        total = found.sum(axis=1, keepdims=True)
        posterior[rows] = np.where(total > 0, found / np.where(total > 0, total, 1.0), prior)
    return posterior
