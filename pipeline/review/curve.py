"""The site's curve as a drawing in SVG: the opening's two sides draw together over the months."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.records import Sign

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from pipeline.records import SiteHistory, Visit

WIDTH, HEIGHT = 720.0, 236.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 24.0, 40.0, 36.0


@dataclass(frozen=True, slots=True)
class Dot:
    """One visit: place, half-widths of the opening and of its 95 % interval, all in drawing units."""

    x: float
    half: float
    lo: float
    hi: float
    label: str
    stage: str
    day: date
    sign: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A line for an event, with its word."""

    x: float
    label: str
    row: int


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark on an axis."""

    at: float
    label: str


@dataclass(frozen=True, slots=True)
class Curve:
    """Everything that the drawing needs; ``lens`` holds one outline an episode."""

    dots: tuple[Dot, ...]
    marks: tuple[Mark, ...]
    lens: tuple[str, ...]
    days: tuple[Tick, ...]
    widths: tuple[Tick, ...]
    middle: float
    width: float = WIDTH
    height: float = HEIGHT


def site_curve(history: SiteHistory, sign_p: float) -> Curve | None:
    """The drawing of a site's width over time; ``None`` without two visits that were measured.

    Parameters
    ----------
    sign_p
        Probability from which a sign is named at a visit.
    """
    visits = [v for v in history.visits if v.aperture_width_mm is not None]
    if len(visits) < 2:
        return None
    first, last = history.visits[0].visit_on, history.visits[-1].visit_on
    span = max(1, (last - first).days)
    widest = max(1.0, max((v.aperture_width_mm or 0.0) + 1.96 * (v.aperture_width_mm_sd or 0.0) for v in visits))
    room = HEIGHT - TOP - BOTTOM
    middle = TOP + room / 2

    def x_of(day: date) -> float:
        return round(LEFT + (WIDTH - LEFT - RIGHT) * (day - first).days / span, 1)

    def half_of(width_mm: float) -> float:
        return round(0.5 * room * max(0.0, width_mm) / widest, 1)

    dots = tuple(_dot(v, x_of(v.visit_on), half_of, sign_p) for v in visits)
    by_episode: dict[int, list[Dot]] = {}
    for visit, dot in zip(visits, dots, strict=True):
        by_episode.setdefault(visit.episode, []).append(dot)
    lens = tuple(_lens(part, middle) for part in by_episode.values() if len(part) > 1)
    inside = [e for e in history.events if first <= e.on <= last]
    marks = tuple(Mark(x_of(e.on), e.event.value, i % 2) for i, e in enumerate(inside))
    step = _round_step(widest / 2)
    widths = tuple(
        Tick(round(middle + sign * half_of(2 * step * k), 1), f"{step * k:g}")
        for k in range(int(widest / 2 // step) + 1)
        for sign in ((1,) if k == 0 else (-1, 1))
    )
    return Curve(dots, marks, lens, _day_ticks(first, last, x_of), widths, middle)


def _dot(visit: Visit, x: float, half: Callable[[float], float], sign_p: float) -> Dot:
    width, sd = visit.aperture_width_mm or 0.0, visit.aperture_width_mm_sd or 0.0
    seen = [s.words for s in Sign if s in visit.signs and visit.signs[s].p >= sign_p]
    return Dot(
        x,
        half(width),
        half(width - 1.96 * sd),
        half(width + 1.96 * sd),
        f"{width:.1f} mm",
        visit.stage.word,
        visit.visit_on,
        ", ".join(seen),
        visit.chosen_sha256,
    )


def _lens(dots: list[Dot], middle: float) -> str:
    upper = [f"{d.x},{middle - d.half:.1f}" for d in dots]
    lower = [f"{d.x},{middle + d.half:.1f}" for d in reversed(dots)]
    return " ".join(upper + lower)


def _round_step(widest: float) -> float:
    """Distance of the lines on one side of the middle."""
    for step in (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0):
        if widest / step <= 3.5:
            return step
    return 200.0


def _day_ticks(first: date, last: date, x: Callable[[date], float]) -> tuple[Tick, ...]:
    """The first of every month, or of every third or twelfth, so that at most nine have a word."""
    months = [(y, m) for y in range(first.year, last.year + 1) for m in range(1, 13)]
    starts = [first.replace(year=y, month=m, day=1) for y, m in months]
    starts = [day for day in starts if first <= day <= last]
    for every in (1, 3, 6, 12, 24):
        kept = [day for day in starts if (day.year * 12 + day.month - 1) % every == 0]
        if len(kept) <= 9:
            break
    return tuple(Tick(x(day), day.strftime("%b %Y") if every < 12 else str(day.year)) for day in kept)
