"""Change points in trends, tables and pictures; no closing date where the sides stand still."""

from __future__ import annotations

from datetime import date, timedelta

from matplotlib.figure import Figure

from pipeline import flow, report, timeline
from pipeline.records import Event, EventKind, SiteHistory, TreeHealth
from pipeline.report import words
from pipeline.report.tables import site_tables
from pipeline.settings import Settings
from tests.season import SITE, reading, register

SETTINGS = Settings()
START, STEP = date(2025, 6, 1), timedelta(days=21)
YEAR_ROUND = SETTINGS.model_copy(
    update={"grove": SETTINGS.grove.model_copy(update={"growing_months": tuple(range(1, 13))})}
)


def history(widths: list[float], heights: list[float] | None = None, settings: Settings = YEAR_ROUND) -> SiteHistory:
    """A site that was made long before its first photo, photographed every three weeks."""
    heights = heights or [1.6 * widths[0]] * len(widths)
    photos = [
        reading(START + i * STEP, w, h, area_rel_sd=0.02) for i, (w, h) in enumerate(zip(widths, heights, strict=True))
    ]
    return timeline.site_history(SITE, photos, (), settings.time, settings.grove)


def closing(count: int, stop_at: int | None = None, jump_at: int | None = None) -> list[float]:
    """Widths that fall by 1.4 mm a visit, stand from a visit on, or jump by 8 mm at one."""
    return [
        40.0
        - 1.4 * min(i, stop_at if stop_at is not None else i)
        + (8.0 if jump_at is not None and i >= jump_at else 0)
        for i in range(count)
    ]


def told(seen: SiteHistory) -> list[tuple[str, date, date]]:
    (found,) = timeline.with_change_points([seen], YEAR_ROUND)
    return [(c.kind, c.from_on, c.to_on) for c in found.trends[-1].change_points]


def test_a_stop_and_an_opening_are_told_between_the_visits_where_they_lie():
    """Known by construction: the sides stand from visit 6 on; the opening is made larger before visit 5."""
    assert told(history(closing(12))) == []
    ((kind, begin, end),) = told(history(closing(12, stop_at=6)))
    assert kind == "sides stopped"
    assert abs((begin - (START + 6 * STEP)).days) <= STEP.days
    assert end - begin == STEP
    opened = history(closing(10, jump_at=5), [64.0 + (8.0 if i >= 5 else 0.0) for i in range(10)])
    assert told(opened) == [("opened", START + 4 * STEP, START + 5 * STEP)]


def test_nothing_is_told_across_an_event_nor_of_the_first_weeks():
    photos = [
        reading(START + i * STEP, w, 60.0 + (8.0 if i >= 5 else 0.0), area_rel_sd=0.02)
        for i, w in enumerate(closing(10, jump_at=5))
    ]
    cut = Event(START + 5 * STEP - timedelta(days=4), EventKind.CUT, SITE.tree, "1", SITE.site)
    seen = timeline.site_history(SITE, photos, (cut,), YEAR_ROUND.time, YEAR_ROUND.grove)
    (found,) = timeline.with_change_points([seen], YEAR_ROUND)
    assert [t.change_points for t in found.trends] == [(), ()]


def test_a_stall_has_no_closing_date_but_a_sentence_and_never_borrows_one():
    photos = [reading(START + i * STEP, w, 64.0, area_rel_sd=0.02) for i, w in enumerate(closing(14, stop_at=6))]
    today = photos[-1].visit_on
    entries = register()
    going = {205: [reading(START + i * STEP, w, 64.0, area_rel_sd=0.02) for i, w in enumerate(closing(14))]}
    moving = flow.assess_tree(entries.trees[SITE.tree], entries, going, YEAR_ROUND, today)
    assert moving.sites[0].trends[-1].forecast is not None
    health = flow.assess_tree(entries.trees[SITE.tree], entries, {205: photos}, YEAR_ROUND, today)
    (stall,) = [f for f in health.findings if f.rule == "closure stalled"]
    trend = health.sites[0].trends[-1]
    assert trend.forecast is None
    assert trend.stands_still
    assert f"stand still (probability {stall.figures['p']:.2f})" in trend.why_no_forecast
    (lent,) = timeline.borrow_rates(health.sites, YEAR_ROUND.time, YEAR_ROUND.grove)
    assert lent.trends[-1] == trend


def test_page_table_and_picture_tell_a_change(tmp_path, monkeypatch):
    (seen,) = timeline.with_change_points([history(closing(12, stop_at=6))], YEAR_ROUND)
    (change,) = seen.trends[-1].change_points
    sentence = words.change_words(change)
    assert change.from_on.isoformat() in sentence
    assert f"{change.p:.2f}" in sentence
    assert site_tables(seen)["trends"][-1]["changes"] == sentence
    health = TreeHealth(register().trees[SITE.tree], (seen,), (), "open, little change", ("x",))
    assert sentence in words.describe(health)
    texts: list[str] = []
    plain = Figure.savefig

    def keep(figure, *args, **kinds):
        texts.extend(t.get_text() for axes in figure.axes for t in axes.texts)
        texts.extend(t.get_text() for t in figure.texts)
        return plain(figure, *args, **kinds)

    monkeypatch.setattr(Figure, "savefig", keep)
    report.timeline_picture(
        health, lambda _: None, tmp_path / "a", today=seen.visits[-1].visit_on, register=register(), svg=False
    )
    assert " stopped" in texts
    assert sentence in " ".join(texts)
