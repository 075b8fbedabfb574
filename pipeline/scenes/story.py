"""One site through the seasons: the same bark, card and wound at any date, growing as its story says."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from pipeline.scenes import growth
from pipeline.scenes.spec import BarkSpec, CardHang, SceneSpec, SignSpec, WoundState

if TYPE_CHECKING:
    from pipeline.records import Sign
    from pipeline.scenes.spec import CameraSpec, LightSpec, LookalikeSpec

MONTH_DAYS = 30.4375
LAG_DAYS = 35
"""Days from wounding until a bead of callus begins to move (common practice: some weeks; no source)."""


@dataclass(frozen=True, slots=True)
class Change:
    """A day on which the opening's shape changes at once: a person's cut, or harm that no event explains.

    ``fresh`` starts its age anew (pale wood); harm leaves torn, already brown wood.
    """

    on: date
    width_mm: float
    height_mm: float
    fresh: bool = True
    depth_mm: float | None = None
    shift_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class SignStory:
    """A sign that appears on a day, grows, and may be gone from another day on."""

    sign: Sign
    from_on: date
    centre_mm: tuple[float, float]
    width_mm: float
    height_mm: float
    growth_share_per_month: float = 0.15
    until: date | None = None
    strength: float = 0.9
    seed: int = 1


@dataclass(frozen=True, slots=True)
class SiteStory:
    """What happens at one site.

    Attributes
    ----------
    wound
        The wound as it was made; its ``seed`` fixes every later shape.
    advance_mm_per_month
        Rim advance at the sides in a growing month.
    resin_final
        Share of dark wood reached after about half a year.
    rebark_months
        From closing until the new bark looks like the old.
    island_share_per_month
        How much of a shaved face new bark covers in a growing month (sheet growth).
    radius_mm, radius_on_day
        Trunk radius and the day it belongs to (default: when the wound was made).
    stalled_from, stalled_until
        Days between which the rim does not advance.
    """

    site: int
    made_on: date
    wound: WoundState
    bark: BarkSpec
    card: CardHang
    radius_mm: float = 80.0
    radius_on_day: date | None = None
    radius_mm_per_year: float = 3.0
    advance_mm_per_month: float = 2.0
    growing_months: tuple[int, ...] = (4, 5, 6, 7, 8, 9, 10)
    island_share_per_month: float = 0.0
    resin_final: float = 0.35
    resin_runs: int = 2
    rebark_months: float = 5.0
    stalled_from: date | None = None
    stalled_until: date | None = None
    changes: tuple[Change, ...] = ()
    signs: tuple[SignStory, ...] = ()
    lookalikes: tuple[LookalikeSpec, ...] = ()
    bare: bool = False

    def radius_on(self, day: date) -> float:
        """Trunk radius on a day."""
        return self.radius_mm + self.radius_mm_per_year * (day - (self.radius_on_day or self.made_on)).days / 365.25

    def wound_on(self, day: date) -> WoundState:
        """The wound on a day.

        Raises
        ------
        ValueError
            If the day lies before the wound was made.
        """
        if day < self.made_on:
            raise ValueError(f"site {self.site} was made on {self.made_on}, after {day}")
        wound, since, aged_since = self.wound, self.made_on, self.made_on
        for k, change in enumerate(c for c in self.changes if c.on <= day):
            x, y = wound.centre_mm
            wound = replace(
                wound,
                width_mm=change.width_mm,
                height_mm=change.height_mm,
                depth_mm=change.depth_mm or wound.depth_mm,
                centre_mm=(x + change.shift_mm[0], y + change.shift_mm[1]),
                ragged_mm=wound.ragged_mm * (1.0 if change.fresh else 2.0),
                seed=self.wound.seed + k + 1,
            )
            since = change.on
            aged_since = change.on if change.fresh else aged_since
        advance = self._advance_mm(since, day)
        age_days = (day - aged_since).days
        closed_at = growth.fully_closed_advance_mm(wound) if advance > 0 else np.inf
        bark_over = 0.25 * min(1.0, advance / 14.0)
        if advance >= closed_at:
            months_closed = self._months_since_advance(since, day, closed_at)
            bark_over = min(1.0, bark_over + 0.75 * months_closed / self.rebark_months)
        ripening = 1 - np.exp(-age_days / 60.0)
        return replace(
            wound,
            advance_mm=advance,
            browning=float(min(1.0, 0.05 + 0.75 * (1 - np.exp(-age_days / 38.0)))),
            resin=float(self.resin_final * ripening),
            resin_runs=self.resin_runs if age_days >= 10 and advance < closed_at else 0,
            run_age=float(np.clip(age_days / 200.0, 0, 1)),
            bark_over=float(bark_over),
            islands=min(0.85, self.island_share_per_month * advance / self.advance_mm_per_month),
        )

    def _advance_mm(self, since: date, day: date) -> float:
        return self.advance_mm_per_month * self._growing_days(since + timedelta(days=LAG_DAYS), day) / MONTH_DAYS

    def _growing_days(self, first: date, last: date) -> int:
        return sum(self._grows(first + timedelta(days=k)) for k in range(max(0, (last - first).days)))

    def _grows(self, day: date) -> bool:
        stalled = (
            self.stalled_from is not None
            and day >= self.stalled_from
            and (self.stalled_until is None or day < self.stalled_until)
        )
        return day.month in self.growing_months and not stalled

    def _months_since_advance(self, since: date, day: date, advance_mm: float) -> float:
        """Months (all seasons) since the advance first reached a value."""
        days_needed = advance_mm / self.advance_mm_per_month * MONTH_DAYS
        at, grown = since + timedelta(days=LAG_DAYS), 0
        while at < day and grown < days_needed:
            grown += self._grows(at)
            at += timedelta(days=1)
        return (day - at).days / MONTH_DAYS

    def signs_on(self, day: date) -> tuple[SignSpec, ...]:
        """Signs that can be seen on a day."""
        seen = []
        for s in self.signs:
            if day < s.from_on or (s.until is not None and day >= s.until):
                continue
            months = (day - s.from_on).days / MONTH_DAYS
            size = (1 + s.growth_share_per_month) ** months
            seen.append(SignSpec(s.sign, s.centre_mm, s.width_mm * size, s.height_mm * size, s.strength, s.seed))
        return tuple(seen)

    def scene_on(self, day: date, camera: CameraSpec, light: LightSpec, seed: int = 1) -> SceneSpec:
        """What a photo shows on a day."""
        return SceneSpec(
            trunk_radius_mm=self.radius_on(day),
            bark=self.bark,
            wounds=() if self.bare else (self.wound_on(day),),
            signs=self.signs_on(day),
            lookalikes=self.lookalikes,
            card=self.card,
            camera=camera,
            light=light,
            seed=seed,
        )
