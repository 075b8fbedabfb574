"""How right the ruler is: sizes, intervals, change, same place; with the true rim and with a reader's, side by side.

    python -m benchmarks.bench_ruler [--sites 60] [--visits 5] [--first 0] [--once 400]
        [--drawn 12 --megapixels 12 --reader classical|released|FOLDER --bark FOLDER --cache FOLDER]

*Geometry*: corners and rims are projected by the renderer's own camera, nothing is drawn; the rim is seen without
error.  *Drawn*: photos are drawn, their corners found, patches unrolled, read and registered; ``--drawn`` is the number
of sites.  ``--once`` simulates so many sites more with one photo each: the photos of one site share a card that hangs
as it hangs, so that only many sites say how often an interval holds.  Figures carry 95 % bootstrap intervals over sites
(visits of a site are not independent).  Widths are compared as the ruler defines them: longest chords.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from benchmarks import ruler_drawn, ruler_sim
from benchmarks.ruler_scenes import GROWTH_A_VISIT, Spread, site_plan, visit_scene
from pipeline import hanging, metrics, rimfield
from pipeline.advance import gilman_advance_mm
from pipeline.records import RimMove
from pipeline.timeline.visits import variance_shares

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from pipeline.records import BarkScale, RimField

ADVANCE_MM = 0.6
"""Rim advance between two visits of the simulated sites that close."""
QUANTITIES = ("area_mm2", "width_mm", "height_mm")


@dataclass(slots=True)
class Tally:
    """Figures by name, each a list with one array a site."""

    columns: dict[str, list[NDArray[np.float64]]] = field(default_factory=lambda: defaultdict(list))
    notes: list[str] = field(default_factory=list)
    offsets: list[list[float]] = field(default_factory=list)

    def add(self, name: str, values: list[float]) -> None:
        """One site's values."""
        self.columns[name].append(np.asarray(values, dtype=np.float64))

    def figure(self, name: str, of: Callable[[NDArray[np.float64]], float], digits: int, unit: str = "") -> str:
        """A figure over all values with its bootstrap interval over sites and the number of values."""
        sites = [s for s in self.columns.get(name, []) if s.size]
        if not sites:
            return "-"
        sure = metrics.bootstrap(lambda k: of(np.concatenate([sites[i] for i in k])), len(sites), draws=400)
        count = sum(s.size for s in sites)
        return f"{sure.value:.{digits}f}{unit} ({sure.lo:.{digits}f}-{sure.hi:.{digits}f}; {count})"


def geometry(
    numbers: range, visits: int, spread: Spread, tally: Tally, prefix: str = "", hole_mm: float | None = None
) -> None:
    """Simulated sites: errors of single photos and of all visits together, of change and of no change."""
    for number in numbers:
        plan = site_plan(number, spread, hole_mm)
        for name, step in (("still", 0.0), ("closing", ADVANCE_MM)):
            rng = np.random.default_rng([number, 21, int(10 * step)])
            seen = []
            for visit in range(visits):
                scene = visit_scene(plan, visit, spread, advance_mm=step * visit, growth=GROWTH_A_VISIT * visit)
                seen.append(ruler_sim.measure(scene, plan.girth_mm, rng))
            if not all(np.isfinite(m.sizes.area_mm2) for m in seen):
                tally.add(f"{prefix}behind the horizon", [1.0])
                continue
            views = [hanging.View(m.fix, "phone", m.at_mm, m.size_mm) for m in seen]
            links = [ruler_sim.shared_bark((v - 1, v), seen[v - 1], seen[v], rng) for v in range(1, visits)]
            solution = hanging.solve(views, links)
            scales = solution.scales()
            if not prefix:
                add_fields("", [[m.outlines for m in seen], [m.true_outlines for m in seen]], solution, scales, tally)
            if name == "still":
                _sizes(prefix, seen, scales, tally)
                _no_change(prefix, seen, scales, tally)
            else:
                _advance(prefix, seen, scales, tally)
            if hole_mm:
                break


def once(numbers: range, spread: Spread, tally: Tally) -> None:
    """Intervals of single photos, one of each site."""
    for number in numbers:
        plan = site_plan(number, spread)
        seen = ruler_sim.measure(visit_scene(plan, 0, spread), plan.girth_mm, np.random.default_rng([number, 23]))
        if not np.isfinite(seen.sizes.area_mm2) or seen.truth.area_mm2 < 100:
            continue
        for quantity, factor in zip(QUANTITIES, ("area", "width", "height"), strict=True):
            error = getattr(seen.sizes, quantity) / getattr(seen.truth, quantity) - 1
            sd = getattr(seen.scale, f"{factor}_rel_sd")
            tally.add(f"once {quantity} held", [float(abs(error) < 1.96 * sd)])
            if quantity == "area_mm2":
                tally.add("once area", [abs(error)])


