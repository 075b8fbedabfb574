"""Growing time: days that fall in the grove's growing months."""

from __future__ import annotations

from datetime import date, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

DAYS_A_MONTH = 30.4375
DAYS_A_YEAR = 365.25


@lru_cache(maxsize=64)
def _days_to_new_year(year: int, months: tuple[int, ...]) -> int:
    """Growing days from 1 January of the year 1 to 1 January of ``year``."""
    leap_years = (year - 1) // 4 - (year - 1) // 100 + (year - 1) // 400
    plain = sum((31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)[month - 1] for month in months)
    return plain * (year - 1) + (leap_years if 2 in months else 0)


@lru_cache(maxsize=65536)
def _growing_day_number(day: date, months: tuple[int, ...]) -> int:
    within = 0
    for month in months:
        first = date(day.year, month, 1)
        if first >= day:
            break
        following = date(day.year, month + 1, 1) if month < 12 else date(day.year + 1, 1, 1)
        within += (min(following, day) - first).days
    return _days_to_new_year(day.year, months) + within


def growing_days(from_on: date, to_on: date, months: tuple[int, ...]) -> int:
    """Days from ``from_on`` (included) to ``to_on`` (not included) that fall in growing months.

    Negative where ``to_on`` is earlier; ``months`` are numbers from 1 to 12 in rising order.
    """
    return _growing_day_number(to_on, months) - _growing_day_number(from_on, months)


def growing_day_numbers(ordinals: NDArray[np.int64], months: tuple[int, ...]) -> NDArray[np.int64]:
    """A number for each day (proleptic ordinal) whose differences are :func:`growing_days`; any shape."""
    days, place = np.unique(ordinals, return_inverse=True)
    numbers = np.array([_growing_day_number(date.fromordinal(day), months) for day in days.tolist()], dtype=np.int64)
    return numbers[place.reshape(ordinals.shape)]


def growing_months(from_on: date, to_on: date, months: tuple[int, ...]) -> float:
    """The same in months of 30.4375 days."""
    return growing_days(from_on, to_on, months) / DAYS_A_MONTH


def after_growing_days(from_on: date, days: float, months: tuple[int, ...]) -> date:
    """First day by which ``days`` growing days have passed since ``from_on``.

    Parameters
    ----------
    days
        Zero or more; ``months`` must not be empty.
    """
    if not months:
        raise ValueError("growing months must not be empty, got none")
    low, high = 0, 366
    while growing_days(from_on, from_on + timedelta(days=high), months) < days:
        low, high = high, high * 2
    while high - low > 1:
        middle = (low + high) // 2
        if growing_days(from_on, from_on + timedelta(days=middle), months) < days:
            low = middle
        else:
            high = middle
    return from_on + timedelta(days=high if days > 0 else 0)
