"""One picture a tree: each wound drawn as an opening whose two sides draw together over the months.

Time runs to the right.  A site's row holds, from top to bottom: the stage in words on a patterned band, the opening
itself (width in mm, sides where the bark's rims are, the shaded edge is the 95 % interval, dashed what is expected),
signs where one may be present, and the photos, all cut to the same millimetres.  Nothing rests on colour alone; the
picture is meant to be printed in grey.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.alerts import stem_girdle
from pipeline.records import EventKind, Severity, Sign, Stage
from pipeline.report.words import compass, event_words, say

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from pipeline.alerts import Arc
    from pipeline.records import Finding, Forecast, ImageRGB, Register, SiteHistory, TreeHealth, Visit

PAPER, INK, QUIET, BARK, HOLLOW, EDGE, SEASON = (
    "#ffffff", "#1d1b19", "#6f6a64", "#efe8da", "#3a2f28", "#a3937f", "#e0d6c2",
)  # fmt: skip
STAGE_LOOKS: dict[Stage, tuple[str, str, str]] = {
    Stage.FRESH: ("#fffdf8", "", INK),
    Stage.RESINOUS: ("#e9ddc6", "....", INK),
    Stage.CALLUS: ("#dcd7c9", "////", INK),
    Stage.CLOSING: ("#c3c2b1", "", INK),
    Stage.CLOSED: ("#8d9280", "", "#ffffff"),
    Stage.REBARKED: ("#4e5549", "", "#ffffff"),
}
"""Fill, hatch and ink of each stage: darker as the wound passes on."""
MARKS = {Severity.ACT: "\u25a0", Severity.LOOK: "\u25b2", Severity.NOTE: "\u25cb"}
"""Signs of severity: filled square, triangle, open circle."""
WIDTH_IN, LEFT_IN, RIGHT_IN = 10.6, 1.9, 0.25
RIBBON_IN, LENS_IN, STRIP_IN, LINE_IN, GAP_IN = 0.24, 1.25, 0.92, 0.17, 0.42
HEAD_IN, TREE_IN, STEM_IN, FOOT_IN = 1.1, 0.62, 0.56, 0.2
PHOTOS_A_ROW = 9
SIGN_IN = 0.19
SIGN_P = 0.5
WRAP = 132


@dataclass(frozen=True, slots=True)
class Span:
    """The days that the picture shows."""

    first: date
    last: date
    today: date

    def x(self, day: date) -> float:
        """Place of a day, in days since the first."""
        return float((day - self.first).days)

    @property
    def days(self) -> float:
        """Length of the span."""
        return float((self.last - self.first).days)


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
    notes = {h.site.site: [*_outlook(h), *_notes(health.findings, h.site.site)] for h in shown}
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


def _row_height(history: SiteHistory, notes: Sequence[str], patches: Callable[[str], ImageRGB | None]) -> float:
    strip = STRIP_IN if any(patches(v.chosen_sha256) is not None for v in _chosen(history.visits)) else 0.0
    return RIBBON_IN + LENS_IN + SIGN_IN * len(_signs_of(history)) + strip + LINE_IN * len(notes)


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
    seen = [h.visits[-1].stage for h in histories if h.visits]
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
    _shade_season(axes, span, growing, 0.0, 0.34, label=True)
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
    _today(axes, span, label=True)
    whole = {e for h in health.sites for e in h.events if e.site is None}
    for event in sorted(whole, key=lambda e: e.on):
        axes.plot([span.x(event.on)], [0.17], marker="D", ms=4, color=INK)
        axes.text(span.x(event.on), 0.17, f"  {event_words(event)}", fontsize=7, va="center")


def _shade_season(axes: Axes, span: Span, growing: Sequence[int], low: float, high: float, label: bool = False) -> None:
    if not growing or len(set(growing)) == 12:
        return
    day, start = span.first, None
    while day <= span.last + timedelta(days=1):
        inside = day.month in growing and day <= span.last
        if inside and start is None:
            start = day
        if not inside and start is not None:
            x0, x1 = span.x(start), span.x(day)
            axes.fill_between([x0, x1], low, high, color=SEASON, lw=0, zorder=0)
            if label and x1 - x0 > 0.09 * span.days:
                axes.text(
                    (x0 + x1) / 2, (low + high) / 2, say("growing_season"), fontsize=6.5, ha="center", va="center"
                )
            start = None
        day += timedelta(days=1)


def _today(axes: Axes, span: Span, label: bool = False) -> None:
    x = span.x(span.today)
    axes.axvline(x, color=INK, lw=0.7, ls=(0, (1, 2)), zorder=6)
    if label:
        axes.text(x, 0.98, f" {say('today')} {span.today.day} {span.today:%b}", fontsize=7, va="top", ha="left")


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
    _site_label(page, history, top)
    _ribbon(page.axes(RIBBON_IN, span), history.visits, span)
    lens = page.axes(LENS_IN, span)
    _lens(lens, history, span, growing)
    for sign in _signs_of(history):
        _sign_lane(page.axes(SIGN_IN, span), history, sign, span)
    if height - RIBBON_IN - LENS_IN - SIGN_IN * len(_signs_of(history)) - LINE_IN * len(notes) > 0.1:
        _strip(page.axes(STRIP_IN, span), lens, history, span, patches, patch_mm)
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
    elif last.aperture_area_mm2 == 0:
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


def _ribbon(axes: Axes, visits: Sequence[Visit], span: Span) -> None:
    """The stage in words on a band; each visit's stage holds until the next visit."""
    axes.set_ylim(0, 1)
    runs: list[tuple[Stage, float, float, int]] = []
    for i, visit in enumerate(visits):
        x0 = span.x(visit.visit_on)
        stage = visit.stage if visit.stage_smoothed is None else visit.stage_smoothed
        x1 = span.x(visits[i + 1].visit_on) if i + 1 < len(visits) else min(span.days, max(x0 + 12, span.x(span.today)))
        if runs and runs[-1][0] is stage and runs[-1][3] == visit.episode:
            runs[-1] = (stage, runs[-1][1], x1, visit.episode)
        else:
            runs.append((stage, x0, x1, visit.episode))
    outside: list[tuple[float, str]] = []
    for stage, x0, x1, _ in runs:
        fill, hatch, ink = STAGE_LOOKS[stage]
        axes.fill_between([x0, x1], 0.0, 1.0, facecolor=fill, hatch=hatch, edgecolor=EDGE, lw=0.5)
        axes.plot([x0, x0, x1, x1, x0], [0, 1, 1, 0, 0], color=INK, lw=0.6, clip_on=False)
        room_in = (x1 - x0) / span.days * (WIDTH_IN - LEFT_IN - RIGHT_IN)
        word = say("stage_" + stage.word)
        if room_in > 0.075 * len(word) + 0.06:
            box = {"facecolor": fill, "edgecolor": "none", "pad": 0.8} if hatch else None
            axes.text((x0 + x1) / 2, 0.47, word, fontsize=8, ha="center", va="center", color=ink, bbox=box)
        else:
            outside.append(((x0 + x1) / 2, word))
    _words_above(axes, outside, span)


