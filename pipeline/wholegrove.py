"""All trees of a grove surveyed from the store, on every core: for alerts and statuses, not for pages.

Readings come as columns (``store.reading_columns``); those of sites about which people answered are few and come as
records, because an answer may change a reading.  The trees are surveyed in lots; a lot needs its own part of the
register and the name of the database, nothing else.
"""

from __future__ import annotations

import gc
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice
from multiprocessing import get_context
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline import alerts, assess, flow, ties, timeline
from pipeline.records import Register
from pipeline.store import open_store
from pipeline.store.bark_tables import SCALE
from pipeline.survey import TreeSurvey, survey_trees
from pipeline.timeline.table import AREA, HEIGHT, PERIMETER, WIDTH, ReadingTable, table_of
from pipeline.timeline.visits import variance_shares

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from numpy.typing import NDArray

    from pipeline.grove import Grove
    from pipeline.records import Reading, Refusal, Review
    from pipeline.store import Store

SITES_A_LOT = 1000
LOTS_FOR_A_CREW = 4
"""Lots below which starting worker processes takes longer than it saves."""


def survey_grove(
    grove: Grove,
    store: Store,
    register: Register,
    trees: Sequence[str],
    today: date,
    workers: int = 1,
) -> Iterator[TreeSurvey]:
    """Findings, questions and status of the trees named, lot by lot.

    Parameters
    ----------
    register
        The grove's register, with the events that people answered (:func:`pipeline.assess.full_register`).
    workers
        Processes; 1 works in this one, and so do few trees.
    """
    lots = list(_lots(register, trees))
    if workers < 2 or len(lots) < LOTS_FOR_A_CREW:
        for lot in lots:
            yield from survey_lot(grove, store, lot, today)
        return
    bare = replace(grove, register=Register())  # each lot brings its own part
    with ProcessPoolExecutor(workers, get_context("spawn"), _open, (_Orders(bare, today),)) as pool:
        for found in pool.map(_survey, lots):
            yield from found


def _lots(register: Register, trees: Sequence[str]) -> Iterator[Register]:
    """Parts of a register with about :data:`SITES_A_LOT` sites each, and all that concerns their trees."""
    wanted = [tree for tree in trees if tree in register.trees]
    index = timeline.index_register(register, wanted[0] if len(wanted) == 1 else None)
    chosen = set(wanted)
    stems: dict[str, list[tuple[str, str]]] = {}
    for key in register.stems:
        if key[0] in chosen:
            stems.setdefault(key[0], []).append(key)
    waiting = iter(wanted)
    while some := list(_lot(waiting, index.sites)):
        yield Register(
            {tree: register.trees[tree] for tree in some},
            {key: register.stems[key] for tree in some for key in stems.get(tree, ())},
            {site.site: site for tree in some for site in index.sites.get(tree, ())},
            tuple(event for tree in some for event in index.events.get(tree, ())),
        )


def _lot(trees: Iterator[str], sites: dict[str, tuple[Any, ...]]) -> Iterator[str]:
    count = 0
    while count < SITES_A_LOT and (tree := next(islice(trees, 1), None)) is not None:
        count += max(1, len(sites.get(tree, ())))
        yield tree


def survey_lot(grove: Grove, store: Store, lot: Register, today: date) -> list[TreeSurvey]:
    """The trees of a part of the register."""
    with _no_collector():
        return _surveyed(grove, store, lot, today)


