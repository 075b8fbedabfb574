"""The invented hillside: its trees, its wound sites and what happens to each of them.

Nothing here is a real farm, tree or person.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from pipeline.records import Sign, WoundKind
from pipeline.scenes.spec import BarkSpec, CardHang, LookalikeSpec, WoundState
from pipeline.scenes.story import Change, SignStory, SiteStory

NAME = "Kebun Bukit Senja"
ZONE = "Asia/Kuching"
GROWING_MONTHS = (3, 4, 5, 6, 7, 8, 9, 10, 11)
GIRTH_DAY = date(2025, 8, 15)
SECOND_GIRTH_DAY = date(2026, 8, 15)
FIRST_SITE = 120_501


@dataclass(frozen=True, slots=True)
class HillTree:
    """A tree with its stems' girths (cm, at the sites) on the two measuring days."""

    tree: str
    species: str
    planted_on: date
    position: int
    xy_m: tuple[float, float]
    bark: BarkSpec
    girths_cm: dict[str, tuple[float, float]]


TREES = (
    HillTree(
        "A-01", "Aquilaria malaccensis", date(2011, 11, 3), 1, (4.0, 6.5), BarkSpec("smooth", 21), {"1": (58.4, 60.1)}
    ),
    HillTree(
        "A-02",
        "Aquilaria malaccensis",
        date(2011, 11, 3),
        2,
        (8.1, 6.9),
        BarkSpec("smooth", 22, (134, 126, 114)),
        {"1": (63.0, 64.9)},
    ),
    HillTree(
        "A-03",
        "Aquilaria malaccensis",
        date(2011, 11, 4),
        3,
        (12.3, 7.2),
        BarkSpec("lenticelled", 23),
        {"1": (52.2, 53.0)},
    ),
    HillTree(
        "A-04",
        "Aquilaria malaccensis",
        date(2011, 11, 4),
        4,
        (16.0, 8.0),
        BarkSpec("smooth", 24, (160, 152, 138)),
        {"1": (66.7, 67.6)},
    ),
    HillTree(
        "A-05",
        "Aquilaria malaccensis",
        date(2012, 1, 18),
        5,
        (20.4, 8.6),
        BarkSpec("fissured", 25),
        {"1": (81.5, 83.2)},
    ),
    HillTree(
        "B-01", "Aquilaria microcarpa", date(2013, 12, 9), 1, (3.6, 14.8), BarkSpec("flaking", 26), {"1": (57.1, 58.8)}
    ),
    HillTree(
        "B-02",
        "Aquilaria microcarpa",
        date(2013, 12, 9),
        2,
        (7.7, 15.3),
        BarkSpec("smooth", 27, (146, 130, 110)),
        {"1": (49.6, 51.0)},
    ),
    HillTree(
        "B-03",
        "Aquilaria microcarpa",
        date(2009, 10, 22),
        3,
        (11.9, 15.9),
        BarkSpec("lenticelled", 28, (136, 124, 108)),
        {"2": (41.8, 43.7), "3": (38.9, 40.6)},
    ),
    HillTree(
        "B-04", "Aquilaria malaccensis", date(2012, 1, 18), 4, (16.2, 16.4), BarkSpec("ringed", 29), {"1": (60.3, 62.0)}
    ),
)


@dataclass(frozen=True, slots=True)
class HillSite:
    """A site of the register with its story and the days on which it is photographed."""

    tree: str
    stem: str
    height_cm: int
    bearing_deg: int
    story: SiteStory
    visits: tuple[date, ...]


def _d(text: str) -> tuple[date, ...]:
    return tuple(date.fromisoformat(part) for part in text.split())


def _wound(
    kind: WoundKind, width: float, height: float, depth: float, gap: float = 28.0, **more: float | bool
) -> WoundState:
    """A wound whose upper edge hangs ``gap`` mm below the card."""
    options = {"seed": round(width * 7 + height), "ragged_mm": 0.5, "corner_mm": 0.2 * min(width, height)} | more
    return WoundState(
        kind, centre_mm=(0.0, -50.0 - gap - height / 2), width_mm=width, height_mm=height, depth_mm=depth, **options
    )  # type: ignore[arg-type]


