"""Printing for people (rich tables, plain when not a terminal) and for scripts (JSON)."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass
from datetime import date
from enum import Enum, IntFlag
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


def plain(value: Any) -> Any:
    """A record as what JSON can hold: enums by their word, times as ISO 8601, flags as names."""
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, IntFlag):
        return list(getattr(value, "names", ())) or []
    if isinstance(value, Enum):
        return getattr(value, "word", value.value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, dict):
        return {str(plain(key)): plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple, set, frozenset)):
        return [plain(item) for item in value]
    return value.item() if hasattr(value, "item") and not isinstance(value, (str, bytes)) else value


def emit_json(value: Any) -> None:
    """Print one JSON document."""
    click.echo(json.dumps(plain(value), ensure_ascii=False, indent=2, allow_nan=False))


def emit_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print a table; on a terminal it fits the width, elsewhere columns are only aligned."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False, soft_wrap=False)
    table = Table(title=title or None, title_justify="left", box=SIMPLE_HEAD, pad_edge=False)
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*(Text("" if cell is None else printable(str(cell))) for cell in row))
    if not console.is_terminal:
        console.width = 200
    console.print(table)


def printable(text: str) -> str:
    """A file name or note with control characters and undecodable bytes made visible, so that it stays on its line."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "backslashreplace").decode() for c in text)


def figure(value: float | None, sd: float | None = None, digits: int = 1) -> str:
    """A number with its 95 % half-width, or a dash where nothing was measured."""
    if value is None:
        return "–"
    if sd is None:
        return f"{value:.{digits}f}"
    return f"{value:.{digits}f} ± {1.96 * sd:.{digits}f}"


def file_part(text: str) -> str:
    """A tree's number as a part of a file name: letters, digits, dot and dash stay, the rest becomes a dash."""
    return "".join(c if c.isalnum() or c in ".-" else "-" for c in text).strip(".") or "tree"