@contextmanager
def _no_collector() -> Iterator[None]:
    """Millions of small records without cycles: looking for cycles among them takes a third of the time."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _surveyed(grove: Grove, store: Store, lot: Register, today: date) -> list[TreeSurvey]:
    sites = sorted(lot.sites)
    answers = store.reviews(sites=sites, standing_only=True)
    refusals = store.refusals_of(sites)
    answered = {review.site for review in answers}
    readings = readings_in_columns(grove, store, [site for site in sites if site not in answered])
    records: list[Reading] = []
    if answered:
        about = sorted(site for site in answered if site is not None)
        records = assess.readings_that_count(grove, store, about, answers)
        readings = readings.with_sites_of(table_of(records))
    reviews, refused = flow.by_tree(answers, lot), flow.by_tree(refusals, lot)
    found = survey_trees(
        list(lot.trees.values()), lot, readings, grove.settings, today, reviews=reviews, refusals=refused
    )
    named = {lot.sites[r.site].tree for r in records if any(c.stage is not None for c in r.corrections)}
    return [
        _with_named_stages(one.tree, grove, store, lot, answers, refused.get(one.tree, ()), today)
        if one.tree in named
        else one
        for one in found
    ]


def _with_named_stages(
    tree: str,
    grove: Grove,
    store: Store,
    lot: Register,
    answers: Sequence[Review],
    refusals: Sequence[Refusal],
    today: date,
) -> TreeSurvey:
    """A tree of which a person named a stage: few, so as a page shows it, in records."""
    readings: dict[int, list[Reading]] = {}
    sites = [site.site for site in lot.sites.values() if site.tree == tree]
    about = [review for review in answers if review.site in sites]
    for reading in assess.readings_that_count(grove, store, sites, about):
        readings.setdefault(reading.site, []).append(reading)
    health = flow.assess_tree(lot.trees[tree], lot, readings, grove.settings, today, reviews=about, refusals=refusals)
    questions = alerts.questions(health.sites, lot, grove.settings, today)
    return TreeSurvey(tree, health.findings, questions, health.status, health.reasons)


# ---------------------------------------------------------------- readings


def readings_in_columns(grove: Grove, store: Store, sites: Sequence[int]) -> ReadingTable:
    """Readings of sites about which nobody answered, in the scale of their site's bark, as columns."""
    columns = store.reading_columns(sites)
    sums = columns.sums_of_parts(_weights, len(_NAMES))
    found = columns.groups()
    scale, size, size_sd = (found.pop(name) for name in ("scale", "size", "size_sd"))
    total = sums[:, :3].sum(axis=1, keepdims=True)
    shares = np.where(total > 0, sums[:, :3] / np.where(total > 0, total, 1.0), (0.0, 1.0, 0.0))
    tied = ~np.isnan(scale[:, 0]) & (size[:, AREA] > 0) & (total[:, 0] > 0)
    if tied.any():
        size[tied], size_sd[tied], shares[tied] = _on_one_bark(
            size[tied], size_sd[tied], sums[tied], scale[tied], grove.settings.reading.rim_wander_mm
        )
    return ReadingTable(
        site=columns.site,
        day=columns.day,
        flags=columns.flags,
        sha256=np.array(columns.sha256, dtype=object),
        taken_at=columns.moments(),
        size=size,
        size_sd=size_sd,
        shares=shares,
        **found,
    )


_NAMES = ("site", "visit", "photo", "kept of site", "kept of visit", "kept of photo", "softness", "whole rim")
"""Sums of an area's variances: all parts by what they are common to; the same of those that are not the scale's; what
wanders along the rim; what moves the whole rim."""


@lru_cache(maxsize=256)
def _weights(name: str) -> tuple[float, ...]:
    """How a named part counts in each of :data:`_NAMES`; linear in the variance, as the functions for one reading."""
    shares = variance_shares({name: 1.0})
    kept = 0.0 if name in ties.SCALE_PARTS or name in (ties.SHARED, ties.OWN) else 1.0
    whole = 0.0 if name in ties.NOT_THE_WHOLE_RIM else 1.0
    return (*shares, *(kept * share for share in shares), float(name == "softness"), whole)


def _on_one_bark(
    size: NDArray[np.float64],
    size_sd: NDArray[np.float64],
    sums: NDArray[np.float64],
    scale: NDArray[np.float64],
    wander_length_mm: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Sizes, their uncertainties and the shares of the area's variance: :func:`pipeline.ties.corrected` in columns."""
    s = dict(zip(SCALE, scale.T, strict=True))
    area = size[:, AREA] * s["area"]
    shared = (area * s["area_common_rel_sd"]) ** 2
    own = area**2 * np.maximum(s["area_rel_sd"] ** 2 - s["area_common_rel_sd"] ** 2, 0.0)
    parts = sums[:, 3:6] * s["area"][:, None] ** 2
    parts += shared[:, None] * np.array(variance_shares({ties.SHARED: 1.0}))
    parts += own[:, None] * np.array(variance_shares({ties.OWN: 1.0}))
    variance = parts.sum(axis=1, keepdims=True)
    around = np.nan_to_num(size[:, PERIMETER])
    some = around > 0
    around = np.where(some, around, 1.0)
    whole2 = sums[:, 7] / around**2
    wander2 = sums[:, 6] / (around * np.minimum(around, wander_length_mm))
    ends2 = np.where(some, 4 * whole2 + 2 * wander2, 0.0)
    width, height = size[:, WIDTH] * s["width"], size[:, HEIGHT] * s["height"]
    sizes = np.column_stack([area, width, height, size[:, PERIMETER] * np.sqrt(s["area"])])
    sds = np.column_stack(
        [
            np.sqrt(variance[:, 0]),
            np.sqrt((width * s["width_rel_sd"]) ** 2 + ends2),
            np.sqrt((height * s["height_rel_sd"]) ** 2 + ends2),
            size_sd[:, PERIMETER],
        ]
    )
    return sizes, sds, np.where(variance > 0, parts / np.where(variance > 0, variance, 1.0), (0.0, 1.0, 0.0))


# ---------------------------------------------------------------- worker processes


@dataclass(frozen=True, slots=True)
class _Orders:
    grove: Grove
    today: date


_here: dict[str, Any] = {}
"""What a worker process opened."""


def _open(orders: _Orders) -> None:
    _here["orders"], _here["store"] = orders, open_store(orders.grove.database)


def _survey(lot: Register) -> list[TreeSurvey]:
    orders: _Orders = _here["orders"]
    return survey_lot(orders.grove, _here["store"], lot, orders.today)
