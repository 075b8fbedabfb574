"""Rules: each one fires where it should, and not where it should not."""

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import scipy.stats
from hypothesis import given
from hypothesis import strategies as st

from pipeline import alerts, timeline
from pipeline.alerts.neighbours import upper_tail
from pipeline.alerts.stem import Arc, largest_girdle, union_deg
from pipeline.records import (
    Event,
    EventKind,
    Finding,
    PhotoStage,
    Reading,
    Refusal,
    Review,
    ReviewAnswer,
    Severity,
    Sign,
    SignReading,
    Site,
    Stage,
    WoundKind,
)
from pipeline.settings import Settings
from tests.season import SITE, reading, register, sure

SETTINGS = Settings()
START = date(2025, 4, 5)
DOCS = Path(__file__).parents[2] / "docs" / "alerts.md"


def find(
    readings: list[Reading], *sites: Site, events: tuple[Event, ...] = (), today: date | None = None, **more: object
) -> tuple[Finding, ...]:
    sites = sites or (SITE,)
    entries = register(*sites, events=events)
    histories = [timeline.site_history(s, readings, entries.events, SETTINGS.time, SETTINGS.grove) for s in sites]
    last = max((r.visit_on for r in readings), default=START)
    return alerts.find(histories, entries, SETTINGS, today or last, **more)  # type: ignore[arg-type]


def rules(found: tuple[Finding, ...]) -> dict[str, Severity]:
    return {f.rule: f.severity for f in found}


def series(*widths: float, step: int = 30, start: date = START, **more: object) -> list[Reading]:
    return [reading(start + timedelta(days=step * i), w, **more) for i, w in enumerate(widths)]  # type: ignore[arg-type]


def with_sign(sign: Sign, *seen: tuple[float, float], step: int = 30) -> list[Reading]:
    return [
        reading(START + timedelta(days=step * i), 20.0 - i, signs={sign: SignReading(p, float(area))})
        for i, (p, area) in enumerate(seen)
    ]


GREEN, CONK = Sign.GREEN_FILM, Sign.CONK


@pytest.mark.parametrize(
    ("readings", "severity"),
    [
        (with_sign(GREEN, (0.1, 0)), None),
        (with_sign(GREEN, (0.4, 200)), None),
        (with_sign(GREEN, (0.6, 200)), Severity.NOTE),
        (with_sign(GREEN, (0.9, 20)), Severity.NOTE),
        (with_sign(GREEN, (0.9, 500)), Severity.LOOK),
        (with_sign(GREEN, (0.5, 200), (0.6, 200)), Severity.LOOK),
        (with_sign(GREEN, (0.4, 200), (0.4, 200)), Severity.NOTE),
        (with_sign(GREEN, (0.9, 300)), Severity.NOTE),
        (with_sign(CONK, (0.6, 20)), Severity.NOTE),
        (with_sign(CONK, (0.9, 20)), Severity.NOTE),
        (with_sign(CONK, (0.9, 20), (0.9, 20)), Severity.LOOK),
        (with_sign(GREEN, (0.3, 0), (0.3, 0), (0.3, 0), (0.6, 300)), Severity.NOTE),
        (with_sign(GREEN, (0.9, 500), (0.1, 0)), Severity.LOOK),
        (with_sign(GREEN, (0.9, 500), (0.1, 0), (0.1, 0)), None),
        (with_sign(GREEN, (0.9, 500), (0.1, 0), step=200), None),
    ],
)
def test_a_single_doubtful_photo_asks_for_another_two_ask_for_a_person(
    readings: list[Reading], severity: Severity | None
) -> None:
    assert rules(find(readings)).get("sign suspected") is severity


def review(answer: ReviewAnswer, day: date, sign: Sign = GREEN, **more: object) -> Review:
    return Review("Lan", datetime(day.year, day.month, day.day, 9, tzinfo=UTC), answer, site=205, sign=sign, **more)  # type: ignore[arg-type]


def test_a_rejected_sign_stays_quiet_until_it_grows() -> None:
    seen = with_sign(GREEN, (0.9, 500), (0.9, 520))
    rejected = (review(ReviewAnswer.REJECTED, seen[0].visit_on),)
    assert "sign suspected" not in rules(find(seen, reviews=rejected))
    grown = with_sign(GREEN, (0.9, 500), (0.9, 1500))
    assert "sign suspected" in rules(find(grown, reviews=rejected))
    assert "sign suspected" in rules(find(with_sign(CONK, (0.9, 500), (0.9, 520)), reviews=rejected))


