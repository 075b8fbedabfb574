"""Closure mathematics against closed forms."""

import math
from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import timeline
from pipeline.advance import advance_between, gilman_advance_mm
from pipeline.records import Event, EventKind, Reading, RimField, RimShift, SiteHistory, Trend
from pipeline.settings import GroveSettings, TimeSettings
from tests.season import SITE, reading

TIME, ALL_YEAR = TimeSettings(), GroveSettings(growing_months=tuple(range(1, 13)))
START = date(2025, 4, 1)


def history(readings: list[Reading], grove: GroveSettings = ALL_YEAR, **more: object) -> SiteHistory:
    return timeline.site_history(SITE, readings, (), TIME, grove, **more)


def trend(readings: list[Reading], grove: GroveSettings = ALL_YEAR) -> Trend:
    return history(readings, grove).trends[-1]


def squares(widths: list[float], step_days: int = 30) -> list[Reading]:
    return [reading(START + timedelta(days=step_days * i), w) for i, w in enumerate(widths)]


def ellipse_perimeter(a: float, b: float) -> float:
    """By plain integration, independent of any series."""
    n = 20000
    return (
        2
        * math.pi
        / n
        * sum(math.hypot(a * math.sin(t), b * math.cos(t)) for t in (2 * math.pi * i / n for i in range(n)))
    )


def test_gilman_on_circles_rectangles_ellipses_and_slots() -> None:
    """Closed forms: two concentric circles and any uniformly offset rectangle give the offset exactly."""
    circle = gilman_advance_mm(math.pi * 100, math.pi * 64, 2 * math.pi * 10, 2 * math.pi * 8)
    assert circle == pytest.approx(2.0, abs=1e-12)
    assert gilman_advance_mm(300, 156, 80, 64) == pytest.approx(2.0, abs=1e-12)
    ellipse = gilman_advance_mm(50 * math.pi, 24 * math.pi, ellipse_perimeter(10, 5), ellipse_perimeter(8, 3))
    assert ellipse == pytest.approx(1.9262, abs=5e-5)
    assert gilman_advance_mm(2000, 700, 240, 214) == pytest.approx(1300 / 227)
    assert gilman_advance_mm(math.pi * 25, 0, 10 * math.pi, 0) == pytest.approx(5.0)  # a circle that closed: its radius


@pytest.mark.parametrize(("advance", "closure"), [(1, 30.56), (2, 55.56), (3, 75.00)])
def test_percent_area_closure_of_a_12_mm_hole(advance: float, closure: float) -> None:
    before, after = 12.0, 12.0 - 2 * advance
    side = math.sqrt(math.pi) / 2  # squares of the same areas as the circles
    found = timeline.area_closure_pct(timeline.visits_of(205, squares([before * side, after * side]), TIME))
    assert found is not None
    assert found.value == pytest.approx(closure, abs=0.005)
    assert found.lo < closure < found.hi


def test_a_slot_is_under_read_by_rim_advance_and_not_by_width() -> None:
    """100 x 20 closing to 100 x 7 in width alone: 5.727 mm of rim advance though each side moved 6.5 mm."""
    slot = [reading(START + timedelta(days=100 * i), w, 100.0) for i, w in enumerate((20.0, 13.5, 7.0))]
    found = trend(slot)
    whole = advance_between(*[v for i, v in enumerate(history(slot).visits) if i != 1])
    assert whole is not None
    assert whole[0] == pytest.approx(5.727, abs=5e-4)
    assert found.width_closure_rate_mm_per_year is not None
    assert found.width_closure_rate_mm_per_year.value == pytest.approx(13.0 / 200 * 365.25)
    assert found.height_closure_rate_mm_per_year is not None
    assert found.height_closure_rate_mm_per_year.value == pytest.approx(0.0)


def test_the_same_rim_speed_on_a_small_and_a_large_hole() -> None:
    """Margin advance does not depend on the size, percent closure does (Cukjati et al. 2001)."""
    small, large = trend(squares([10.0, 9.0, 8.0, 7.0])), trend(squares([30.0, 29.0, 28.0, 27.0]))
    assert small.rim_advance_rate_mm_per_month is not None
    assert large.rim_advance_rate_mm_per_month is not None
    assert small.rim_advance_rate_mm_per_month.value == pytest.approx(large.rim_advance_rate_mm_per_month.value)
    assert small.rim_advance_rate_mm_per_month.value == pytest.approx(0.5 * 30.4375 / 30)
    assert small.area_closure_pct is not None
    assert large.area_closure_pct is not None
    assert small.area_closure_pct.value > 2 * large.area_closure_pct.value


def test_one_bad_visit_moves_the_rates_little() -> None:
    good = [20.0 - i for i in range(8)]
    spoilt = [*good[:4], 22.0, *good[5:]]
    right, robust = trend(squares(good)), trend(squares(spoilt))
    assert right.rim_advance_rate_mm_per_month is not None
    assert robust.rim_advance_rate_mm_per_month is not None
    assert robust.rim_advance_rate_mm_per_month.value == pytest.approx(
        right.rim_advance_rate_mm_per_month.value, rel=0.1
    )


def test_what_is_common_to_all_visits_cancels_in_the_change() -> None:
    """A stretch from the girth alone leaves the closure percentage certain; an independent error does not."""

    def pair(part: str) -> list[Reading]:
        return [replace(r, area_sd_parts={part: r.aperture_area_mm2_sd or 0.0}) for r in squares([20.0, 14.0])]

    common = timeline.area_closure_pct(timeline.visits_of(205, pair("girth"), TIME))
    own = timeline.area_closure_pct(timeline.visits_of(205, pair("rim"), TIME))
    assert common is not None
    assert own is not None
    assert common.hi - common.lo < 0.1 * (own.hi - own.lo)
    # independent: relative uncertainties of the ratio add in quadrature (GUM 5.1.6)
    assert own.hi - own.value == pytest.approx(1.959964 * 100 * 0.49 * math.hypot(0.03, 0.03), rel=1e-6)


