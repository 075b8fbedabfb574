"""The alerts' benchmark: its quick way against the plain one, and its interval against scipy."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace

import numpy as np
import pytest

from benchmarks.alerts_score import RULES, URGENT, judge_sites
from benchmarks.bench_alerts import Order, known, one_grove, pooled_share
from pipeline import alerts, timeline
from pipeline.settings import Settings
from pipeline.simulate import GrovePlan, simulate_grove


@pytest.mark.parametrize("careless", [0.0, 0.5])
def test_every_visit_is_judged_as_from_its_records(careless):
    plan = GrovePlan(
        trees=3, years=1.5, seed=11, careless=careless, infections=0.4, stalls=0.4, unrecorded_openings=0.4,
        sign_false_alarm=0.05,
    )  # fmt: skip
    grove, settings = simulate_grove(plan), Settings()
    readings = defaultdict(list)
    for reading in grove.readings:
        readings[reading.site].append(reading)
    told = 0
    for quick, judged in judge_sites(grove, sorted(readings), readings, settings):
        site = quick.site
        events = grove.register.events_of(site.site)
        history = timeline.site_history(site, readings[site.site], events, settings.time, settings.grove)
        assert len(history.visits) == len(judged)
        for visit, rules in zip(history.visits, judged, strict=True):
            seen = tuple(v for v in history.visits if v.visit_on <= visit.visit_on)
            on_day = replace(
                history, visits=seen, trends=(), events=tuple(e for e in history.events if e.on <= visit.visit_on)
            )
            found = alerts.find([on_day], grove.register, settings, visit.visit_on)
            assert rules == {f.rule for f in found if f.site == site.site and f.severity in URGENT and f.rule in RULES}
            told += len(rules)
    assert told > 10


def test_a_stopped_call_goes_on_and_never_mixes_other_settings(tmp_path):
    order = Order(trees=1, years=0.5, careless=0.0, options={}, out=tmp_path)
    first = one_grove(order, 3)
    assert known(order, 3) == first
    assert known(order, 4) is None
    assert known(Order(1, 0.5, 0.0, {"alerts.stalled_p": 0.9}, tmp_path), 3) is None


def test_interval_of_a_share_over_groves():
    """Ratio estimator with equal cases is the mean of the shares: Student's interval of a mean, from scipy."""
    stats = pytest.importorskip("scipy.stats")
    hits = np.array([3, 5, 9, 4, 6, 1, 7, 5, 2, 8])
    share, half, cases = pooled_share([[int(h), 50] for h in hits])
    lo, hi = stats.t.interval(0.95, 9, loc=hits.mean() / 50, scale=stats.sem(hits / 50))
    assert cases == 500
    assert (share - half, share + half) == pytest.approx((lo, hi), rel=1e-3)
