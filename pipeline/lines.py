"""Lines through few points, robustly, with intervals that know the points' own uncertainties.

Sources: Theil 1950 and Sen 1968 (median of pair slopes); Mann 1945 and Kendall 1975 (test of direction, variance with
ties); Birge 1932 (widening where the scatter is larger than the uncertainties); Wilson & Hilferty 1931 (quantile
of chi-square).
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

THEIL_SEN_VARIANCE = math.pi / 3.0
"""Variance of the Theil-Sen slope over that of least squares, normal errors, even spacing (Sen 1968)."""
STANDARD_NORMAL = NormalDist()
SHORT = 48
"""Up to this many numbers Python's own sort finds a median sooner than numpy."""
ROBUST_FROM = 6
"""From this many points on the scatter is taken from the median residual, below it from all residuals."""


@lru_cache(maxsize=64)
def normal_quantile(p: float) -> float:
    """Quantile of the standard normal distribution."""
    return STANDARD_NORMAL.inv_cdf(p)


@lru_cache(maxsize=1024)
def student_quantile(p: float, degrees: int) -> float:
    """Quantile of Student's t: closed forms for 1 and 2 degrees, Hill's expansion above (within 0.5 % for p to 0.99).

    Parameters
    ----------
    p
        Between 0 and 1.
    degrees
        Degrees of freedom, 1 or more.
    """
    if degrees < 1:
        raise ValueError(f"degrees must be 1 or more, got {degrees}")
    if degrees == 1:
        return math.tan(math.pi * (p - 0.5))
    if degrees == 2:
        return (2 * p - 1) * math.sqrt(2.0 / (4 * p * (1 - p)))
    z = normal_quantile(p)
    n = float(degrees)
    terms = (
        (z**3 + z) / 4,
        (5 * z**5 + 16 * z**3 + 3 * z) / 96,
        (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / 384,
        (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / 92160,
    )
    return z + sum(term / n ** (k + 1) for k, term in enumerate(terms))


@lru_cache(maxsize=256)
def chi_square_quantile(p: float, degrees: int) -> float:
    """Quantile of chi-square after Wilson & Hilferty 1931 (within 2 % for p of 0.9 to 0.99)."""
    spread = 2.0 / (9.0 * degrees)
    return degrees * (1.0 - spread + normal_quantile(p) * math.sqrt(spread)) ** 3


@lru_cache(maxsize=256)
def pairs_of(count: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Indices of the first and the second of all pairs of ``count`` points."""
    first, second = np.triu_indices(count, 1)
    return first, second


def median(values: NDArray[np.float64]) -> float:
    """Median of finite numbers, one or more; on the short arrays met here far quicker than numpy's own."""
    middle, odd = divmod(values.size, 2)
    if values.size <= SHORT:
        ordered = sorted(values.tolist())
        return float(ordered[middle]) if odd else 0.5 * (ordered[middle - 1] + ordered[middle])
    if odd:
        return float(np.partition(values, middle)[middle])
    parted = np.partition(values, (middle - 1, middle))
    return 0.5 * float(parted[middle - 1] + parted[middle])


def theil_sen(x: ArrayLike, y: ArrayLike) -> tuple[float, float]:
    """Slope and intercept: median of all pair slopes; intercept = median(y) - slope * median(x).

    Parameters
    ----------
    x, y
        Shape (N,), N of 2 or more; pairs with equal ``x`` are left out.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    first, second = pairs_of(xs.size)
    gaps, rises = xs[second] - xs[first], ys[second] - ys[first]
    apart = gaps != 0
    if not apart.all():
        if not apart.any():
            raise ValueError("a slope needs two points with different x, got none")
        gaps, rises = gaps[apart], rises[apart]
    slope = median(rises / gaps)
    return slope, median(ys) - slope * median(xs)


def theil_sen_each(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slopes and offsets of many short series at once: :func:`theil_sen`, and the median of ``y - slope x``.

    Parameters
    ----------
    x, y
        Shape (G, N); ``nan`` in either leaves the point out.

    Returns
    -------
    slope, offset
        Shape (G,); ``nan`` where no two points have different ``x``.
    """
    first, second = pairs_of(x.shape[1])
    gaps, rises = x[:, second] - x[:, first], y[:, second] - y[:, first]
    slope = median_each(np.where(gaps != 0, rises / np.where(gaps != 0, gaps, 1.0), np.nan))
    return slope, median_each(y - slope[:, None] * x)


def median_each(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Median of each row of an array of shape (G, N) without its ``nan``; ``nan`` where nothing is left."""
    ordered = np.sort(values, axis=1)  # nan last
    count = (~np.isnan(ordered)).sum(axis=1)
    rows = np.arange(values.shape[0])
    low, high = np.maximum((count - 1) // 2, 0), np.maximum(count // 2, 0)
    high = np.minimum(high, values.shape[1] - 1)
    return np.where(count > 0, 0.5 * (ordered[rows, low] + ordered[rows, high]), np.nan)


@dataclass(frozen=True, slots=True)
class Line:
    """A robust line ``y = level + slope * (x - x_last)`` with standard uncertainties.

    ``degrees`` is the number of degrees of freedom to use for intervals, ``None`` where the
    points' own uncertainties explain the scatter; ``birge`` is the widening that was needed.
    """

    slope: float
    slope_sd: float
    level: float
    level_sd: float
    correlation: float
    birge: float
    degrees: int | None

    def factor(self, coverage: float) -> float:
        """Half width of a two-sided interval in standard uncertainties."""
        p = 0.5 + coverage / 2.0
        return normal_quantile(p) if self.degrees is None else student_quantile(p, self.degrees)


def line_through(
    x: NDArray[np.float64], y: NDArray[np.float64], sd: NDArray[np.float64], slope: float | None = None
) -> Line:
    """Robust line through points with known standard uncertainties.

    The slope is Theil-Sen's (or the one given).  Its standard uncertainty is that of weighted least squares times
    ``sqrt(pi / 3)``, widened by the Birge ratio where the residuals are larger than their uncertainties.

    Parameters
    ----------
    x, y, sd
        Shape (N,), N of 2 or more; ``sd`` above 0.
    slope
        A slope found in another way (pair-wise rim advance).
    """
    if slope is None:
        slope, _ = theil_sen(x, y)
    count = x.size
    weights = 1.0 / (sd * sd)
    total = float(weights.sum())
    centre = float(weights @ x) / total
    from_centre = x - centre
    spread = float((weights * from_centre) @ from_centre)
    flat = y - slope * x
    offset = median(flat)
    residuals = (flat - offset) / sd
    birge = birge_ratio(residuals)
    widening = max(1.0, birge)
    slope_sd = widening * math.sqrt(THEIL_SEN_VARIANCE / spread)
    last = float(x[-1])
    level_sd = widening * math.sqrt(THEIL_SEN_VARIANCE * (1.0 / total + (last - centre) ** 2 / spread))
    deviations_y, deviations_x = y - float(y.sum()) / count, x - float(x.sum()) / count
    norm = math.sqrt(float(deviations_y @ deviations_y) * float(deviations_x @ deviations_x))
    correlation = float(deviations_y @ deviations_x) / norm if norm > 0 else 0.0
    degrees = max(1, count - 2) if birge > 1.0 and count > 2 else None
    return Line(slope, slope_sd, offset + slope * last, level_sd, correlation, widening, degrees)


def birge_ratio(standardised: NDArray[np.float64]) -> float:
    """Scatter over uncertainty of residuals of a line; robust from :data:`ROBUST_FROM` points on, 0 for two points."""
    count = standardised.size
    if count <= 2:
        return 0.0
    if count < ROBUST_FROM:
        return math.sqrt(float(standardised @ standardised) / (count - 2))
    return 1.4826 * median(np.abs(standardised)) * math.sqrt(count / (count - 2))


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Mann-Kendall test: score, its variance, normal score with continuity correction, two-sided p."""

    score: int
    variance: float
    z: float
    p: float


def mann_kendall(y: ArrayLike) -> MannKendall:
    """Whether values in order of time go one way, with ties (Kendall 1975).

    Parameters
    ----------
    y
        Shape (N,), in order of time.
    """
    values = np.asarray(y, dtype=np.float64)
    count = values.size
    if count < 2:
        return MannKendall(0, 0.0, 0.0, 1.0)
    first, second = pairs_of(count)
    score = int(np.sign(values[second] - values[first]).sum())
    tied = sum(ties * (ties - 1) * (2 * ties + 5) for ties in Counter(values.tolist()).values() if ties > 1)
    variance = (count * (count - 1) * (2 * count + 5) - tied) / 18.0
    if variance <= 0:
        return MannKendall(score, 0.0, 0.0, 1.0)
    z = (score - math.copysign(1, score)) / math.sqrt(variance) if score else 0.0
    return MannKendall(score, variance, z, 2.0 * (1.0 - STANDARD_NORMAL.cdf(abs(z))))
