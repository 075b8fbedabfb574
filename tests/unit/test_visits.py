"""Visits and episodes."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import timeline
from pipeline.records import Event, EventKind, Flag, Sign, SignReading, Stage
from pipeline.settings import GroveSettings, TimeSettings
from pipeline.timeline.visits import variance_shares
from tests.season import SITE, reading, register, sure

TIME, GROVE = TimeSettings(), GroveSettings()
DAY = date(2025, 5, 1)


def test_the_sharper_photo_stands_for_the_visit() -> None:
    blurred, sharp = reading(DAY, 20.0, n=0, sharpness_mm=0.9), reading(DAY, 20.2, n=1, sharpness_mm=0.3)
    (visit,) = timeline.visits_of(205, [blurred, sharp], TIME)
    assert visit.chosen_sha256 == sharp.sha256
    assert set(visit.photos) == {blurred.sha256, sharp.sha256}
    assert 400 < (visit.aperture_area_mm2 or 0) < 20.2**2


def test_photos_that_cut_the_wound_off_count_only_alone() -> None:
    cut = reading(DAY, 11.0, n=0, flags=Flag.CUT_BY_FRAME)
    (both,) = timeline.visits_of(205, [cut, reading(DAY, 20.0, n=1)], TIME)
    (alone,) = timeline.visits_of(205, [cut], TIME)
    assert both.aperture_width_mm == pytest.approx(20.0)
    assert alone.aperture_width_mm == pytest.approx(11.0)
    assert Flag.CUT_BY_FRAME in alone.flags


def test_uncertainty_that_the_photos_share_is_not_lessened_by_more_photos() -> None:
    """Mean of n equal readings: independent part / sqrt(n), shared parts as they are (GUM F.1.2.3)."""
    parts = {"girth": 3.0, "focal length": 4.0, "corner noise": 12.0}
    photos = [reading(DAY, 20.0, n=i, parts=parts) for i in range(9)]
    (one,), (nine,) = timeline.visits_of(205, photos[:1], TIME), timeline.visits_of(205, photos, TIME)
    assert one.aperture_area_mm2_sd == pytest.approx(12.0)
    shared, own = 12.0 * 5 / 13, 12.0 * 12 / 13
    low, high = (shared**2 + (own / 3) ** 2) ** 0.5, (shared**2 + (own / 3) ** 2 + (0.3 * 12 * 4 / 13) ** 2) ** 0.5
    assert low <= (nine.aperture_area_mm2_sd or 0) <= high + 1e-9


def test_photos_that_differ_beyond_their_uncertainty_are_flagged() -> None:
    near = timeline.visits_of(205, [reading(DAY, 20.0, n=0), reading(DAY, 20.3, n=1)], TIME)[0]
    far = timeline.visits_of(205, [reading(DAY, 20.0, n=0), reading(DAY, 26.0, n=1)], TIME)[0]
    gone = timeline.visits_of(205, [reading(DAY, 20.0, n=0), reading(DAY, 0.0, n=1)], TIME)[0]
    assert Flag.DISAGREES_WITHIN_VISIT not in near.flags
    assert Flag.DISAGREES_WITHIN_VISIT in far.flags
    assert Flag.DISAGREES_WITHIN_VISIT in gone.flags
    assert (far.aperture_area_mm2_sd or 0) > 3 * (near.aperture_area_mm2_sd or 0)


def test_a_sign_is_as_probable_as_in_the_photo_that_shows_it_best() -> None:
    faint = reading(DAY, 20.0, n=0, signs={Sign.CONK: SignReading(0.2)})
    clear = reading(DAY, 20.0, n=1, signs={Sign.CONK: SignReading(0.9, 300.0)})
    (visit,) = timeline.visits_of(205, [faint, clear], TIME)
    assert visit.signs[Sign.CONK] == SignReading(0.9, 300.0)
    assert visit.sign_p_by_photo[Sign.CONK] == (0.9, 0.2)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.floats(5, 40)), min_size=1, max_size=9), st.randoms())
def test_order_and_duplicates_do_not_matter(shots: list[tuple[int, float]], random: object) -> None:
    photos = [reading(DAY + timedelta(days=d), w, n=i) for i, (d, w) in enumerate(shots)]
    expected = timeline.site_history(SITE, photos, (), TIME, GROVE)
    mixed = [*photos, *photos[:3]]
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert timeline.site_history(SITE, mixed, (), TIME, GROVE) == expected
    assert len(expected.visits) == len({d for d, _ in shots})


def cut(on: date, site: int | None = 205, **more: str) -> Event:
    return Event(on, EventKind.CUT, tree=more.get("tree", ""), stem=more.get("stem", ""), site=site)


@pytest.mark.parametrize(
    ("event", "concerns"),
    [
        (cut(date(2025, 6, 10)), True),
        (cut(date(2025, 6, 10), None, tree="A-012"), True),
        (cut(date(2025, 6, 10), None, tree="A-012", stem="1"), True),
        (cut(date(2025, 6, 10), None, tree="A-012", stem="2"), False),
        (cut(date(2025, 6, 10), 206), False),
        (cut(date(2025, 6, 10), None, tree="A-013"), False),
        (Event(date(2025, 6, 10), EventKind.TREATED, site=205), False),
    ],
)
def test_which_events_start_an_episode(event: Event, concerns: bool) -> None:
    photos = [reading(d, w) for d, w in ((DAY, 20.0), (date(2025, 6, 1), 18.0), (date(2025, 7, 1), 30.0))]
    history = timeline.site_history(SITE, photos, [event], TIME, GROVE)
    assert [v.episode for v in history.visits] == ([1, 1, 2] if concerns else [1, 1, 1])
    assert len(history.trends) == (2 if concerns else 1)
    assert (history.visits[-1].rim_advance_mm is None) == concerns


def test_the_making_is_the_first_episode() -> None:
    made = Event(SITE.made_on or DAY, EventKind.CUT, site=205)
    history = timeline.site_history(SITE, [reading(DAY, 20.0)], [made], TIME, GROVE)
    assert history.visits[0].episode == 1


def test_a_photo_on_the_day_of_the_cut_is_placed_by_what_it_shows() -> None:
    """Taken before the work if the next visit is clearly larger, after it otherwise."""
    later = date(2025, 6, 20)
    before = timeline.site_history(SITE, [reading(DAY, 18.0), reading(later, 30.0)], [cut(DAY)], TIME, GROVE)
    after = timeline.site_history(SITE, [reading(DAY, 30.0), reading(later, 29.0)], [cut(DAY)], TIME, GROVE)
    assert [v.episode for v in before.visits] == [1, 2]
    assert [v.episode for v in after.visits] == [2, 2]


def test_a_closed_visit_has_a_size_of_none_with_an_uncertainty() -> None:
    (visit,) = timeline.visits_of(205, [reading(DAY, 0.0)], TIME)
    assert visit.aperture_area_mm2 == 0.0
    assert visit.aperture_area_mm2_sd == TIME.closed_area_sd_mm2
    assert visit.stage is Stage.CLOSED


def test_a_site_without_readings_has_an_empty_history() -> None:
    history = timeline.site_history(SITE, [reading(DAY, 20.0, site=9)], (), TIME, GROVE)
    assert history.visits == ()
    assert history.trends == ()
    assert sure(Stage.FRESH)[0] == 0.97


@given(st.floats(0.0, 60.0), st.floats(0.01, 0.2))
def test_a_single_photo_is_the_mean_of_itself_twice_but_for_its_own_noise(width: float, rel: float) -> None:
    """GUM F.1.2.3: the mean of two equal readings has their value and the part of the uncertainty that they share."""
    parts = {"girth": 2.0, "focal length": 1.0}
    photos = [reading(DAY, width, n=i, area_rel_sd=rel, parts=parts) for i in range(2)]
    (one,), (two,) = timeline.visits_of(205, photos[:1], TIME), timeline.visits_of(205, photos, TIME)
    for name in ("area_mm2", "width_mm", "height_mm", "perimeter_mm"):
        value = getattr(two, f"aperture_{name}")
        assert getattr(one, f"aperture_{name}") == pytest.approx(value, rel=1e-9, abs=1e-9)
    assert one.area_common_rel_sd == pytest.approx(two.area_common_rel_sd, rel=1e-9)
    assert (one.stage, one.flags) == (two.stage, two.flags)


def test_each_tree_finds_its_own_events_in_the_index() -> None:
    sites = [replace(SITE, site=number, tree=tree) for number, tree in ((7, "B-1"), (5, "A-1"), (6, "A-1"))]
    known = register(*sites)
    whole = replace(
        known,
        events=(
            Event(DAY, EventKind.CUT, "", "", 6),
            Event(DAY, EventKind.RESTED, "B-1", "", None),
            Event(DAY, EventKind.TREATED, "A-1", "2", None),
        ),
    )
    index = timeline.index_register(whole)
    assert [site.site for site in index.sites["A-1"]] == [5, 6]
    for site in sites:
        expected = timeline.events_of_site(site, whole.events)
        assert timeline.events_of_site(site, index.events[site.tree]) == expected
        assert expected == whole.events_of(site.site)


def test_a_card_s_hanging_cancels_only_in_part_where_no_bark_was_shared() -> None:
    """Parts of the variance: seven tenths of the hanging are the site's, the rest is the visit's; nothing is lost."""
    site, visit, photo = variance_shares({"card tilt": 3.0, "card roll": 2.0, "card yaw": 1.0, "corner noise": 1.0})
    assert (site, visit, photo) == pytest.approx((0.7 * 14 / 15, 0.3 * 14 / 15, 1 / 15))
    tied = variance_shares({"shared bark": 3.0, "own view": 1.0})
    assert tied == pytest.approx((0.9, 0.0, 0.1))
