"""The tables that leave the grove: headers word by word, values there and back, the same bytes every time."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import pyarrow.parquet as pq
import pytest

from pipeline import assess, batch, export, timeline
from pipeline.grove import Grove
from pipeline.records import (
    Flag,
    Forecast,
    Interval,
    Review,
    ReviewAnswer,
    RimArc,
    RimField,
    RimMove,
    RimPart,
    RimShift,
    Sign,
    SignReading,
    SiteHistory,
    Stage,
    TreeHealth,
    Trend,
)
from pipeline.settings import Settings
from pipeline.store import Store, open_store
from tests import made_records as made
from tests import stand_in
from tests.made_records import MODEL, NOON, PROGRAM, SETTINGS
from tests.season import reading as season_reading

# The words of the export's specification, in its order; columns may be added behind, none may be renamed.
SIGNS = ("green_film", "white_mycelium", "conk", "dark_bleeding", "sunken_bark")
SIZES = """
    aperture_area_mm2 aperture_area_mm2_sd aperture_width_mm aperture_width_mm_sd aperture_height_mm
    aperture_height_mm_sd aperture_perimeter_mm aperture_perimeter_mm_sd
"""
SPECIFIED = {
    "photos": "file sha256 taken_at site outcome stage_of_refusal reason remedy",
    "readings": f"""
        file sha256 site tree stem taken_at visit_on episode used {SIZES}
        stage p_fresh p_resinous p_callus p_closing p_closed p_rebarked
        p_green_film p_white_mycelium p_conk p_dark_bleeding p_sunken_bark p_any_sign
        {" ".join(f"{sign}_area_mm2" for sign in SIGNS)}
        p_not_a_site wood_L wood_a wood_b scale_px_per_mm view_angle_deg sharpness_mm flags model settings
    """,
    "visits": f"""
        site visit_on {SIZES} stage rim_advance_mm rim_advance_mm_sd width_change_mm width_change_mm_sd same_place
    """,
    "trends": """
        site episode from to visits area_closure_pct area_closure_pct_lo area_closure_pct_hi
        width_closure_rate_mm_per_year width_closure_rate_mm_per_year_lo width_closure_rate_mm_per_year_hi
        rim_advance_rate_mm_per_month rim_advance_rate_mm_per_month_lo rim_advance_rate_mm_per_month_hi
        closes_on closes_on_lo closes_on_hi why_no_forecast
    """,
    "alerts": "id rule severity site stem tree opened_on updated_on state closed_on closed_by why",
    "reviews": "",
}


@pytest.fixture
def grove(tmp_path: Path) -> Grove:
    return stand_in.make_grove(tmp_path / "grove")


@pytest.fixture
def store(grove: Grove):
    with open_store(grove.database) as opened:
        yield opened


def write(store: Store, grove: Grove, folder: Path) -> dict[str, Path]:
    files = export.write(store, grove, folder, lambda trees: assess.assess_trees(grove, store, trees, date(2026, 6, 1)))
    return {path.name: path for path in files}


def fill(store: Store, grove: Grove) -> None:
    """Two visits of a site, one of two photos; a refusal, a copy, an alert, an answer."""
    files = ["a.jpg", "b.jpg", 'mai/ค "c", \n.jpg', "d.jpg"]
    recorded = store.record_arrivals([made.arrival(file) for file in files])
    store.mark_released([r.id for r in recorded], NOON)
    store.record_arrivals([made.arrival("copy of a.jpg", "a.jpg"), made.arrival("a.jpg")])
    store.use_reader(MODEL, SETTINGS, NOON)
    found = [
        made.reading("a.jpg", flags=Flag.SOFT_FOCUS | Flag.GIRTH_ASSUMED),
        made.reading("b.jpg", taken_at=NOON + timedelta(minutes=2), sharpness_mm=0.2),
        made.reading(
            files[2],
            taken_at=NOON + timedelta(days=30),
            aperture_area_mm2=1 / 3,
            aperture_width_mm=None,
            aperture_width_mm_sd=None,
            wood_lab=None,
            wood_lab_sd=None,
            signs={Sign.CONK: SignReading(0.875, None, None)},
        ),
        made.refusal("d.jpg", site=206),
    ]
    store.save_results(found, model=MODEL, settings=SETTINGS, read_at=NOON, program=PROGRAM)
    store.apply_findings([made.finding()], date(2026, 5, 3))
    store.add_review(Review("Mai", NOON, ReviewAnswer.REJECTED, 205, sign=Sign.CONK, payload={"instead": "moss"}))


# ---------------------------------------------------------------- headers


@pytest.mark.parametrize("name", SPECIFIED)
def test_columns_are_the_specified_words_in_their_order(store, grove, tmp_path: Path, name: str) -> None:
    files = write(store, grove, tmp_path / "out")  # an empty grove: every column is there all the same
    header = files[f"{name}.csv"].read_text("utf-8").splitlines()[0].split(",")
    wanted = SPECIFIED[name].split()
    if name in ("visits", "reviews"):  # their specification leaves the order open
        assert [column for column in header if column in wanted] == wanted
    else:
        assert header[: len(wanted)] == wanted
    assert pq.read_schema(files[f"{name}.parquet"]).names == header
    assert len(set(header)) == len(header)


SPECIFICATION = Path(__file__).parents[3] / "shared" / "spec" / "export.md"


@pytest.mark.data
@pytest.mark.skipif(not SPECIFICATION.exists(), reason="the specification is not beside this checkout")
def test_the_words_above_are_those_of_the_specification() -> None:
    text = SPECIFICATION.read_text("utf-8")
    for name, words in SPECIFIED.items():
        section = text.split(f"`{name}` - ")[1].split("\n\n`")[0]
        written = [word for word in re.findall(r"`([A-Za-z_0-9]+)`", section) if not word.startswith("_")]
        outcomes = {"reading", "refusal", "duplicate", "known"}
        named = [word for word in written if word not in outcomes]
        assert [word for word in words.split() if word in named] == named


def test_every_sd_follows_its_value_and_every_bound_its_rate() -> None:
    for columns in export.TABLES.values():
        names = list(columns)
        for place, name in enumerate(names):
            if name.endswith("_sd"):
                assert names[place - 1] == name.removesuffix("_sd")
            if name.endswith("_lo"):
                assert names[place - 1] in (name.removesuffix("_lo"), name.removesuffix("_lo") + "_sd")
                assert names[place + 1] == name.removesuffix("_lo") + "_hi"


# ---------------------------------------------------------------- values


def test_both_files_come_back_alike(store, grove, tmp_path: Path) -> None:
    """pandas reads both; numbers to the last digit, times to the moment."""
    fill(store, grove)
    files = write(store, grove, tmp_path / "out")
    for name, columns in export.TABLES.items():
        csv = pd.read_csv(files[f"{name}.csv"], dtype=str, keep_default_na=False)
        parquet = pd.read_parquet(files[f"{name}.parquet"])
        assert len(csv) == len(parquet)
        for column, kind in columns.items():
            for text, value in zip(csv[column], parquet[column], strict=True):
                if pd.isna(value):
                    assert text == "", (name, column)
                elif kind == "number":
                    assert float(text) == value
                elif kind == "whole":
                    assert text == str(int(value))
                elif kind == "moment":
                    assert datetime.fromisoformat(text) == value
                elif kind == "day":
                    assert date.fromisoformat(text) == value
                else:
                    assert text == value


def test_readings_hold_what_was_measured_and_nothing_else(store, grove, tmp_path: Path) -> None:
    fill(store, grove)
    frame = pd.read_csv(write(store, grove, tmp_path / "out")["readings.csv"])
    assert list(frame["file"]) == ["a.jpg", "b.jpg", 'mai/ค "c", \n.jpg']
    first, _, last = (row for _, row in frame.iterrows())
    assert (first.tree, first.stem, first.visit_on, first.stage) == ("A-012", 1, "2026-05-03", "callus")
    assert first.taken_at == "2026-05-03T19:00:00+07:00"  # noon UTC on the grove's clock
    assert first["flags"] == "girth_assumed;soft_focus"
    assert (first.aperture_width_mm, first.p_callus, first.p_any_sign) == (20.5, 0.7, 0.02)
    assert last.aperture_area_mm2 == 1 / 3
    for column in ("aperture_width_mm", "aperture_width_mm_sd", "wood_L", "p_green_film", "conk_area_mm2"):
        assert math.isnan(last[column]), column
    assert last.p_any_sign == last.p_conk == 0.875
    assert list(frame["used"]) in ([0, 1, 1], [1, 0, 1])
    assert list(frame["episode"]) == [frame["episode"][0]] * 3


def test_a_measured_zero_stays_zero_and_a_missing_one_stays_empty(store, grove, tmp_path: Path) -> None:
    store.record_arrivals([made.arrival("a.jpg"), made.arrival("b.jpg")])
    zero = made.reading("a.jpg", aperture_area_mm2=0.0, aperture_area_mm2_sd=0.0)
    none = replace(made.reading("b.jpg", site=206), aperture_area_mm2=None, aperture_area_mm2_sd=None)
    store.save_results([zero, none], model=MODEL, settings=SETTINGS, read_at=NOON, program=PROGRAM)
    text = pd.read_csv(write(store, grove, tmp_path / "out")["readings.csv"], dtype=str, keep_default_na=False)
    assert list(text["aperture_area_mm2"]) == ["0.0", ""]


def test_every_file_that_arrived_has_a_row_in_photos(store, grove, tmp_path: Path) -> None:
    fill(store, grove)
    frame = pd.read_csv(write(store, grove, tmp_path / "out")["photos.csv"], keep_default_na=False)
    assert list(frame["outcome"]) == ["reading", "reading", "reading", "refusal", "duplicate", "known"]
    assert dict(frame["outcome"].value_counts()) == {str(k): v for k, v in store.counts().items() if v}
    refused = frame[frame["outcome"] == "refusal"].iloc[0]
    assert (refused.stage_of_refusal, refused.reason, int(refused.site)) == ("card", "No card was found.", 206)


def test_visits_join_the_photos_of_a_day(store, grove, tmp_path: Path) -> None:
    fill(store, grove)
    files = write(store, grove, tmp_path / "out")
    visits, readings = pd.read_csv(files["visits.csv"]), pd.read_csv(files["readings.csv"])
    assert list(visits["visit_on"]) == ["2026-05-03", "2026-06-02"]
    assert list(visits["photos"]) == [2, 1]
    used = readings[readings["used"] == 1]
    assert list(visits["sha256"]) == list(used["sha256"])


def test_the_rim_s_advance_is_written_for_sides_ends_and_arcs() -> None:
    arc = RimArc(RimPart.LEFT_SIDE, -15.0, -125.5, 6.25, 0.75, 0.25, RimMove.ADVANCES)
    sides = RimShift(0.5, 0.1, 80.0)
    field = RimField(made.sha("a"), made.sha("b"), RimShift(0.5, 0.1, 90.0), sides, None, arcs=(arc,))
    visit = replace(
        timeline.visits_of(205, [season_reading(date(2026, 5, 3), 20.0)], Settings().time)[0], rim_field=field
    )
    row = export.visit_row(visit, "A-012", "1")
    assert (row["side_advance_mm"], row["side_advance_mm_sd"]) == (0.5, 0.1)
    assert (row["side_advance_mm_lo"], row["side_advance_mm_hi"]) == pytest.approx((0.304, 0.696))
    assert "end_advance_mm" not in row
    (first,) = export.arc_rows(visit, field, "A-012", "1")
    assert list(first) == list(export.TABLES["rim_arcs"])
    assert (first["arc"], first["part"], first["move"], first["advance_mm"]) == (1, "left side", "advances", 0.75)


def test_a_trend_is_written_with_bounds_and_dates() -> None:
    trend = Trend(
        205,
        2,
        date(2026, 5, 3),
        date(2026, 9, 1),
        5,
        Interval(41.5, 30.0, 52.0),
        None,
        Interval(0.5, 0.25, 0.75),
        Forecast(date(2027, 6, 1), date(2027, 4, 1), date(2027, 10, 1)),
        "",
    )
    row = export.trend_row(trend, "A-012", "1")
    assert (row["area_closure_pct"], row["area_closure_pct_lo"], row["area_closure_pct_hi"]) == (41.5, 30.0, 52.0)
    assert row.get("width_closure_rate_mm_per_year") is None
    assert (row["from"], row["to"], row["closes_on_hi"]) == (date(2026, 5, 3), date(2026, 9, 1), date(2027, 10, 1))
    assert set(row) <= set(export.TABLES["trends"])


def test_alerts_and_reviews_are_written(store, grove, tmp_path: Path) -> None:
    fill(store, grove)
    files = write(store, grove, tmp_path / "out")
    alert = pd.read_csv(files["alerts.csv"], keep_default_na=False).iloc[0]
    assert (alert.rule, alert.severity, alert.state, alert.opened_on, alert.closed_on) == (
        "stalled",
        "look",
        "open",
        "2026-05-03",
        "",
    )
    review = pd.read_csv(files["reviews.csv"], keep_default_na=False).iloc[0]
    assert (review.who, review.answer, review.sign, review.payload) == (
        "Mai",
        "rejected",
        "conk",
        '{"instead": "moss"}',
    )


def test_a_site_that_left_the_register_keeps_its_readings(store, grove, tmp_path: Path) -> None:
    store.record_arrivals([made.arrival("a.jpg")])
    save = {"model": MODEL, "settings": SETTINGS, "read_at": NOON, "program": PROGRAM}
    store.save_results([made.reading("a.jpg", site=4711)], **save)
    row = pd.read_csv(write(store, grove, tmp_path / "out")["readings.csv"], dtype=str, keep_default_na=False).iloc[0]
    assert (row.site, row.tree, row.stem, row.episode, row.used) == ("4711", "", "", "", "")


# ---------------------------------------------------------------- files


def test_the_same_data_give_the_same_bytes(store, grove, tmp_path: Path) -> None:
    fill(store, grove)
    one, two = write(store, grove, tmp_path / "one"), write(store, grove, tmp_path / "two")
    assert len(one) == 2 * len(export.TABLES)
    for name, path in one.items():
        assert path.read_bytes() == two[name].read_bytes(), name


def test_the_order_of_saving_does_not_show(tmp_path: Path) -> None:
    tables = []
    for turn in (1, -1):
        grove = stand_in.make_grove(tmp_path / str(turn))
        files = [f"{n}.jpg" for n in range(6)]
        with open_store(grove.database) as store:
            store.record_arrivals([made.arrival(file) for file in files])
            found = [made.reading(f, site=205 + n % 3, taken_at=NOON + timedelta(days=n)) for n, f in enumerate(files)]
            for reading in found[::turn]:
                store.save_results([reading], model=MODEL, settings=SETTINGS, read_at=NOON, program=PROGRAM)
            tables.append([path.read_bytes() for path in write(store, grove, tmp_path / f"out{turn}").values()])
    assert tables[0] == tables[1]


def test_csv_is_utf8_with_plain_line_ends_and_no_mark(store, grove, tmp_path: Path) -> None:
    fill(store, grove)
    content = write(store, grove, tmp_path / "out")["photos.csv"].read_bytes()
    assert content.startswith(b"file,sha256")
    assert b"\r" not in content
    assert "ค" in content.decode("utf-8")


def test_a_failed_write_leaves_the_old_table_whole(store, grove, tmp_path: Path, monkeypatch) -> None:
    out = tmp_path / "out"
    before = {name: path.read_bytes() for name, path in write(store, grove, out).items()}
    fill(store, grove)

    def broken(self, path, **more):
        Path(path).write_text("half of a")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pd.DataFrame, "to_csv", broken)
    with pytest.raises(OSError, match="No space"):
        write(store, grove, out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before


def test_times_are_on_the_groves_clock(store, grove, tmp_path: Path) -> None:
    fill(store, grove)
    frame = pd.read_parquet(write(store, grove, tmp_path / "out")["readings.parquet"])
    assert str(frame["taken_at"].dtype) == "datetime64[us, Asia/Bangkok]"
    assert frame["taken_at"][0] == NOON
    assert frame["taken_at"][0].tzinfo.utcoffset(NOON) == NOON.astimezone(ZoneInfo("Asia/Bangkok")).utcoffset()


def test_assess_is_asked_for_every_tree_once_in_small_groups(store, grove, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr(export, "TREES_AT_A_TIME", 1)
    asked: list[tuple[str, ...]] = []

    def look(trees):
        asked.append(tuple(trees))
        history = SiteHistory(grove.register.sites[207], (), (), ())
        return [TreeHealth(grove.register.trees[tree], (history,), (), "", ()) for tree in trees]

    export.write(store, grove, tmp_path / "out", look)
    assert asked == [("A-012",), ("B-001",)]


def test_stage_words_and_batch_agree_with_the_records(store, grove, tmp_path: Path) -> None:
    """The whole way once: photos in, a run, tables out."""
    for number in range(3):
        stand_in.drop(grove.inbox, f"{number}.jpg", taken_at=f"2026-0{number + 5}-03T09:00:00+07:00")
    batch.run(
        grove,
        store,
        model=None,
        workers=1,
        progress=lambda _: None,
        now=NOON + timedelta(days=90),
        read=stand_in.read_photo,
        open_reader=stand_in.open_reader,
    )
    files = write(store, grove, tmp_path / "out")
    assert set(pd.read_csv(files["readings.csv"])["stage"]) <= {stage.word for stage in Stage}
    assert len(pd.read_csv(files["visits.csv"])) == 3
    assert list(pd.read_csv(files["trends.csv"])["visits"]) == [3]
