"""The card of a release: figures from the program, prose from a template."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.network import Calibration

TEMPLATES = Path(__file__).parent / "templates"
GENERIC = TEMPLATES / "card.md"
"""For any network: says what the program knows of it, and that nobody has added anything."""


def _number(value: float | None, digits: int = 3) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def table(lines: Sequence[dict[str, Any]], beside: Sequence[dict[str, Any]] = ()) -> str:
    """A Markdown table of figures (:func:`pipeline.learn.figures.as_json`); ``beside`` are another reader's."""
    other = {line["name"]: line for line in beside}
    head = ["figure", "value", "95 % interval", "cases", *(["classical reader"] if beside else []), "reach"]
    rows = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for line in lines:
        cells = [line["name"], _number(line["value"]), f"{_number(line['lo'])} to {_number(line['hi'])}", line["cases"]]
        if beside:
            theirs = other.get(line["name"])
            few = f" ({theirs['cases']} cases)" if theirs and theirs["cases"] != line["cases"] else ""
            cells.append(_number(theirs["value"]) + few if theirs else "-")
        rows.append("| " + " | ".join(str(c) for c in [*cells, line["reach"]]) + " |")
    return "\n".join(rows)


def figure(lines: Sequence[dict[str, Any]], name: str) -> str:
    """One figure by the beginning of its name, for a sentence; a dash where there is none."""
    return next((_number(line["value"]) for line in lines if line["name"].startswith(name)), "-")


def missed(lines: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """The lines whose value falls short of what they should reach."""
    short = []
    for line in lines:
        bound, value = line["reach"].split()[-1], line["value"]
        if bound == "-" or value is None:
            continue
        at_most = line["reach"].startswith("<=")
        if (value > float(bound)) if at_most else (value < float(bound)):
            short.append(line)
    return short


def read_template(file: Path) -> str:
    """The text of a template.

    Raises
    ------
    UsageError
        If it cannot be read.
    """
    try:
        return file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"The card's template {file} cannot be read: {error}.", "Name a text file.") from error


def fill(template: str, name: str, metrics: dict[str, Any], calibration: Calibration) -> str:
    """Fill a template (Jinja).

    It may use ``name``, ``metrics`` (as ``metrics.json`` has it), ``calibration``, and the functions ``table``,
    ``figure`` and ``missed``.

    Raises
    ------
    UsageError
        If the template is damaged or asks for something that there is not.
    """
    from jinja2 import Environment, StrictUndefined, TemplateError

    # Markdown, not HTML: nothing is escaped
    maker = Environment(undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, autoescape=False)
    maker.globals.update(table=table, figure=figure, missed=missed)
    try:
        return maker.from_string(template).render(name=name, metrics=metrics, calibration=calibration).rstrip() + "\n"
    except TemplateError as error:
        raise UsageError(
            f"The card's template cannot be used: {error}.", "See pipeline/learn/templates/card.md."
        ) from error
