"""How soon the rules see what happens in simulated groves, and how often they cry wolf.

    python benchmarks/bench_alerts.py --trees 100 --seeds 5

Every visit of every site is judged as it would have been on that day, from that visit and those before it.
Prints mean and 95 % interval over the seeds (normal, of the mean).
"""

from __future__ import annotations

import argparse
import platform
import time
from collections import defaultdict
from dataclasses import replace
from datetime import date

import numpy as np

from pipeline import alerts, timeline
from pipeline.records import Severity, SiteHistory
from pipeline.seasons import growing_days
from pipeline.settings import Settings
from pipeline.simulate import GrovePlan, SimulatedGrove, SiteTruth, simulate_grove

URGENT = (Severity.LOOK, Severity.ACT)
VISIBLE_MM2 = 500.0


def histories_of(grove: SimulatedGrove, settings: Settings) -> dict[int, SiteHistory]:
    """Every site's history from all its readings."""
    readings = defaultdict(list)
    for reading in grove.readings:
        readings[reading.site].append(reading)
    return {
        number: timeline.site_history(
            site, readings[number], grove.register.events_of(number), settings.time, settings.grove
        )
        for number, site in grove.register.sites.items()
    }


def as_of(history: SiteHistory, day: date) -> SiteHistory:
    """The history as known on a day; rules look at visits and events only."""
    visits = tuple(v for v in history.visits if v.visit_on <= day)
    return replace(history, visits=visits, trends=(), events=tuple(e for e in history.events if e.on <= day))


def judge_tree(histories: list[SiteHistory], grove: SimulatedGrove, settings: Settings) -> dict[int, dict[date, set]]:
    """Rules and severities at each site's visit days."""
    seen: dict[int, dict[date, set]] = defaultdict(dict)
    for history in histories:
        for visit in history.visits:
            known = [as_of(h, visit.visit_on) for h in histories]
            found = alerts.find(known, grove.register, settings, visit.visit_on)
            seen[history.site.site][visit.visit_on] = {
                (f.rule, f.severity, f.site, f.since) for f in found if f.site in (None, history.site.site)
            }
    return seen


def score_grove(plan: GrovePlan, settings: Settings) -> dict[str, float]:
    """All figures of one simulated grove."""
    grove = simulate_grove(plan)
    histories = histories_of(grove, settings)
    figures: dict[str, list[float]] = defaultdict(list)
    by_tree = defaultdict(list)
    for history in histories.values():
        by_tree[history.site.tree].append(history)
    for own in by_tree.values():
        judged = judge_tree(own, grove, settings)
        for history in own:
            truth = grove.truths[history.site.site]
            score_site(truth, history, judged[history.site.site], settings, figures)
            score_forecast(truth, history, settings, figures)
    return {
        name: float(np.median(values) if "median" in name else np.mean(values))
        for name, values in figures.items()
        if values
    }


def rules_on(seen: set, site: int, severities: tuple[Severity, ...] = URGENT) -> set[str]:
    """Rules that speak of a site with these severities."""
    return {rule for rule, severity, at, _ in seen if at == site and severity in severities}


def score_site(
    truth: SiteTruth, history: SiteHistory, judged: dict[date, set], settings: Settings, figures: dict[str, list[float]]
) -> None:
    """Stages, infections, enlargements and false alerts of one site."""
    days = [v.visit_on for v in history.visits]
    stages = dict(zip(truth.days, truth.stage, strict=True))
    for visit in history.visits:
        figures["stage right, filtered"].append(visit.stage == stages[visit.visit_on])
        figures["stage right, single photo"].append(int(np.argmax(visit.stage_p)) == stages[visit.visit_on])
    areas = dict(zip(truth.days, truth.sign_area_mm2, strict=True))
    visible = [day for day in days if areas[day] >= VISIBLE_MM2]
    if len(visible) >= 3:
        hit = [bool(rules_on(judged[day], truth.site) & {"sign suspected", "sign spreading"}) for day in visible[:3]]
        figures["infection seen at the first visit"].append(hit[0])
        figures["infection seen within one visit more"].append(any(hit[:2]))
        figures["infection seen within two visits more"].append(any(hit[:3]))
    score_stall(truth, days, judged, settings, figures)
    for opened, by in zip(truth.opened_on, truth.opened_by_mm, strict=True):
        after = [day for day in days if day >= opened]
        if after and by >= 3.0 and not any(abs((cut - after[0]).days) <= 40 for cut in truth.cut_on):
            rules = rules_on(judged[after[0]], truth.site)
            figures["enlargement of 3 mm or more seen at the next visit"].append(
                bool(rules & {"aperture enlarged without an event", "reopened"})
            )
    if truth.infected_from is None and truth.stalled_from is None and not truth.opened_on:
        before: set[str] = set()
        for day in days:
            standing = rules_on(judged[day], truth.site) - {"visit overdue"}
            rules, before = standing - before, standing
            figures["false alerts (look, act) opened a healthy site-visit"].append(bool(rules))
            for rule in ("sign suspected", "sign spreading", "aperture enlarged without an event", "closure stalled",
                         "reopened", "implausible rate"):  # fmt: skip
                figures[f"  of these: {rule}"].append(rule in rules)


