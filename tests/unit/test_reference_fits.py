"""Fits against NIST's reference data (StRD), pooling against a mixed model, and how often closing dates hold.

No growth curve is fitted anywhere: the width is followed over growing months with a straight line.  So NIST's linear
set tests the line's uncertainty, and its growth curves (Rat42, Rat43) test the one general non-linear least-squares
routine that there is, which otherwise fits how cards hang.  Certified values and data: NIST Statistical Reference
Datasets, itl.nist.gov/div898/strd (public domain).
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pytest

from pipeline import hanging, lessons, timeline
from pipeline.lines import THEIL_SEN_VARIANCE, line_through
from pipeline.records import Interval
from pipeline.settings import TimeSettings
from pipeline.timeline.forecast import pooled
from tests.season import reading

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    Curve = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]

NORRIS = """0.1 0.2  338.8 337.4  118.1 118.2  888.0 884.6  9.2 10.1  228.1 226.5  668.5 666.3  998.5 996.3
449.1 448.6  778.9 777.0  559.2 558.2  0.3 0.4  0.1 0.6  778.1 775.5  668.8 666.9  339.3 338.0  448.9 447.5  10.8 11.6
557.7 556.0  228.3 228.1  998.0 995.8  888.8 887.6  119.6 120.2  0.3 0.3  0.6 0.3  557.6 556.8  339.3 339.1  888.0 887.2
998.5 999.0  778.9 779.0  10.2 11.1  117.6 118.3  228.9 229.2  668.4 669.1  449.2 448.9  0.2 0.5"""
"""y and x, 36 observations."""


def test_slope_uncertainty_on_nists_norris():
    """Certified: b1 1.00211681802045 (sd 0.000429796848199937), residual sd 0.884796396144373."""
    y, x = np.array(NORRIS.split(), dtype=float).reshape(-1, 2).T
    order = np.argsort(x)
    b1, sd_b1, scatter = 1.00211681802045, 0.000429796848199937, 0.884796396144373
    line = line_through(x[order], y[order], np.full(36, 10 * scatter), slope=b1)  # scatter below sd: nothing is widened
    assert line.birge == 1.0
    assert line.slope_sd / math.sqrt(THEIL_SEN_VARIANCE) / 10 == pytest.approx(sd_b1, rel=1e-9)
    own = line_through(x[order], y[order], np.full(36, scatter))
    assert own.slope == pytest.approx(b1, abs=2 * sd_b1)
    assert own.level == pytest.approx(-0.262323073774029 + b1 * x.max(), abs=1.0)


@dataclass(frozen=True)
class Reference:
    """One of NIST's non-linear sets."""

    curve: Curve
    x: tuple[float, ...]
    y: tuple[float, ...]
    start: tuple[float, ...]
    values: tuple[float, ...]
    sds: tuple[float, ...]
    scatter: float


REFERENCES = {
    "Misra1a": Reference(
        lambda b, x: b[0] * (1 - np.exp(-b[1] * x)),
        (77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0),
        (10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78),
        (250, 5e-4), (2.3894212918e2, 5.5015643181e-4), (2.7070075241, 7.2668688436e-6), 1.0187876330e-1,
    ),
    "Rat42": Reference(
        lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)),
        (9, 14, 21, 28, 42, 57, 63, 70, 79),
        (8.930, 10.800, 18.590, 22.330, 39.350, 56.110, 61.730, 64.620, 67.080),
        (75, 2.5, 0.07), (72.462237576, 2.6180768402, 0.067359200066),
        (1.7340283401, 8.8295217536e-2, 3.4465663377e-3), 1.1587725499,
    ),
    "Rat43": Reference(
        lambda b, x: b[0] / (1 + np.exp(b[1] - b[2] * x)) ** (1 / b[3]),
        tuple(range(1, 16)),
        (16.08, 33.83, 65.80, 97.20, 191.55, 326.20, 386.87, 520.53, 590.03, 651.92, 724.93, 699.56, 689.96, 637.56,
         717.41),
        (700, 5, 0.75, 1.3), (699.64151270, 5.2771253025, 0.75962938329, 1.2792483859),
        (16.302297817, 2.0828735829, 0.19566123451, 0.68761936385), 28.262414662,
    ),
}  # fmt: skip


