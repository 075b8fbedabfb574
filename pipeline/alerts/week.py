"""Which trunks first this week, in walking order, with the reason."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.records import Finding, Severity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.records import Register

ORDER = (Severity.ACT, Severity.LOOK, Severity.NOTE)


@dataclass(frozen=True, slots=True)
class WeekEntry:
    """One trunk of the week's list: how soon, where, and why."""

    severity: Severity
    tree: str
    stem: str
    place: str
    findings: tuple[Finding, ...]

    @property
    def reason(self) -> str:
        """The most urgent finding's sentence."""
        return self.findings[0].why


def week_list(findings: Sequence[Finding], register: Register) -> tuple[WeekEntry, ...]:
    """Trunks with open findings: those to act on first, then those to look at, then notes; each in walking order."""
    by_stem: dict[tuple[str, str], list[Finding]] = {}
    for finding in findings:
        by_stem.setdefault((finding.tree, finding.stem), []).append(finding)
    entries = []
    for (tree, stem), own in by_stem.items():
        own.sort(key=lambda f: (ORDER.index(f.severity), f.key))
        entries.append(WeekEntry(own[0].severity, tree, stem, place_of(tree, register), tuple(own)))
    return tuple(sorted(entries, key=lambda e: (ORDER.index(e.severity), *walking_order(e.tree, register), e.stem)))


def place_of(tree: str, register: Register) -> str:
    """Where a tree stands, for people: block, row, position."""
    entry = register.trees.get(tree)
    if entry is None:
        return ""
    parts = (("block", entry.block), ("row", entry.row), ("place", entry.position))
    return ", ".join(f"{word} {value}" for word, value in parts if value)


def walking_order(tree: str, register: Register) -> tuple[tuple[tuple[int, int | str], ...], ...]:
    """Sort key of a walk: block, row, position, number, with numbers in text taken as numbers."""
    entry = register.trees.get(tree)
    texts = (entry.block, entry.row, entry.position, tree) if entry else ("", "", "", tree)
    return tuple(_natural(text) for text in texts)


def _natural(text: str) -> tuple[tuple[int, int | str], ...]:
    return tuple((0, int(part)) if part.isdigit() else (1, part.lower()) for part in re.findall(r"\d+|\D+", text))
