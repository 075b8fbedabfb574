"""What the pages work with: the grove, its store and a clock; and the way from an answer to alerts."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cached_property
from typing import TYPE_CHECKING

from pipeline import assess

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from pipeline.grove import Grove
    from pipeline.records import AlertChanges, Register, Site
    from pipeline.settings import Settings
    from pipeline.store import Store


def utc_now() -> datetime:
    """The present time."""
    return datetime.now(UTC)


@dataclass(frozen=True)
class Desk:
    """A grove as the review page sees it; ``clock`` gives aware times, tests pass their own."""

    grove: Grove
    store: Store
    clock: Callable[[], datetime] = utc_now

    @property
    def settings(self) -> Settings:
        """The grove's settings."""
        return self.grove.settings

    @property
    def register(self) -> Register:
        """The grove's register."""
        return self.grove.register

    def now(self) -> datetime:
        """The present time in the grove's zone."""
        return self.clock().astimezone(self.settings.grove.zone)

    def today(self) -> date:
        """The present day in the grove's zone."""
        return self.now().date()

    def site(self, number: int) -> Site | None:
        """A site of the register."""
        return self.register.sites.get(number)

    def sites_of_tree(self, tree: str) -> tuple[int, ...]:
        """Numbers of a tree's sites, in order."""
        return self._by_tree.get(tree, ())

    @cached_property
    def _by_tree(self) -> dict[str, tuple[int, ...]]:
        found: dict[str, list[int]] = {}
        for site in self.register.sites.values():
            found.setdefault(site.tree, []).append(site.site)
        return {tree: tuple(sorted(sites)) for tree, sites in found.items()}

    def assess(self, tree: str) -> AlertChanges:
        """Look at a tree again after an answer and bring its alerts up to date."""
        (health,) = assess.assess_trees(self.grove, self.store, [tree], self.today())
        return self.store.apply_findings(health.findings, self.today(), trees=[tree])
