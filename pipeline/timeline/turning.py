"""Change points of each episode for those who look at a tree, and no closing date where the sides stand still."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

from pipeline.changes import KINDS, MOST_VISITS, ChangeKind, motion_of, weigh_many
from pipeline.records import UNFIT_SIZE, ChangePoint
from pipeline.seasons import growing_days

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.changes import Change, Motion
    from pipeline.records import SiteHistory, Trend, Visit
    from pipeline.settings import Settings

LEAST_MONTHS = 0.8
"""Growing months over which a pace is taken from the widths seen, else from the filter; own choice."""
PACES_APART = 0.2
"""Paces that differ by less, mm a growing month and side, are not told as another pace; own choice."""


def with_change_points(histories: Sequence[SiteHistory], settings: Settings) -> tuple[SiteHistory, ...]:
    """The same sites; each trend has the changes that its last visits show, in order of day.

    A change of a kind is told from a probability of ``time.change_p`` on.  The first growing days after a wounding, in
    which no advance is expected (``alerts.stalled_young_days``), are left out, or every beginning were a
    change.
    """
    asked = [(trend, seen, motion) for h in histories for trend, seen, motion in _motions(h, settings)]
    weighed = weigh_many([motion for _, _, motion in asked])
    found: dict[tuple[int, int], tuple[ChangePoint, ...]] = {}
    for (trend, seen, motion), changes in zip(asked, weighed, strict=True):
        told = [changes[kind] for kind in KINDS if changes[kind].p >= settings.time.change_p]
        points = [_point(change, seen, motion) for change in sorted(told, key=lambda c: (c.gap, c.kind))]
        found[trend.site, trend.episode] = tuple(
            p for p in points if p.kind != ChangeKind.PACE or abs(p.pace_after - p.pace_before) >= PACES_APART
        )
    return tuple(
        replace(h, trends=tuple(replace(t, change_points=found.get((t.site, t.episode), ())) for t in h.trends))
        for h in histories
    )


def _motions(history: SiteHistory, settings: Settings) -> Iterator[tuple[Trend, Sequence[Visit], Motion]]:
    growing, young = settings.grove.growing_months, settings.alerts.stalled_young_days
    made = [history.site.made_on] if history.site.made_on else []
    for trend in history.trends:
        within = [v for v in history.visits if v.episode == trend.episode]
        starts = [e.on for e in history.events if e.event.starts_episode and e.on <= within[0].visit_on]
        begun = max([*starts, *made], default=within[0].visit_on)
        seen = [
            v
            for v in within
            if v.aperture_area_mm2
            and v.aperture_width_mm is not None
            and v.aperture_height_mm is not None
            and not v.flags & UNFIT_SIZE
            and growing_days(begun, v.visit_on, growing) >= young
        ][-MOST_VISITS:]
        motion = motion_of(seen, growing)
        if motion is not None:
            yield trend, seen, motion


def _point(change: Change, seen: Sequence[Visit], motion: Motion) -> ChangePoint:
    gap = change.gap
    before, after = _pace(motion, 0, gap), _pace(motion, gap + 1, motion.months.size - 1)
    return ChangePoint(
        change.kind.value,
        seen[gap].visit_on,
        seen[gap + 1].visit_on,
        change.p,
        change.pace_before if before is None else before,
        change.pace_after if after is None else after,
        change.jump_mm,
    )


def _pace(motion: Motion, first: int, last: int) -> float | None:
    """Advance of a side between two visits, mm a growing month; ``None`` where they are too near."""
    months = float(motion.months[last] - motion.months[first])
    return 0.5 * float(motion.size_mm[first, 0] - motion.size_mm[last, 0]) / months if months >= LEAST_MONTHS else None


def standing_still(history: SiteHistory, p: float) -> SiteHistory:
    """The same site without a closing date: its sides are thought to stand still, with probability ``p``."""
    if not history.trends:
        return history
    why = f"The sides seem to stand still (probability {p:.2f}); a date would say that they close."
    last = replace(history.trends[-1], forecast=None, why_no_forecast=why, borrows="", stands_still=True)
    return replace(history, trends=(*history.trends[:-1], last))
