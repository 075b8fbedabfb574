"""What the store knows, assessed: the trees of a grove with their histories, findings and statuses."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from typing import TYPE_CHECKING

from pipeline import flow, ties, timeline

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
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


def _on_one_bark(grove: Grove, store: Store, sites: Sequence[int]) -> list[Reading]:
    """Readings in the scale that all photos of their site give together, with the score of the same place."""
    readings = store.readings_of(sites)
    known = store.ties_of(reading.sha256 for reading in readings)
    return [
        reading
        if (tie := known.get(reading.sha256)) is None
        else ties.corrected(reading, tie.scale, tie.same_place, grove.settings, tie.field)
        for reading in readings
    ]


def assess_trees(
    grove: Grove, store: Store, trees: Iterable[str], today: date, *, borrow: bool = False
) -> tuple[TreeHealth, ...]:
    """Health of the trees named, in that order; only their readings are loaded.

    Parameters
    ----------
    borrow
        Whether sites with too few visits borrow their closing rate from the rest of the grove, which is then
        followed too.  Alerts do not depend on closing dates, so a run does without.
    """
    if borrow:
        chosen = set(trees)
        return tuple(health for health in assess_grove(grove, store, today) if health.tree.tree in chosen)
    register = full_register(grove, store)
    wanted = tuple(trees)
    chosen = set(wanted)
    sites = [site.site for site in register.sites.values() if site.tree in chosen]
    readings: dict[int, list[Reading]] = {}
    for reading in _on_one_bark(grove, store, sites):
        readings.setdefault(reading.site, []).append(reading)
    index = timeline.index_register(register)
    reviews = flow.by_tree(store.reviews(sites=sites, standing_only=True), register)
    refusals = flow.by_tree(store.refusals_of(sites), register)
    return tuple(
        flow.assess_tree(
            register.trees[tree],
            register,
            readings,
            grove.settings,
            today,
            reviews=reviews.get(tree, ()),
            refusals=refusals.get(tree, ()),
            index=index,
        )
        for tree in wanted
    )


def assess_grove(grove: Grove, store: Store, today: date) -> tuple[TreeHealth, ...]:
    """Health of every tree of the register; sites with too few visits borrow their closing rate and say so."""
    healths = assess_trees(grove, store, grove.register.trees, today)
    histories = [history for health in healths for history in health.sites]
    lent = iter(timeline.borrow_rates(histories, grove.settings.time, grove.settings.grove))
    return tuple(replace(health, sites=tuple(islice(lent, len(health.sites)))) for health in healths)
