"""Growing days against a plain count of the calendar."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.seasons import after_growing_days, growing_days

DAYS = st.dates(date(1999, 1, 1), date(2031, 12, 31))
MONTHS = st.sets(st.integers(1, 12), min_size=1).map(lambda s: tuple(sorted(s)))


@given(DAYS, st.integers(0, 900), MONTHS)
def test_growing_days_are_a_plain_count(day: date, length: int, months: tuple[int, ...]) -> None:
    counted = sum((day + timedelta(days=i)).month in months for i in range(length))
    assert growing_days(day, day + timedelta(days=length), months) == counted
    assert growing_days(day + timedelta(days=length), day, months) == -counted


@given(DAYS, st.integers(1, 400), MONTHS)
def test_after_growing_days_is_the_first_such_day(day: date, days: int, months: tuple[int, ...]) -> None:
    reached = after_growing_days(day, days, months)
    assert growing_days(day, reached, months) >= days
    assert growing_days(day, reached - timedelta(days=1), months) < days


def test_no_growing_months_is_an_error() -> None:
    with pytest.raises(ValueError, match="must not be empty"):
        after_growing_days(date(2025, 1, 1), 3, ())