def score_stall(
    truth: SiteTruth, days: list[date], judged: dict[date, set], settings: Settings, figures: dict[str, list[float]]
) -> None:
    """Stalls that were found, and stalls that were none."""
    months = settings.grove.growing_months
    widths = dict(zip(truth.days, truth.width_mm, strict=True))
    if truth.stalled_from is None:
        if not truth.opened_on:
            called = ["closure stalled" in rules_on(judged[day], truth.site) for day in days]
            opened = [now and not was for was, now in zip([False, *called], called, strict=False)]
            limit = 2 * settings.alerts.stalled_advance_mm_per_month
            kind = f"slow site, below {limit:.1f} mm a month" if truth.side_mm_per_growing_month < limit else "site"
            figures[f"false stalls opened a {kind} and visit"] += opened
        return
    after = [d for d in days if d >= truth.stalled_from and widths[d] > 3.0]
    disturbed = any(d >= truth.stalled_from for d in (*truth.cut_on, *truth.opened_on))
    if not after or disturbed or growing_days(truth.stalled_from, after[-1], months) < 120:
        return
    called = [d for d in after if "closure stalled" in rules_on(judged[d], truth.site)]
    first = growing_days(truth.stalled_from, called[0], months) if called else 10_000
    figures["stall found within 90 growing days"].append(first <= 90)
    figures["stall found within 120 growing days"].append(first <= 120)


def score_forecast(truth: SiteTruth, history: SiteHistory, settings: Settings, figures: dict[str, list[float]]) -> None:
    """The closing date as given three visits before closing, and at each visit before."""
    if truth.closed_on is None or truth.opened_on or truth.stalled_from is not None or not history.visits:
        return
    last_episode = history.visits[-1].episode
    visits = [v for v in history.visits if v.episode == last_episode and v.visit_on < truth.closed_on]
    for k in range(4, len(visits) + 1):
        outlook = timeline.forecast_closing(visits[:k], settings.time, settings.grove.growing_months)
        figures["closing date given (share of visits from the fourth)"].append(outlook.forecast is not None)
        if outlook.forecast is None:
            continue
        held = outlook.forecast.closes_on_lo <= truth.closed_on <= outlook.forecast.closes_on_hi
        figures["closing date: 80 % interval holds"].append(held)
        if k == len(visits) - 2:
            figures["closing date: median error three visits before, days"].append(
                abs((outlook.forecast.closes_on - truth.closed_on).days)
            )
            figures["closing date: 80 % interval holds three visits before"].append(held)


def main() -> None:
    """Parse the call, run the seeds, print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--trees", type=int, default=100)
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--years", type=float, default=3.0)
    call = parser.parse_args()
    settings = Settings()
    rows: dict[str, list[float]] = defaultdict(list)
    start = time.perf_counter()
    for seed in range(call.seeds):
        for name, value in score_grove(GrovePlan(trees=call.trees, years=call.years, seed=seed), settings).items():
            rows[name].append(value)
    print(f"{call.trees} trees, {call.years:g} years, {call.seeds} seeds, {time.perf_counter() - start:.0f} s, "
          f"{platform.processor() or platform.machine()}, Python {platform.python_version()}")  # fmt: skip
    for name, values in rows.items():
        spread = 1.96 * float(np.std(values, ddof=1)) / len(values) ** 0.5 if len(values) > 1 else float("nan")
        print(f"{name:58s} {np.mean(values):8.4f} +- {spread:.4f}")


if __name__ == "__main__":
    main()
