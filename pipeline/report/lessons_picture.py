"""What the grove teaches as one picture: how far openings of each group draw together in one growing season.

Every group is drawn as half an opening at the bark's edge: the dark hollow ends at the lower bound of what one season
closes, the pale rim at the upper bound (95 %), with a tick at the mean; the thin line is the range of a new site
(80 %).
Nothing rests on colour alone.
"""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from pipeline.report.look import BARK, EDGE, HOLLOW, INK, PAPER, QUIET, WIDTH_IN

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

    from pipeline.lessons import Comparison, Group, Lessons, TreeYear

ROW_IN, HEAD_IN, WOOD_IN, TOP_IN = 0.24, 0.34, 2.3, 1.75
LABEL_IN, COUNT_IN = 2.6, 1.9
KEY = "tick: mean; dark to pale end: its 95 % interval; thin line: where a new site would fall (80 %)"


def lessons_picture(found: Lessons, grove: str, path: Path) -> tuple[Path, Path]:
    """Draw the comparisons as PNG and SVG.

    Parameters
    ----------
    path
        Where to; the endings ``.png`` and ``.svg`` are put on.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    shown = [c for c in found.comparisons if c.groups]
    body = sum(HEAD_IN + ROW_IN * len(c.groups) for c in shown) + HEAD_IN + ROW_IN
    wood = [row for row in found.tree_years if row.rate is not None and row.wood_g is not None]
    total = TOP_IN + body + 0.85 + (WOOD_IN + 0.9 if wood else 0.0)
    style: dict[Any, Any] = {"font.family": "DejaVu Sans", "font.size": 8, "svg.hashsalt": "woundwood"}
    png, vector = path.with_suffix(".png"), path.with_suffix(".svg")
    path.parent.mkdir(parents=True, exist_ok=True)
    with mpl.rc_context(style):
        figure = Figure(figsize=(WIDTH_IN, total), facecolor=PAPER)
        figure.text(0.25 / WIDTH_IN, 1 - 0.3 / total, f"What {grove} teaches", fontsize=13, color=INK, va="center")
        words = "\n".join(textwrap.wrap(found.words, 150))
        figure.text(0.25 / WIDTH_IN, 1 - 0.52 / total, words, fontsize=7.6, color=INK, va="top", linespacing=1.4)
        left, width = LABEL_IN / WIDTH_IN, (WIDTH_IN - LABEL_IN - COUNT_IN) / WIDTH_IN
        axes = figure.add_axes((left, 1 - (TOP_IN + body) / total, width, body / total))
        _draw_comparisons(axes, found, shown, body)
        if wood:
            below = figure.add_axes((left, 0.55 / total, width, WOOD_IN / total))
            _draw_wood(below, wood, found)
        figure.savefig(png, dpi=150, metadata={"Software": None})
        figure.savefig(vector, metadata={"Date": None, "Creator": None})
    return png, vector


def _draw_comparisons(axes: Axes, found: Lessons, shown: Sequence[Comparison], height_in: float) -> None:
    groups = [found.overall, *(g for c in shown for g in c.groups)]
    ends = [found.season_mm(g.new_site.hi) for g in groups if g.new_site is not None]
    least = [found.season_mm(min(g.new_site.lo, g.mean.lo)) for g in groups if g.new_site and g.mean]
    limit, low = max([*ends, 5.0]) * 1.04, min([*least, 0.0])
    axes.set(xlim=(low, limit), ylim=(height_in, 0.0), yticks=[])
    axes.set_facecolor(PAPER)
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    axes.spines["bottom"].set_color(QUIET)
    axes.tick_params(axis="x", colors=QUIET, labelsize=7.5)
    axes.set_xlabel(f"width that closes in one growing season, mm, both sides together\n{KEY}", color=INK, fontsize=8)
    axes.axvline(0.0, color=EDGE, lw=0.8, zorder=0)
    y = 0.5 * HEAD_IN
    _draw_group(axes, found, found.overall, y + 0.5 * ROW_IN, limit)
    y += ROW_IN + 0.5 * HEAD_IN
    for comparison in shown:
        verdict = {True: "differs beyond chance", False: "no difference beyond chance", None: "cannot be compared yet"}
        more = f"; not known for {comparison.unknown}" if comparison.unknown else ""
        _beside(axes, -0.02, y + 0.62 * HEAD_IN, comparison.name, "right", INK, weight="bold")
        _beside(axes, 0.004, y + 0.62 * HEAD_IN, f"{verdict[comparison.differ]}{more}", "left", QUIET, style="italic")
        y += HEAD_IN
        for group in comparison.groups:
            _draw_group(axes, found, group, y + 0.5 * ROW_IN, limit)
            y += ROW_IN


def _draw_group(axes: Axes, found: Lessons, group: Group, y: float, limit: float) -> None:
    _beside(axes, -0.02, y, group.label, "right", INK)
    _beside(axes, 1.012, y, f"{group.sites} sites, {group.trees} trees", "left", QUIET)
    if group.mean is None or group.new_site is None:
        axes.text(0.012 * limit, y, group.why_not, color=QUIET, fontsize=7.2, va="center", style="italic")
        return
    lo, middle, hi = (found.season_mm(v) for v in (group.mean.lo, group.mean.value, group.mean.hi))
    new_lo, new_hi = found.season_mm(group.new_site.lo), found.season_mm(group.new_site.hi)
    half = 0.3 * ROW_IN
    axes.fill_between([0.0, max(0.0, hi)], y - half, y + half, facecolor=BARK, edgecolor=EDGE, lw=0.5, zorder=1)
    axes.fill_between([0.0, max(0.0, lo)], y - half, y + half, color=HOLLOW, lw=0, zorder=2)
    axes.plot([middle, middle], [y - 1.5 * half, y + 1.5 * half], color=INK, lw=1.6, zorder=3)
    axes.plot([new_lo, new_hi], [y + 1.45 * half] * 2, color=INK, lw=0.7, zorder=3)


def _beside(axes: Axes, x: float, y: float, text: str, side: str, color: str, **look: Any) -> None:
    """Text at a share of the width and a height in data."""
    place = axes.get_yaxis_transform()
    axes.text(x, y, text, transform=place, ha=side, va="center", color=color, fontsize=7.8, clip_on=False, **look)


def _draw_wood(axes: Axes, rows: Sequence[TreeYear], found: Lessons) -> None:
    """Wood taken in a year against the width that closed in that year (filled) and the next (open)."""
    for row in rows:
        if row.rate is None or row.wood_g is None:
            continue
        kilos = row.wood_g / 1000.0
        now = found.season_mm(row.rate.value)
        axes.plot([kilos], [now], "o", ms=4, color=HOLLOW, zorder=3)
        if row.rate_next_year is not None:
            after = found.season_mm(row.rate_next_year.value)
            axes.plot([kilos, kilos], [now, after], color=EDGE, lw=0.8, zorder=1)
            axes.plot([kilos], [after], "o", ms=4.5, mfc=PAPER, mec=HOLLOW, zorder=2)
    axes.set_xlabel("wood taken from a tree in a year, kg", color=INK, fontsize=8)
    axes.set_ylabel("mm closed in the season", color=INK, fontsize=8)
    axes.set_title(
        "How trees answered: filled the year of the cut, open the year after", loc="left", fontsize=8.5, color=INK
    )
    for side in ("right", "top"):
        axes.spines[side].set_visible(False)
    axes.tick_params(colors=QUIET, labelsize=7.5)
