"""How well answers agree with the truth: kappa, calibration, overlap, ROC, intervals by resampling.

Plain definitions in NumPy, so that they can be read; the tests compare them with scikit-learn and
with worked values from the literature.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import ArrayLike, NDArray

Weights = Literal["none", "linear", "quadratic"]


class Confidence(NamedTuple):
    """A figure with a confidence interval and the number of cases behind it."""

    value: float
    lo: float
    hi: float
    cases: int


def confusion(truth: ArrayLike, answer: ArrayLike, classes: int) -> NDArray[np.int64]:
    """Counts of (truth, answer), shape (classes, classes): rows are the truth."""
    t, a = np.asarray(truth, dtype=np.int64), np.asarray(answer, dtype=np.int64)
    if t.shape != a.shape or t.ndim != 1:
        raise ValueError(f"truth and answer must be flat and equally long, got {t.shape} and {a.shape}")
    return np.bincount(t * classes + a, minlength=classes * classes).reshape(classes, classes)


def kappa_of_table(table: ArrayLike, weights: Weights | ArrayLike = "none") -> float:
    """Cohen's kappa of an agreement table (counts or proportions).

    kappa = 1 - sum(w p) / sum(w e), with disagreement weights w, observed shares p and the shares e
    expected from the margins (Cohen 1960, 1968).

    Parameters
    ----------
    table
        Shape (K, K), one rater down, the other across.
    weights
        ``"none"`` (each disagreement counts 1), ``"linear"``, ``"quadratic"``, or a (K, K) table of
        disagreement weights with zeros on the diagonal.

    Returns
    -------
    float
        ``nan`` where the margins leave no disagreement to expect.
    """
    p = np.asarray(table, dtype=np.float64)
    if p.ndim != 2 or p.shape[0] != p.shape[1]:
        raise ValueError(f"table must be square, got shape {p.shape}")
    p = p / p.sum()
    i, j = np.indices(p.shape)
    w: NDArray[np.float64]
    if isinstance(weights, str):
        w = {"none": (i != j) * 1.0, "linear": np.abs(i - j) * 1.0, "quadratic": (i - j) ** 2.0}[weights]
    else:
        w = np.asarray(weights, dtype=np.float64)
    expected = np.outer(p.sum(axis=1), p.sum(axis=0))
    chance = float((w * expected).sum())
    return 1 - float((w * p).sum()) / chance if chance > 0 else float("nan")


def kappa(truth: ArrayLike, answer: ArrayLike, classes: int, weights: Weights = "none") -> float:
    """Cohen's kappa of two lists of class numbers."""
    return kappa_of_table(confusion(truth, answer, classes), weights)


def expected_calibration_error(confidence: ArrayLike, hit: ArrayLike, bins: int = 15) -> float:
    """Expected calibration error: sum over bins of n_b / n times abs(share of hits - mean confidence).

    Bins are equally wide over 0 to 1 and open on the left, (a, b], the first one also takes 0; empty
    bins add nothing (Guo, Pleiss, Sun & Weinberger 2017, arXiv 1706.04599).
    """
    c, h = np.asarray(confidence, dtype=np.float64), np.asarray(hit, dtype=np.float64)
    if c.shape != h.shape or c.size == 0:
        raise ValueError(f"confidence and hit must be equally long and not empty, got {c.shape} and {h.shape}")
    # Edges as k / bins, so that a value typed as 0.6 falls on the edge 3 / 5 and not beside it.
    edges = np.arange(1, bins) / bins
    place = np.searchsorted(edges, c, side="left")
    gap = np.bincount(place, weights=h - c, minlength=bins)
    return float(np.abs(gap).sum() / c.size)


def iou(truth: NDArray[np.bool_], answer: NDArray[np.bool_]) -> float:
    """Intersection over union of two masks; 1 where both are empty."""
    union = int(np.count_nonzero(truth | answer))
    return int(np.count_nonzero(truth & answer)) / union if union else 1.0


def roc_area(truth: ArrayLike, score: ArrayLike) -> float:
    """Area under the ROC curve: chance that a case with the sign scores higher than one without, ties half.

    ``nan`` where one of the two groups is empty.
    """
    t, s = np.asarray(truth, dtype=bool), np.asarray(score, dtype=np.float64)
    positives = int(t.sum())
    negatives = t.size - positives
    if positives == 0 or negatives == 0:
        return float("nan")
    _, place, counts = np.unique(s, return_inverse=True, return_counts=True)
    mean_rank = np.cumsum(counts) - (counts - 1) / 2
    return float((mean_rank[place][t].sum() - positives * (positives + 1) / 2) / (positives * negatives))


def recall_at_false_alarms(truth: ArrayLike, score: ArrayLike, false_alarms: float) -> tuple[float, float]:
    """Highest recall at a threshold at which at most a share of the cases without the sign is flagged.

    Returns
    -------
    recall, threshold
        A case is flagged when its score is at or above the threshold; ``nan`` recall without positives.
    """
    t, s = np.asarray(truth, dtype=bool), np.asarray(score, dtype=np.float64)
    negatives = np.sort(s[~t])[::-1]
    allowed = int(np.floor(false_alarms * negatives.size + 1e-9))
    threshold = float(np.nextafter(negatives[allowed], np.inf)) if allowed < negatives.size else float("-inf")
    recall = float(np.mean(s[t] >= threshold)) if t.any() else float("nan")
    return recall, threshold


def bootstrap(
    figure: Callable[[NDArray[np.int64]], float],
    cases: int,
    *,
    draws: int = 1000,
    level: float = 0.95,
    seed: int = 0,
) -> Confidence:
    """A figure with its percentile bootstrap interval (Efron 1979).

    Parameters
    ----------
    figure
        Takes case numbers (with repeats) and returns the figure over them.
    cases
        Number of cases; resampled with replacement.
    draws, level, seed
        Number of resamples, coverage of the interval, seed of the generator.
    """
    if cases == 0:
        return Confidence(float("nan"), float("nan"), float("nan"), 0)
    rng = np.random.default_rng(seed)
    values = np.array([figure(rng.integers(0, cases, cases)) for _ in range(draws)], dtype=np.float64)
    values = values[np.isfinite(values)]
    if values.size == 0:
        return Confidence(figure(np.arange(cases)), float("nan"), float("nan"), cases)
    lo, hi = np.quantile(values, [(1 - level) / 2, (1 + level) / 2])
    return Confidence(float(figure(np.arange(cases))), float(lo), float(hi), cases)
