"""A wound's rim at two visits: both outlines in the same millimetres, and a bar for each arc that moved.

Bars inside the earlier outline stand where the bark advanced over the opening (hatched), bars outside it where the rim
drew back (black); a ring marks an arc that stands still, a dot one of which nothing can be said.  Bars are drawn longer
than the advance, by a factor that is written beside them.  Nothing rests on colour.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.records import RimMove, RimPart
from pipeline.report.look import BARK, EDGE, INK, PAPER, QUIET
from pipeline.report.words import say

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from pipeline.records import RimArc, RimField, RimShift, SiteHistory

SIZE_IN = (7.0, 3.5)
DRAWING_IN = 3.3
BAR_SHARE = 0.16
"""The longest bar as a share of the picture's edge."""
TIMES = (1, 2, 5, 10, 20, 50)
BAR_WIDTH = 0.62
"""Width of a bar as a share of its arc."""


def rim_picture(field: RimField, site: int, days: tuple[date, date], path: Path) -> Path:
    """Draw where a rim advanced between two visits, as PNG.

    Parameters
    ----------
    field
        With arcs and rims.
    site, days
        Which site, and the days of the two visits.
    path
        Where to.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    style: dict[Any, Any] = {"font.family": "DejaVu Sans", "font.size": 8, "hatch.linewidth": 0.6}
    path.parent.mkdir(parents=True, exist_ok=True)
    with mpl.rc_context(style):
        figure = Figure(figsize=SIZE_IN, facecolor=PAPER)
        margin = 0.1
        axes = figure.add_axes(
            (margin / SIZE_IN[0], margin / SIZE_IN[1], DRAWING_IN / SIZE_IN[0], DRAWING_IN / SIZE_IN[1])
        )
        times = _draw(axes, field)
        x = (DRAWING_IN + 3 * margin) / SIZE_IN[0]
        title = say("rim_title", site=site)
        figure.text(x, 0.95, title, fontsize=11, fontweight="bold", va="top", color=INK)
        between = say("rim_between", first=days[0].isoformat(), last=days[1].isoformat())
        figure.text(x, 0.87, between, fontsize=8, va="top", color=QUIET)
        figure.text(x, 0.79, "\n".join(_lines(field)), fontsize=8.2, va="top", color=INK, linespacing=1.5)
        _key(figure.add_axes((x, 0.03, 0.97 - x, 0.27)), times)
        figure.savefig(path, dpi=130, facecolor=PAPER, metadata={"Software": None})
    return path


def rim_words(field: RimField) -> str:
    """The picture in sentences, for those who cannot see it."""
    return " ".join(f"{line.strip()}." for line in _lines(field) if line)


def latest_rim(history: SiteHistory, fields: Mapping[str, RimField]) -> tuple[RimField, tuple[date, date]] | None:
    """The whole field of a site's last visit, if there is one, and the days of the two visits."""
    if len(history.visits) < 2 or history.visits[-1].rim_field is None:
        return None
    before, last = history.visits[-2:]
    field = fields.get(history.visits[-1].rim_field.later)
    return None if field is None or not field.arcs else (field, (before.visit_on, last.visit_on))


def _lines(field: RimField) -> list[str]:
    together = [
        _line(say(key), shift) for key, shift in (("rim_sides", field.sides), ("rim_ends", field.ends)) if shift
    ]
    parts = [
        _line(say("rim_" + part.value.replace(" ", "_")), field.parts[part]) for part in RimPart if part in field.parts
    ]
    return [*together, "", *parts]


def _line(name: str, shift: RimShift) -> str:
    lo, hi = (shift.advance_mm + sign * 1.96 * shift.advance_mm_sd for sign in (-1, 1))
    if lo > 0:
        return say("rim_advanced", part=name, by=f"{shift.advance_mm:.2f}", lo=f"{lo:.2f}", hi=f"{hi:.2f}")
    if hi < 0:
        return say("rim_retreated", part=name, by=f"{-shift.advance_mm:.2f}", lo=f"{-hi:.2f}", hi=f"{-lo:.2f}")
    return say("rim_no_move", part=name, lo=f"{lo:.2f}", hi=f"{hi:.2f}")


