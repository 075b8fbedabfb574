"""The report: complete, self-contained, readable without its pictures."""

import itertools
import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from pipeline import alerts, report, rimfield, timeline
from pipeline.records import (
    Alert,
    AlertState,
    Event,
    EventKind,
    Outcome,
    PhotoFacts,
    RimField,
    Sign,
    SignReading,
    TreeHealth,
    WoundKind,
)
from pipeline.report import picture, words
from pipeline.report.look import STAGE_LOOKS
from pipeline.report.pages import TEMPLATES, slugs_of
from pipeline.report.rim_picture import outwards, rim_picture, rim_words
from pipeline.report.rows import spread_apart
from pipeline.rimfield import RimSd
from pipeline.settings import Settings
from tests.season import SITE, reading, register

SETTINGS = Settings()
TODAY = date(2025, 9, 1)
START = date(2025, 4, 5)
NAME = 'A-012 <b>&"'


class Page(HTMLParser):
    """Tags with their attributes, and the text."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.open: list[str] = []
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "link", "img"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def patch(sha256: str) -> np.ndarray:
    return np.full((40, 40, 3), int(sha256[:2], 16), np.uint8)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    site, plain = replace(SITE, tree=NAME), replace(SITE, site=7, tree="B-1")
    cut = Event(date(2025, 7, 20), EventKind.CUT, site=205, amount=240.0, unit="g")
    entries = register(site, plain, events=(cut,))
    photos = [
        reading(START + timedelta(days=25 * i), w, signs={Sign.GREEN_FILM: SignReading(p, 300.0)})
        for i, (w, p) in enumerate(((20.0, 0.1), (18.0, 0.1), (17.0, 0.2), (16.0, 0.9), (30.0, 0.95), (29.0, 0.95)))
    ]
    calm = [reading(START + timedelta(days=25 * i), 20.0 - i, site=7, n=3) for i in range(5)]
    healths, issued = [], []
    for tree, own in ((NAME, site), ("B-1", plain)):
        history = timeline.site_history(own, [*photos, *calm], entries.events, SETTINGS.time, SETTINGS.grove)
        found = alerts.find([history], entries, SETTINGS, TODAY)
        status, reasons = alerts.tree_status([history], found, SETTINGS)
        healths.append(TreeHealth(entries.trees[tree], (history,), found, status, reasons))
        issued += [Alert(len(issued) + i, f, AlertState.OPEN, f.since, TODAY) for i, f in enumerate(found, 1)]
    facts = [
        PhotoFacts("in/<x> ö.jpg", "ab", 5, datetime(2025, 8, 1, tzinfo=UTC), Outcome.REFUSAL, None, None, "card",
                   "No card was found.", "Keep the whole card in the picture."),
        PhotoFacts("in/good.jpg", "cd", 5, datetime(2025, 8, 1, tzinfo=UTC), Outcome.READING),
    ]  # fmt: skip
    place = tmp_path_factory.mktemp("report")
    first = report.write(
        "Two <Streams>", healths, issued, {"read": 11, "refused": 1}, facts, place, register=entries, today=TODAY,
        patches=patch, growing_months=SETTINGS.grove.growing_months, patch_mm=lambda _: 80.0,
    )  # fmt: skip
    assert first == place / "index.html"
    return place


def pages(folder: Path) -> list[tuple[Path, Page]]:
    return [(path, Page(path)) for path in sorted(folder.rglob("*.html"))]


def test_every_link_is_relative_and_leads_somewhere(folder: Path) -> None:
    found = pages(folder)
    assert len(found) == 3
    for path, page in found:
        anchors = {a.get("id") for _, a in page.tags}
        for _, attributes in page.tags:
            for name in ("href", "src"):
                target = attributes.get(name)
                if target is None:
                    continue
                assert not re.match(r"[a-z]+:|/", target), target
                file, _, anchor = target.partition("#")
                goal = (path.parent / file).resolve() if file else path
                assert goal.is_file(), target
                if anchor:
                    assert anchor in (anchors if goal == path else {a.get("id") for _, a in Page(goal).tags})


def test_no_script_no_outside_resource_and_text_for_every_picture(folder: Path) -> None:
    for path, page in pages(folder):
        names = [tag for tag, _ in page.tags]
        assert not {"script", "iframe", "object", "form"} & set(names)
        assert all(a.get("alt") for tag, a in page.tags if tag == "img")
        assert ("html", {"lang": "en"}) in page.tags
        assert names.count("h1") == 1
        assert "http" not in path.read_text(encoding="utf-8")
    assert "url(" not in (folder / "style.css").read_text(encoding="utf-8")
    assert "@page" in (folder / "style.css").read_text(encoding="utf-8")


def test_names_are_escaped_and_shown_in_full(folder: Path) -> None:
    index = Page(folder / "index.html")
    assert "Two <Streams>" in index.text
    assert NAME in index.text
    assert "in/<x> ö.jpg" in index.text
    assert not any(tag == "b" and not a for tag, a in index.tags)


def test_the_index_says_which_trunk_first_why_and_what_to_take_again(folder: Path) -> None:
    text = Page(folder / "index.html").text
    assert "This week: which trunks first" in text
    assert "Green film may be present at site 205" in text
    assert "No card was found." in text
    assert "Keep the whole card in the picture." in text
    assert "in/good.jpg" not in text
    for caution in words.CAUTIONS:
        assert caution in text


def test_the_tree_page_shows_alerts_with_their_cause_and_the_figures_with_intervals(folder: Path) -> None:
    (path,) = [p for p in (folder / "trees").glob("*.html") if NAME in Page(p).text]
    page = Page(path)
    for word in ("Next step:", "Caution:", "Threshold", "Source", "cut 240 g", "95 % intervals"):
        assert word in page.text, word
    assert re.search(r"900 ± \d+", page.text)  # 30 mm x 30 mm with its half width
    (alt,) = [a["alt"] for tag, a in page.tags if tag == "img" and a.get("class") == "timeline"]
    assert "Site 205" in (alt or "")
    assert "cut 240 g on 2025-07-20" in (alt or "")


def test_nothing_is_called_healed_or_safe(folder: Path) -> None:
    for _, page in pages(folder):
        assert not re.search(r"\b(healed|safe|cured|diagnosed|infected)\b", page.text.lower())


def test_writing_twice_gives_the_same_pages(folder: Path, tmp_path: Path) -> None:
    before = {p.name: p.read_bytes() for p in folder.rglob("*.html")}
    assert before
    entries = register(SITE)
    history = timeline.site_history(SITE, [reading(START, 20.0)], (), SETTINGS.time, SETTINGS.grove)
    health = TreeHealth(entries.trees["A-012"], (history,), (), "closing", ())
    made = []
    for name in ("one", "two"):
        report.write("G", [health], [], {}, [], tmp_path / name, register=entries, today=TODAY)
        made.append({p.name: p.read_bytes() for p in (tmp_path / name).rglob("*.*") if p.suffix in (".html", ".png")})
    assert made[0] == made[1]


def test_a_grove_without_anything_still_has_a_report(tmp_path: Path) -> None:
    entries = register(SITE)
    history = timeline.site_history(SITE, [], (), SETTINGS.time, SETTINGS.grove)
    health = TreeHealth(entries.trees["A-012"], (history,), (), "too few visits to say", ("No photo yet.",))
    report.write("Empty", [health], [], {}, [], tmp_path, register=entries, today=TODAY)
    assert "No readable photo yet." in Page(tmp_path / "trees" / "A-012.html").text


def test_the_picture_reads_in_grey(tmp_path: Path) -> None:
    """Neighbouring stages differ in lightness or pattern; the picture has dark opening on pale bark."""
    looks = list(STAGE_LOOKS.values())
    for (fill, hatch, _), (other, other_hatch, _) in itertools.pairwise(looks):
        grey = [Image.new("RGB", (1, 1), colour).convert("L").getpixel((0, 0)) for colour in (fill, other)]
        assert abs(grey[0] - grey[1]) >= 15 or hatch != other_hatch
    history = timeline.site_history(
        SITE, [reading(START + timedelta(days=30 * i), 20.0 - i) for i in range(5)], (), SETTINGS.time, SETTINGS.grove
    )
    health = TreeHealth(register().trees["A-012"], (history,), (), "closing", ("The rim advances.",))
    png, svg = report.timeline_picture(health, patch, tmp_path / "A.012", today=TODAY, patch_mm=lambda _: 80.0)
    assert (png.name, svg.name) == ("A.012.png", "A.012.svg")
    grey = np.asarray(Image.open(png).convert("L"))
    assert grey.shape[1] > 1200
    assert (grey < 70).mean() > 0.02
    assert svg.read_text(encoding="utf-8").lstrip().startswith("<?xml")


@given(st.lists(st.floats(-1, 9), max_size=9).map(sorted), st.floats(0.1, 1.5))
def test_photos_keep_their_order_and_do_not_overlap(wanted: list[float], gap: float) -> None:
    places = spread_apart(wanted, gap, 0.0, 8.0)
    room = min(gap, 8.0 / max(1, len(wanted) - 1))
    assert all(0.0 - 1e-9 <= p <= 8.0 + 1e-9 for p in places)
    assert all(b - a >= room - 1e-9 for a, b in itertools.pairwise(places))


@given(st.lists(st.text(min_size=1, max_size=8), unique=True, max_size=12))
def test_file_names_of_trees_are_plain_and_different_even_without_case(names: list[str]) -> None:
    slugs = slugs_of(names)
    assert all(re.fullmatch(r"[A-Za-z0-9_-]+", slug) for slug in slugs.values())
    assert len({slug.lower() for slug in slugs.values()}) == len(names)


def test_every_word_of_the_templates_exists_and_every_vocabulary_has_its_words() -> None:
    used = {key for path in TEMPLATES.glob("*.html") for key in re.findall(r't\("([a-z_0-9]+)"[,)]', path.read_text())}
    assert len(used) > 30
    assert used <= set(words.WORDS)
    for event in EventKind:
        assert words.say("event_" + event.value.replace(" ", "_"))
    for sign in Sign:
        assert words.say("sign_" + sign.value)
    assert words.compass(359.0) == "north"
    assert words.compass(135.0) == "south-east"


def rims(gap_mm: float) -> tuple[tuple[tuple[float, float], ...], ...]:
    x, y = 10.0 - gap_mm, 15.0
    return (((-x, -120 - y), (x, -120 - y), (x, -120 + y), (-x, -120 + y)),)


def moved(earlier: str, later: str, *, sides: float, sd: float = 0.1) -> RimField:
    rim_sd = (RimSd(sd, 0.0), RimSd(0.0, 0.0))
    before, after = ([np.asarray(rim) for rim in rims(gap)] for gap in (0.0, sides))
    found = rimfield.field(before, after, rim_sd=rim_sd, photos=(earlier, later))
    assert found is not None
    return found


def test_a_site_s_page_shows_where_its_rim_moved(tmp_path: Path) -> None:
    entries = register(SITE)
    photos = [reading(START + timedelta(days=30 * k), 20.0 - k) for k in range(2)]
    field = moved(photos[0].sha256, photos[1].sha256, sides=1.0)
    photos[1] = replace(photos[1], rim_field=replace(field, arcs=(), earlier_rims=(), later_rims=()))
    history = timeline.site_history(SITE, photos, (), SETTINGS.time, SETTINGS.grove)
    health = TreeHealth(entries.trees[SITE.tree], (history,), (), "watch", ())
    for name, fields in (("with", {field.later: field}), ("without", None)):
        report.write(
            "Two Streams", [health], [], {}, [], tmp_path / name, register=entries, today=TODAY, rim_fields=fields
        )  # fmt: skip
    page = Page(tmp_path / "with" / "trees" / f"{slugs_of([SITE.tree])[SITE.tree]}.html")
    (image,) = [a for tag, a in page.tags if tag == "img" and a.get("class") == "rim"]
    assert image["alt"] is not None
    assert re.search(r"left side: closed in by (0\.9|1\.0)\d mm", image["alt"])  # corners take a little off
    assert "both ends: no clear move" in image["alt"]
    assert re.search(r"0\.9\d . 0\.20", page.text)  # sides since last visit, in the table
    picture = Image.open(tmp_path / "with" / "trees" / str(image["src"])).convert("L")
    assert np.asarray(picture).std() > 20
    assert not list((tmp_path / "without").rglob("*-rim-*.png"))


def test_bars_of_the_rim_point_where_the_bark_went(tmp_path: Path) -> None:
    """The dark bars of a rim that drew back lie outside the earlier outline, hatched ones inside."""
    field = moved("a" * 64, "b" * 64, sides=-1.5)
    outward = outwards(field)
    middle = np.array([(arc.x_mm, arc.y_mm + 120) for arc in field.arcs])
    assert ((outward * middle).sum(axis=1) > 0).all()
    np.testing.assert_allclose(np.hypot(*outward.T), 1.0)
    assert "drew back" in rim_words(field)
    rim_picture(field, 205, (START, TODAY), tmp_path / "rim.png")
    grey = np.asarray(Image.open(tmp_path / "rim.png").convert("L"))[:, : int(130 * 3.3)]
    columns = np.nonzero(grey < 60)[1]
    assert columns.min() < 0.3 * grey.shape[1] < 0.7 * grey.shape[1] < columns.max()


def test_bark_that_is_watched_has_no_stage_on_page_and_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    panel = replace(SITE, kind=WoundKind.BARK_PANEL)
    entries = register(panel)
    shut = [reading(START + timedelta(days=30 * k), 0.0) for k in range(4)]
    history = timeline.site_history(panel, shut, (), SETTINGS.time, SETTINGS.grove)
    assert all(v.stage_smoothed is None and v.stage_posterior == () for v in history.visits)
    health = TreeHealth(entries.trees[SITE.tree], (history,), (), "watch", ())
    assert not any(word in words.describe(health) for word in ("closed", "rebarked", "opening"))
    drawn: list[object] = []
    monkeypatch.setattr(picture, "draw_ribbon", lambda *some: drawn.append(some))
    report.write("Two Streams", [health], [], {}, [], tmp_path, register=entries, today=TODAY)
    assert drawn == []
    text = Page(tmp_path / "trees" / f"{slugs_of([SITE.tree])[SITE.tree]}.html").text
    cells = text.split("Doubts")[1].split("A closed surface says nothing")[0]
    assert "closed" not in cells and "rebarked" not in cells
