"""Whole groves over years as readings with known truth, for benchmarks and tests: numbers, not pixels.

A wound is an ellipse whose sides advance in the growing months, its ends four times slower (oriental beech, 18.4
against 4.5 mm a year: Tavankar, Picchio and co-workers).  Photos err as the reader errs: a stretch common to the site,
one of the visit, the rim's place, a stage misread now and then, signs missed or seen where moss grows.  What happens:
stalls, infections that grow and spread along the stem, cuts with and without an event written down, missed visits.
Deterministic by seed.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from pipeline.hands import handle
from pipeline.records import GirthMeasure, Register, Stem, Tree
from pipeline.simulate.life import live, new_site
from pipeline.simulate.photos import photograph
from pipeline.simulate.plan import GrovePlan, ReaderError, SimulatedGrove, SiteTruth

if TYPE_CHECKING:
    from pipeline.records import Event, Reading, Site

__all__ = ["GrovePlan", "ReaderError", "SimulatedGrove", "SiteTruth", "simulate_grove"]


def simulate_grove(plan: GrovePlan, error: ReaderError | None = None) -> SimulatedGrove:
    """A grove with its readings and truth; the same plan gives the same grove."""
    rng = np.random.default_rng(plan.seed)
    errors = error or ReaderError()
    trees: dict[str, Tree] = {}
    stems: dict[tuple[str, str], Stem] = {}
    sites: dict[int, Site] = {}
    events: list[Event] = []
    readings: list[Reading] = []
    truths: dict[int, SiteTruth] = {}
    for i in range(plan.trees):
        name = f"{'ABCDEFGH'[i // 100 % 8]}-{i % 100 + 1:03d}"
        trees[name] = Tree(
            name,
            "Aquilaria crassna",
            plan.begin_on - timedelta(days=2200),
            block="ABCDEFGH"[i // 100 % 8],
            row=str(i % 100 // 10 + 1),
            position=str(i % 10 + 1),
            x_m=3.0 * (i % 10),
            y_m=4.0 * (i // 10),
        )
        girth = float(rng.normal(520.0, 60.0))
        stems[name, "1"] = Stem(name, "1", (GirthMeasure(plan.begin_on, girth),))
        vigour = float(np.exp(rng.normal(0.0, 0.6 * plan.side_spread)))
        sick_from = None
        for k in range(plan.sites_a_tree):
            number = 1 + i * plan.sites_a_tree + k
            site, first = new_site(number, name, k, plan, rng)
            sites[number] = site
            truth, happened = live(site, first, vigour, sick_from, plan, rng)
            sick_from = truth.infected_from or sick_from
            events += happened
            truths[number] = truth
            readings += photograph(site, first, truth, plan, errors, rng)
    if plan.careless > 0:
        stood = {number: site.tree for number, site in sites.items()}
        readings, spoiled = handle(readings, stood, plan.careless, np.random.default_rng((plan.seed, 1)))
        for number, days in spoiled.items():
            truths[number].spoiled += days
    register = Register(trees, stems, sites, tuple(sorted(events, key=lambda e: (e.on, e.site or 0))))
    return SimulatedGrove(register, tuple(readings), truths)