def _words_above(axes: Axes, words: Sequence[tuple[float, str]], span: Span) -> None:
    """Stage words that do not fit their piece of the band stand above it."""
    inches = WIDTH_IN - LEFT_IN - RIGHT_IN
    per_inch = span.days / inches
    places = spread_apart([x / per_inch for x, _ in words], 0.5, 0.0, inches)
    for (x, word), place in zip(words, places, strict=True):
        axes.plot([x, place * per_inch], [1.0, 1.28], color=QUIET, lw=0.5, clip_on=False)
        axes.text(place * per_inch, 1.3, word, fontsize=6.8, ha="center", va="bottom", clip_on=False)


def _lens(axes: Axes, history: SiteHistory, span: Span, growing: Sequence[int]) -> None:
    """The opening: its two sides, drawn apart by its width."""
    visits = [v for v in history.visits if v.aperture_width_mm is not None]
    largest = max((v.aperture_width_mm or 0.0 for v in visits), default=10.0)
    half = max(4.0, 0.5 * largest) * 1.5
    axes.set_ylim(-half, half)
    axes.fill_between([0, span.x(span.today)], -half, half, color=BARK, lw=0, zorder=0)
    _shade_season(axes, span, growing, -half, -half * 0.94)
    for episode in sorted({v.episode for v in visits}):
        _opening(axes, [v for v in visits if v.episode == episode], span)
    _today(axes, span)
    _scale_bar(axes, half, span)
    _events(axes, history, span, half)
    trend = history.trends[-1] if history.trends else None
    if trend is not None and visits and visits[-1].aperture_width_mm and trend.forecast is not None:
        _forecast(axes, visits[-1], trend.forecast, span)


