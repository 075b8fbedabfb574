"""What the store knows, assessed: the trees of a grove with their histories, findings and statuses."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline import flow

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from pipeline.grove import Grove
    from pipeline.records import Reading, Register, TreeHealth
    from pipeline.store import Store


def full_register(grove: Grove, store: Store) -> Register:
    """The register with the events that people gave as answers to questions."""
    answered = tuple(store.answered_events())
    if not answered:
        return grove.register
    events = sorted((*grove.register.events, *answered), key=lambda event: event.on)
    return replace(grove.register, events=tuple(events))


def assess_trees(grove: Grove, store: Store, trees: Iterable[str], today: date) -> tuple[TreeHealth, ...]:
    """Health of the trees named, in that order; only their readings are loaded."""
    register = full_register(grove, store)
    wanted = tuple(trees)
    sites = [site.site for site in register.sites.values() if site.tree in set(wanted)]
    readings: dict[int, list[Reading]] = {}
    for reading in store.readings_of(sites):
        readings.setdefault(reading.site, []).append(reading)
    reviews = store.reviews(sites=sites, standing_only=True)
    refusals = store.refusals_of(sites)
    return tuple(
        flow.assess_tree(
            register.trees[tree], register, readings, grove.settings, today, reviews=reviews, refusals=refusals
        )
        for tree in wanted
    )


def assess_grove(grove: Grove, store: Store, today: date) -> tuple[TreeHealth, ...]:
    """Health of every tree of the register."""
    return assess_trees(grove, store, grove.register.trees, today)
