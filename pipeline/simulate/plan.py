"""What is simulated, and what comes of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.records import Reading, Register, Sign, Stage


@dataclass(frozen=True, slots=True)
class GrovePlan:
    """What is simulated; rates are chances a site unless said otherwise."""

    trees: int = 20
    sites_a_tree: int = 3
    years: float = 3.0
    begin_on: date = date(2023, 3, 1)
    visit_days: int = 30
    growing_months: tuple[int, ...] = (4, 5, 6, 7, 8, 9, 10)
    side_mm_per_growing_month: float = 0.6
    side_spread: float = 0.35
    stalls: float = 0.08
    infections: float = 0.06
    lookalikes: float = 0.1
    cuts: float = 0.15
    unrecorded_openings: float = 0.05
    missed_visits: float = 0.1
    second_photos: float = 0.15
    stage_misread: float = 0.06
    sign_false_alarm: float = 0.01
    careless: float = 0.0
    """Share of visits made by the careless hand, see ``pipeline.hands``."""
    seed: int = 0


@dataclass(frozen=True, slots=True)
class ReaderError:
    """How photos err; standard deviations.

    The rim is seen too far out or in all round by ``rim_mm``, and wanders about that by ``wander_mm``, over lengths of
    5 mm, so that the ends of each chord move on their own too.
    """

    site_area_rel: float = 0.03
    visit_area_rel: float = 0.015
    rim_mm: float = 0.25
    corner_area_rel: float = 0.004
    wander_mm: float = 0.15


@dataclass(slots=True)
class SiteTruth:
    """What really happened at a site; lists run with ``days``."""

    site: int
    side_mm_per_growing_month: float
    days: list[date] = field(default_factory=list)
    width_mm: list[float] = field(default_factory=list)
    area_mm2: list[float] = field(default_factory=list)
    stage: list[Stage] = field(default_factory=list)
    sign_area_mm2: list[float] = field(default_factory=list)
    stalled_from: date | None = None
    infected_from: date | None = None
    sign: Sign | None = None
    opened_on: list[date] = field(default_factory=list)
    opened_by_mm: list[float] = field(default_factory=list)
    cut_on: list[date] = field(default_factory=list)
    closed_on: date | None = None
    lookalike: bool = False
    spoiled: list[date] = field(default_factory=list)
    """Days on which a photo of another wound, or a blurred one, counts as of this site."""


@dataclass(frozen=True, slots=True)
class SimulatedGrove:
    """A register, readings in order of site and day, and the truth by site."""

    register: Register
    readings: tuple[Reading, ...]
    truths: dict[int, SiteTruth]
