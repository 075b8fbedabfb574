"""Whether a network still sees what it saw when it was taken into use: its scores, and how often people correct it.

Two measures of a change of scores, month by month against the first months of the same network:

- population stability, sum over bins of (a - e) ln(a / e) with the shares a of the month and e of the reference, in
  bins that hold equal parts of the reference (Siddiqi 2006, Credit Risk Scorecards; the rule of thumb there: above
  0.25 is a large change).  Without any change it is about chi-squared with bins - 1 degrees of freedom times
  1/n + 1/m (Yurdakul 2018, Statistical Properties of Population Stability Index), so few photos alone make it large;
- the two-sample Kolmogorov-Smirnov distance, with its asymptotic p (Smirnov 1948; small-sample form of Stephens 1970).

Scores also move with the season: films are more frequent in wet months.  A change of scores alone is therefore a
reason to label; people who correct more than before are a reason to train.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import ArrayLike

BINS = 10
LARGE_STABILITY = 0.25
CHI2_9_999 = 27.877
"""99.9 % point of chi-squared with 9 degrees of freedom (any table)."""
SMALL_P = 0.001
REFERENCE_PHOTOS, LEAST_PHOTOS = 200, 50
LEAST_ANSWERS, LAST_MONTHS, CORRECTION_P = 30, 3, 0.01
"""Own choices: how many photos and answers a verdict needs, and over how many months corrections are counted."""


def population_stability(reference: ArrayLike, current: ArrayLike, bins: int = BINS) -> float:
    """Population stability index; half a case is added to every bin so that empty ones stay finite."""
    r, c = np.sort(np.asarray(reference, dtype=np.float64)), np.asarray(current, dtype=np.float64)
    if r.size == 0 or c.size == 0:
        raise ValueError("both samples need cases")
    edges = np.unique(np.quantile(r, np.arange(1, bins) / bins))
    expected = np.bincount(np.searchsorted(edges, r, side="left"), minlength=edges.size + 1) + 0.5
    actual = np.bincount(np.searchsorted(edges, c, side="left"), minlength=edges.size + 1) + 0.5
    e, a = expected / expected.sum(), actual / actual.sum()
    return float(np.sum((a - e) * np.log(a / e)))


def stability_limit(reference: int, current: int) -> float:
    """What the index exceeds by chance once in 1,000 months without any change, at least 0.25 (ten bins)."""
    return max(LARGE_STABILITY, CHI2_9_999 * (1 / reference + 1 / current))


def ks_distance(first: ArrayLike, second: ArrayLike) -> tuple[float, float]:
    """Largest distance of the two empirical distribution functions, and its asymptotic p."""
    a, b = np.sort(np.asarray(first, dtype=np.float64)), np.sort(np.asarray(second, dtype=np.float64))
    if a.size == 0 or b.size == 0:
        raise ValueError("both samples need cases")
    both = np.concatenate((a, b))
    gap = np.searchsorted(a, both, side="right") / a.size - np.searchsorted(b, both, side="right") / b.size
    distance = float(np.abs(gap).max())
    root = math.sqrt(a.size * b.size / (a.size + b.size))
    return distance, _kolmogorov((root + 0.12 + 0.11 / root) * distance)


def _kolmogorov(x: float) -> float:
    """P(K > x) of Kolmogorov's distribution, 2 sum (-1)^(k-1) exp(-2 k^2 x^2)."""
    if x < 0.2:
        return 1.0
    terms = [(-1) ** (k - 1) * math.exp(-2 * k * k * x * x) for k in range(1, 101)]
    return min(1.0, max(0.0, 2 * math.fsum(terms)))


def more_than_before(now: int, of_now: int, before: int, of_before: int) -> float:
    """One-sided p that a share is larger now than before, by Fisher's exact test (Fisher 1935)."""
    total, hits = of_now + of_before, now + before

    def ways(n: int, k: int) -> float:
        return math.lgamma(n + 1) - math.lgamma(k + 1) - math.lgamma(n - k + 1)

    every = ways(total, hits)
    tail = [math.exp(ways(of_now, k) + ways(of_before, hits - k) - every)
            for k in range(now, min(of_now, hits) + 1) if hits - k <= of_before]  # fmt: skip
    return min(1.0, math.fsum(tail))


# ---------------------------------------------------------------- month by month


@dataclass(frozen=True, slots=True)
class Scores:
    """What a network said of one photo: its month (``2026-05``) and its probabilities by name."""

    month: str
    p: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Checked:
    """One person's answer to one photo: its month, and whether it corrected the network."""

    month: str
    corrected: bool


