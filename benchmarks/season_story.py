"""The invented grove of :mod:`benchmarks.rendered_season`: what happens at its twelve sites, and what should be said.

Nothing here is a real farm, tree or person.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from math import pi
from typing import TYPE_CHECKING

from demo_data.hill_sites import GROWING_MONTHS, HillSite
from pipeline.records import Sign, WoundKind
from pipeline.scenes.spec import BarkSpec, CardHang, LookalikeSpec, WoundState
from pipeline.scenes.story import Change, SignStory, SiteStory

if TYPE_CHECKING:
    from collections.abc import Sequence

NAME = "Kebun Tanjakan Pagi"
FIRST_SITE = 131_001
GIRTH_DAY, SECOND_GIRTH_DAY = date(2026, 1, 20), date(2026, 10, 20)
ROUNDS = tuple(
    date.fromisoformat(day)
    for day in (
        "2026-03-08",
        "2026-04-12",
        "2026-05-10",
        "2026-06-14",
        "2026-07-12",
        "2026-08-09",
        "2026-09-13",
        "2026-10-11",
    )
)
_MARCH, _APRIL, _MAY, _JUNE, _JULY, _AUGUST, _SEPTEMBER, _OCTOBER = ROUNDS
CUT_ON, STALLED_FROM = date(2026, 6, 25), date(2026, 6, 1)
SIGN_ON, SPREAD_ON = date(2026, 6, 2), date(2026, 8, 1)


@dataclass(frozen=True, slots=True)
class SeasonTree:
    """A tree: place in metres, bark, and girths in cm on the two measuring days."""

    tree: str
    xy_m: tuple[float, float]
    bark: BarkSpec
    girths_cm: tuple[float, float]


TREES = (
    SeasonTree("C-01", (2.0, 3.0), BarkSpec("smooth", 41), (58.0, 59.6)),
    SeasonTree("C-02", (5.5, 3.2), BarkSpec("lenticelled", 42), (61.5, 62.8)),
    SeasonTree("C-03", (8.6, 3.1), BarkSpec("smooth", 43, (140, 130, 116)), (55.2, 56.4)),
    SeasonTree("C-04", (26.0, 3.4), BarkSpec("smooth", 44, (156, 148, 134)), (64.0, 65.1)),
    SeasonTree("C-05", (29.8, 3.0), BarkSpec("flaking", 45), (57.3, 58.9)),
    SeasonTree("C-06", (2.2, 24.0), BarkSpec("ringed", 46), (60.9, 62.4)),
    SeasonTree("C-07", (6.1, 24.4), BarkSpec("smooth", 47, (148, 134, 114)), (52.8, 54.1)),
    SeasonTree("C-08", (26.3, 24.1), BarkSpec("lenticelled", 48, (136, 126, 110)), (63.1, 64.7)),
)


@dataclass(frozen=True, slots=True)
class Expected:
    """What the program should say of a site.

    Attributes
    ----------
    what
        In words, for the table.
    rules
        Any of these alerts names it.
    seen_on
        Day of the first visit at which it can be seen.
    """

    what: str
    site: int
    rules: tuple[str, ...]
    seen_on: date


SIGN_RULES = ("sign suspected", "sign confirmed", "sign spreading")
EXPECTED = (
    Expected("infection, green film", FIRST_SITE + 2, SIGN_RULES, _JUNE),
    Expected("the same film on the neighbouring tree", FIRST_SITE + 4, SIGN_RULES, _AUGUST),
    Expected("sides stand still from 1 June", FIRST_SITE + 5, ("closure stalled",), _JULY),
    Expected("wood taken out, no event written", FIRST_SITE + 8, ("aperture enlarged without an event",), _JULY),
    Expected("two visits missed", FIRST_SITE + 9, ("visit overdue",), _AUGUST),
    Expected("card of another wound", FIRST_SITE + 10, ("photo does not match its site",), _AUGUST),
    Expected("closed, then new bark", FIRST_SITE + 1, ("closed and rebarked",), _SEPTEMBER),
)
LOOKALIKE_SITE = FIRST_SITE + 7
MISSED = {(FIRST_SITE + 9, _JULY), (FIRST_SITE + 9, _AUGUST), (FIRST_SITE + 11, _AUGUST)}
"""Visits without a photo; at the last one the wound was photographed with the card of the site beside it."""
WRONG_CARD = (FIRST_SITE + 10, _AUGUST, FIRST_SITE + 11)
"""The site on the card, the day, and the site whose wound the photo shows."""


def _wound(kind: WoundKind, width: float, height: float, depth: float, **more: float | bool) -> WoundState:
    options = {"seed": round(width * 11 + height), "ragged_mm": 0.5, "corner_mm": 0.2 * min(width, height)} | more
    place = (0.0, -50.0 - 28.0 - height / 2)
    return WoundState(kind, centre_mm=place, width_mm=width, height_mm=height, depth_mm=depth, **options)  # type: ignore[arg-type]


def _site(
    number: int, tree: str, height_cm: int, bearing_deg: int, made_on: str, wound: WoundState, **more: object
) -> HillSite:
    entry = next(t for t in TREES if t.tree == tree)
    first, second = (10.0 * girth / (2 * pi) for girth in entry.girths_cm)
    tilt = ((number * 37) % 7 - 3) * 0.5
    card = CardHang(
        FIRST_SITE + number - 1, standoff_mm=0.8 + 0.9 * abs(tilt), tilt_deg=tilt,
        roll_deg=((number * 53) % 5 - 2) * 0.8, wear=0.2, dirt=0.2 + 0.05 * (number % 5), seed=number,
    )  # fmt: skip
    years = (SECOND_GIRTH_DAY - GIRTH_DAY).days / 365.25
    story = SiteStory(
        FIRST_SITE + number - 1, date.fromisoformat(made_on), wound,
        BarkSpec(entry.bark.kind, entry.bark.seed * 100 + number, entry.bark.rgb, 0.9), card,
        radius_mm=first, radius_on_day=GIRTH_DAY, radius_mm_per_year=(second - first) / years,
        growing_months=GROWING_MONTHS, **more,  # type: ignore[arg-type]
    )  # fmt: skip
    return HillSite(tree, "1", height_cm, bearing_deg, story, ROUNDS)


K, L = WoundKind, LookalikeSpec

SITES = (
    _site(1, "C-01", 120, 160, "2026-01-25", _wound(K.WINDOW, 44, 60, 11),
          advance_mm_per_month=2.2, resin_final=0.45, resin_runs=2),
    _site(2, "C-01", 150, 200, "2026-01-25", _wound(K.DRILL_HOLE, 12, 12.5, 40),
          advance_mm_per_month=3.0, rebark_months=2.5, resin_final=0.2, resin_runs=1),
    _site(3, "C-02", 125, 90, "2026-01-26", _wound(K.WINDOW, 42, 52, 10),
          advance_mm_per_month=1.9, resin_final=0.4, resin_runs=1,
          signs=(SignStory(Sign.GREEN_FILM, SIGN_ON, (6, -96), 34, 38, 0.25, seed=4),)),
    _site(4, "C-02", 165, 260, "2026-01-26", _wound(K.DRILL_HOLE, 20, 21, 40),
          advance_mm_per_month=1.7, resin_final=0.5, resin_runs=2),
    _site(5, "C-03", 118, 270, "2026-01-26", _wound(K.WINDOW, 38, 50, 10),
          advance_mm_per_month=2.0, resin_final=0.35, resin_runs=1,
          signs=(SignStory(Sign.GREEN_FILM, SPREAD_ON, (-8, -92), 34, 36, 0.25, seed=6),)),
    _site(6, "C-04", 130, 180, "2026-01-27", _wound(K.WINDOW, 48, 58, 12),
          advance_mm_per_month=2.0, resin_final=0.5, resin_runs=2, stalled_from=STALLED_FROM),
    _site(7, "C-04", 160, 20, "2026-01-27", _wound(K.STRIP, 34, 96, 2.5),
          advance_mm_per_month=1.6, resin_final=0.25, resin_runs=0),
    _site(8, "C-05", 115, 310, "2026-01-27", _wound(K.WINDOW, 40, 54, 10),
          advance_mm_per_month=1.9, resin_final=0.4, resin_runs=1,
          lookalikes=(L("moss", (-40, -70), 26, 40, 0.9, 3), L("lichen", (38, -120), 24, 20, 0.9, 5),
                      L("algae", (30, -60), 30, 34, 0.6, 7))),
    _site(9, "C-06", 122, 140, "2026-01-28", _wound(K.WINDOW, 38, 50, 9),
          advance_mm_per_month=2.0, resin_final=0.5, resin_runs=2,
          changes=(Change(CUT_ON, 50, 64, depth_mm=15),)),
    _site(10, "C-07", 128, 70, "2026-01-28", _wound(K.WINDOW, 42, 56, 11),
          advance_mm_per_month=2.0, resin_final=0.4, resin_runs=1),
    _site(11, "C-08", 120, 100, "2026-01-29", _wound(K.WINDOW, 46, 56, 10),
          advance_mm_per_month=2.0, resin_final=0.4, resin_runs=1),
    _site(12, "C-08", 158, 290, "2026-01-29", _wound(K.WINDOW, 34, 46, 9),
          advance_mm_per_month=2.1, resin_final=0.5, resin_runs=2),
)  # fmt: skip


WITH_FILM = ("C-02", "C-03")
"""Trees of which it is right to say that a sign spreads among them."""
CUT_SITE = FIRST_SITE + 8
TROUBLED = {(e.site, day) for e in EXPECTED for day in ROUNDS if day >= e.seen_on and e.site != FIRST_SITE + 1}
"""Site-visits that are not healthy, or come after something happened there."""
TRUE_OF_TREES = {
    "C-01": "window closing, hole closed",
    "C-02": "green film since June; hole closing",
    "C-03": "green film since August",
    "C-04": "window stands still since June; strip closing",
    "C-05": "closing, among moss, lichen and algae",
    "C-06": "closing after the cut of June",
    "C-07": "closing",
    "C-08": "both closing; one photo had the other's card",
}


def seen_on(expected: Expected, truth: Sequence[dict[str, str]]) -> date:
    """Day of the first visit at which it can be seen; of new bark, the second visit that truly has it."""
    if expected.rules != ("closed and rebarked",):
        return expected.seen_on
    days = sorted(
        row["taken_at"][:10] for row in truth if row["site"] == str(expected.site) and row["stage"] == "rebarked"
    )
    return date.fromisoformat(days[1]) if len(days) > 1 else expected.seen_on


def with_card_of(site: HillSite, card: CardHang) -> HillSite:
    """A site as a photo shows it while another site's card hangs there."""
    return replace(site, story=replace(site.story, card=replace(site.story.card, site=card.site)))
