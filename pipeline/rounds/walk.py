"""The order of a walk: by block, row and position, else to the nearest next one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from pipeline.alerts.week import walking_order

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.records import Register, Tree


def in_walking_order(trees: Iterable[str], register: Register) -> list[str]:
    """Trees in the order in which a person walks past them.

    Trees with a row or a position come by block, row and position.  Trees that only have a place on the grove's
    grid come after them, always the nearest next one from where the walk stands (from the grid's origin if it
    has not begun); it is a short way, not the shortest.  Trees without either come last, by number.
    """
    wanted = sorted(set(trees), key=lambda tree: walking_order(tree, register))
    rowed = [t for t in wanted if _has_row(register.trees.get(t))]
    mapped = [t for t in wanted if t not in set(rowed) and _place_m(register, t) is not None]
    rest = [t for t in wanted if t not in {*rowed, *mapped}]
    start = next((place for t in reversed(rowed) if (place := _place_m(register, t)) is not None), (0.0, 0.0))
    return [*rowed, *_nearest_next(mapped, register, start), *rest]


def _has_row(tree: Tree | None) -> bool:
    return tree is not None and bool(tree.row or tree.position)


def _place_m(register: Register, number: str) -> tuple[float, float] | None:
    tree = register.trees.get(number)
    if tree is None or tree.x_m is None or tree.y_m is None:
        return None
    return tree.x_m, tree.y_m


def _nearest_next(trees: Sequence[str], register: Register, start: tuple[float, float]) -> list[str]:
    left = {tree: place for tree in trees if (place := _place_m(register, tree)) is not None}
    here, way = start, []
    while left:
        nearest = min(left, key=lambda tree: (math.dist(here, left[tree]), walking_order(tree, register)))
        here = left.pop(nearest)
        way.append(nearest)
    return way