@dataclass(frozen=True, slots=True)
class Month:
    """One month.

    Attributes
    ----------
    photos
        Read by this network.
    moved
        Name of the score that moved most, empty where there are too few photos or it is the reference.
    stability, limit
        Population stability index of that score, and what it exceeds by chance once in 1,000 months.
    distance, p
        Kolmogorov-Smirnov distance of that score and its p.
    answers, corrected
        Answers of people, and how many of them corrected the network.
    is_reference
        Whether the month is among those that the others are compared with.
    """

    month: str
    photos: int
    moved: str
    stability: float
    limit: float
    distance: float
    p: float
    answers: int
    corrected: int
    is_reference: bool

    @property
    def has_moved(self) -> bool:
        """Whether both measures say that the scores changed."""
        return bool(self.moved) and self.stability > self.limit and self.p < SMALL_P


@dataclass(frozen=True, slots=True)
class Drift:
    """All months of a network, and what follows."""

    months: tuple[Month, ...]
    retrain: bool
    label: bool
    reasons: tuple[str, ...]


def watch(scores: Sequence[Scores], checked: Sequence[Checked]) -> Drift:
    """Compare every month of a network with its first months.

    Returns
    -------
    ``retrain`` if people correct more than in the first months; ``label`` if the scores of the last two months
    that have enough photos have moved.
    """
    by_month: dict[str, list[Scores]] = {}
    for one in scores:
        by_month.setdefault(one.month, []).append(one)
    reference, used = _reference(by_month)
    answers: dict[str, list[bool]] = {}
    for answer in checked:
        answers.setdefault(answer.month, []).append(answer.corrected)
    months = tuple(
        _month(month, by_month.get(month, []), reference, answers.get(month, []), month in used)
        for month in sorted({*by_month, *answers})
    )
    reasons: list[str] = []
    retrain = _corrected_more(months, used, reasons)
    later = [m for m in months if not m.is_reference and m.photos >= LEAST_PHOTOS][-2:]
    label = len(later) == 2 and all(m.has_moved for m in later)
    if label:
        reasons.append(
            f"The scores of '{later[-1].moved}' are not those of the first months any more "
            f"(stability {later[-1].stability:.2f}, limit {later[-1].limit:.2f}): label cases of these months."
        )
    if not used:
        reasons.append(f"Fewer than {REFERENCE_PHOTOS} photos were read by this network: nothing to compare with yet.")
    elif not reasons:
        reasons.append("Nothing speaks for training anew.")
    return Drift(months, retrain, label, tuple(reasons))


def _reference(by_month: Mapping[str, Sequence[Scores]]) -> tuple[list[Scores], set[str]]:
    """The first months that together have enough photos; none if there are not enough."""
    found: list[Scores] = []
    used: set[str] = set()
    for month in sorted(by_month):
        found += by_month[month]
        used.add(month)
        if len(found) >= REFERENCE_PHOTOS:
            return found, used
    return [], set()


def _month(month: str, scores: Sequence[Scores], reference: Sequence[Scores], answers: Sequence[bool],
           is_reference: bool) -> Month:  # fmt: skip
    moved, stability, limit, distance, p = "", 0.0, 0.0, 0.0, 1.0
    if reference and not is_reference and len(scores) >= LEAST_PHOTOS:
        limit = stability_limit(len(reference), len(scores))
        for name in reference[0].p:
            before = [one.p[name] for one in reference if name in one.p]
            now = [one.p[name] for one in scores if name in one.p]
            if not (before and now):
                continue
            index = population_stability(before, now)
            if not moved or index > stability:
                moved, stability = name, index
                distance, p = ks_distance(before, now)
    return Month(month, len(scores), moved, stability, limit, distance, p, len(answers), sum(answers), is_reference)


def _corrected_more(months: Sequence[Month], used: set[str], reasons: list[str]) -> bool:
    first = [m for m in months if m.month in used]
    last = [m for m in months if m.month not in used and m.answers][-LAST_MONTHS:]
    of_before, of_now = sum(m.answers for m in first), sum(m.answers for m in last)
    before, now = sum(m.corrected for m in first), sum(m.corrected for m in last)
    if min(of_before, of_now) < LEAST_ANSWERS:
        return False
    p = more_than_before(now, of_now, before, of_before)
    if p >= CORRECTION_P:
        return False
    reasons.append(
        f"People corrected {now} of {of_now} answers in the last months with answers, {before} of {of_before} in the "
        f"first ones (p = {p:.4f}): train anew."
    )
    return True