def _opening(axes: Axes, visits: Sequence[Visit], span: Span) -> None:
    x = np.array([span.x(v.visit_on) for v in visits])
    width = np.array([v.aperture_width_mm or 0.0 for v in visits])
    doubt = 1.96 * np.array([v.aperture_width_mm_sd or 0.0 for v in visits]) * (width > 0)
    outer, inner = 0.5 * (width + doubt), 0.5 * np.maximum(width - doubt, 0.0)
    axes.fill_between(x, -outer, outer, color=EDGE, lw=0, zorder=2)
    axes.fill_between(x, -inner, inner, color=HOLLOW, lw=0, zorder=3)
    for side in (-0.5, 0.5):
        axes.plot(x, side * width, color=INK, lw=1.1, zorder=4, marker="o", ms=2.6)
    if len(visits) == 1:
        axes.plot([x[0], x[0]], [-0.5 * width[0], 0.5 * width[0]], color=HOLLOW, lw=3, zorder=3)
    low, high = axes.get_ylim()
    apart = (x[-1] - x[0]) / span.days * (WIDTH_IN - LEFT_IN - RIGHT_IN) > 1.0
    for i in sorted({0, len(visits) - 1}) if apart else (len(visits) - 1,):
        if width[i] <= 0:
            continue
        inside = width[i] / (high - low) * LENS_IN > 0.2 and len(visits) > 2
        place, offset = ((x[i], 0.0), (5 if i == 0 else -5, 0)) if inside else ((x[i], -0.5 * width[i]), (0, -5))
        axes.annotate(
            f"{width[i]:.0f} mm",
            place,
            offset,
            textcoords="offset points",
            fontsize=7.5,
            zorder=7,
            color=PAPER if inside else INK,
            va="center" if inside else "top",
            ha="left" if i == 0 else "right" if inside else "center",
        )


def _forecast(axes: Axes, last: Visit, forecast: Forecast, span: Span) -> None:
    """Dashed sides to the expected day, a bar over the days between which it lies (80 %)."""
    x0, width = span.x(last.visit_on), last.aperture_width_mm or 0.0
    x1, lo, hi = span.x(forecast.closes_on), span.x(forecast.closes_on_lo), span.x(forecast.closes_on_hi)
    for side in (-0.5, 0.5):
        axes.plot([x0, x1], [side * width, 0.0], color=INK, lw=0.9, ls=(0, (4, 3)), zorder=4, clip_on=True)
    axes.plot([lo, min(hi, span.days)], [0, 0], color=INK, lw=3.2, solid_capstyle="butt", zorder=5)
    if hi > span.days:
        axes.plot([span.days], [0], marker=">", color=INK, ms=5, clip_on=False, zorder=5)


def _day(day: date) -> str:
    return f"{day.day} {day:%b} {day.year}"


def _scale_bar(axes: Axes, half: float, span: Span) -> None:
    """A bar of round length at the left edge, so that widths can be read off."""
    length = next(step for step in (100, 50, 20, 10, 5, 2) if step <= half * 0.9 or step == 2)
    x = -0.011 * span.days
    axes.plot([x, x], [-length / 2, length / 2], color=QUIET, lw=1.4, clip_on=False)
    axes.text(x * 1.5, 0, f"{length} mm", fontsize=6.5, color=QUIET, rotation=90, ha="right", va="center")


def _events(axes: Axes, history: SiteHistory, span: Span, half: float) -> None:
    for event in history.events:
        if event.site is None and not event.event.starts_episode:
            continue
        x = span.x(event.on)
        if x < 0 or x > span.days:
            continue
        strong = event.event.starts_episode or event.event is EventKind.STEM_REMOVED
        axes.plot([x, x], [-half, half], color=INK, lw=1.3 if strong else 0.7, zorder=5)
        axes.plot([x], [half * 0.97], marker="v", color=INK, ms=5 if strong else 3, zorder=5)
        axes.text(x, half * 0.84, f" {event_words(event)}", fontsize=7, ha="left", va="center", zorder=7)


def _signs_of(history: SiteHistory) -> list[Sign]:
    """Signs that at least one visit shows."""
    return [sign for sign in Sign if any(sign in v.signs and v.signs[sign].p >= SIGN_P for v in history.visits)]