def test_a_confirmed_sign_is_to_act_on_until_it_is_cleaned_off() -> None:
    seen = with_sign(GREEN, (0.9, 500), (0.9, 520))
    yes = (review(ReviewAnswer.CONFIRMED, seen[1].visit_on),)
    found = rules(find(seen, reviews=yes))
    assert found["sign confirmed"] is Severity.ACT
    assert "sign suspected" not in found
    cleaned = Event(seen[1].visit_on + timedelta(days=3), EventKind.CLEANED, site=205)
    assert "sign confirmed" not in rules(find(seen, events=(cleaned,), reviews=yes))
    taken_back = (
        replace(yes[0], id=1),
        replace(review(ReviewAnswer.REJECTED, seen[1].visit_on + timedelta(days=1)), id=2, replaces=1),
    )
    assert "sign confirmed" not in rules(find(seen, reviews=taken_back))


def test_a_sign_that_grows_or_stands_at_two_sites_is_spreading() -> None:
    assert rules(find(with_sign(GREEN, (0.9, 300), (0.9, 900))))["sign spreading"] is Severity.LOOK
    assert "sign spreading" not in rules(find(with_sign(GREEN, (0.9, 300), (0.9, 400))))
    other = replace(SITE, site=206)
    both = with_sign(GREEN, (0.9, 600)) + [
        replace(r, site=206, sha256=r.sha256[::-1]) for r in with_sign(GREEN, (0.9, 600))
    ]
    on_stem = [f for f in find(both, SITE, other) if f.rule == "sign spreading"]
    assert [f.site for f in on_stem] == [None]
    assert "205, 206" in on_stem[0].why
    assert not [f for f in find(both, SITE, replace(other, stem="2")) if f.rule == "sign spreading"]


def test_dark_resin_soaked_wood_and_ants_raise_nothing() -> None:
    plain = [replace(r, resin_p=0.99, lookalike_p=0.99, wood_lab=(25.0, 8.0, 10.0)) for r in series(20.0, 19.0, 18.0)]
    assert find(plain) == ()


def test_an_opening_that_grew_is_a_question_unless_an_event_explains_it() -> None:
    grown = series(20.0, 19.0, 18.0, 24.0)
    found = [f for f in find(grown) if f.rule == "aperture enlarged without an event"]
    assert [f.severity for f in found] == [Severity.LOOK]
    assert "Was wood taken out here between" in found[0].next_step
    for days in (92, 62, 87, 57):  # between the visits, on their days and a little outside
        cut = Event(START + timedelta(days=days), EventKind.CUT, site=205)
        assert "aperture enlarged without an event" not in rules(find(grown, events=(cut,))), days
    far = Event(START + timedelta(days=20), EventKind.TREATED, site=205)
    assert "aperture enlarged without an event" in rules(find(grown, events=(far,)))
    entries = register()
    history = timeline.site_history(SITE, grown, (), SETTINGS.time, SETTINGS.grove)
    (question,) = alerts.questions([history], entries, SETTINGS, START)
    assert (question.from_on, question.to_on) == (grown[2].visit_on, grown[3].visit_on)


def test_a_single_odd_size_is_no_enlargement() -> None:
    assert "aperture enlarged without an event" not in rules(find(series(20.0, 19.0, 25.0, 18.0)))
    assert "aperture enlarged without an event" not in rules(find(series(20.0, 19.0, 19.5, 18.6)))


def test_a_seam_that_is_read_a_little_wider_was_not_opened() -> None:
    """Sizes of a drill hole of the demo grove that closed: a line carried on would expect less than nothing."""
    sizes = (
        (0, 16.3, 16.8, 0.17),
        (49, 14.5, 15.4, 0.2),
        (231, 3.0, 6.1, 1.1),
        (294, 1.7, 6.0, 1.3),
        (385, 2.1, 6.6, 1.1),
    )
    photos = [
        reading(date(2025, 8, 24) + timedelta(days=day), width, height, area_rel_sd=sd)
        for day, width, height, sd in sizes
    ]
    assert "aperture enlarged without an event" not in rules(find(photos))
    photos[-1] = reading(photos[-1].visit_on, 9.0, 13.0, area_rel_sd=0.3)
    assert rules(find(photos))["aperture enlarged without an event"] is Severity.LOOK