def _sizes(prefix: str, seen: list[ruler_sim.Measured], scales: tuple[BarkScale, ...], tally: Tally) -> None:
    if seen[0].truth.area_mm2 < 100 and not prefix.startswith("hole"):
        return
    for quantity, factor in zip(QUANTITIES, ("area", "width", "height"), strict=True):
        alone = [getattr(m.sizes, quantity) / getattr(m.truth, quantity) - 1 for m in seen]
        together = [(1 + e) * getattr(s, factor) - 1 for e, s in zip(alone, scales, strict=True)]
        alone_sd = [getattr(m.scale, f"{factor}_rel_sd") for m in seen]
        together_sd = [getattr(s, f"{factor}_rel_sd") for s in scales]
        for when, errors, sds in (("single", alone, alone_sd), ("joint", together, together_sd)):
            tally.add(f"{prefix}{quantity} {when}", [abs(e) for e in errors])
            tally.add(f"{prefix}{quantity} {when} held", [abs(e) < 1.96 * s for e, s in zip(errors, sds, strict=True)])
            if when == "joint":
                # simulated trunks are cylinders: without what is kept for those that are none
                bare = [np.sqrt(s**2 - hanging.NO_CYLINDER_SD[QUANTITIES.index(quantity)] ** 2) for s in sds]
                held = [abs(e) < 1.96 * s for e, s in zip(errors, bare, strict=True)]
                tally.add(f"{prefix}{quantity} cylinder held", held)
            if quantity == "width_mm":
                tally.add(
                    f"{prefix}width {when} mm", [abs(e) * m.truth.width_mm for e, m in zip(errors, seen, strict=True)]
                )


def _no_change(prefix: str, seen: list[ruler_sim.Measured], scales: tuple[BarkScale, ...], tally: Tally) -> None:
    together = [np.sqrt(max(s.area_rel_sd**2 - s.area_common_rel_sd**2, 0)) for s in scales]
    # a single photo's reading counts what the site shares as cancelling (docs/timeline.md)
    alone = [m.scale.area_rel_sd * np.sqrt(1 - variance_shares(m.scale.area)[0]) for m in seen]
    for when, factors, own in (("single", [1.0] * len(seen), alone), ("joint", [s.area for s in scales], together)):
        logs = [np.log(m.sizes.area_mm2 * factor) for m, factor in zip(seen, factors, strict=True)]
        called = [abs(logs[k] - logs[k - 1]) > 1.96 * np.hypot(own[k], own[k - 1]) for k in range(1, len(logs))]
        tally.add(f"{prefix}false change {when}", [float(c) for c in called])


def _advance(prefix: str, seen: list[ruler_sim.Measured], scales: tuple[BarkScale, ...], tally: Tally) -> None:
    for when, factors in (("single", [1.0] * len(seen)), ("joint", [s.area for s in scales])):
        errors = []
        for k in range(1, len(seen)):
            a, b = seen[k - 1], seen[k]
            true = gilman_advance_mm(a.truth.area_mm2, b.truth.area_mm2, a.truth.perimeter_mm, b.truth.perimeter_mm)
            lengths = [m.sizes.perimeter_mm * np.sqrt(f) for m, f in zip((a, b), factors[k - 1 : k + 1], strict=True)]
            found = gilman_advance_mm(a.sizes.area_mm2 * factors[k - 1], b.sizes.area_mm2 * factors[k], *lengths)
            errors.append(abs(found - true))
        tally.add(f"{prefix}advance {when}", errors)


def add_fields(
    prefix: str,
    rims: list[list[list[NDArray[np.float64]]]],
    solution: hanging.Solution,
    scales: Sequence[BarkScale],
    tally: Any,
) -> None:
    """Rim advance as a field, of the rims as seen and of the true ones: errors, intervals, arcs said to move.

    Parameters
    ----------
    rims
        For each visit the outlines in its photo's own site frame, and those that are true in the bark's.
    """
    for k in range(1, len(scales)):
        laid = [[solution.on_bark(n, ring) for ring in rims[0][n]] for n in (k - 1, k)]
        if not all(np.isfinite(ring).all() for rings in laid for ring in rings):
            continue
        seen = rimfield.field(
            *laid,
            parting=rimfield.Parting(lambda at, k=k: solution.parting(k - 1, k, at), solution.covariance),
            scale_rel_sd=0.5 * scales[k - 1].area_rel_sd,
        )
        add_field(prefix, seen, rimfield.field(rims[1][k - 1], rims[1][k]), tally)


