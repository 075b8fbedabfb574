"""One picture a tree: each wound drawn as an opening whose two sides draw together over the months.

Time runs to the right.  A site's row holds, from top to bottom: the stage in words on a patterned band, the opening
itself (width in mm, sides where the bark's rims are, the shaded edge is the 95 % interval, dashed what is expected),
signs where one may be present, and the photos, all cut to the same millimetres.  Nothing rests on colour alone; the
picture is meant to be printed in grey.
"""

from __future__ import annotations

import textwrap
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

from pipeline.alerts import stem_girdle
from pipeline.records import Stage
from pipeline.report.look import (
    BARK,
    EDGE,
    FOOT_IN,
    GAP_IN,
    HEAD_IN,
    HOLLOW,
    INK,
    LEFT_IN,
    LENS_IN,
    LINE_IN,
    MARKS,
    PAPER,
    QUIET,
    RIBBON_IN,
    RIGHT_IN,
    SIGN_IN,
    STEM_IN,
    STRIP_IN,
    TREE_IN,
    WIDTH_IN,
    WRAP,
    Span,
)
from pipeline.report.rows import (
    chosen,
    draw_lens,
    draw_ribbon,
    draw_sign_lane,
    draw_strip,
    draw_today,
    shade_season,
    signs_of,
)
from pipeline.report.words import change_words, compass, event_words, say

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from pipeline.alerts import Arc
    from pipeline.records import Finding, ImageRGB, Register, SiteHistory, TreeHealth


