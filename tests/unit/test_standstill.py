"""Evidence of a standstill: the likelihood ratio against scipy, and what it says of drawn wounds."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
import scipy.stats

from pipeline import timeline
from pipeline.advance import width_line, width_own_sd
from pipeline.alerts.standstill import PACE_REL_SD, standstill
from pipeline.records import Visit
from pipeline.seasons import DAYS_A_MONTH, growing_days
from pipeline.settings import TimeSettings
from tests.season import reading

ALL_YEAR, START = tuple(range(1, 13)), date(2025, 1, 1)


def visits(widths: list[float], step_days: int = 30) -> tuple[Visit, ...]:
    days = [START + timedelta(days=step_days * i) for i in range(len(widths))]
    photos = [reading(day, width, area_rel_sd=0.01) for day, width in zip(days, widths, strict=True)]
    return timeline.visits_of(205, photos, TimeSettings())


def test_the_evidence_is_the_log_ratio_of_two_normal_densities() -> None:
    """Independent densities: scipy.stats.multivariate_normal, for the one split that a short series allows."""
    seen = visits([20.0, 19.0, 17.9, 17.8, 17.9])
    found = standstill(seen, ALL_YEAR)
    assert found is not None
    assert found.since is seen[2]
    months = np.array([growing_days(START, v.visit_on, ALL_YEAR) for v in seen]) / DAYS_A_MONTH
    line = width_line(seen[:3], months[:3])
    assert line is not None
    ahead, widths = months[3:] - months[2], np.array([17.8, 17.9])
    noise = np.diag([width_own_sd(v) ** 2 for v in seen[3:]]) + line.level_sd**2
    pace = line.slope_sd**2 + (PACE_REL_SD * line.slope) ** 2
    normal = scipy.stats.multivariate_normal
    still = normal(np.full(2, -line.level), noise).logpdf(widths)
    going_on = normal(-line.level - line.slope * ahead, noise + pace * np.outer(ahead, ahead)).logpdf(widths)
    assert found.evidence == pytest.approx(still - going_on, rel=1e-9)
    assert found.pace == pytest.approx(0.5 * line.slope)


def test_a_wound_that_stops_and_one_that_goes_on() -> None:
    stopped = standstill(visits([20.0, 18.8, 17.6, 16.4, 15.2, 15.2, 15.1, 15.2]), ALL_YEAR)
    going_on = standstill(visits([20.0, 18.8, 17.6, 16.4, 15.2, 14.0, 12.8, 11.6]), ALL_YEAR)
    assert stopped is not None
    assert going_on is not None
    assert stopped.evidence > 3.0
    assert stopped.since.aperture_width_mm == pytest.approx(15.2)
    assert abs(stopped.advance) < 0.1
    assert going_on.evidence < -3.0


def test_evidence_gathers_visit_by_visit() -> None:
    widths = [20.0, 18.8, 17.6, 16.4, 15.2]
    cases = [standstill(visits(widths + [15.2] * k), ALL_YEAR) for k in (2, 3, 4)]
    evidence = [case.evidence for case in cases if case is not None]
    assert len(evidence) == 3
    assert evidence == sorted(evidence)


def test_no_case_is_made_without_a_pace_or_outside_the_growing_season() -> None:
    assert standstill((), ALL_YEAR) is None
    assert standstill(visits([20.0, 19.0, 18.0]), ALL_YEAR) is None
    assert standstill(visits([15.0] * 8), ALL_YEAR, least_pace=0.15) is None
    winter = (1, 2, 3)  # the sides stop when the growing season ends: nothing was to be expected
    assert standstill(visits([20.0, 18.8, 17.6, 17.5, 17.5, 17.5, 17.5]), winter) is None
