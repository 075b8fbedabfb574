"""The story of the rendered season, and how what was said is held against it; nothing is drawn here."""

from __future__ import annotations

from datetime import date

from benchmarks import rendered_season as season
from benchmarks import season_story as story


def alert(rule: str, site: int, opened_on: date, state: str = "open") -> dict[str, object]:
    return {
        "opened_on": opened_on.isoformat(),
        "state": state,
        "finding": {"rule": rule, "site": site, "tree": "C-01", "severity": "look"},
    }


def test_the_photos_are_those_of_the_story() -> None:
    shots = season.shots()
    carded = {(shot.scene.card.site, shot.taken_at.date()) for shot in shots if shot.taken_at is not None}
    whole = {(site.story.site, day) for site in story.SITES for day in story.ROUNDS}
    assert carded == whole - story.MISSED
    (wrong,) = [shot for shot in shots if shot.why]
    card, _, shown = story.WRONG_CARD
    assert wrong.scene.card.site == card
    assert wrong.site.story.wound == next(s.story.wound for s in story.SITES if s.story.site == shown)
    assert len({shot.file for shot in shots}) == len(shots)


def test_what_is_expected_is_there_to_be_seen() -> None:
    """On the day named the drawn sign covers 5 cm2, the cut has been made, the sides stand; not a round earlier."""
    by_number = {site.story.site: site.story for site in story.SITES}
    for expected in story.EXPECTED:
        told = by_number[expected.site]
        before = story.ROUNDS[story.ROUNDS.index(expected.seen_on) - 1]
        if expected.rules == story.SIGN_RULES:
            (sign,) = told.signs_on(expected.seen_on)
            assert 3.14159 / 4 * sign.width_mm * sign.height_mm >= 500.0
            assert told.signs_on(before) == ()
        if expected.rules == ("aperture enlarged without an event",):
            assert told.wound_on(expected.seen_on).width_mm > told.wound_on(before).width_mm + 3.0
        if expected.rules == ("closure stalled",):
            assert told.wound_on(expected.seen_on).advance_mm == told.wound_on(story.STALLED_FROM).advance_mm


def test_delay_is_counted_in_visits_from_the_first_that_shows_it() -> None:
    cut = next(e for e in story.EXPECTED if e.site == story.CUT_SITE)
    (rule,) = cut.rules
    july, august, may = story.ROUNDS[4], story.ROUNDS[5], story.ROUNDS[2]
    assert season.named(cut, [alert(rule, cut.site, july)], []) == "named at the first visit, open at the end"
    assert season.named(cut, [alert(rule, cut.site, august, "closed")], []) == "named 1 visit later, closed again"
    assert season.named(cut, [alert(rule, cut.site, may)], []).startswith("named 2 visits before it was true")
    assert (
        season.named(cut, [alert(rule, cut.site + 1, july), alert("closure stalled", cut.site, july)], [])
        == "not named"
    )


def test_an_alert_without_a_cause_is_counted_and_listed() -> None:
    truth = [
        {"site": str(story.FIRST_SITE), "taken_at": f"{day}T08:00:00+08:00", "stage": "callus"} for day in story.ROUNDS
    ]
    cut = next(e for e in story.EXPECTED if e.site == story.CUT_SITE)
    alerts = [
        alert(cut.rules[0], cut.site, story.ROUNDS[4]),
        alert(cut.rules[0], cut.site, story.ROUNDS[7]),
        alert(cut.rules[0], story.FIRST_SITE, story.ROUNDS[3]),
    ]
    month = {"alerts": alerts, "questions": [], "run": {"read": 1, "refused": [], "model": "x"}}
    found = season.judged({"reader": "x", "months": [month], "trees": {}}, truth)
    (cell,) = [value for row, value in found.cells.items() if "without a cause" in row]
    what = "aperture enlarged without an event"
    assert cell == f"2: {what} at {story.FIRST_SITE}; {what} at {cut.site}"