def timeline_picture(
    health: TreeHealth,
    patches: Callable[[str], ImageRGB | None],
    path: Path,
    *,
    today: date,
    register: Register | None = None,
    growing_months: Sequence[int] = (),
    patch_mm: Callable[[int], float | None] = lambda _: None,
    svg: bool = True,
    whole: Sequence[SiteHistory] = (),
) -> tuple[Path, Path]:
    """Draw a tree's timeline as PNG and SVG.

    Parameters
    ----------
    patches
        Gives the picture of a photo by its hash, cut to the same millimetres and square, or ``None``.
    path
        Where to; the endings ``.png`` and ``.svg`` are put on.
    register
        For the girth of the stems: how much of it is open at one height.
    growing_months
        Months to shade as growing season.
    patch_mm
        Edge of the pictures of a site in mm, for its scale bar; ``None`` draws none.
    svg
        Whether the SVG is written too.
    whole
        All sites of the tree, where ``health`` holds only some of them; for the stem's ring.

    Returns
    -------
    png, svg
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    shown = [h for h in health.sites if h.visits or h.events]
    span = _span(shown, today)
    notes = {h.site.site: [*_outlook(h), *_changes(h), *_notes(health.findings, h.site.site)] for h in shown}
    heights = [_row_height(h, notes[h.site.site], patches) for h in shown]
    stem_notes = _notes(health.findings, None)
    above = HEAD_IN + TREE_IN + STEM_IN * len(_stems(whole or health.sites)) + LINE_IN * len(stem_notes) + GAP_IN
    total = above + sum(heights) + GAP_IN * max(1, len(shown)) + FOOT_IN
    style: dict[Any, Any] = {
        "font.family": "DejaVu Sans",
        "font.size": 8,
        "svg.hashsalt": "woundwood",
        "hatch.linewidth": 0.4,
    }
    name = path.stem if path.suffix in (".png", ".svg") else path.name
    png, vector = path.with_name(f"{name}.png"), path.with_name(f"{name}.svg")
    path.parent.mkdir(parents=True, exist_ok=True)
    with mpl.rc_context(style):
        figure = Figure(figsize=(WIDTH_IN, total), facecolor=PAPER)
        page = _Page(figure, total)
        _head(page, health)
        _tree_row(page, health, span, growing_months)
        _stem_rows(page, whole or health.sites, register, stem_notes)
        for history, height in zip(shown, heights, strict=True):
            _site_row(
                page,
                history,
                span,
                notes[history.site.site],
                patches,
                growing_months,
                patch_mm(history.site.site),
                height,
            )
        figure.savefig(png, dpi=130, facecolor=PAPER, metadata={"Software": None})
        if svg:
            figure.savefig(vector, facecolor=PAPER, metadata={"Date": None, "Creator": None})
    return png, vector


class _Page:
    """A figure filled from top to bottom, in inches."""

    def __init__(self, figure: Figure, total_in: float) -> None:
        self.figure, self.total_in, self.top_in = figure, total_in, 0.0

    def axes(self, height_in: float, span: Span | None = None) -> Axes:
        """Axes of the next strip, between the left margin and the right edge."""
        bottom = 1.0 - (self.top_in + height_in) / self.total_in
        width = (WIDTH_IN - LEFT_IN - RIGHT_IN) / WIDTH_IN
        axes = self.figure.add_axes((LEFT_IN / WIDTH_IN, bottom, width, height_in / self.total_in))
        for side in axes.spines.values():
            side.set_visible(False)
        axes.set_xticks([])
        axes.set_yticks([])
        axes.set_facecolor("none")
        if span is not None:
            axes.set_xlim(0, span.days)
        self.top_in += height_in
        return axes

    def skip(self, height_in: float) -> None:
        """Leave room."""
        self.top_in += height_in

    def text(self, x_in: float, y_in: float, text: str, **style: Any) -> None:
        """Text at a place from the left and from the top of the page."""
        self.figure.text(x_in / WIDTH_IN, 1.0 - y_in / self.total_in, text, va="top", **{"color": INK, **style})


def _span(histories: Sequence[SiteHistory], today: date) -> Span:
    days = [v.visit_on for h in histories for v in h.visits] + [e.on for h in histories for e in h.events]
    first = min(days, default=today) - timedelta(days=6)
    last = max([today, *days])
    closing = [h.trends[-1].forecast.closes_on_hi for h in histories if h.trends and h.trends[-1].forecast]
    room = max(45, round(0.06 * (last - first).days))
    limit = last + timedelta(days=max(240, round(0.5 * (last - first).days)))
    ahead = min(max(closing), limit) if closing else last
    return Span(first, max(last, ahead) + timedelta(days=room), today)


def _notes(findings: Sequence[Finding], site: int | None) -> list[str]:
    lines: list[str] = []
    for finding in findings:
        if finding.site == site:
            text = f"{MARKS[finding.severity]} {say('severity_' + finding.severity.value)}: {finding.why}"
            lines += textwrap.wrap(text, WRAP, subsequent_indent="    ")
    return lines


def _outlook(history: SiteHistory) -> list[str]:
    """When closing is expected, or why no date is given, as lines of text."""
    trend = history.trends[-1] if history.trends else None
    if trend is None or not history.visits or not history.visits[-1].aperture_area_mm2:
        return []
    forecast = trend.forecast
    if forecast is None:
        return textwrap.wrap(say("no_date", why=trend.why_no_forecast), WRAP) if trend.why_no_forecast else []
    days = (forecast.closes_on, forecast.closes_on_lo, forecast.closes_on_hi)
    day, lo, hi = (_day(day) for day in days)
    words = say("closes_between", day=day, lo=lo, hi=hi)
    return textwrap.wrap(f"{words} {trend.borrows}." if trend.borrows else words, WRAP)


def _changes(history: SiteHistory) -> list[str]:
    """What changed in how the present episode closes, as lines of text."""
    changes = history.trends[-1].change_points if history.trends else ()
    return [line for change in changes for line in textwrap.wrap(change_words(change), WRAP)]


def _row_height(history: SiteHistory, notes: Sequence[str], patches: Callable[[str], ImageRGB | None]) -> float:
    strip = STRIP_IN if any(patches(v.chosen_sha256) is not None for v in chosen(history.visits)) else 0.0
    return RIBBON_IN + LENS_IN + SIGN_IN * len(signs_of(history)) + strip + LINE_IN * len(notes)


def _head(page: _Page, health: TreeHealth) -> None:
    tree = health.tree
    page.text(0.25, 0.2, say("tree_title", tree=tree.tree, status=health.status), fontsize=15, fontweight="bold")
    where = ", ".join(part for part in (tree.species, tree.block and say("block", block=tree.block)) if part)
    page.text(0.25, 0.55, textwrap.fill(where, 22), fontsize=7.5, color=QUIET)
    reasons = [textwrap.shorten(reason, 128, placeholder=" ...") for reason in health.reasons]
    if len(reasons) > 3:
        reasons = [*reasons[:2], say("more_below", count=len(reasons) - 2)]
    page.text(LEFT_IN, 0.55, "\n".join(reasons), fontsize=7.5, color=INK, linespacing=1.35)
    page.skip(HEAD_IN)


def _stems(histories: Sequence[SiteHistory]) -> list[str]:
    return sorted({history.site.stem for history in histories})


def _stem_rows(page: _Page, histories: Sequence[SiteHistory], register: Register | None, notes: Sequence[str]) -> None:
    """A ring a stem, seen from above with north up: dark where it is open at the height that is open most."""
    for stem in _stems(histories):
        top = page.top_in
        share, arcs = stem_girdle(histories, register, stem) if register is not None else (0.0, ())
        page.text(0.25, top + 0.14, say("stem_name", stem=stem), fontsize=9, fontweight="bold")
        _ring(page, arcs, LEFT_IN + 0.26, top + 0.27)
        if register is None:
            words = say("girdle_unknown")
        elif share <= 0:
            words = say("girdle_none")
        else:
            words = say("girdle", share=f"{100 * share:.0f}", sites=", ".join(str(arc.site) for arc in arcs))
        counts = _stage_counts([h for h in histories if h.site.stem == stem])
        page.text(LEFT_IN + 0.62, top + 0.12, f"{words}\n{counts}", fontsize=7.6, linespacing=1.4)
        page.skip(STEM_IN)
    for line in notes:
        page.text(LEFT_IN, page.top_in + 0.02, line, fontsize=7.6)
        page.skip(LINE_IN)
    page.skip(GAP_IN)
    page.figure.add_artist(_rule(1.0 - (page.top_in - 0.5 * GAP_IN) / page.total_in))


def _stage_counts(histories: Sequence[SiteHistory]) -> str:
    seen = [h.visits[-1].stage for h in histories if h.visits and h.site.is_wound]
    parts = [f"{seen.count(stage)} {say('stage_' + stage.word)}" for stage in Stage if stage in seen]
    return say("wound_counts", counts=", ".join(parts)) if parts else ""


def _ring(page: _Page, arcs: Sequence[Arc], x_in: float, y_in: float) -> None:
    from matplotlib.patches import Wedge

    edge = 0.5
    axes = page.figure.add_axes(
        ((x_in - edge / 2) / WIDTH_IN, 1 - (y_in + edge / 2) / page.total_in, edge / WIDTH_IN, edge / page.total_in)
    )
    axes.set_xlim(-1.3, 1.3)
    axes.set_ylim(-1.3, 1.3)
    axes.axis("off")
    axes.add_patch(Wedge((0, 0), 1.0, 0, 360, width=0.34, facecolor=BARK, edgecolor=INK, lw=0.7))
    for arc in arcs:
        if arc.centre_deg is not None:
            middle = 90.0 - arc.centre_deg
            half = arc.width_deg / 2
            axes.add_patch(Wedge((0, 0), 1.0, middle - half, middle + half, width=0.34, facecolor=HOLLOW, lw=0))
    axes.plot([0, 0], [1.04, 1.24], color=INK, lw=0.9)


def _tree_row(page: _Page, health: TreeHealth, span: Span, growing: Sequence[int]) -> None:
    """Calendar, growing season, and what was done to the tree or a stem as a whole."""
    page.text(0.25, page.top_in + 0.08, say("calendar"), fontsize=7.5, color=QUIET)
    axes = page.axes(TREE_IN, span)
    axes.set_ylim(0, 1)
    shade_season(axes, span, growing, 0.0, 0.34, label=True)
    month = date(span.first.year, span.first.month, 1)
    step = 1 if span.days < 560 else 3 if span.days < 1500 else 6
    while month <= span.last:
        x = span.x(month)
        if x >= 0 and (month.month - 1) % step == 0:
            axes.plot([x, x], [0.34, 0.44], color=QUIET, lw=0.6)
            axes.text(x, 0.48, f"{month:%b}", fontsize=7, color=QUIET, ha="left")
        if month.month == 1 or month == date(span.first.year, span.first.month, 1):
            axes.text(max(0.0, x), 0.76, str(month.year), fontsize=8.5, fontweight="bold", ha="left")
        month = date(month.year + month.month // 12, month.month % 12 + 1, 1)
    draw_today(axes, span, label=True)
    whole = {e for h in health.sites for e in h.events if e.site is None}
    for event in sorted(whole, key=lambda e: e.on):
        axes.plot([span.x(event.on)], [0.17], marker="D", ms=4, color=INK)
        axes.text(span.x(event.on), 0.17, f"  {event_words(event)}", fontsize=7, va="center")


def _site_row(
    page: _Page,
    history: SiteHistory,
    span: Span,
    notes: Sequence[str],
    patches: Callable[[str], ImageRGB | None],
    growing: Sequence[int],
    patch_mm: float | None,
    height: float,
) -> None:
    top = page.top_in
    site = history.site
    _site_label(page, history, top)
    ribbon = page.axes(RIBBON_IN, span)
    if site.is_wound:
        draw_ribbon(ribbon, history.visits, span)
    else:
        ribbon.text(0, 0.5, say("watched_bark"), fontsize=8, va="center", color=QUIET)
    lens = page.axes(LENS_IN, span)
    draw_lens(lens, history, span, growing)
    for sign in signs_of(history):
        draw_sign_lane(page.axes(SIGN_IN, span), history, sign, span)
    if height - RIBBON_IN - LENS_IN - SIGN_IN * len(signs_of(history)) - LINE_IN * len(notes) > 0.1:
        draw_strip(page.axes(STRIP_IN, span), lens, history, span, patches, patch_mm)
    for line in notes:
        page.text(LEFT_IN, page.top_in + 0.03, line, fontsize=7.6)
        page.skip(LINE_IN)
    page.skip(GAP_IN)
    y = 1.0 - (page.top_in - 0.5 * GAP_IN) / page.total_in
    page.figure.add_artist(_rule(y))


def _rule(y: float) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([0.25 / WIDTH_IN, 1 - RIGHT_IN / WIDTH_IN], [y, y], color=EDGE, lw=0.5)


def _site_label(page: _Page, history: SiteHistory, top: float) -> None:
    site = history.site
    page.text(0.25, top, say("site_name", site=site.site), fontsize=11, fontweight="bold")
    place = [site.kind.value]
    if site.height_cm is not None:
        place.append(say("height_up", height=f"{site.height_cm:.0f}"))
    if site.bearing_deg is not None:
        place.append(say("facing", direction=compass(site.bearing_deg)))
    lines = textwrap.wrap(", ".join(place), 24)
    if history.visits:
        lines += ["", *_now_lines(history)]
    page.text(0.25, top + 0.24, "\n".join(lines), fontsize=7.3, linespacing=1.35)


def _now_lines(history: SiteHistory) -> list[str]:
    last = history.visits[-1]
    lines = []
    if last.aperture_area_mm2:
        sd = last.aperture_area_mm2_sd or 0.0
        lines.append(say("now_area", area=f"{last.aperture_area_mm2:.0f}"))
        lines.append(say("now_area_range", half=f"{1.96 * sd:.0f}"))
    elif last.aperture_area_mm2 == 0 and history.site.is_wound:
        lines += textwrap.wrap(say("no_opening"), 24)
    trend = history.trends[-1] if history.trends else None
    if trend is not None and trend.width_closure_rate_mm_per_year is not None and last.aperture_area_mm2:
        rate = trend.width_closure_rate_mm_per_year
        if rate.lo <= 0 <= rate.hi:
            lines += textwrap.wrap(say("no_clear_change"), 22)
        else:
            key = "width_rate" if rate.value > 0 else "width_rate_back"
            lines.append(say(key, rate=f"{abs(rate.value):.1f}"))
            lo, hi = sorted((abs(rate.lo), abs(rate.hi)))
            lines.append(say("rate_range", lo=f"{lo:.1f}", hi=f"{hi:.1f}"))
    return lines


def _day(day: date) -> str:
    return f"{day.day} {day:%b} {day.year}"
