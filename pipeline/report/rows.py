"""The strips of one site's row: stage band, opening, signs, photos; each fills axes that the page gives it."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from pipeline.records import EventKind, Sign, Stage
from pipeline.report.look import (
    BARK,
    EDGE,
    HOLLOW,
    INK,
    LEFT_IN,
    LENS_IN,
    PAPER,
    PHOTOS_A_ROW,
    QUIET,
    RIGHT_IN,
    SEASON,
    SIGN_P,
    STAGE_LOOKS,
    STRIP_IN,
    WIDTH_IN,
    Span,
)
from pipeline.report.words import event_words, say

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matplotlib.axes import Axes

    from pipeline.records import Forecast, ImageRGB, SiteHistory, Visit


def shade_season(axes: Axes, span: Span, growing: Sequence[int], low: float, high: float, label: bool = False) -> None:
    """Shade the growing season between two heights."""
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


def draw_today(axes: Axes, span: Span, label: bool = False) -> None:
    """A dotted line at the present day."""
    x = span.x(span.today)
    axes.axvline(x, color=INK, lw=0.7, ls=(0, (1, 2)), zorder=6)
    if label:
        new_year = span.x(date(span.today.year + 1, 1, 1)) - x  # its number stands at the same height
        side = "right" if new_year < 0.12 * span.days and x > 0.12 * span.days else "left"
        axes.text(x, 0.98, f" {say('today')} {span.today.day} {span.today:%b} ", fontsize=7, va="top", ha=side)


def draw_ribbon(axes: Axes, visits: Sequence[Visit], span: Span) -> None:
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


def draw_lens(axes: Axes, history: SiteHistory, span: Span, growing: Sequence[int]) -> None:
    """The opening: its two sides, drawn apart by its width."""
    visits = [v for v in history.visits if v.aperture_width_mm is not None]
    largest = max((v.aperture_width_mm or 0.0 for v in visits), default=10.0)
    half = max(4.0, 0.5 * largest) * 1.5
    axes.set_ylim(-half, half)
    axes.fill_between([0, span.x(span.today)], -half, half, color=BARK, lw=0, zorder=0)
    shade_season(axes, span, growing, -half, -half * 0.94)
    for episode in sorted({v.episode for v in visits}):
        _opening(axes, [v for v in visits if v.episode == episode], span)
    draw_today(axes, span)
    _scale_bar(axes, half, span)
    _events(axes, history, span, half)
    _changes(axes, history, span, half)
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


def _changes(axes: Axes, history: SiteHistory, span: Span, half: float) -> None:
    """A bracket below the opening between the two visits of each change, with its word."""
    marks = {"sides stopped": "mark_stopped", "pace changed": "mark_pace", "opened": "mark_opened"}
    for change in (c for trend in history.trends for c in trend.change_points):
        x0, x1, y = span.x(change.from_on), span.x(change.to_on), -0.8 * half
        axes.plot([x0, x0, x1, x1], [0.88 * y, y, y, 0.88 * y], color=INK, lw=1.0, zorder=6)
        axes.text(x1, y, f" {say(marks[change.kind])}", fontsize=7, ha="left", va="center", zorder=7)


def signs_of(history: SiteHistory) -> list[Sign]:
    """Signs that at least one visit shows."""
    return [sign for sign in Sign if any(sign in v.signs and v.signs[sign].p >= SIGN_P for v in history.visits)]


def draw_sign_lane(axes: Axes, history: SiteHistory, sign: Sign, span: Span) -> None:
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


def chosen(visits: Sequence[Visit]) -> list[Visit]:
    """Visits whose photos are shown: the first and last, the first after each opening, and others evenly in time."""
    if len(visits) <= PHOTOS_A_ROW:
        return list(visits)
    days = np.array([v.visit_on.toordinal() for v in visits], dtype=float)
    wanted = np.linspace(days[0], days[-1], PHOTOS_A_ROW)
    picked = {int(np.argmin(np.abs(days - day))) for day in wanted} | {0, len(visits) - 1}
    return [visits[i] for i in sorted(picked)][:PHOTOS_A_ROW]


def draw_strip(
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
    shown = [(v, image) for v in chosen(history.visits) if (image := patches(v.chosen_sha256)) is not None]
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
