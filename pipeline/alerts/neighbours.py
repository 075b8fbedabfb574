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
        if finding.rule in (SUSPECTED, CONFIRMED) and finding.severity is not Severity.NOTE and finding.tree in placed:
            affected[finding.key.rsplit("/", 1)[-1]].add(finding.tree)
    found = [_cluster(Sign(sign), sorted(trees), placed, settings, today) for sign, trees in sorted(affected.items())]
    return tuple(finding for finding in found if finding is not None)


def upper_tail(hits: int, drawn: int, marked: int, total: int) -> float:
    """Probability of ``hits`` or more marked ones among ``drawn`` of ``total`` of which ``marked`` are marked."""
    ways = math.comb(total, drawn)
    most = min(drawn, marked)
    return sum(math.comb(marked, k) * math.comb(total - marked, drawn - k) for k in range(hits, most + 1)) / ways


def _cluster(
    sign: Sign, trees: Sequence[str], placed: dict[str, Tree], settings: AlertSettings, today: date
) -> Finding | None:
    """The most significant cluster of a sign; ``None`` where chance explains them all."""
    best: tuple[float, str, list[str], int] | None = None
    for tree in trees:
        near = [
            other
            for other in placed
            if other != tree and _apart(placed[tree], placed[other]) <= settings.spread_radius_m
        ]
        sick = [other for other in trees if other in near]
        if not sick:
            continue
        p = min(1.0, len(trees) * upper_tail(len(sick), len(near), len(trees) - 1, len(placed) - 1))
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