def add_field(prefix: str, seen: RimField | None, true: RimField | None, tally: Any) -> None:
    """Errors of one field against the true one, for sides, ends and arcs."""
    if seen is None or true is None:
        return
    for piece in ("whole", "sides", "ends"):
        one, other = getattr(seen, piece), getattr(true, piece)
        if one is not None and other is not None:
            miss = one.advance_mm - other.advance_mm
            tally.add(f"{prefix}rim {piece}", [abs(miss)])
            tally.add(f"{prefix}rim {piece} held", [float(abs(miss) < 1.96 * one.advance_mm_sd)])
    at = np.array([(arc.x_mm, arc.y_mm) for arc in true.arcs])
    misses, held, wrong = [], [], []
    for arc in seen.arcs:
        # the arcs of two outlines of one rim need not be the same: the nearest true one stands for it
        twin = true.arcs[int(np.argmin(np.hypot(*(at - (arc.x_mm, arc.y_mm)).T)))]
        misses.append(abs(arc.advance_mm - twin.advance_mm))
        held.append(float(misses[-1] < 1.96 * arc.advance_mm_sd))
        if arc.move in (RimMove.ADVANCES, RimMove.RETREATS):
            wrong.append(
                float((twin.advance_mm > 0.02) != (arc.advance_mm > 0) if abs(twin.advance_mm) > 0.02 else 1.0)
            )
    tally.add(f"{prefix}rim arcs", misses)
    tally.add(f"{prefix}rim arcs held", held)
    tally.add(f"{prefix}rim arcs wrong", [sum(wrong) / len(seen.arcs)])


def _median(values: NDArray[np.float64]) -> float:
    return float(np.median(values))


def _p95(values: NDArray[np.float64]) -> float:
    return float(np.quantile(values, 0.95))


def _percent(of: Callable[[NDArray[np.float64]], float]) -> Callable[[NDArray[np.float64]], float]:
    return lambda values: 100 * of(values)


def _share(values: NDArray[np.float64]) -> float:
    return 100 * float(values.mean())


ROWS = (
    ("area, single visit: median", "3 %", "area_mm2 single", _percent(_median), 2, " %"),
    ("area, single visit: 95th percentile", "10 %", "area_mm2 single", _percent(_p95), 2, " %"),
    ("area, all visits together: median", "2 %", "area_mm2 joint", _percent(_median), 2, " %"),
    ("area, all visits together: 95th percentile", "6 %", "area_mm2 joint", _percent(_p95), 2, " %"),
    ("width, single visit: median", "0.7 mm", "width single mm", _median, 2, " mm"),
    ("width, all visits together: median", "0.4 mm", "width joint mm", _median, 2, " mm"),
    ("hole of 8 mm, single: median area error", "8 %", "hole area_mm2 single", _percent(_median), 2, " %"),
    ("hole of 8 mm, single: 95 % interval holds", "93-97 %", "hole area_mm2 single held", _share, 1, " %"),
    ("rim advance, photos alone: median", "", "advance single", _median, 3, " mm"),
    ("rim advance, on shared bark: median", "0.25 mm", "advance joint", _median, 3, " mm"),
    ("rim advance, on shared bark: 95th percentile", "0.8 mm", "advance joint", _p95, 3, " mm"),
    ("advance of the sides, on shared bark: median", "0.25 mm", "rim sides", _median, 3, " mm"),
    ("advance of the sides: 95th percentile", "0.8 mm", "rim sides", _p95, 3, " mm"),
    ("advance of the ends, on shared bark: median", "0.25 mm", "rim ends", _median, 3, " mm"),
    ("advance of the ends: 95th percentile", "0.8 mm", "rim ends", _p95, 3, " mm"),
    ("advance of an arc: median", "", "rim arcs", _median, 3, " mm"),
    ("95 % interval of the advance holds: whole rim", "93-97 %", "rim whole held", _share, 1, " %"),
    ("95 % interval of the advance holds: sides", "93-97 %", "rim sides held", _share, 1, " %"),
    ("95 % interval of the advance holds: ends", "93-97 %", "rim ends held", _share, 1, " %"),
    ("95 % interval of the advance holds: arcs", "93-97 %", "rim arcs held", _share, 1, " %"),
    ("arcs said to move that stand still or go the other way", "", "rim arcs wrong", _share, 1, " %"),
    ("no change called a change, photos alone", "", "false change single", _share, 1, " %"),
    ("no change called a change, on shared bark", "3-7 %", "false change joint", _share, 1, " %"),
    ("95 % interval of area holds, single", "93-97 %", "area_mm2 single held", _share, 1, " %"),
    ("95 % interval of width holds, single", "93-97 %", "width_mm single held", _share, 1, " %"),
    ("95 % interval of height holds, single", "93-97 %", "height_mm single held", _share, 1, " %"),
    ("one photo of each site: median area", "3 %", "once area", _percent(_median), 2, " %"),
    ("one photo of each site: 95th percentile", "10 %", "once area", _percent(_p95), 2, " %"),
    ("one photo of each site: interval of area holds", "93-97 %", "once area_mm2 held", _share, 1, " %"),
    ("one photo of each site: interval of width holds", "93-97 %", "once width_mm held", _share, 1, " %"),
    ("one photo of each site: interval of height holds", "93-97 %", "once height_mm held", _share, 1, " %"),
    ("95 % interval of area holds, together", "93-97 %", "area_mm2 joint held", _share, 1, " %"),
    ("95 % interval of width holds, together", "93-97 %", "width_mm joint held", _share, 1, " %"),
    ("95 % interval of height holds, together", "93-97 %", "height_mm joint held", _share, 1, " %"),
    ("same, area, had real trunks been cylinders", "93-97 %", "area_mm2 cylinder held", _share, 1, " %"),
    ("same, width, had real trunks been cylinders", "93-97 %", "width_mm cylinder held", _share, 1, " %"),
    ("same, height, had real trunks been cylinders", "93-97 %", "height_mm cylinder held", _share, 1, " %"),
    ("card tilted by 4 degrees, single: median area", "", "tilted area_mm2 single", _percent(_median), 2, " %"),
    ("card tilted by 4 degrees, together: median area", "3 %", "tilted area_mm2 joint", _percent(_median), 2, " %"),
    ("wrong site found out (score below 0.3)", "99 %", "wrong found", _share, 1, " %"),
    ("right site refused", "0.5 %", "right refused", _share, 1, " %"),
)


