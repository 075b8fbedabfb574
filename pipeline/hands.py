"""A careless hand: what it does to the photos of a simulated grove."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from pipeline.records import Flag

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    import numpy as np

    from pipeline.records import Reading

SKIPPED, WRONG_CARD, SWAPPED, BLURRED = range(4)
SAME_ROUND_DAYS = 10
"""Visits this near to one another may have been photographed on one walk, so that their cards can be swapped."""


@dataclass(frozen=True, slots=True)
class Carelessness:
    """What a careless hand does wrong, chances a visit."""

    skips: float = 0.1
    wrong_card: float = 0.05
    swaps: float = 0.05
    blurs: float = 0.2
    found_out: float = 0.9
    """Share of photos of another wound whose bark is compared (the others show too little of it)."""

    @property
    def shares(self) -> list[float]:
        """Chances of what is done, the last one of nothing wrong."""
        shares = [self.skips, self.wrong_card, self.swaps, self.blurs]
        return [*shares, 1.0 - sum(shares)]


def handle(
    readings: Sequence[Reading],
    trees: Mapping[int, str],
    share: float,
    rng: np.random.Generator,
    ways: Carelessness = Carelessness(),
) -> tuple[list[Reading], dict[int, list[date]]]:
    """The same photos as a careless hand delivers them: some missing, some blurred, some under another site's card.

    Parameters
    ----------
    trees
        Tree of each site.
    share
        Share of visits that this hand makes.

    Returns
    -------
    readings, spoiled
        By site the days on which a photo of another wound, or a blurred one, counts as of it.
    """
    own_tree: dict[str, list[int]] = {}
    for number, tree in trees.items():
        own_tree.setdefault(tree, []).append(number)
    by_visit: dict[tuple[int, date], list[int]] = {}
    for i, reading in enumerate(readings):
        by_visit.setdefault((reading.site, reading.visit_on), []).append(i)
    changed: dict[int, Reading | None] = {}
    spoiled: dict[int, list[date]] = {}
    for (number, day), places in by_visit.items():
        if rng.random() >= share or any(i in changed for i in places):
            continue
        others = [n for n in own_tree[trees[number]] if n != number]
        what = int(rng.choice(5, p=ways.shares))
        if what == SKIPPED:
            changed |= dict.fromkeys(places)
        elif what in (WRONG_CARD, SWAPPED) and others:
            other = int(rng.choice(others))
            changed |= {i: _elsewhere(readings[i], other, ways, rng) for i in places}
            spoiled.setdefault(other, []).append(day)
            near = [k for k in by_visit if k[0] == other and abs((k[1] - day).days) <= SAME_ROUND_DAYS]
            back = [i for k in near[:1] for i in by_visit[k] if i not in changed] if what == SWAPPED else []
            changed |= {i: _elsewhere(readings[i], number, ways, rng) for i in back}
            spoiled.setdefault(number, []).extend(readings[i].visit_on for i in back)
        elif what == BLURRED:
            changed |= {i: _blurred(readings[i], rng) for i in places}
            spoiled.setdefault(number, []).append(day)
    kept = [changed.get(i, reading) for i, reading in enumerate(readings)]
    delivered = sorted((r for r in kept if r is not None), key=lambda r: (r.site, r.visit_on, r.file))
    return delivered, spoiled


def _elsewhere(reading: Reading, site: int, ways: Carelessness, rng: np.random.Generator) -> Reading:
    """A photo of one wound under another one's card; the bark round the wound gives it away where it is compared."""
    known = rng.random() < ways.found_out
    return replace(reading, site=site, same_place=float(rng.uniform(0.0, 0.15)) if known else None)


def _blurred(reading: Reading, rng: np.random.Generator) -> Reading:
    """A blurred photo that is just not refused: its rim is uncertain by 0.75 mm more, and it says so."""
    flags = reading.flags | Flag.SOFT_FOCUS
    if not reading.aperture_area_mm2 or not reading.aperture_width_mm or not reading.aperture_perimeter_mm:
        return replace(reading, flags=flags, sharpness_mm=2.0)
    off, more = float(rng.normal(0.0, 0.75)), 0.75
    width = max(0.5, reading.aperture_width_mm + 2 * off)
    height = max(0.5, (reading.aperture_height_mm or 0.0) + 2 * off)
    area, perimeter = ellipse(width, height)
    parts = reading.area_sd_parts | {"blur": 1.044 * more * perimeter}
    return replace(
        reading,
        flags=flags,
        sharpness_mm=2.0,
        aperture_width_mm=width,
        aperture_width_mm_sd=math.hypot(reading.aperture_width_mm_sd or 0.0, 2.088 * more),
        aperture_height_mm=height,
        aperture_height_mm_sd=math.hypot(reading.aperture_height_mm_sd or 0.0, 2.088 * more),
        aperture_area_mm2=area,
        aperture_area_mm2_sd=math.sqrt(sum(part**2 for part in parts.values())),
        aperture_perimeter_mm=perimeter,
        aperture_perimeter_mm_sd=math.hypot(reading.aperture_perimeter_mm_sd or 0.0, 6.56 * more),
        area_sd_parts=parts,
    )


def ellipse(width: float, height: float) -> tuple[float, float]:
    """Area and perimeter of an ellipse (Ramanujan 1914, second formula)."""
    if width <= 0 or height <= 0:
        return 0.0, 0.0
    a, b = width / 2, height / 2
    h = ((a - b) / (a + b)) ** 2
    return math.pi * a * b, math.pi * (a + b) * (1 + 3 * h / (10 + math.sqrt(4 - 3 * h)))
