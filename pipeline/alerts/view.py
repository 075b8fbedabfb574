"""What the rules look at: one tree's sites over time, its register entries, the settings and the day."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

from pipeline.records import UNFIT_SIZE, Finding, Severity, Sign, WoundKind

if TYPE_CHECKING:
    from collections.abc import Collection, Hashable, Iterator, Sequence
    from datetime import date

    from pipeline.records import Event, Refusal, Register, Review, Site, SiteHistory, Visit
    from pipeline.settings import AlertSettings, Settings

UNFIT_BITS = int(UNFIT_SIZE)
SIGNS = tuple(Sign)
SEEMS_LARGER = "seems larger"
"""In a tree's ``memo``, with a site's number: days of the visits that passed the screen of an enlarged opening."""


@dataclass(frozen=True)
class SiteView:
    """One site as the rules see it: its history and what is current."""

    history: SiteHistory

    @property
    def site(self) -> Site:
        """The register's entry."""
        return self.history.site

    @cached_property
    def current(self) -> tuple[Visit, ...]:
        """Visits of the last episode, in order; empty without visits."""
        visits = self.history.visits
        if not visits:
            return ()
        last = visits[-1].episode
        return tuple([v for v in visits if v.episode == last])

    @cached_property
    def sized(self) -> tuple[Visit, ...]:
        """Those of them whose area can be relied on."""
        return tuple(v for v in self.current if v.aperture_area_mm2 is not None and not int(v.flags) & UNFIT_BITS)

    @property
    def last(self) -> Visit | None:
        """The last visit."""
        return self.current[-1] if self.current else None

    @property
    def episode(self) -> int:
        """Number of the last episode that has visits; 1 without visits."""
        return self.current[-1].episode if self.current else 1

    @cached_property
    def wounded_on(self) -> date | None:
        """Day on which the current episode began: the event, else the making; ``None`` where neither is known."""
        last = self.last
        starts = [e.on for e in self.history.events if e.event.starts_episode and last and e.on <= last.visit_on]
        return max([*starts, *([self.site.made_on] if self.site.made_on else [])], default=None)

    @property
    def is_open(self) -> bool:
        """Whether the last sized visit shows an opening."""
        return bool(self.sized and self.sized[-1].aperture_area_mm2)

    @property
    def is_wound(self) -> bool:
        """Whether the site is a wound (and not watched bark)."""
        return self.site.kind is not WoundKind.BARK_PANEL


@dataclass(frozen=True)
class TreeView:
    """One tree on one day.

    Attributes
    ----------
    histories
        Its sites over time, also sites without visits.
    reviews, refusals
        Answers of people, and photos that could not be read, of these sites.
    """

    histories: tuple[SiteHistory, ...]
    register: Register
    settings: Settings
    today: date
    reviews: tuple[Review, ...] = ()
    refusals: tuple[Refusal, ...] = ()

    @property
    def limits(self) -> AlertSettings:
        """Thresholds of the rules."""
        return self.settings.alerts

    @property
    def growing(self) -> tuple[int, ...]:
        """The grove's growing months."""
        return self.settings.grove.growing_months

    @cached_property
    def memo(self) -> dict[Hashable, object]:
        """What a rule has worked out and others ask for again."""
        return {}

    @cached_property
    def sites(self) -> tuple[SiteView, ...]:
        """Sites that are expected to be seen: not retired, stem not removed; in order of number."""
        found = []
        for history in self.histories:
            site = history.site
            stem = self.register.stems.get((site.tree, site.stem))
            retired = site.retired_on is not None and site.retired_on <= self.today
            if not retired and not (stem is not None and stem.removed) and not self._removed(history.events):
                found.append(SiteView(history))
        return tuple(sorted(found, key=lambda view: view.site.site))

    def only(self, numbers: Collection[int]) -> TreeView:
        """The same tree as if it had these sites alone; what was worked out for a site is not worked out again."""
        part = TreeView(self.histories, self.register, self.settings, self.today, self.reviews, self.refusals)
        # where a cached property keeps its value
        part.__dict__["sites"] = tuple(view for view in self.sites if view.site.site in numbers)
        part.__dict__["memo"] = self.memo
        return part

    def _removed(self, events: Sequence[Event]) -> bool:
        return any(e.event.value == "stem removed" and e.on <= self.today for e in events)

    @cached_property
    def stems(self) -> dict[tuple[str, str], tuple[SiteView, ...]]:
        """Sites by tree and stem."""
        keys = sorted({(v.site.tree, v.site.stem) for v in self.sites})
        return {key: tuple(v for v in self.sites if (v.site.tree, v.site.stem) == key) for key in keys}

    def wounds(self) -> Iterator[SiteView]:
        """Sites that are wounds and have visits."""
        return (view for view in self.sites if view.is_wound and view.current)


def site_finding(
    rule: str,
    view: SiteView,
    severity: Severity,
    since: date,
    *,
    detail: str = "",
    why: str,
    figures: dict[str, float],
    threshold: str,
    source: str,
    next_step: str,
    caution: str,
    photos: Sequence[str] = (),
) -> Finding:
    """A finding about one site; its key holds rule, site, episode and an optional detail."""
    site = view.site
    tail = f"/{detail}" if detail else ""
    return Finding(
        key=f"{rule}/site {site.site}/episode {view.episode}{tail}",
        rule=rule,
        severity=severity,
        tree=site.tree,
        stem=site.stem,
        site=site.site,
        since=since,
        why=why,
        figures=figures,
        threshold=threshold,
        source=source,
        next_step=next_step,
        caution=caution,
        photos=tuple(photos),
    )


def plural(count: float, word: str) -> str:
    """``1 visit``, ``2 visits``."""
    return f"{count:g} {word}{'' if count == 1 else 's'}"