def test_an_opening_much_larger_is_asked_about_at_once_and_for_as_long_as_it_stands() -> None:
    """Sizes of a window of the demo grove, made larger between the third and the fourth visit."""
    sizes = ((0, 37.0, 47.0), (231, 26.0, 40.7), (294, 20.6, 36.5), (350, 48.7, 57.8), (385, 48.9, 58.1))
    photos = [reading(date(2025, 8, 24) + timedelta(days=day), w, h) for day, w, h in sizes]
    for last in (4, 5):
        (found,) = [f for f in find(photos[:last]) if f.rule == "aperture enlarged without an event"]
        assert found.since == photos[3].visit_on


def test_a_stall_needs_growing_season() -> None:
    flat = (14.0, 14.05, 13.95, 14.0, 14.0, 14.02)
    summer = series(18.0, 17.0, *flat, start=date(2025, 4, 5), area_rel_sd=0.01)
    winter = series(18.0, 17.0, *flat, start=date(2025, 9, 1), area_rel_sd=0.01)
    slow = series(18.0, 17.4, 16.8, 16.2, 15.6, 15.0, 14.4, 13.8, area_rel_sd=0.01)
    assert rules(find(summer))["closure stalled"] is Severity.LOOK
    assert "closure stalled" not in rules(find(winter))
    assert "closure stalled" not in rules(find(slow))
    assert "closure stalled" not in rules(find(summer, replace(SITE, made_on=summer[4].visit_on)))


def test_reopened_and_still_open() -> None:
    photos = series(8.0, 4.0, 0.0, 0.0, 9.0)
    assert rules(find(photos))["reopened"] is Severity.LOOK
    cut = Event(photos[4].visit_on - timedelta(days=2), EventKind.CUT, site=205)
    assert "reopened" not in rules(find(photos, events=(cut,)))
    old = replace(SITE, made_on=START - timedelta(days=1100))
    assert rules(find(series(20.0, 19.0), old))["still open after 36 months"] is Severity.NOTE
    assert "still open after 36 months" not in rules(find(series(20.0, 19.0)))


def test_closing_faster_than_wood_grows_is_doubted() -> None:
    assert rules(find(series(80.0, 30.0)))["implausible rate"] is Severity.LOOK
    assert "implausible rate" not in rules(
        find(series(80.0, 70.0))
    )  # 5 mm a side a month: fast edge growth in the tropics


def test_rebarked_at_two_visits_is_a_note_and_never_called_healed() -> None:
    photos = [replace(r, stage_p=sure(Stage.REBARKED)) for r in series(0.0, 0.0, 0.0, step=120)]
    found = find(photos)
    assert rules(found) == {"closed and rebarked": Severity.NOTE}
    assert "says nothing of the wood inside" in found[0].caution


def test_union_of_arcs() -> None:
    """Two 90 degree windows that overlap by 30 degrees: 150 of 360 degrees; not the sum."""
    arcs = [Arc(1, 90.0, 0.0, 0.0, 100.0), Arc(2, 90.0, 60.0, 50.0, 150.0)]
    assert union_deg(arcs) == pytest.approx(150.0)
    assert largest_girdle(arcs)[0] == pytest.approx(150 / 360)
    apart = [arcs[0], replace(arcs[1], bottom_mm=101.0, top_mm=200.0)]
    assert largest_girdle(apart)[0] == pytest.approx(90 / 360)
    assert union_deg([Arc(1, 40.0, 350.0, 0, 1), Arc(2, 40.0, 10.0, 0, 1)]) == pytest.approx(60.0)  # across north
    assert union_deg([*arcs, Arc(3, 30.0, None, 0, 1)]) == pytest.approx(180.0)  # bearing unknown: counted in full


@given(st.lists(st.tuples(st.integers(1, 300), st.integers(0, 719)), max_size=6))
def test_union_of_arcs_equals_a_count_of_half_degrees(arcs: list[tuple[int, int]]) -> None:
    covered = {(centre - width + i) % 720 for width, centre in arcs for i in range(min(2 * width, 720))}
    found = union_deg([Arc(0, float(width), centre / 2, 0, 1) for width, centre in arcs])
    assert found == pytest.approx(len(covered) / 2)


@pytest.mark.parametrize(
    ("width", "severity"),
    [(80.0, None), (95.0, Severity.NOTE), (125.0, Severity.LOOK), (190.0, Severity.ACT), (290.0, Severity.ACT)],
)
def test_bands_of_the_girdled_share(width: float, severity: Severity | None) -> None:
    """Girth 360 mm, so a millimetre is a degree."""
    found = [f for f in find([reading(START, width, 40.0)]) if f.rule == "girdled share"]
    assert [f.severity for f in found] == ([severity] if severity else [])
    for finding in found:
        assert finding.figures["girdled_share"] == pytest.approx(width / 360)


