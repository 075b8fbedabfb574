"""How well people agree with each other and the network with people: Cohen's kappa with intervals, and misses.

Only answers given blind count against the network: who has read its opinion is no longer a witness.  Cases are
drawn with known shares (flagged ones and unflagged ones differ), so each counts with one over its share;
the figures then hold for the grove and not for the sample.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from pipeline import metrics
from pipeline.records import Sign, Stage
from pipeline.review.verdicts import Given, standing_given

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from pipeline.metrics import Confidence, Weights
    from pipeline.records import Review

INDEPENDENT = ("second", "unseen")
DRAWS = 500
Z95 = 1.959963984540054
"""97.5 % point of the standard normal distribution."""


@dataclass(frozen=True, slots=True)
class Row:
    """Agreement on one matter.

    Attributes
    ----------
    table
        Cases by (first, second) answer, unweighted; rows are the first person, or the people against the network.
    share
        Share of cases in which both say the same, weighted.
    kappa
        Cohen's kappa (for stages quadratically weighted) with its 95 % bootstrap interval.
    """

    words: str
    classes: tuple[str, ...]
    table: tuple[tuple[int, ...], ...]
    share: float
    kappa: Confidence


@dataclass(frozen=True, slots=True)
class Share:
    """A count with Wilson's 95 % interval."""

    count: int
    of: int
    lo: float
    hi: float


@dataclass(frozen=True, slots=True)
class Agreement:
    """Everything on the page."""

    people: tuple[Row, ...]
    network: tuple[Row, ...]
    missed: Share
    false_alarms: Share
    blind_cases: int
    pairs: int


def agreement(reviews: Iterable[Review], sign_p: float) -> Agreement:
    """Figures from all answers that stand.

    Parameters
    ----------
    sign_p
        Probability from which the network is taken to say that a sign is there.
    """
    given = standing_given(reviews)
    pairs = _pairs(given)
    blind = [g for g in given if g.blind and g.is_judgement and g.kind != "second" and g.network]
    unflagged = [g for g in blind if g.kind == "unflagged"]
    flagged = [g for g in blind if g.kind in ("flagged", "doubt") and any(_said(g, s, sign_p) for s in Sign)]
    return Agreement(
        people=tuple(row for row in _people_rows(pairs) if row is not None),
        network=tuple(row for row in _network_rows(blind, sign_p) if row is not None),
        missed=wilson(sum(bool(g.signs) for g in unflagged), len(unflagged)),
        false_alarms=wilson(sum(not g.signs for g in flagged), len(flagged)),
        blind_cases=len(blind),
        pairs=len(pairs),
    )


def _pairs(given: Sequence[Given]) -> list[tuple[Given, Given]]:
    """First answers and independent second ones to the same photo, by different people."""
    by_photo: dict[str, list[Given]] = {}
    for one in given:
        if one.is_judgement:
            by_photo.setdefault(one.sha256, []).append(one)
    found = []
    for answers in by_photo.values():
        ordered = sorted(answers, key=lambda g: g.lead)
        for first, second in combinations(ordered, 2):
            if first.who != second.who and second.kind in INDEPENDENT:
                found.append((first, second))
                break
    return found


def _people_rows(pairs: Sequence[tuple[Given, Given]]) -> list[Row | None]:
    rows = [_row(s.words, [(s in a.signs, s in b.signs) for a, b in pairs]) for s in Sign]
    anything = _row("any sign", [(bool(a.signs), bool(b.signs)) for a, b in pairs])
    staged = [(int(a.stage), int(b.stage)) for a, b in pairs if a.stage is not None and b.stage is not None]
    return [anything, *rows, _stage_row(staged)]


def _network_rows(blind: Sequence[Given], sign_p: float) -> list[Row | None]:
    weights = [weight(g) for g in blind]
    rows = [_row(s.words, [(s in g.signs, _said(g, s, sign_p)) for g in blind], weights) for s in Sign]
    anything = _row("any sign", [(bool(g.signs), any(_said(g, s, sign_p) for s in Sign)) for g in blind], weights)
    staged = [g for g in blind if g.stage is not None and "stage" in g.network]
    pairs = [(int(g.stage), int(g.network["stage"])) for g in staged if g.stage is not None]
    return [anything, *rows, _stage_row(pairs, [weight(g) for g in staged])]


def weight(given: Given) -> float:
    """One over the share with which the case was drawn."""
    return 1.0 / given.share if given.share > 0 else 1.0


def _said(given: Given, sign: Sign, sign_p: float) -> bool:
    return given.network.get(sign.value, 0.0) >= sign_p


def _row(words: str, pairs: Sequence[tuple[bool, bool]], weights: Sequence[float] | None = None) -> Row | None:
    numbers = [(int(a), int(b)) for a, b in pairs]
    return _figures(words, ("not there", "there"), numbers, "none", weights)


def _stage_row(pairs: Sequence[tuple[int, int]], weights: Sequence[float] | None = None) -> Row | None:
    return _figures("stage", tuple(stage.word for stage in Stage), pairs, "quadratic", weights)


def _figures(
    words: str,
    classes: tuple[str, ...],
    pairs: Sequence[tuple[int, int]],
    kind: Weights,
    weights: Sequence[float] | None,
) -> Row | None:
    if not pairs:
        return None
    first, second = np.array(pairs, dtype=np.int64).T
    w = np.ones(len(pairs)) if weights is None else np.asarray(weights, dtype=np.float64)
    of: Callable[[NDArray[np.int64]], float] = lambda i: kappa_weighted(first[i], second[i], w[i], len(classes), kind)  # noqa: E731
    table = metrics.confusion(first, second, len(classes))
    return Row(
        words,
        classes,
        tuple(tuple(int(n) for n in line) for line in table),
        float(np.sum(w * (first == second)) / np.sum(w)),
        metrics.bootstrap(of, len(pairs), draws=DRAWS),
    )


def kappa_weighted(
    first: NDArray[np.int64], second: NDArray[np.int64], weights: NDArray[np.float64], classes: int, kind: Weights
) -> float:
    """Cohen's kappa of a table in which each case counts with its weight."""
    table = np.zeros((classes, classes))
    np.add.at(table, (first, second), weights)
    return metrics.kappa_of_table(table, kind)


def wilson(count: int, of: int) -> Share:
    """Wilson's score interval of a share (Wilson 1927); from 0 to 1 where there is no case."""
    if of == 0:
        return Share(0, 0, 0.0, 1.0)
    p, z2 = count / of, Z95**2
    middle = (p + z2 / (2 * of)) / (1 + z2 / of)
    half = Z95 * math.sqrt(p * (1 - p) / of + z2 / (4 * of * of)) / (1 + z2 / of)
    return Share(count, of, max(0.0, middle - half), min(1.0, middle + half))
