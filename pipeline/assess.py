"""What the store knows, assessed: the trees of a grove with their histories, findings and statuses."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from typing import TYPE_CHECKING

from pipeline import corrections, flow, ties, timeline

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from pipeline.grove import Grove
    from pipeline.records import Reading, Register, Review, RimField, TreeHealth
    from pipeline.store import Store


def full_register(grove: Grove, store: Store) -> Register:
    """The register with the events that people gave as answers to questions."""
    answered = tuple(store.answered_events())
    if not answered:
        return grove.register
    events = sorted((*grove.register.events, *answered), key=lambda event: event.on)
    return replace(grove.register, events=tuple(events))


def readings_that_count(
    grove: Grove,
    store: Store,
    sites: Sequence[int],
    reviews: Sequence[Review] | None = None,
    *,
    with_outlines: bool = True,
) -> list[Reading]:
    """Readings of some sites as people put them right, in the scale that all photos of their site give together.

    Parameters
    ----------
    reviews
        Answers about these sites; those that stand are looked up by default.
    with_outlines
        Whether the drawn outlines come along: most of a reading's memory, and of the time to load it.
    """
    answers = store.reviews(sites=sites, standing_only=True) if reviews is None else reviews
    readings = corrections.corrected_all(store.readings_of(sites, with_outlines=with_outlines), answers, grove.settings)
    drawn = {reading.sha256 for reading in readings if any(c.what == "rim" for c in reading.corrections)}
    readings = ties.without_shared_habit(readings)
    known = store.ties_of(reading.sha256 for reading in readings)
    return [
        reading
        if (tie := known.get(reading.sha256)) is None
        else ties.corrected(reading, tie.scale, tie.same_place, grove.settings, _still_true(tie.field, drawn))
        for reading in readings
    ]


def _still_true(field: RimField | None, drawn: set[str]) -> RimField | None:
    """The advance of a rim between two photos, unless a person has put one of the two rims right since."""
    return None if field is None or drawn & {field.earlier, field.later} else field


def assess_trees(
    grove: Grove, store: Store, trees: Iterable[str], today: date, *, borrow: bool = False, with_outlines: bool = True
) -> tuple[TreeHealth, ...]:
    """Health of the trees named, in that order; only their readings are loaded.

    Parameters
    ----------
    borrow
        Whether sites with too few visits borrow their closing rate from the rest of the grove, which is then
        followed too.  Alerts do not depend on closing dates, so a run does without.
    with_outlines
        Whether the readings keep their outlines; neither findings nor statuses depend on them.
    """
    if borrow:
        chosen = set(trees)
        return tuple(health for health in assess_grove(grove, store, today) if health.tree.tree in chosen)
    register = full_register(grove, store)
    wanted = tuple(trees)
    chosen = set(wanted)
    sites = [site.site for site in register.sites.values() if site.tree in chosen]
    readings: dict[int, list[Reading]] = {}
    answers = store.reviews(sites=sites, standing_only=True)
    counted = readings_that_count(grove, store, sites, answers, with_outlines=with_outlines)
    for reading in counted:
        readings.setdefault(reading.site, []).append(reading)
    # for a tree or two it is quicker to look for its own lines
    index = timeline.index_register(register) if len(chosen) > 2 else None
    reviews = flow.by_tree(answers, register)
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
    """Health of every tree of the register; sites with too few visits borrow their closing rate and say so.

    Their trends have the change points too, which nobody but a reader of pages and tables asks for.
    """
    healths = assess_trees(grove, store, grove.register.trees, today)
    histories = [history for health in healths for history in health.sites]
    borrowing = timeline.borrow_rates(histories, grove.settings.time, grove.settings.grove)
    lent = iter(timeline.with_change_points(borrowing, grove.settings))
    return tuple(replace(health, sites=tuple(islice(lent, len(health.sites)))) for health in healths)