def test_too_few_visits_give_no_rate() -> None:
    found = trend(squares([20.0, 19.0]))
    assert found.rim_advance_rate_mm_per_month is None
    assert found.width_closure_rate_mm_per_year is None
    assert found.area_closure_pct is not None


@settings(max_examples=25, deadline=None)
@given(st.floats(0.2, 5.0), st.permutations(range(6)))
def test_rates_scale_with_length_and_do_not_mind_the_order(scale: float, order: list[int]) -> None:
    widths = [30.0, 28.5, 28.0, 26.0, 25.5, 23.0]
    plain = trend(squares(widths))
    scaled = squares([w * scale for w in widths])
    moved = trend([scaled[i] for i in order])
    assert plain.width_closure_rate_mm_per_year is not None
    assert moved.width_closure_rate_mm_per_year is not None
    assert moved.width_closure_rate_mm_per_year.value == pytest.approx(
        scale * plain.width_closure_rate_mm_per_year.value
    )
    assert moved.area_closure_pct is not None
    assert plain.area_closure_pct is not None
    assert moved.area_closure_pct.value == pytest.approx(plain.area_closure_pct.value)


def test_seasonal_order_of_south_china_is_kept() -> None:
    """Slow December to March, faster to June, fastest to September, slower after (J. South China Agric. Univ. 2017)."""
    pace = {12: 0.1, 3: 0.5, 6: 1.0, 9: 0.3}
    days = [date(2014, 12, 1), date(2015, 3, 1), date(2015, 6, 1), date(2015, 9, 1), date(2015, 12, 1)]
    width, widths = 30.0, [30.0]
    for month in (12, 3, 6, 9):
        width -= 2 * 3 * pace[month]
        widths.append(width)
    visits = history([reading(d, w) for d, w in zip(days, widths, strict=True)]).visits
    winter, spring, summer, autumn = (v.rim_advance_mm for v in visits[1:])
    assert summer > spring > autumn > winter  # type: ignore[operator]


def with_field(visit_reading: Reading, before: Reading, side_mm: float, end_mm: float, sd: float = 0.05) -> Reading:
    field = RimField(
        before.sha256,
        visit_reading.sha256,
        RimShift(side_mm, sd, 150.0),
        RimShift(side_mm, sd, 100.0),
        RimShift(end_mm, sd, 50.0),
    )
    return replace(visit_reading, rim_field=field)


def test_sides_and_ends_have_rates_of_their_own() -> None:
    """Beech closes 18.4 mm a year in width and 4.5 in length (Tavankar et al.): 0.767 and 0.188 mm a month a rim."""
    plain = squares([40.0 - k for k in range(6)])
    grown = [plain[0], *(with_field(b, a, 0.767, 0.188) for a, b in pairwise(plain))]
    found = trend(grown)
    sides, ends = found.side_advance_rate_mm_per_month, found.end_advance_rate_mm_per_month
    assert sides is not None and ends is not None
    assert sides.value == pytest.approx(0.767 * 30.4375 / 30)
    assert ends.value == pytest.approx(0.188 * 30.4375 / 30)
    # weighted least squares with the standard uncertainty of a position, sd / sqrt(2), times sqrt(pi / 3) (Sen 1968)
    months = [30 * k / 30.4375 for k in range(6)]
    spread = sum((m - sum(months) / 6) ** 2 for m in months)
    half = 1.959964 * 0.05 / math.sqrt(2) * math.sqrt(math.pi / 3 / spread)
    assert sides.hi - sides.value == pytest.approx(half, rel=1e-4)


def test_a_field_of_another_visit_or_episode_is_no_advance_since_the_visit_before() -> None:
    plain = squares([40.0, 39.0, 38.0, 37.0])
    skipping = [plain[0], plain[1], plain[2], with_field(plain[3], plain[1], 1.0, 0.2)]
    assert [v.rim_field for v in history(skipping).visits] == [None] * 4
    cut = Event(plain[2].visit_on, EventKind.CUT, site=205)
    opened = [plain[0], with_field(plain[1], plain[0], 1.0, 0.2), with_field(plain[2], plain[1], -5.0, -5.0), plain[3]]
    found = timeline.site_history(SITE, opened, (cut,), TIME, ALL_YEAR)
    assert [v.rim_field is not None for v in found.visits] == [False, True, False, False]
    assert all(t.side_advance_rate_mm_per_month is None for t in found.trends)


def test_a_rim_taken_too_wide_at_every_visit_widens_the_closure_of_what_grew_small() -> None:
    """A reader's habit moves both rims out by h: d(A / A0) = (P - P0 A / A0) h / A0 (first order)."""
    h = 0.5
    sizes = [30.0, 15.0]
    photos = [
        replace(r, aperture_area_mm2_sd=4 * w * h, area_sd_parts={"reader's habit": 4 * w * h})
        for r, w in zip(squares(sizes), sizes, strict=True)
    ]
    found = timeline.area_closure_pct(timeline.visits_of(205, photos, TIME))
    assert found is not None
    exact = (60 - 120 * 225 / 900) * h / 900
    # 5 % of an uncertainty are always kept as the visit's own
    assert (found.hi - found.value) / 1.959964 / 100 == pytest.approx(exact, rel=0.06)
