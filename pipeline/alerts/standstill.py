"""Whether the sides of a wound have stopped: the probability of it from :mod:`pipeline.changes`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.changes import MOST_VISITS, ChangeKind, motion_of, weigh_many
from pipeline.seasons import DAYS_A_MONTH, growing_days

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from pipeline.changes import Change, Motion
    from pipeline.records import Visit

LEAST_DAYS = 25
"""Growing days over which sides must have been seen to stand; own choice."""
PLAINLY_MOVING = 2.0
"""A pace above the slowest counted as closing by this factor, over those days, is looked at no further."""


@dataclass(frozen=True, slots=True)
class Standstill:
    """The case that the sides of a wound have stopped.

    Attributes
    ----------
    since
        The visit after the likeliest stop, or an earlier one where too little was seen since.
    p
        Probability that they stand still, or go on more slowly than the slowest pace that counts as closing.
    pace, advance
        Advance of a side before and since, mm a growing month.
    growing_days
        Growing days since that visit.
    """

    since: Visit
    p: float
    pace: float
    advance: float
    growing_days: int


def standstill(visits: Sequence[Visit], growing: tuple[int, ...], slowest: float) -> Standstill | None:
    """Weigh whether the sides have stopped; ``None`` where too little was seen, or where they plainly move.

    Parameters
    ----------
    visits
        Of the episode, from when an advance is to be expected, in order; the last one is today's.
    slowest
        Advance of a side, mm a growing month, below which a wound does not count as closing.
    """
    return standstills([visits], growing, slowest)[0]


def standstills(wounds: Iterable[Sequence[Visit]], growing: tuple[int, ...], slowest: float) -> list[Standstill | None]:
    """:func:`standstill` for the visits of many wounds, weighed at once."""
    asked = [_asked(visits, growing, slowest) for visits in wounds]
    motions = [case.motion for case in asked if case is not None]
    weighed = iter(weigh_many(motions, (ChangeKind.STOPPED,), floor=slowest))
    return [None if case is None else _answered(case, next(weighed)[ChangeKind.STOPPED]) for case in asked]


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """A wound that may have stopped: its visits, the growing days since each, and from which on it must have stood."""

    seen: Sequence[Visit]
    days: Sequence[int]
    back: int
    motion: Motion


def _asked(visits: Sequence[Visit], growing: tuple[int, ...], slowest: float) -> _Asked | None:
    seen = [v for v in visits if v.aperture_width_mm is not None and v.aperture_height_mm is not None][-MOST_VISITS:]
    if len(seen) < 3:
        return None
    last = seen[-1]
    days = [growing_days(v.visit_on, last.visit_on, growing) for v in seen]
    back = max((i for i, since in enumerate(days) if since >= LEAST_DAYS), default=None)
    if back is None or _pace(seen[back], last, days[back]) >= PLAINLY_MOVING * slowest:
        return None
    motion = motion_of(seen, growing)
    return None if motion is None else _Asked(seen, days, back, motion)


def _answered(case: _Asked, found: Change) -> Standstill:
    since, last = min(found.gap + 1, case.back), case.seen[-1]
    advance = _pace(case.seen[since], last, case.days[since])
    return Standstill(case.seen[since], found.p, found.pace_before, advance, case.days[since])


def _pace(first: Visit, last: Visit, days: int) -> float:
    lost = (first.aperture_width_mm or 0.0) - (last.aperture_width_mm or 0.0)
    return 0.5 * lost / (days / DAYS_A_MONTH)