def _draw(axes: Axes, field: RimField) -> int:
    """The outlines and bars; returns how many times longer than the advance the bars are."""
    corners = np.concatenate([np.asarray(rim) for rim in (*field.earlier_rims, *field.later_rims)])
    lo, hi = corners.min(axis=0), corners.max(axis=0)
    edge = float((hi - lo).max()) * (1 + 2.2 * BAR_SHARE)
    middle = (lo + hi) / 2
    axes.set_xlim(middle[0] - edge / 2, middle[0] + edge / 2)
    axes.set_ylim(middle[1] - edge / 2, middle[1] + edge / 2)
    axes.set_aspect("equal")
    axes.set_xticks([])
    axes.set_yticks([])
    axes.set_facecolor(BARK)
    for side in axes.spines.values():
        side.set_color(EDGE)
    told = [arc for arc in field.arcs if arc.move in (RimMove.ADVANCES, RimMove.RETREATS)]
    largest = max((abs(arc.advance_mm) for arc in told), default=1.0)
    times = max(t for t in TIMES if t == 1 or t * largest <= BAR_SHARE * edge)
    for rim in field.earlier_rims:
        axes.fill(*np.asarray(rim).T, facecolor=PAPER, edgecolor="none", zorder=1)
    for arc, outward in zip(field.arcs, outwards(field), strict=True):
        _mark(axes, arc, outward, times, edge)
    for rims, width, style in ((field.earlier_rims, 0.8, (0, (4, 2))), (field.later_rims, 1.5, "-")):
        for rim in rims:
            closed = np.asarray((*rim, rim[0]))
            axes.plot(*closed.T, color=INK, lw=width, ls=style, zorder=4)
    _scale_bar(axes, edge)
    return times


def outwards(field: RimField) -> NDArray[np.float64]:
    """Direction away from the opening at each arc, shape (N, 2): to the right of the earlier rim there."""
    starts = np.concatenate([np.asarray(rim) for rim in field.earlier_rims])
    runs = np.concatenate([np.roll(np.asarray(rim), -1, axis=0) for rim in field.earlier_rims]) - starts
    length = np.maximum((runs**2).sum(axis=1), 1e-12)
    found = np.zeros((len(field.arcs), 2))
    for k, arc in enumerate(field.arcs):
        at = np.array([arc.x_mm, arc.y_mm])
        share = np.clip(((at - starts) * runs).sum(axis=1) / length, 0, 1)
        nearest = int(np.argmin(((starts + share[:, None] * runs - at) ** 2).sum(axis=1)))
        found[k] = np.array([runs[nearest, 1], -runs[nearest, 0]]) / np.sqrt(length[nearest])
    return found


def _mark(axes: Axes, arc: RimArc, outward: NDArray[np.float64], times: int, edge: float) -> None:
    at = np.array([arc.x_mm, arc.y_mm])
    if arc.move in (RimMove.STILL, RimMove.UNCLEAR):
        still = arc.move is RimMove.STILL
        place = at + 0.025 * edge * outward
        axes.plot(*place, marker="o", ms=4.5 if still else 1.8, mfc=PAPER if still else INK, mec=INK, mew=0.9, zorder=5)
        return
    along = np.array([-outward[1], outward[0]]) * BAR_WIDTH * arc.length_mm / 2
    reach = -outward * times * arc.advance_mm
    corners = np.stack([at - along, at + along, at + along + reach, at - along + reach])
    closes = arc.move is RimMove.ADVANCES
    axes.fill(
        *corners.T,
        facecolor=PAPER if closes else INK,
        hatch="//////" if closes else None,
        edgecolor=INK,
        lw=0.5,
        zorder=3,
    )


def _scale_bar(axes: Axes, edge: float) -> None:
    length = next(step for step in (100, 50, 20, 10, 5, 2, 1) if step <= 0.3 * edge or step == 1)
    x0, y = axes.get_xlim()[0] + 0.04 * edge, axes.get_ylim()[0] + 0.04 * edge
    axes.plot([x0, x0 + length], [y, y], color=INK, lw=1.6, solid_capstyle="butt", zorder=6)
    axes.text(x0, y + 0.015 * edge, f"{length} mm", fontsize=7, color=INK, va="bottom", zorder=6)


def _key(axes: Axes, times: int) -> None:
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 5)
    axes.axis("off")
    rows = ("rim_key_lines", "rim_key_advance", "rim_key_retreat", "rim_key_still", "rim_key_unclear")
    for k, key in enumerate(rows):
        y = 4.5 - k
        if k == 0:
            axes.plot([0.0, 0.08], [y + 0.15, y + 0.15], color=INK, lw=0.8, ls=(0, (4, 2)))
            axes.plot([0.0, 0.08], [y - 0.2, y - 0.2], color=INK, lw=1.5)
        elif k in (1, 2):
            axes.fill(
                [0.0, 0.08, 0.08, 0.0], [y - 0.3, y - 0.3, y + 0.3, y + 0.3], facecolor=PAPER if k == 1 else INK,
                hatch="//////" if k == 1 else None, edgecolor=INK, lw=0.5,
            )  # fmt: skip
        else:
            still = k == 3
            axes.plot([0.04], [y], marker="o", ms=4.5 if still else 1.8, mfc=PAPER if still else INK, mec=INK, mew=0.9)
        axes.text(0.12, y, say(key, times=times), fontsize=6.8, va="center", color=INK)