def _sign_lane(axes: Axes, history: SiteHistory, sign: Sign, span: Span) -> None:
    """A lane for one sign: a triangle at each visit that may show it, larger with its area."""
    axes.set_ylim(0, 1)
    seen = [v for v in history.visits if sign in v.signs and v.signs[sign].p >= SIGN_P]
    for visit in seen:
        area = visit.signs[sign].area_mm2 or 0.0
        size = 3.5 + min(6.5, 0.09 * area**0.5)
        axes.plot([span.x(visit.visit_on)], [0.5], marker="^", ms=size, mfc=PAPER, mec=INK, mew=1.0, clip_on=False)
    gap = 0.12 / (WIDTH_IN - LEFT_IN - RIGHT_IN) * span.days
    words = say("sign_maybe", sign=say("sign_" + sign.value))
    first, last = span.x(seen[0].visit_on), span.x(seen[-1].visit_on)
    if first > 0.16 * span.days:
        axes.text(first - gap, 0.48, words, fontsize=7.2, ha="right", va="center")
    else:
        axes.text(last + gap, 0.48, words, fontsize=7.2, ha="left", va="center")


def _chosen(visits: Sequence[Visit]) -> list[Visit]:
    """Visits whose photos are shown: the first and last, the first after each opening, and others evenly in time."""
    if len(visits) <= PHOTOS_A_ROW:
        return list(visits)
    days = np.array([v.visit_on.toordinal() for v in visits], dtype=float)
    wanted = np.linspace(days[0], days[-1], PHOTOS_A_ROW)
    picked = {int(np.argmin(np.abs(days - day))) for day in wanted} | {0, len(visits) - 1}
    return [visits[i] for i in sorted(picked)][:PHOTOS_A_ROW]


def _strip(
    axes: Axes,
    lens: Axes,
    history: SiteHistory,
    span: Span,
    patches: Callable[[str], ImageRGB | None],
    patch_mm: float | None,
) -> None:
    """Photos below their days, moved apart where they would overlap, each tied to its day."""
    inches = WIDTH_IN - LEFT_IN - RIGHT_IN
    edge = 0.74
    shown = [(v, image) for v in _chosen(history.visits) if (image := patches(v.chosen_sha256)) is not None]
    per_inch = span.days / inches
    places = spread_apart([span.x(v.visit_on) / per_inch for v, _ in shown], edge + 0.06, edge / 2, inches - edge / 2)
    axes.set_ylim(0, STRIP_IN)
    for (visit, image), place in zip(shown, places, strict=True):
        x0, x1 = (place - edge / 2) * per_inch, (place + edge / 2) * per_inch
        axes.imshow(
            _square(image), extent=(x0, x1, 0.02, 0.02 + edge), aspect="auto", interpolation="antialiased", zorder=2
        )
        axes.plot([x0, x1, x1, x0, x0], [0.02, 0.02, 0.02 + edge, 0.02 + edge, 0.02], color=INK, lw=0.5, zorder=3)
        axes.plot([span.x(visit.visit_on), place * per_inch], [STRIP_IN, 0.02 + edge], color=QUIET, lw=0.6)
    axes.set_xlim(0, span.days)
    if shown and patch_mm is not None:
        _photo_scale(axes, places[0], edge, per_inch, patch_mm)


def _photo_scale(axes: Axes, place: float, edge: float, per_inch: float, patch_mm: float) -> None:
    length = next(step for step in (100, 50, 20, 10, 5, 2, 1) if step <= 0.5 * patch_mm or step == 1)
    x0 = (place - edge / 2 + 0.05) * per_inch
    x1 = x0 + length / patch_mm * edge * per_inch
    for colour, width in ((INK, 3.4), (PAPER, 1.8)):
        axes.plot([x0, x1], [0.08, 0.08], color=colour, lw=width, solid_capstyle="butt", zorder=4)
    axes.text(
        -0.02 * per_inch * 8,
        0.4,
        say("photo_scale", length=length),
        fontsize=6.5,
        color=QUIET,
        rotation=90,
        ha="right",
        va="center",
    )


def _square(image: ImageRGB) -> ImageRGB:
    height, width = image.shape[:2]
    edge = min(height, width)
    top, left = (height - edge) // 2, (width - edge) // 2
    return image[top : top + edge, left : left + edge]


def spread_apart(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Places in the same order, at least ``gap`` apart where there is room, near to those wanted, within bounds."""
    if not wanted:
        return []
    gap = min(gap, (high - low) / max(1, len(wanted) - 1))
    places = [min(max(place, low), high) for place in wanted]
    for i in range(1, len(places)):
        places[i] = max(places[i], places[i - 1] + gap)
    over = places[-1] - high
    if over > 0:
        places[-1] = high
        for i in range(len(places) - 2, -1, -1):
            places[i] = min(places[i], places[i + 1] - gap)
    return places
