"""When a wound is called stalled: what standing still looks like, and what is not judged."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from pipeline import timeline
from pipeline.alerts.standstill import standstill
from pipeline.records import Visit
from pipeline.settings import TimeSettings
from tests.season import reading

ALL_YEAR, START, SLOWEST = tuple(range(1, 13)), date(2025, 1, 1), 0.2


def visits(widths: list[float], step_days: int = 30, height: float = 30.0) -> tuple[Visit, ...]:
    days = [START + timedelta(days=step_days * i) for i in range(len(widths))]
    photos = [reading(day, width, height, area_rel_sd=0.01) for day, width in zip(days, widths, strict=True)]
    return timeline.visits_of(205, photos, TimeSettings())


def test_a_wound_that_stops_and_one_that_goes_on() -> None:
    seen = visits([20.0, 18.8, 17.6, 16.4, 15.2, 15.2, 15.1, 15.2])
    stopped = standstill(seen, ALL_YEAR, SLOWEST)
    assert stopped is not None
    assert stopped.p > 0.9
    assert stopped.since in seen[4:6]
    assert abs(stopped.advance) < 0.1
    assert stopped.pace == pytest.approx(0.6, abs=0.1)
    assert standstill(visits([20.0, 18.8, 17.6, 16.4, 15.2, 14.0, 12.8, 11.6]), ALL_YEAR, SLOWEST) is None
    slow = standstill(visits([20.0, 19.4, 18.8, 18.2, 17.6, 17.0, 16.4, 15.8]), ALL_YEAR, SLOWEST)
    assert slow is not None
    assert slow.p < 0.2


def test_probability_gathers_visit_by_visit() -> None:
    widths = [20.0, 18.8, 17.6, 16.4, 15.2]
    cases = [standstill(visits(widths + [15.2] * k), ALL_YEAR, SLOWEST) for k in (1, 2, 3, 4)]
    p = [case.p for case in cases if case is not None]
    assert len(p) == 4
    assert p == sorted(p)


def test_no_case_is_made_of_too_little_or_outside_the_growing_season() -> None:
    assert standstill((), ALL_YEAR, SLOWEST) is None
    assert standstill(visits([20.0, 19.0]), ALL_YEAR, SLOWEST) is None
    assert standstill(visits([15.0] * 3, step_days=10), ALL_YEAR, SLOWEST) is None
    spring = (1, 2, 3)  # the sides stop when the growing season ends: nothing was to be expected
    quiet = standstill(visits([20.0, 18.8, 17.6, 16.4, 16.3, 16.3, 16.3]), spring, SLOWEST)
    assert quiet is None or quiet.p < 0.2


def test_a_wound_that_never_moved_is_found_too() -> None:
    never = standstill(visits([15.0, 15.1, 14.9, 15.0, 15.1, 15.0]), ALL_YEAR, SLOWEST)
    assert never is not None
    assert never.p > 0.9