class Curved:
    """A reference set as the routine wants its problems: normal equations about a start, numerical slopes."""

    def __init__(self, of: Reference) -> None:
        self.of, self.size = of, len(of.start)
        self.start, self.x = np.array(of.start, dtype=float), np.array(of.x, dtype=float)

    def normal_equations(self, values):
        at = self.start + values
        step = 1e-6 * self.start
        slopes = np.stack(
            [(self.of.curve(at + d, self.x) - self.of.curve(at - d, self.x)) / (2 * d.sum()) for d in np.diag(step)],
            axis=1,
        )
        left = np.array(self.of.y) - self.of.curve(at, self.x)
        return slopes.T @ slopes / self.of.scatter**2, slopes.T @ left / self.of.scatter**2


@pytest.mark.parametrize("name", REFERENCES)
def test_least_squares_on_nists_curves(name, monkeypatch):
    """Certified values and standard deviations, from NIST's second start; the routine's usual stop is coarser."""
    monkeypatch.setattr(hanging, "SMALL_STEP", 1e-9)
    monkeypatch.setattr(hanging, "ROUNDS", 60)
    of = REFERENCES[name]
    values, covariance = hanging._least_squares(Curved(of))
    got, sds = np.array(of.start) + values, np.sqrt(np.diag(covariance))
    np.testing.assert_allclose(got, of.values, rtol=1e-6)
    np.testing.assert_allclose(sds, of.sds, rtol=1e-4)


def test_pooling_is_that_of_a_mixed_model():
    """statsmodels' MixedLM (REML) on raw rates: with equally many a site, moments and REML agree."""
    rng = np.random.default_rng(5)
    sites, each = 12, 6
    rates = 0.6 + rng.normal(0.0, 0.2, sites)[:, None] + rng.normal(0.0, 0.15, (sites, each))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from statsmodels.regression.mixed_linear_model import MixedLM

        groups = np.repeat(np.arange(sites), each)
        fit = MixedLM(rates.ravel(), np.ones((rates.size, 1)), groups).fit(reml=True)
    mean, between, error = float(fit.fe_params[0]), float(fit.cov_re[0, 0]), float(fit.scale)
    sds = np.full(sites, math.sqrt(error / each))
    mine = lessons.pool(rates.mean(axis=1), sds, [f"tree {i}" for i in range(sites)])
    assert mine.mean == pytest.approx(mean, rel=1e-6)
    assert mine.between**2 == pytest.approx(between, rel=1e-3)
    assert mine.se == pytest.approx(float(fit.bse_fe[0]), rel=1e-3)
    lent = pooled(
        [Interval(r, r - 1.959964 * s, r + 1.959964 * s) for r, s in zip(rates.mean(axis=1), sds, strict=True)], ""
    )
    assert lent.mean == pytest.approx(mean, rel=1e-6)
    assert lent.spread == pytest.approx(math.hypot(math.sqrt(between), float(fit.bse_fe[0])), rel=1e-3)


def test_closing_dates_hold_as_often_as_they_say():
    """300 wounds of the model's own assumptions: 80 % intervals; limits are three binomial standard deviations."""
    rng = np.random.default_rng(8)
    settings, growing = TimeSettings(), tuple(range(1, 13))
    begin, held, off = date(2025, 1, 1), [], []
    for _ in range(300):
        width, rate = rng.uniform(15, 40), rng.uniform(0.4, 1.0)
        days = np.arange(6) * 30
        sizes = width - 2 * rate * days / 30.4375
        if sizes[-1] < 6:
            continue
        photos = [
            reading(
                begin + timedelta(days=int(d)), w + rng.normal(0, 0.6), 80.0, area_rel_sd=1.0 / w, parts={"rim": 1.0}
            )
            for d, w in zip(days, sizes, strict=True)
        ]
        visits = timeline.visits_of(photos[0].site, photos, settings)
        sds = [v.aperture_width_mm_sd for v in visits]
        assert all(0.5 < sd < 0.7 for sd in sds if sd is not None)
        coming = rate * max(0.1, 1.0 + rng.normal(0, settings.future_rate_rel_sd))
        closes = begin + timedelta(days=int(days[-1] + sizes[-1] / (2 * coming) * 30.4375))
        found = timeline.forecast_closing(visits, settings, growing).forecast
        if found is not None:
            held.append(found.closes_on_lo <= closes <= found.closes_on_hi)
            off.append((found.closes_on - closes).days)
    assert len(held) > 200
    assert 0.80 - 3 * math.sqrt(0.16 / len(held)) < np.mean(held) < 0.80 + 3 * math.sqrt(0.16 / len(held))
