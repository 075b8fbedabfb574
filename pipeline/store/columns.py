"""Column types: times, days and JSON as text, so that any SQLite tool can read the file."""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import Column, ForeignKey, Integer, Text
from sqlalchemy.types import TypeDecorator

if TYPE_CHECKING:
    from sqlalchemy.engine import Dialect


class MomentText(TypeDecorator[datetime]):
    """An aware time in ISO 8601 with its own offset, e.g. ``2026-05-03T07:12:00+07:00``."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """Refuse a time without a zone: it names no moment."""
        if value is None:
            return None
        if value.utcoffset() is None:
            raise ValueError(f"a stored time must be aware, got {value!r}")
        return value.isoformat()

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        """Read it back; the offset stays."""
        return None if value is None else datetime.fromisoformat(value)


class DayText(TypeDecorator[date]):
    """A calendar day as ``2026-05-03``."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: date | None, dialect: Dialect) -> str | None:
        """Write the day."""
        return None if value is None else value.isoformat()

    def process_result_value(self, value: str | None, dialect: Dialect) -> date | None:
        """Read it back."""
        return None if value is None else date.fromisoformat(value)


class JsonText(TypeDecorator[Any]):
    """Plain JSON, keys sorted; only for what is never searched."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        """Write compact JSON; not-a-number and infinity are refused, they are not JSON."""
        if value is None:
            return None
        return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        """Read it back; tuples come as lists."""
        return None if value is None else json.loads(value)


# ---------------------------------------------------------------- columns that many tables have


def serial() -> Column[int]:
    """Number of a row, given by the database."""
    return Column("id", Integer, primary_key=True)


def text(name: str) -> Column[str]:
    """A text that is always there; empty where there is nothing to say."""
    return Column(name, Text, nullable=False)


def whole(name: str) -> Column[int]:
    """A whole number that is always there."""
    return Column(name, Integer, nullable=False)


def moment(name: str) -> Column[datetime]:
    """A time that is always there."""
    return Column(name, MomentText, nullable=False)


def day(name: str) -> Column[date]:
    """A calendar day that is always there."""
    return Column(name, DayText, nullable=False)


def json_text(name: str) -> Column[Any]:
    """JSON that is always there."""
    return Column(name, JsonText, nullable=False)


def photo(name: str = "sha256", *, required: bool = True, key: bool = False) -> Column[str]:
    """A photo by its hash; ``key`` makes it the table's key, or a part of it."""
    return Column(name, Text, ForeignKey("photos.sha256"), primary_key=key, nullable=not (required or key))