def main() -> None:
    """Simulate, draw where asked to, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sites", type=int, default=60)
    parser.add_argument("--visits", type=int, default=5)
    parser.add_argument("--first", type=int, default=0, help="number of the first site: others are other sites")
    parser.add_argument(
        "--once", type=int, default=0, help="sites of one photo each, for the intervals of single photos"
    )
    parser.add_argument(
        "--girth-off",
        type=float,
        default=Spread().girth_rel,
        help="how far registered girths are off, as a share (deviation); an oval trunk looks like a wrong girth",
    )
    parser.add_argument("--drawn", type=int, default=0, help="sites to draw for the reader's column")
    parser.add_argument("--drawn-visits", type=int, default=3)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--reader", default="classical")
    parser.add_argument("--bark", type=Path, default=None, help="folder with photographs of bark")
    parser.add_argument("--cache", type=Path, default=None, help="folder that keeps the drawn photos")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    began = time.perf_counter()
    own, read = Tally(), Tally()
    every = range(options.first, options.first + options.sites)
    half = every[: max(options.sites // 2, 1)]
    spread = Spread(girth_rel=options.girth_off)
    geometry(every, options.visits, spread, own)
    geometry(half, 1, spread, own, "hole ", 8.0)
    geometry(half, options.visits, replace(spread, exact_tilt_deg=4.0), own, "tilted ")
    once(range(options.first + 100_000, options.first + 100_000 + options.once), spread, own)
    if options.drawn:
        ruler_drawn.compare(options, read)
    print(f"{options.sites} simulated sites of {options.visits} visits, {options.once} more of one photo")
    print(f"{time.perf_counter() - began:.0f} s")
    print(
        f"{options.drawn} drawn sites of {options.drawn_visits} visits at {options.megapixels:g} MP, '{options.reader}'"
    )
    for line in read.notes:
        print(line)
    print("value (95 % bootstrap interval over sites; number of values)\n")
    print(f"{'what':50s} {'reach':9s} {'geometry':32s} {'drawn, true rim':32s} drawn, reader's rim")
    for what, reach, name, of, digits, unit in ROWS:
        columns = (
            own.figure(name, of, digits, unit),
            read.figure(f"true {name}", of, digits, unit),
            read.figure(name, of, digits, unit),
        )
        print(f"{what:50s} {reach:9s} {columns[0]:32s} {columns[1]:32s} {columns[2]}")


if __name__ == "__main__":
    main()
