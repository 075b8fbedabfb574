"""The grove's register: four CSV files that a person keeps in a spreadsheet.

Every row is checked on its own.  A bad row becomes a :class:`~pipeline.records.RowProblem`
with file, line, column, value and reason, and the others load.  Only a file that cannot be
read as a table at all stops the load.  docs/register.md is the page for the person who
writes these files.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pipeline.cardspec import SITE_LIMIT
from pipeline.errors import RegisterError
from pipeline.records import Event, EventKind, GirthMeasure, Register, RowProblem, Site, Stem, Tree, WoundKind
from pipeline.register.cells import Cells
from pipeline.register.sheet import Sheet, read_sheet

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date
    from pathlib import Path

__all__ = ["COLUMNS", "REQUIRED", "load"]

COLUMNS: dict[str, tuple[str, ...]] = {
    "trees.csv": ("tree", "species", "planted_on", "block", "row", "position", "x_m", "y_m"),
    "stems.csv": ("tree", "stem", "girth_cm", "measured_on", "status", "sprouted_on"),
    "sites.csv": (
        "site",
        "tree",
        "stem",
        "kind",
        "made_on",
        "height_cm",
        "bearing_deg",
        "girth_cm",
        "first_width_mm",
        "first_height_mm",
        "retired_on",
    ),
    "events.csv": ("date", "tree", "stem", "site", "event", "amount", "unit", "by", "note"),
}
"""The columns of each file, in the order of its header row."""
REQUIRED: dict[str, tuple[str, ...]] = {
    "trees.csv": ("tree",),
    "stems.csv": ("tree", "stem"),
    "sites.csv": ("site", "tree", "kind"),
    "events.csv": ("date", "event"),
}
DEFAULT_STEM = "1"
LARGEST_GIRTH_CM = 2000.0
LARGEST_HEIGHT_CM = 6000.0
LARGEST_WOUND_MM = 10_000.0
LARGEST_AMOUNT = 1e9
FARTHEST_M = 1e6


def load(folder: Path, today: date | None = None) -> Register:
    """Read ``trees.csv``, ``stems.csv``, ``sites.csv`` and ``events.csv`` of a folder.

    Parameters
    ----------
    folder
        The register's folder; ``stems.csv`` and ``events.csv`` may be missing.
    today
        If given, days after it are refused, except where a plan is meant (``retired_on``).

    Raises
    ------
    RegisterError
        If a needed file is missing or a file cannot be read as a table.
    """
    draft = _Draft(today)
    _read_trees(draft, _needed(folder, "trees.csv"))
    _read_stems(draft, _sheet(folder, "stems.csv"))
    _read_sites(draft, _needed(folder, "sites.csv"))
    _read_events(draft, _sheet(folder, "events.csv"))
    return Register(
        trees=draft.trees,
        stems=draft.stems,
        sites=draft.sites,
        events=tuple(sorted(draft.events, key=lambda event: event.on)),
        problems=tuple(draft.problems),
    )


@dataclass
class _Draft:
    """What was loaded so far; later files refer to earlier ones."""

    today: date | None
    trees: dict[str, Tree] = field(default_factory=dict)
    stems: dict[tuple[str, str], Stem] = field(default_factory=dict)
    sites: dict[int, Site] = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    problems: list[RowProblem] = field(default_factory=list)
    refused_trees: dict[str, int] = field(default_factory=dict)
    refused_sites: dict[int, int] = field(default_factory=dict)

    def rows(self, sheet: Sheet) -> Iterator[Cells]:
        """Each row of a sheet; its problems are collected once it was read."""
        self.problems.extend(sheet.problems)
        for row in sheet.rows:
            cells = Cells(sheet.file, row, sheet.separator, self.today)
            yield cells
            self.problems.extend(cells.problems)


def _sheet(folder: Path, file: str) -> Sheet:
    return read_sheet(folder / file, REQUIRED[file], COLUMNS[file]) or Sheet(file)


def _needed(folder: Path, file: str) -> Sheet:
    sheet = read_sheet(folder / file, REQUIRED[file], COLUMNS[file])
    if sheet is None:
        raise RegisterError(
            f"The register has no {file} in {folder}.", "'woundwood init' writes all four files with their header rows."
        )
    return sheet


# ---------------------------------------------------------------- the four files


def _read_trees(draft: _Draft, sheet: Sheet) -> None:
    lines: dict[str, int] = {}
    for cells in draft.rows(sheet):
        tree = Tree(
            tree=cells.needed("tree"),
            species=cells.label("species"),
            planted_on=cells.day("planted_on"),
            block=cells.label("block"),
            row=cells.label("row"),
            position=cells.label("position"),
            x_m=cells.number("x_m", least=-FARTHEST_M, most=FARTHEST_M),
            y_m=cells.number("y_m", least=-FARTHEST_M, most=FARTHEST_M),
        )
        if tree.tree in lines:
            cells.refuse("tree", f"The tree is already in line {lines[tree.tree]}.")
        elif cells.good:
            draft.trees[tree.tree] = tree
            lines[tree.tree] = cells.line
        elif tree.tree:
            draft.refused_trees.setdefault(tree.tree, cells.line)


def _read_stems(draft: _Draft, sheet: Sheet) -> None:
    girths: dict[tuple[str, str], list[GirthMeasure]] = {}
    states: dict[tuple[str, str], list[tuple[int, bool]]] = {}
    sprouts: dict[tuple[str, str], date] = {}
    for cells in draft.rows(sheet):
        tree, stem = _known_tree(draft, cells), cells.needed("stem")
        if tree is None or not stem:
            continue
        key = (tree, stem)
        # A wrong girth must not make the stem, and with it the photos of its sites, unknown.
        girths.setdefault(key, [])
        states.setdefault(key, [])
        girth_cm = cells.number("girth_cm", least=0, most=LARGEST_GIRTH_CM, above=True)
        on, sprouted, removed = cells.day("measured_on"), cells.day("sprouted_on"), _is_removed(cells)
        if girth_cm is not None and any(entry.measured_on == on for entry in girths[key]):
            cells.refuse("measured_on" if on else "girth_cm", "The stem has a girth of this day already.")
        if not cells.good:
            continue
        if girth_cm is not None:
            girths[key].append(GirthMeasure(on, girth_cm * 10))
        states[key].append((on.toordinal() if on else 0, removed))
        if sprouted is not None:
            sprouts[key] = sprouted
    for key, history in girths.items():
        history.sort(key=lambda entry: entry.measured_on.toordinal() if entry.measured_on else 0)
        removed = bool(states[key]) and sorted(states[key], key=lambda state: state[0])[-1][1]
        draft.stems[key] = Stem(key[0], key[1], tuple(history), removed, sprouts.get(key))
    with_stems = {tree for tree, _ in draft.stems}
    for tree in draft.trees:
        if tree not in with_stems:
            draft.stems[tree, DEFAULT_STEM] = Stem(tree, DEFAULT_STEM)


def _is_removed(cells: Cells) -> bool:
    status = cells.label("status", "standing").casefold()
    if status not in ("standing", "removed"):
        cells.refuse("status", "It must be 'standing' or 'removed'.")
    return status == "removed"


def _read_sites(draft: _Draft, sheet: Sheet) -> None:
    lines: dict[int, int] = {}
    for cells in draft.rows(sheet):
        cells.needed("site")
        number = cells.whole("site", least=0, most=SITE_LIMIT - 1)
        site = _site(draft, cells, -1 if number is None else number)
        if number is None:
            continue
        if number in lines:
            cells.refuse("site", f"The site is already in line {lines[number]}; each card has its own number.")
        elif site is not None and cells.good:
            draft.sites[number] = site
            lines[number] = cells.line
        else:
            draft.refused_sites.setdefault(number, cells.line)


def _site(draft: _Draft, cells: Cells, number: int) -> Site | None:
    tree = _known_tree(draft, cells)
    stem = cells.label("stem", DEFAULT_STEM)
    if tree is not None:
        _check_stem(draft, cells, tree, stem)
    kind = cells.word("kind", WoundKind)
    girth_cm = cells.number("girth_cm", least=0, most=LARGEST_GIRTH_CM, above=True)
    bearing_deg = cells.number("bearing_deg", least=0, most=360)
    made_on, retired_on = cells.day("made_on"), cells.day("retired_on", may_be_ahead=True)
    if made_on is not None and retired_on is not None and retired_on < made_on:
        cells.refuse("retired_on", "The day is before the wound was made.")
    height_cm = cells.number("height_cm", least=0, most=LARGEST_HEIGHT_CM)
    first_width_mm = cells.number("first_width_mm", least=0, most=LARGEST_WOUND_MM, above=True)
    first_height_mm = cells.number("first_height_mm", least=0, most=LARGEST_WOUND_MM, above=True)
    if tree is None or kind is None:
        return None
    return Site(
        site=number,
        tree=tree,
        kind=kind,
        stem=stem,
        made_on=made_on,
        height_cm=height_cm,
        bearing_deg=None if bearing_deg is None else bearing_deg % 360,
        girth_mm=None if girth_cm is None else girth_cm * 10,
        first_width_mm=first_width_mm,
        first_height_mm=first_height_mm,
        retired_on=retired_on,
    )


def _read_events(draft: _Draft, sheet: Sheet) -> None:
    for cells in draft.rows(sheet):
        if not cells.text("date"):
            cells.needed("date")
        on, event = cells.day("date"), cells.word("event", EventKind)
        amount = cells.number("amount", least=0, most=LARGEST_AMOUNT)
        tree, stem, site = _what_it_was_done_to(draft, cells)
        if cells.good and on is not None and event is not None:
            words = {column: cells.text(column) for column in ("unit", "by", "note")}
            draft.events.append(Event(on, event, tree, stem, site, amount, **words))


def _what_it_was_done_to(draft: _Draft, cells: Cells) -> tuple[str, str, int | None]:
    """Tree, stem and site of an event; a site brings its tree and stem with it."""
    site = cells.whole("site", least=0, most=SITE_LIMIT - 1)
    tree = (_known_tree(draft, cells) or "") if cells.text("tree") else ""
    stem = cells.label("stem")
    if site is not None:
        entry = draft.sites.get(site)
        if entry is None:
            cells.refuse("site", _unknown("site", "sites.csv", draft.refused_sites.get(site)))
            return tree, stem, site
        if tree and tree != entry.tree:
            cells.refuse("tree", f"Site {site} is on tree '{entry.tree}'.")
        if stem and stem != entry.stem:
            cells.refuse("stem", f"Site {site} is on stem '{entry.stem}'.")
        return entry.tree, entry.stem, site
    if stem and not cells.text("tree"):
        cells.refuse("tree", "The stem's tree is needed.")
    elif not cells.text("tree") and not cells.text("site"):
        cells.refuse("tree", "Say what it was done to: a tree, a stem of a tree, or a site.")
    elif tree and stem:
        _check_stem(draft, cells, tree, stem)
    return tree, stem, None


# ---------------------------------------------------------------- references between the files


def _known_tree(draft: _Draft, cells: Cells) -> str | None:
    """Tree named in a row, if the register has it."""
    tree = cells.needed("tree")
    if not tree or tree in draft.trees:
        return tree or None
    alike = next((name for name in draft.trees if _same_letters(name) == _same_letters(tree)), None)
    if alike is not None:
        cells.refuse("tree", f"The tree is not in trees.csv; there is '{alike}'.")
    else:
        cells.refuse("tree", _unknown("tree", "trees.csv", draft.refused_trees.get(tree)))
    return None


def _same_letters(label: str) -> str:
    return "".join(letter for letter in label.casefold() if letter.isalnum())


def _unknown(what: str, file: str, refused_line: int | None) -> str:
    if refused_line is not None:
        return f"The {what} is not known, because its row in {file}, line {refused_line}, was refused."
    return f"The {what} is not in {file}."


def _check_stem(draft: _Draft, cells: Cells, tree: str, stem: str) -> None:
    if (tree, stem) not in draft.stems:
        there = ", ".join(f"'{label}'" for owner, label in draft.stems if owner == tree)
        cells.refuse("stem", f"Tree '{tree}' has no stem '{stem}' in stems.csv; it has {there}.")