def _story(number: int, tree: str, stem: str, made: str, wound: WoundState, **more: object) -> SiteStory:
    entry = next(t for t in TREES if t.tree == tree)
    first, second = (g * 10 / (2 * 3.141592653589793) for g in entry.girths_cm[stem])
    tilt = ((number * 37) % 7 - 3) * 0.6
    card = CardHang(
        FIRST_SITE + number - 1,
        standoff_mm=0.8 + 0.9 * abs(tilt),
        tilt_deg=tilt,
        roll_deg=((number * 53) % 5 - 2) * 0.8,
        wear=0.2,
        dirt=0.25 + 0.05 * (number % 5),
        seed=number,
    )
    bark = BarkSpec(entry.bark.kind, entry.bark.seed * 100 + number, entry.bark.rgb, 0.9)
    return SiteStory(
        FIRST_SITE + number - 1,
        date.fromisoformat(made),
        wound,
        bark,
        card,
        radius_mm=first,
        radius_on_day=GIRTH_DAY,
        radius_mm_per_year=second - first,
        growing_months=GROWING_MONTHS,
        **more,  # type: ignore[arg-type]
    )


K = WoundKind
L = LookalikeSpec
DAY = date.fromisoformat
ROUND_DAYS = _d("2025-08-24 2025-10-12 2026-01-18 2026-04-12 2026-06-14 2026-08-09 2026-09-13 2026-10-11")
_AUGUST_25, _OCTOBER_25, _JANUARY, _APRIL, _JUNE, _AUGUST, _SEPTEMBER, _OCTOBER = ROUND_DAYS

