"""One line of a table: a figure with what it should reach, its interval and its number of cases.  No torch here."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.metrics import Confidence, bootstrap

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True)
class Figure:
    """One line of the table; ``confidence`` is NaN with 0 cases where there was nothing to count."""

    name: str
    reach: str
    confidence: Confidence

    @property
    def text(self) -> str:
        """The line as printed."""
        c = self.confidence
        if not c.cases:
            return f"{self.name:<62}       -  (no cases)"
        return f"{self.name:<62} {c.value:7.3f}  [{c.lo:6.3f}, {c.hi:6.3f}]  n={c.cases:<5d} reach {self.reach}"


def over(figure: Callable[[NDArray[np.intp]], float], rows: ArrayLike, draws: int) -> Confidence:
    """A figure over chosen rows, with its bootstrap interval over them."""
    chosen = np.asarray(rows, dtype=np.intp)
    if not chosen.size:
        return Confidence(float("nan"), float("nan"), float("nan"), 0)
    return bootstrap(lambda pick: figure(chosen[pick]), len(chosen), draws=draws)


def mean_over(values: ArrayLike, rows: ArrayLike, draws: int) -> Confidence:
    """Mean of values over chosen rows."""
    numbers = np.asarray(values, dtype=np.float64)
    return over(lambda r: float(numbers[r].mean()), rows, draws)


def as_json(lines: Sequence[Figure]) -> list[dict[str, Any]]:
    """Plain values of a table; ``None`` where there is no number."""
    table = []
    for line in lines:
        c = line.confidence
        numbers = {"value": c.value, "lo": c.lo, "hi": c.hi}
        plain = {name: float(n) if math.isfinite(n) else None for name, n in numbers.items()}
        table.append({"name": line.name.strip(), "reach": line.reach, **plain, "cases": c.cases})
    return table


def write_table(lines: Sequence[Figure], file: Path) -> None:
    """Store a table as JSON."""
    file.write_text(json.dumps(as_json(lines), indent=1), encoding="utf-8")
