"""Episodes: from one wounding event to the next.  Rates never run across an event."""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.records import EventKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from pipeline.records import Event, Register, Site


@dataclass(frozen=True, slots=True)
class RegisterIndex:
    """Sites and events of each tree, so that a grove is gone through once and not once a tree.

    ``events`` of a tree hold its own, its stems' and its sites', in the register's order.
    """

    sites: dict[str, tuple[Site, ...]]
    events: dict[str, tuple[Event, ...]]


def index_register(register: Register, only: str | None = None) -> RegisterIndex:
    """Sites (in order of number) and events by tree, or of one tree; trees without any have no entry."""
    sites: dict[str, list[Site]] = {}
    wanted = (site for site in register.sites.values() if only is None or site.tree == only)
    for site in sorted(wanted, key=lambda s: s.site):
        sites.setdefault(site.tree, []).append(site)
    events: dict[str, list[Event]] = {}
    concerning: Iterable[Event] = register.events
    if only is not None:  # one tree of many: most events are seen at a glance to be of others
        own = {site.site for site in sites.get(only, ())}
        concerning = [e for e in concerning if e.site in own or e.tree == only]
    for event in concerning:
        at = register.sites.get(event.site) if event.site is not None else None
        tree = at.tree if at is not None else event.tree
        if only is None or tree == only:
            events.setdefault(tree, []).append(event)
    return RegisterIndex(
        {tree: tuple(own) for tree, own in sites.items()}, {tree: tuple(own) for tree, own in events.items()}
    )


MAKING = (EventKind.DRILLED, EventKind.NAILED)


def events_of_site(site: Site, events: Sequence[Event]) -> tuple[Event, ...]:
    """Events that concern a site, in order of date: its own, its stem's and its tree's."""
    found = (
        e
        for e in events
        if e.site == site.site or (e.site is None and e.tree == site.tree and e.stem in ("", site.stem))
    )
    return tuple(sorted(found, key=lambda e: (e.on, e.event.value, e.note)))


def episode_starts(site: Site, events: Sequence[Event], first_visit_on: date | None) -> tuple[date, ...]:
    """Days on which a new episode begins, after the wound was made.

    The making of the wound itself begins episode 1 and is not among them.  Where the register gives no day of
    making, a first 'drilled' or 'nailed' before the first visit is taken as the making.
    """
    concerning = events_of_site(site, events)
    starts = sorted({e.on for e in concerning if e.event.starts_episode})
    if site.made_on is not None:
        made_on = site.made_on
        return tuple(day for day in starts if day > made_on)
    if starts and first_visit_on is not None and starts[0] <= first_visit_on:
        kinds = {e.event for e in concerning if e.on == starts[0] and e.event.starts_episode}
        if kinds <= set(MAKING):
            return tuple(starts[1:])
    return tuple(starts)


def number_visits(
    days: Sequence[date], areas_mm2: Sequence[float | None], area_sds_mm2: Sequence[float], starts: Sequence[date]
) -> list[int]:
    """Number of the episode of each visit, from 1.

    A visit on the very day of an event belongs to the new episode, unless the next visit shows a clearly larger opening
    (by more than twice the uncertainty of the difference): then its photos were taken before the work.

    Parameters
    ----------
    days, areas_mm2, area_sds_mm2
        One a visit, in order of time.
    starts
        Days from :func:`episode_starts`, rising.
    """
    numbers = []
    for i, day in enumerate(days):
        number = 1 + bisect_right(starts, day)
        if day in starts and i + 1 < len(days):
            now, later = areas_mm2[i], areas_mm2[i + 1]
            if now is not None and later is not None:
                doubt = 2.0 * (area_sds_mm2[i] ** 2 + area_sds_mm2[i + 1] ** 2) ** 0.5
                if later - now > doubt and (i == 0 or days[i + 1] > day):
                    number -= 1
        numbers.append(number)
    return numbers