def test_a_closed_wound_does_not_girdle_and_a_removed_stem_is_not_judged() -> None:
    assert "girdled share" not in rules(find(series(200.0, 0.0)))
    gone = Event(START + timedelta(days=1), EventKind.STEM_REMOVED, tree="A-012", stem="1")
    assert find([reading(START, 200.0, 40.0)], events=(gone,), today=START + timedelta(days=400)) == ()


def test_overdue_by_stage_and_sooner_where_a_sign_is_suspected() -> None:
    calm, sick = series(20.0), with_sign(GREEN, (0.9, 500))
    assert "visit overdue" not in rules(find(calm, today=START + timedelta(days=45)))
    assert rules(find(calm, today=START + timedelta(days=46)))["visit overdue"] is Severity.NOTE
    assert rules(find(sick, today=START + timedelta(days=12)))["visit overdue"] is Severity.LOOK
    retired = replace(SITE, retired_on=START)
    assert find(calm, retired, today=START + timedelta(days=400)) == ()
    assert "never photographed" in find([], today=START + timedelta(days=60))[0].why


def test_a_refused_photo_that_was_not_taken_again() -> None:
    when = datetime(2025, 5, 20, 3, tzinfo=UTC)
    refusal = Refusal(
        "a.jpg", "ab", PhotoStage.CARD, "No card was found.", "Keep the whole card in the picture.", when, 205
    )
    late, soon = date(2025, 5, 28), date(2025, 5, 25)
    found = {f.rule: f for f in find(series(20.0), today=late, refusals=(refusal,))}
    assert found["retake not done"].next_step == refusal.remedy
    assert "retake not done" not in rules(find(series(20.0), today=soon, refusals=(refusal,)))
    assert "retake not done" not in rules(find(series(20.0, 19.0, step=50), today=late, refusals=(refusal,)))


def test_the_wrong_trunk_is_doubted() -> None:
    entries = register()
    history = timeline.site_history(SITE, series(20.0, 19.0), (), SETTINGS.time, SETTINGS.grove)
    wrong = replace(history, visits=(history.visits[0], replace(history.visits[1], same_place=0.1)))
    assert "photo does not match its site" in rules(alerts.find([wrong], entries, SETTINGS, START))


def test_unwounded_bark_has_signs_but_no_closure() -> None:
    panel = replace(SITE, kind=WoundKind.BARK_PANEL)
    found = rules(find(with_sign(GREEN, (0.9, 500), (0.9, 600), (0.9, 700)), panel))
    assert set(found) == {"sign suspected", "sign spreading"} or set(found) == {"sign suspected"}


EVERYTHING = [
    *find(with_sign(GREEN, (0.9, 300), (0.9, 900)), reviews=(review(ReviewAnswer.CONFIRMED, START),)),
    *find(with_sign(CONK, (0.9, 300), (0.9, 900)), today=date(2026, 4, 1)),
    *find(series(20.0, 19.0, 18.0, 24.0)),
    *find(series(8.0, 4.0, 0.0, 0.0, 9.0), replace(SITE, made_on=date(2021, 1, 1))),
    *find(series(80.0, 30.0)),
    *find([reading(START, 290.0, 40.0)]),
    *find([replace(r, stage_p=sure(Stage.REBARKED)) for r in series(0.0, 0.0, 0.0, step=120)]),
    *find(series(18.0, 17.0, 14.0, 14.05, 13.95, 14.0, 14.0, 14.02, area_rel_sd=0.01)),
]


@pytest.mark.parametrize("finding", EVERYTHING, ids=lambda f: f.key)
def test_every_finding_can_be_acted_on(finding: Finding) -> None:
    assert re.search(r"\d", finding.why)
    assert finding.why.endswith((".", ")"))
    for text in (finding.threshold, finding.source, finding.next_step, finding.caution):
        assert text
    assert all(isinstance(v, float) for v in finding.figures.values())
    everything = " ".join((finding.why, finding.next_step, finding.caution, finding.threshold)).lower()
    for word in ("healed", "safe", "diagnos", "infected", "cured", "fungicide", "dose"):
        assert word not in everything
    assert finding.rule in {rule.name for rule in alerts.RULES}


