"""A CSV file as spreadsheets really write it, cut into rows that keep their line numbers."""

from __future__ import annotations

import csv
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.errors import RegisterError
from pipeline.records import RowProblem

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SEPARATORS = (",", ";", "\t")
SPREADSHEET_SUFFIXES = (".xlsx", ".xls", ".ods", ".numbers")
_SAVE_AS = "Save it from the spreadsheet as 'CSV UTF-8' (or 'Text CSV' with the character set UTF-8)."


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the line it begins on and its cells by column, blanks trimmed."""

    line: int
    cells: dict[str, str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The rows of one file that could be cut into cells, and the problems of those that could not."""

    file: str
    rows: tuple[Row, ...] = ()
    problems: tuple[RowProblem, ...] = ()
    separator: str = ","


def read_sheet(path: Path, required: tuple[str, ...], known: tuple[str, ...]) -> Sheet | None:
    """Read a CSV file; ``None`` if it does not exist.

    Windows line ends, a byte-order mark, semicolons or tabs between the cells, a leading ``sep=;``
    line and blank lines are all taken as they come.

    Raises
    ------
    RegisterError
        If the file cannot be opened, is no UTF-8 text, or its header lacks a required column or
        names a known one twice.
    """
    text = _text(path)
    if text is None:
        return None
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    start = 0
    while start < len(lines) and (not lines[start].strip() or lines[start].lower().startswith("sep=")):
        start += 1
    if start == len(lines):
        raise RegisterError(f"{path.name} has no header row.", f"Its first line must be: {','.join(known)}")
    separator, header = max(
        ((mark, _header(lines[start], mark)) for mark in SEPARATORS),
        key=lambda option: len(set(option[1]) & set(known)),
    )
    _check_header(path.name, header, required, known)
    rows: list[Row] = []
    problems: list[RowProblem] = []
    for line, cells in _records(path.name, lines, start + 1, separator, problems):
        if not any(cells):
            continue
        extra = next((cell for cell in cells[len(header) :] if cell), None)
        if extra is not None:
            reason = f"The row has more cells than the header; put quotes round a text that holds '{separator}'."
            problems.append(RowProblem(path.name, line, header[-1], extra, reason))
            continue
        cells += [""] * (len(header) - len(cells))
        rows.append(Row(line, {name: cell for name, cell in zip(header, cells, strict=False) if name in known}))
    return Sheet(path.name, tuple(rows), tuple(problems), separator)


def _text(path: Path) -> str | None:
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        other = next((p for s in SPREADSHEET_SUFFIXES if (p := path.with_suffix(s)).exists()), None)
        if other is not None:
            raise RegisterError(f"{other.name} is a spreadsheet; {path.name} is needed.", _SAVE_AS) from None
        return None
    except OSError as error:
        raise RegisterError(
            f"{path} cannot be read: {error.strerror}.", "Close it in other programs and check its permissions."
        ) from None
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise RegisterError(f"{path.name} is a spreadsheet that was renamed, not a CSV file.", _SAVE_AS)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\x00" in data:
        raise RegisterError(f"{path.name} is saved in UTF-16, not in UTF-8.", _SAVE_AS)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise RegisterError(
            f"{path.name} is not saved in UTF-8: line {line} holds a letter in another encoding.", _SAVE_AS
        ) from None


def clean(cell: str) -> str:
    """Trim a cell and put its letters into composed form (NFC), so that equal-looking names are equal."""
    return unicodedata.normalize("NFC", cell).replace("\xa0", " ").strip()


def _header(line: str, separator: str) -> list[str]:
    cells = next(csv.reader([line], delimiter=separator), [])
    return ["_".join(clean(cell).casefold().split()) for cell in cells]


def _check_header(file: str, header: list[str], required: tuple[str, ...], known: tuple[str, ...]) -> None:
    for column in required:
        if column not in header:
            there = ", ".join(f"'{name}'" for name in header if name) or "empty"
            raise RegisterError(
                f"{file} has no column '{column}'; its header is {there}.",
                f"Its first line must name the columns: {','.join(known)}",
            )
    twice = next((name for name in header if name in known and header.count(name) > 1), None)
    if twice is not None:
        raise RegisterError(f"{file} has two columns named '{twice}'.", "Rename or remove one of them.")


def _records(
    file: str, lines: list[str], start: int, separator: str, problems: list[RowProblem]
) -> Iterator[tuple[int, list[str]]]:
    """Rows with the line each begins on; after a row that breaks the quoting, go on with the next line."""
    at = start
    while at < len(lines):
        reader = csv.reader((line + "\n" for line in lines[at:]), delimiter=separator, strict=True)
        begin = at
        try:
            for cells in reader:
                yield begin + 1, [clean(cell) for cell in cells]
                begin = at + reader.line_num
            return
        except csv.Error:
            reason = (
                'A quotation mark is opened and not closed, or text follows after it; write "" for a mark in a text.'
            )
            problems.append(RowProblem(file, begin + 1, "", lines[begin].strip(), reason))
            at = begin + 1
