"""Closing dates: where they are given, where they are refused, and what they may say."""

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
import scipy.optimize

from pipeline import timeline
from pipeline.records import Interval, Reading, Trend, WoundKind
from pipeline.seasons import growing_days
from pipeline.settings import GroveSettings, TimeSettings
from pipeline.timeline.forecast import growing_months_to_close, pooled
from tests.season import SITE, reading

TIME, GROVE = TimeSettings(), GroveSettings(growing_months=(4, 5, 6, 7, 8, 9, 10))
START = date(2025, 4, 5)


def trend(readings: list[Reading], grove: GroveSettings = GROVE, prior: object = None) -> Trend:
    return timeline.site_history(SITE, readings, (), TIME, grove, prior).trends[-1]  # type: ignore[arg-type]


def steady(
    days: list[int], width_mm: float = 20.0, side_mm_a_month: float = 0.6, height_mm: float = 30.0
) -> list[Reading]:
    """Sides that advance in growing months only."""
    photos = []
    for day in days:
        on = START + timedelta(days=day)
        way = side_mm_a_month * growing_days(START, on, GROVE.growing_months) / 30.4375
        photos.append(reading(on, width_mm - 2 * way, height_mm))
    return photos


def test_a_steady_wound_closes_when_its_way_is_done() -> None:
    """10 mm a side at 0.6 mm a growing month: 16.67 growing months from 5 April 2025, seven a year."""
    found = trend(steady([0, 30, 60, 90, 120, 150]))
    assert found.forecast is not None
    days = growing_days(START, found.forecast.closes_on, GROVE.growing_months)
    assert days == pytest.approx(10 / 0.6 * 30.4375, abs=3)
    assert found.forecast.closes_on_lo < found.forecast.closes_on < found.forecast.closes_on_hi


def test_nothing_advances_out_of_season() -> None:
    """A wound that would close in its growing time never closes in the dormant months (Neely: only while growing)."""
    found = trend(steady([60, 90, 120, 150, 180], 8.0)).forecast
    assert found is not None
    for day in (found.closes_on, found.closes_on_lo, found.closes_on_hi):
        assert day.month in GROVE.growing_months or day.day == 1


def test_the_height_does_not_change_the_date() -> None:
    """Width controls closure; length had little effect (Neely 1970)."""
    short, tall = (
        trend(steady([0, 40, 80, 120, 160], height_mm=25.0)),
        trend(steady([0, 40, 80, 120, 160], height_mm=120.0)),
    )
    assert short.forecast is not None
    assert tall.forecast is not None
    assert short.forecast.closes_on == tall.forecast.closes_on


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        (steady([0, 30]), "2 more visits needed (2 of 4)"),
        (steady([0, 30, 60]), "1 more visit needed (3 of 4)"),
        (steady([0, 3, 6, 9]), "months of growing season"),
        ([*steady([0, 30, 60, 90]), reading(START + timedelta(days=120), 0.0)], "No opening is visible"),
        (steady([0, 30, 60, 90], side_mm_a_month=-0.6), "does not close"),
        (steady([0, 40, 80, 120, 160], 200.0, 0.9), "more than 8 years"),
        (
            [reading(START + timedelta(days=30 * i), w) for i, w in enumerate((20, 17, 20.5, 17.5, 20, 16.5))],
            "follow a line",
        ),
    ],
)
def test_a_date_is_refused_with_its_reason(readings: list[Reading], words: str) -> None:
    found = trend(readings)
    assert found.forecast is None
    assert words in found.why_no_forecast


def test_without_growing_months_there_is_no_date() -> None:
    assert "growing months" in trend(steady([0, 30, 60, 90]), GroveSettings(growing_months=())).why_no_forecast


def test_fieller_bounds_solve_their_equation() -> None:
    """Bounds are the roots of (way - rate g)**2 = k**2 (var way + g**2 var rate), found by scipy."""
    way, way_sd, rate, rate_sd, k = 4.0, 0.3, 0.6, 0.1, 1.2816
    months = growing_months_to_close(way, way_sd, rate, rate_sd, k)
    assert months is not None

    def excess(g: float) -> float:
        return (way - rate * g) ** 2 - k**2 * (way_sd**2 + (g * rate_sd) ** 2)

    assert months[1] == pytest.approx(scipy.optimize.brentq(excess, 0, way / rate))
    assert months[2] == pytest.approx(scipy.optimize.brentq(excess, way / rate, 100))
    assert growing_months_to_close(way, way_sd, 0.1, 0.1, k) is None


