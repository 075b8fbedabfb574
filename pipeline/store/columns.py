"""Column types: times, days and JSON as text, so that any SQLite tool can read the file."""

from __future__ import annotations

import json
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from sqlalchemy import Text
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