SITES = (
    # closes regularly; the grove's good example
    HillSite(
        "A-01",
        "1",
        120,
        160,
        _story(
            1,
            "A-01",
            "1",
            "2025-08-20",
            _wound(K.WINDOW, 46, 62, 11),
            advance_mm_per_month=2.3,
            resin_final=0.45,
            resin_runs=2,
        ),
        (*ROUND_DAYS[:2], *ROUND_DAYS[3:]),
    ),
    # a small hole that closes and wears new bark
    HillSite(
        "A-01",
        "1",
        150,
        200,
        _story(
            2,
            "A-01",
            "1",
            "2025-08-20",
            _wound(K.DRILL_HOLE, 16, 16.5, 40),
            advance_mm_per_month=3.0,
            rebark_months=3.0,
            lookalikes=(L("lichen", (-34, -70), 22, 18, 0.9, 3), L("lichen", (30, -130), 15, 17, 0.8, 5)),
        ),
        (_AUGUST_25, _OCTOBER_25, _APRIL, _JUNE, _SEPTEMBER),
    ),
    # wood taken out on 10 June: a larger opening that is work
    HillSite(
        "A-02",
        "1",
        130,
        90,
        _story(
            3,
            "A-02",
            "1",
            "2025-08-21",
            _wound(K.WINDOW, 40, 54, 9),
            advance_mm_per_month=2.0,
            resin_final=0.6,
            resin_runs=3,
            changes=(Change(DAY("2026-06-10"), 54, 70, depth_mm=16),),
        ),
        (_AUGUST_25, _OCTOBER_25, _APRIL, _JUNE, _AUGUST, _OCTOBER),
    ),
    # a shaved strip on which islands of new bark grow
    HillSite(
        "A-02",
        "1",
        170,
        270,
        _story(
            4,
            "A-02",
            "1",
            "2026-03-05",
            _wound(K.STRIP, 38, 120, 2.2),
            advance_mm_per_month=1.3,
            island_share_per_month=0.085,
            resin_final=0.2,
            resin_runs=0,
        ),
        (_APRIL, _JUNE, _AUGUST, _OCTOBER),
    ),
    # harm: the opening gets larger in July and no event says why; then a streak and sunken bark
    HillSite(
        "A-03",
        "1",
        110,
        310,
        _story(
            5,
            "A-03",
            "1",
            "2025-08-21",
            _wound(K.WINDOW, 36, 50, 10),
            advance_mm_per_month=1.6,
            resin_final=0.3,
            resin_runs=1,
            changes=(Change(DAY("2026-07-12"), 47, 63, fresh=False),),
            stalled_from=DAY("2026-07-12"),
            signs=(
                SignStory(Sign.DARK_BLEEDING, DAY("2026-07-20"), (8, -164), 15, 58, 0.05, seed=2),
                SignStory(Sign.SUNKEN_BARK, DAY("2026-09-01"), (-38, -108), 26, 52, 0.05, seed=3),
            ),
        ),
        (_AUGUST_25, _APRIL, _JUNE, _AUGUST, _SEPTEMBER, _OCTOBER),
    ),
    # a nail left in
    HillSite(
        "A-03",
        "1",
        150,
        40,
        _story(
            6,
            "A-03",
            "1",
            "2026-06-02",
            _wound(K.NAIL_HOLE, 11, 14, 8, nail=True),
            advance_mm_per_month=0.7,
            resin_final=0.7,
            resin_runs=1,
            lookalikes=(L("paint", (32, -80), 26, 26, 0.9, 1),),
        ),
        (_JUNE, _AUGUST, _OCTOBER),
    ),
    # stands still since April
    HillSite(
        "A-04",
        "1",
        125,
        180,
        _story(
            7,
            "A-04",
            "1",
            "2025-08-22",
            _wound(K.WINDOW, 50, 58, 12),
            advance_mm_per_month=1.9,
            resin_final=0.5,
            resin_runs=2,
            stalled_from=DAY("2026-04-01"),
        ),
        (_AUGUST_25, _OCTOBER_25, _APRIL, _JUNE, _AUGUST, _OCTOBER),
    ),
    # green film from August, spreading
    HillSite(
        "A-04",
        "1",
        160,
        230,
        _story(
            8,
            "A-04",
            "1",
            "2025-08-22",
            _wound(K.DRILL_HOLE, 24, 25, 45),
            advance_mm_per_month=0.9,
            resin_final=0.3,
            resin_runs=1,
            signs=(SignStory(Sign.GREEN_FILM, DAY("2026-08-01"), (3, -93), 30, 34, 0.22, seed=4),),
        ),
        (_APRIL, _JUNE, _AUGUST, _SEPTEMBER, _OCTOBER),
    ),
    # white felt under the bark's edge of a saw cut
    HillSite(
        "A-05",
        "1",
        60,
        120,
        _story(
            9,
            "A-05",
            "1",
            "2026-03-10",
            _wound(K.TRUNK_CUT, 84, 16, 22, corner_mm=5.0),
            advance_mm_per_month=0.8,
            resin_final=0.3,
            resin_runs=2,
            signs=(SignStory(Sign.WHITE_MYCELIUM, DAY("2026-07-25"), (28, -95), 26, 26, 0.2, seed=5),),
        ),
        (_APRIL, _JUNE, _AUGUST, _OCTOBER),
    ),
    # a conk in September
    HillSite(
        "B-01",
        "1",
        90,
        340,
        _story(
            10,
            "B-01",
            "1",
            "2025-08-23",
            _wound(K.WINDOW, 40, 56, 10),
            advance_mm_per_month=1.2,
            resin_final=0.5,
            resin_runs=2,
            signs=(SignStory(Sign.CONK, DAY("2026-08-28"), (27, -126), 30, 18, 0.25, seed=6, strength=1.0),),
        ),
        (_AUGUST_25, _APRIL, _AUGUST, _SEPTEMBER, _OCTOBER),
    ),
    # healthy, among moss, lichen and algae
    HillSite(
        "B-01",
        "1",
        140,
        20,
        _story(
            11,
            "B-01",
            "1",
            "2026-03-12",
            _wound(K.DRILL_HOLE, 18, 18, 40),
            advance_mm_per_month=1.4,
            resin_final=0.35,
            resin_runs=1,
            lookalikes=(
                L("moss", (-38, -120), 34, 50, 1.0, 7),
                L("lichen", (34, -74), 26, 30, 1.0, 8),
                L("algae", (62, -100), 70, 240, 0.9, 9),
            ),
        ),
        (_APRIL, _JUNE, _AUGUST, _OCTOBER),
    ),
    # nobody has been here since April
    HillSite(
        "B-02",
        "1",
        135,
        75,
        _story(
            12,
            "B-02",
            "1",
            "2025-08-23",
            _wound(K.WINDOW, 34, 46, 8),
            advance_mm_per_month=1.8,
            resin_final=0.4,
            resin_runs=1,
        ),
        (_AUGUST_25, _OCTOBER_25, _APRIL),
    ),
    # second stem of a tree regrown from its base; ants and mud
    HillSite(
        "B-03",
        "2",
        100,
        150,
        _story(
            13,
            "B-03",
            "2",
            "2026-03-14",
            _wound(K.WINDOW, 28, 44, 7),
            advance_mm_per_month=2.0,
            resin_final=0.5,
            resin_runs=3,
            lookalikes=(L("ants", (0, -104), 60, 76, 0.8, 10), L("mud", (10, -160), 60, 44, 0.6, 11)),
        ),
        (_APRIL, _JUNE, _AUGUST, _OCTOBER),
    ),
    # third stem: new
    HillSite(
        "B-03",
        "3",
        105,
        330,
        _story(
            14,
            "B-03",
            "3",
            "2026-09-08",
            _wound(K.DRILL_HOLE, 14, 14.5, 35),
            advance_mm_per_month=1.5,
            resin_final=0.5,
            resin_runs=2,
        ),
        (_SEPTEMBER, _OCTOBER),
    ),
    # bark that is only watched
    HillSite(
        "B-04",
        "1",
        140,
        190,
        _story(
            15,
            "B-04",
            "1",
            "2026-03-15",
            _wound(K.WINDOW, 40, 40, 5),
            bare=True,
            lookalikes=(
                L("flaking bark", (-22, -110), 34, 46, 1.0, 12),
                L("lichen", (24, -96), 28, 24, 1.0, 13),
                L("paint", (6, -178), 62, 30, 0.9, 2),
            ),
        ),
        (_APRIL, _AUGUST),
    ),
    # dark with resin, as wanted; sun, shade and a web over it
    HillSite(
        "B-04",
        "1",
        170,
        10,
        _story(
            16,
            "B-04",
            "1",
            "2026-06-11",
            _wound(K.WINDOW, 44, 52, 12),
            advance_mm_per_month=1.1,
            resin_final=0.95,
            resin_runs=4,
            lookalikes=(L("leaf shadow", (16, -112), 92, 36, 0.9, 14), L("spider web", (-10, -96), 44, 40, 0.8, 15)),
        ),
        (_JUNE, _AUGUST, _OCTOBER),
    ),
)

EVENTS = (
    # date, tree, stem, site, event, amount, unit, by, note
    ("2025-08-20", "", "", "120502", "drilled", "", "", "Sari", ""),
    ("2025-09-02", "", "", "120503", "inoculated", "", "", "Daud", ""),
    ("2026-03-05", "A-02", "1", "", "rested", "", "", "Sari", "no more cuts before the long rains"),
    ("2026-06-10", "", "", "120503", "cut", "180", "g", "Daud", "dark wood, two chips"),
    ("2026-08-16", "", "", "120508", "treated", "", "", "Sari", "brushed dry, left open"),
    ("2020-11-30", "B-03", "1", "", "stem removed", "", "", "Daud", "wind throw; regrown from the base"),
)
