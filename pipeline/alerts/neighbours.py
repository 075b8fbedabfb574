"""A sign that stands at more neighbouring trees than chance would put there."""

from __future__ import annotations

import math
from collections import defaultdict
from typing import TYPE_CHECKING

from pipeline.alerts import cautions
from pipeline.alerts.signs import CONFIRMED, SPREADING, SUSPECTED
from pipeline.records import Finding, Severity, Sign

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from pipeline.records import Register, Tree
    from pipeline.settings import AlertSettings

CLUSTERING = (SUSPECTED, CONFIRMED)
"""Rules whose findings count."""


def may_cluster(finding: Finding) -> bool:
    """Whether a finding counts: a sign that a person should look at, or that one confirmed."""
    return finding.rule in CLUSTERING and finding.severity is not Severity.NOTE


def find_neighbours(
    findings: Sequence[Finding], register: Register, settings: AlertSettings, today: date
) -> tuple[Finding, ...]:
    """Clusters of one sign on the map of the grove.

    Around each affected tree the affected neighbours within ``spread_radius_m`` are counted.  If the affected trees
    stood anywhere in the grove, that count would follow the hypergeometric distribution; its upper tail, times the
    number of trees that are asked (Bonferroni), must be at most ``spread_p``.

    Parameters
    ----------
    findings
        Of all trees; those of the rules on signs at *look* or *act* count.
    """
    placed = {t.tree: t for t in register.trees.values() if t.x_m is not None and t.y_m is not None}
    affected: dict[str, set[str]] = defaultdict(set)
    for finding in findings:
        if may_cluster(finding) and finding.tree in placed:
            affected[finding.key.rsplit("/", 1)[-1]].add(finding.tree)
    if not affected:
        return ()
    where = _Map(placed, settings.spread_radius_m)
    found = [
        _cluster(Sign(sign), sorted(trees), placed, where, settings, today) for sign, trees in sorted(affected.items())
    ]
    return tuple(finding for finding in found if finding is not None)


def upper_tail(hits: int, drawn: int, marked: int, total: int) -> float:
    """Probability of ``hits`` or more marked ones among ``drawn`` of ``total`` of which ``marked`` are marked."""
    ways = math.comb(total, drawn)
    most = min(drawn, marked)
    return sum(math.comb(marked, k) * math.comb(total - marked, drawn - k) for k in range(hits, most + 1)) / ways


class _Map:
    """Where trees stand, in squares as wide as the radius, so that a tree's neighbours are in nine of them."""

    def __init__(self, placed: dict[str, Tree], radius_m: float) -> None:
        self._placed, self._radius_m = placed, radius_m
        self._squares: dict[tuple[int, int], list[str]] = defaultdict(list)
        for number, tree in placed.items():
            self._squares[self._square(tree)].append(number)

    def _square(self, tree: Tree) -> tuple[int, int]:
        return math.floor((tree.x_m or 0.0) / self._radius_m), math.floor((tree.y_m or 0.0) / self._radius_m)

    def near(self, number: str) -> set[str]:
        """Other trees within the radius."""
        tree = self._placed[number]
        column, row = self._square(tree)
        around = [
            other for i in (-1, 0, 1) for j in (-1, 0, 1) for other in self._squares.get((column + i, row + j), ())
        ]
        return {o for o in around if o != number and _apart(tree, self._placed[o]) <= self._radius_m}


def _cluster(
    sign: Sign, trees: Sequence[str], placed: dict[str, Tree], where: _Map, settings: AlertSettings, today: date
) -> Finding | None:
    """The most significant cluster of a sign; ``None`` where chance explains them all."""
    best: tuple[float, str, list[str], int] | None = None
    tails: dict[tuple[int, int], float] = {}
    affected = set(trees)
    for tree in trees:
        near = where.near(tree)
        sick = sorted(affected & near)
        if not sick:
            continue
        counts = len(sick), len(near)
        if counts not in tails:
            tails[counts] = upper_tail(*counts, len(trees) - 1, len(placed) - 1)
        p = min(1.0, len(trees) * tails[counts])
        if best is None or p < best[0]:
            best = (p, tree, sick, len(near))
    if best is None or best[0] > settings.spread_p:
        return None
    p, tree, sick, near_count = best
    return Finding(
        key=f"{SPREADING}/around tree {tree}/{sign.value}",
        rule=SPREADING,
        severity=Severity.LOOK,
        tree=tree,
        stem="",
        site=None,
        since=today,
        why=(
            f"{sign.words.capitalize()} may be present at {len(sick)} of the {near_count} trees within "
            f"{settings.spread_radius_m:g} m of tree {tree} ({', '.join(sick)}); chance alone would seldom "
            f"put so many there (p {p:.4f})."
        ),
        figures={"p": p, "trees": float(len(sick)), "neighbours": float(near_count)},
        threshold=f"p at most {settings.spread_p:g}, corrected for the number of trees asked",
        source="hypergeometric distribution with Bonferroni's correction; distance and level are own choice",
        next_step="Walk this part of the grove tree by tree, also past the last tree with a sign.",
        caution=cautions.SIGN + " Clean tools between trees.",
    )


def _apart(one: Tree, other: Tree) -> float:
    return math.hypot((one.x_m or 0.0) - (other.x_m or 0.0), (one.y_m or 0.0) - (other.y_m or 0.0))