def test_findings_are_sorted_and_unique_whatever_the_order_of_the_sites() -> None:
    other = replace(SITE, site=206, bearing_deg=200.0)
    photos = series(80.0, 79.0, 90.0) + [
        replace(r, site=206, sha256=r.sha256[::-1]) for r in with_sign(GREEN, (0.9, 900))
    ]
    found = find(photos, SITE, other)
    assert found == find(photos[::-1], other, SITE)
    assert len({f.key for f in found}) == len(found)
    order = [Severity.ACT, Severity.LOOK, Severity.NOTE]
    assert [order.index(f.severity) for f in found] == sorted(order.index(f.severity) for f in found)


@pytest.mark.parametrize(
    ("readings", "status"),
    [
        ([], "too few visits to say"),
        (series(20.0, 19.0), "too few visits to say"),
        (series(20.0, 18.0, 16.0, 14.0), "closing"),
        (series(20.0, 20.0, 20.1, 20.0, step=10), "open, little change"),
        (series(4.0, 0.0, 0.0, 0.0), "closed on the surface"),
        (series(20.0, 19.0, 18.0, 24.0), "look this week"),
        ([reading(START, 290.0, 40.0)], "a person must decide"),
    ],
)
def test_the_status_of_a_tree_has_reasons(readings: list[Reading], status: str) -> None:
    history = timeline.site_history(SITE, readings, (), SETTINGS.time, SETTINGS.grove)
    today = max((r.visit_on for r in readings), default=START)
    found = alerts.find([history], register(), SETTINGS, today)
    word, reasons = alerts.tree_status([history], found, SETTINGS)
    assert word == status
    assert reasons


def test_the_weeks_list_is_urgent_first_then_in_walking_order() -> None:
    sites = [replace(SITE, site=n, tree=f"A-{t}") for n, t in ((1, 10), (2, 9), (3, 2))]
    entries = register(*sites)
    trees = {t: replace(tree, position=t[2:]) for t, tree in entries.trees.items()}
    finding = find([reading(START, 125.0, 40.0)])[0]
    findings = [
        replace(finding, tree=f"A-{t}", severity=s)
        for t, s in ((10, Severity.LOOK), (9, Severity.LOOK), (2, Severity.NOTE), (11, Severity.ACT))
    ]
    week = alerts.week_list(findings, replace(entries, trees=trees))
    assert [e.tree for e in week] == ["A-11", "A-9", "A-10", "A-2"]
    assert week[0].reason == finding.why


@pytest.mark.parametrize(
    ("hits", "drawn", "marked", "total"), [(1, 8, 5, 99), (3, 8, 5, 99), (5, 5, 5, 5), (0, 3, 2, 9)]
)
def test_chance_of_affected_neighbours_agrees_with_scipy(hits: int, drawn: int, marked: int, total: int) -> None:
    assert upper_tail(hits, drawn, marked, total) == pytest.approx(
        scipy.stats.hypergeom.sf(hits - 1, total, marked, drawn)
    )


def test_a_cluster_on_the_map_is_told_from_scattered_trees() -> None:
    sites = [replace(SITE, site=i, tree=f"T-{i}") for i in range(100)]
    entries = register(*sites)
    trees = {s.tree: replace(entries.trees[s.tree], x_m=4.0 * (s.site % 10), y_m=4.0 * (s.site // 10)) for s in sites}
    grove = replace(entries, trees=trees)
    seen = find(with_sign(GREEN, (0.9, 500)))[0]
    for numbers, clustered in (((44, 45, 54, 55), True), ((0, 9, 50, 99), False), ((44,), False)):
        found = alerts.find_neighbours([replace(seen, tree=f"T-{n}") for n in numbers], grove, SETTINGS.alerts, START)
        assert bool(found) == clustered, numbers
    notes = [replace(seen, tree=f"T-{n}", severity=Severity.NOTE) for n in (44, 45, 54, 55)]
    assert alerts.find_neighbours(notes, grove, SETTINGS.alerts, START) == ()


def test_every_rule_has_a_heading_with_its_settings_and_source() -> None:
    text = DOCS.read_text(encoding="utf-8")
    sections = dict(re.findall(r"^## ([^\n]+)\n(.*?)(?=^## |\Z)", text, flags=re.S | re.M))
    for rule in alerts.RULES:
        section = sections[rule.name]
        assert "Source:" in section
        assert "Threshold:" in section
        for setting in rule.settings:
            assert f"`{setting}`" in section, (rule.name, setting)
            group, name = setting.split(".")
            default = getattr(getattr(SETTINGS, group), name)
            if isinstance(default, int | float):
                assert f"{default:g}" in section, (rule.name, setting, default)