def test_pooling_without_spread_is_the_weighted_mean() -> None:
    """Inverse-variance mean of equal rates; with spread, the between-site variance of DerSimonian & Laird 1986."""
    half = 1.959964 * 0.1
    equal = pooled([Interval(0.5, 0.5 - half, 0.5 + half)] * 4, "")
    assert equal.mean == pytest.approx(0.5)
    values = np.array([0.2, 0.5, 0.8, 0.9])
    found = pooled([Interval(v, v - half, v + half) for v in values], "")
    between = values.var(ddof=1) - 0.01  # equal weights: the moment estimate is the sample variance less the own one
    assert found.mean == pytest.approx(values.mean())
    assert found.spread == pytest.approx(np.sqrt(between + (between + 0.01) / 4), rel=1e-3)


def test_a_young_site_borrows_and_says_so() -> None:
    half = 0.05
    prior = pooled([Interval(v, v - half, v + half) for v in (0.55, 0.6, 0.65, 0.6)], "4 sites of the same kind")
    alone, helped = trend(steady([0, 60])), trend(steady([0, 60]), prior=prior)
    assert alone.forecast is None
    assert helped.forecast is not None
    assert "borrowed from 4 sites of the same kind" in helped.borrows


def test_a_prior_needs_three_other_sites_of_the_kind() -> None:
    one = timeline.site_history(SITE, steady([0, 40, 80, 120]), (), TIME, GROVE)
    assert timeline.rate_prior([one, one], WoundKind.WINDOW) is None
    assert timeline.rate_prior([one] * 3, WoundKind.STRIP) is None
    assert timeline.rate_prior([one] * 3, WoundKind.WINDOW, leave_out=205) is None
    prior = timeline.rate_prior([one] * 3, WoundKind.WINDOW)
    assert prior is not None
    assert prior.mean == pytest.approx(0.6, abs=0.01)


def test_only_sites_in_want_of_visits_borrow_and_never_from_themselves() -> None:
    lenders = [
        timeline.site_history(
            replace(SITE, site=n), [replace(r, site=n) for r in steady([0, 40, 80, 120])], (), TIME, GROVE
        )
        for n in (1, 2, 3)
    ]
    young = timeline.site_history(SITE, steady([60, 120]), (), TIME, GROVE)
    *same, helped = timeline.borrow_rates([*lenders, young], TIME, GROVE)
    assert same == lenders
    assert young.trends[-1].forecast is None
    assert helped.trends[-1].forecast is not None
    assert "3 sites of the same kind on this tree" in helped.trends[-1].borrows
    assert timeline.borrow_rates([young], TIME, GROVE) == (young,)
    assert timeline.borrow_rates([*lenders[:2], young], TIME, GROVE)[-1] == young


def test_lenders_teach_each_site_what_all_the_others_teach() -> None:
    """Gone through once a grove, each site is told the same as if the others alone were there."""
    plan = [(1, "A"), (2, "A"), (3, "A"), (4, "A"), (5, "B"), (6, "B"), (7, "C")]
    histories = [
        timeline.site_history(
            replace(SITE, site=n, tree=tree),
            [replace(r, site=n) for r in steady([0, 40, 80, 120], side_mm_a_month=0.4 + 0.05 * n)],
            (),
            TIME,
            GROVE,
        )
        for n, tree in plan
    ]
    lenders = timeline.Lenders(histories)
    for history in histories:
        site, others = history.site, [h for h in histories if h is not history]
        assert lenders.prior(site.kind, site.tree, leave_out=site.site) == timeline.rate_prior(
            others, site.kind, site.tree
        )
    words = [lenders.prior(h.site.kind, h.site.tree, leave_out=h.site.site).words for h in histories]  # type: ignore[union-attr]
    assert words == ["3 sites of the same kind on this tree"] * 4 + ["6 sites of the same kind in this grove"] * 3
