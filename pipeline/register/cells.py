"""Values of one row: each is checked, and each refusal says what to write instead."""

from __future__ import annotations

import math
import re
from datetime import date
from typing import TYPE_CHECKING, TypeVar

from pipeline.records import RowProblem

if TYPE_CHECKING:
    from enum import StrEnum

    from pipeline.register.sheet import Row

    Word = TypeVar("Word", bound=StrEnum)

BUDDHIST_ERA_YEARS = 543
FIRST_YEAR, LAST_YEAR = 1900, 2200
_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?")
_COMMA_NUMBER = re.compile(r"[+-]?\d+,\d+")
_THREE_PLACES = re.compile(r"[+-]?\d{1,3}[.,]\d{3}")
_ISO_DAY = re.compile(r"(\d{4})-(\d{2})-(\d{2})")
_YEAR_FIRST = re.compile(r"(\d{4})[-/. ](\d{1,2})[-/. ](\d{1,2})(?:[ T].*)?")
_YEAR_LAST = re.compile(r"(\d{1,2})[-/. ](\d{1,2})[-/. ](\d{4})(?:[ T].*)?")
_MONTHS = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
]


class Cells:
    """The cells of one row; a cell that cannot be used is noted in ``problems`` and read as empty.

    Parameters
    ----------
    file, row
        Where the cells stand.
    separator
        What stands between the file's cells: where that is not a comma, a decimal comma can be told.
    today
        If given, days after it are refused where the past is meant.
    """

    def __init__(self, file: str, row: Row, separator: str, today: date | None = None) -> None:
        self.file = file
        self.line = row.line
        self.problems: list[RowProblem] = []
        self._cells = row.cells
        self._separator = separator
        self._today = today

    @property
    def good(self) -> bool:
        """Whether no cell was refused so far."""
        return not self.problems

    def refuse(self, column: str, reason: str) -> None:
        """Note that a cell cannot be used."""
        self.problems.append(RowProblem(self.file, self.line, column, self.text(column), reason))

    def text(self, column: str) -> str:
        """A cell as it stands, ``""`` if the column is missing."""
        return self._cells.get(column, "")

    def label(self, column: str, default: str = "") -> str:
        """A name such as a tree's: inner blanks are made single."""
        return " ".join(self.text(column).split()) or default

    def needed(self, column: str) -> str:
        """A name that must not be empty."""
        value = self.label(column)
        if not value:
            self.refuse(column, "The cell is empty; it is needed.")
        return value

    def number(self, column: str, *, least: float, most: float, above: bool = False) -> float | None:
        """A number between two limits; with ``above`` the lower limit itself is refused."""
        text = self.text(column)
        if not text:
            return None
        if self._separator != "," and _THREE_PLACES.fullmatch(text):
            self.refuse(
                column, "The number can be read in two ways (thousands or decimals); write it without the mark."
            )
            return None
        if _COMMA_NUMBER.fullmatch(text):
            if self._separator == ",":
                self.refuse(column, f"Write a decimal point: {text.replace(',', '.')}")
                return None
            text = text.replace(",", ".")
        if not _NUMBER.fullmatch(text):
            self.refuse(column, "It is not a number; write digits and a decimal point, without the unit.")
            return None
        value = float(text)
        if not math.isfinite(value) or value < least or value > most or (above and value <= least):
            self.refuse(
                column, f"The number must be {'above' if above else 'at least'} {least:g} and at most {most:g}."
            )
            return None
        return value

    def whole(self, column: str, *, least: int, most: int) -> int | None:
        """A whole number between two limits; leading zeros are fine."""
        text = self.text(column)
        if not text:
            return None
        if not re.fullmatch(r"[+-]?\d{1,18}", text):
            self.refuse(column, "It is not a whole number; write digits only.")
            return None
        if not least <= int(text) <= most:
            self.refuse(column, f"The number must be from {least} to {most}.")
            return None
        return int(text)

    def day(self, column: str, *, may_be_ahead: bool = False) -> date | None:
        """A calendar day, written 2026-04-03."""
        text = self.text(column)
        if not text:
            return None
        match = _ISO_DAY.fullmatch(text)
        value = _real_day(*(int(part) for part in match.groups())) if match else None
        if value is None or not FIRST_YEAR <= value.year <= LAST_YEAR:
            self.refuse(column, _date_advice(text))
            return None
        if self._today is not None and value > self._today and not may_be_ahead:
            self.refuse(column, "The day is in the future.")
            return None
        return value

    def word(self, column: str, words: type[Word]) -> Word | None:
        """One of a list of words; capitals, hyphens and underscores make no difference."""
        text = self.needed(column)
        if not text:
            return None
        plain = " ".join(re.split(r"[\s_-]+", text.casefold()))
        for word in words:
            if word.value == plain:
                return word
        self.refuse(column, f"It must be one of: {', '.join(word.value for word in words)}.")
        return None


def _real_day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _date_advice(text: str) -> str:
    """What to write instead of a text that is not a day in the form 2026-04-03."""
    year_first, year_last = _YEAR_FIRST.fullmatch(text), _YEAR_LAST.fullmatch(text)
    if year_first:
        year, month, day = (int(part) for part in year_first.groups())
        if LAST_YEAR < year < LAST_YEAR + BUDDHIST_ERA_YEARS and _real_day(year - BUDDHIST_ERA_YEARS, month, day):
            return f"The year is of the Buddhist calendar; write {year - BUDDHIST_ERA_YEARS}-{month:02}-{day:02}."
        readings = [_real_day(year, month, day)]
    elif year_last:
        first, second, year = (int(part) for part in year_last.groups())
        if LAST_YEAR < year < LAST_YEAR + BUDDHIST_ERA_YEARS:
            year -= BUDDHIST_ERA_YEARS
        readings = [_real_day(year, second, first), _real_day(year, first, second)]
    else:
        if re.fullmatch(r"\d{4,6}(\.0)?", text):
            return "It is a spreadsheet's own number for a day; format the column as text and write 2026-04-03."
        return "It is not a date; write year, month and day like 2026-04-03."
    real = sorted({day for day in readings if day is not None and FIRST_YEAR <= day.year <= LAST_YEAR}, reverse=True)
    if len(real) == 2:
        meant = " or ".join(f"{day.day} {_MONTHS[day.month - 1]}" for day in real)
        return f"It can mean {meant}; write {real[0].isoformat()} or {real[1].isoformat()}."
    if len(real) == 1:
        return f"Write the day as {real[0].isoformat()}."
    return "There is no such day; write year, month and day like 2026-04-03."
