"""The main job on the demo grove: photos in, readings, timelines, alerts, report and tables out."""

from __future__ import annotations

import csv
import hashlib
import json
import re
from datetime import date
from html.parser import HTMLParser
from pathlib import Path

from pipeline import assess, grove
from pipeline.store import open_store
from tests.called import TOP, woundwood

DAY = "2026-10-13"


def rows(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


def hashes(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def test_demo_says_which_file_to_open(demo: Path):
    page = Path((demo / "demo.out").read_text(encoding="utf-8").rsplit("Now open ", 1)[1].strip())
    assert page.is_file()


def test_every_file_that_arrived_is_accounted_for_and_kept(demo: Path, tmp_path: Path):
    """Outcomes add up to the arrivals, and every distinct content lies in photos/ under its own hash."""
    arrived = hashes(TOP / "demo_data" / "inbox")
    arrived = {name: sha for name, sha in arrived.items() if name != "READ ME.txt"}
    done = woundwood("export", demo, "--out", tmp_path / "tables", "--on", DAY, "--json")
    assert done.returncode == 0, done.stderr
    photos = rows(tmp_path / "tables" / "photos.csv")
    assert {row["file"]: row["sha256"] for row in photos} == arrived
    assert {row["outcome"] for row in photos} == {"reading", "refusal", "duplicate"}
    kept = {path.stem: sha for path, sha in ((Path(name), sha) for name, sha in hashes(demo / "photos").items())}
    assert set(kept) == set(arrived.values())
    assert all(name == sha for name, sha in kept.items())
    assert not [path for path in (demo / "inbox").rglob("*") if path.is_file() and path.name != "READ ME.txt"]


def test_truth_of_the_drawn_photos(demo: Path, tmp_path: Path):
    """Sites, days and refusals are as drawn; sizes are within the reach of the reader (see docs/benchmarks.md)."""
    woundwood("export", demo, "--out", tmp_path, "--on", DAY)
    truth = {row["file"]: row for row in rows(TOP / "demo_data" / "truth.csv")}
    photos = {row["file"]: row for row in rows(tmp_path / "photos.csv")}
    wrong = {
        name: (photos[name]["outcome"], photos[name]["reason"], row["outcome"])
        for name, row in truth.items()
        if photos[name]["outcome"] != row["outcome"]
    }
    assert wrong == {}
    readings = rows(tmp_path / "readings.csv")
    assert len(readings) >= 40
    assert all(row["site"] == truth[row["file"]]["site"] for row in readings)


def test_a_second_run_changes_nothing(demo_copy: Path, tmp_path: Path):
    woundwood("export", demo_copy, "--out", tmp_path / "before", "--on", DAY)
    done = woundwood("run", demo_copy, "--on", DAY, "--json")
    assert done.returncode == 0, done.stderr
    summary = json.loads(done.stdout)
    assert (summary["arrived"], summary["read"], summary["refused"]) == (0, 0, [])
    woundwood("export", demo_copy, "--out", tmp_path / "after", "--on", DAY)
    assert hashes(tmp_path / "before") == hashes(tmp_path / "after")


def test_a_new_refused_photo_ends_with_three(demo_copy: Path):
    (demo_copy / "inbox" / "notes on the wound.jpg").write_text("this is no photo", encoding="utf-8")
    done = woundwood("run", demo_copy, "--on", DAY, "--set", "intake.settle_s=0")
    assert done.returncode == 3, done.stderr
    assert "notes on the wound.jpg" in done.stdout


class Links(HTMLParser):
    """Collects links, pictures without a text alternative, and anything that runs or comes from outside."""

    def __init__(self) -> None:
        super().__init__()
        self.links: list[str] = []
        self.bad: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.links += [value for name, value in attrs if name in ("href", "src") and value]
        if tag == "img" and not (given.get("alt") or "").strip():
            self.bad.append(f"img without alt: {given.get('src')}")
        if tag in ("script", "iframe", "object"):
            self.bad.append(tag)


def test_report_opens_from_a_stick(demo: Path):
    """Every link is relative and leads to a file of the report; every picture has a text; nothing runs."""
    report = demo / "reports" / "latest"
    pages = sorted(report.rglob("*.html"))
    assert len(pages) > 5
    for page in pages:
        parser = Links()
        parser.feed(page.read_text(encoding="utf-8"))
        assert parser.bad == []
        for link in parser.links:
            target, _, _ = link.partition("#")
            assert not re.match(r"[a-z]+:|/", target), f"{page.name} links to {link}"
            if target:
                assert (page.parent / target).resolve().is_relative_to(report.resolve())
                assert (page.parent / target).is_file(), f"{page.name} links to {link}"


def test_no_page_promises_anything(demo: Path):
    """Common practice of the trade: closure is not healing, and nobody is told that a tree is safe."""
    for page in (demo / "reports" / "latest").rglob("*.html"):
        text = re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8")).lower()
        assert not re.search(r"\b(healed|is safe|are safe|diagnosed|infected)\b", text), page.name


def test_timeline_alerts_and_json(demo: Path, tmp_path: Path):
    done = woundwood("alerts", demo, "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found
    assert all(alert["finding"]["next_step"] and alert["finding"]["source"] for alert in found)
    number = found[0]["id"]
    explained = woundwood("alerts", demo, "--why", str(number))
    assert explained.returncode == 0
    assert "threshold" in explained.stdout
    tree = found[0]["finding"]["tree"]
    shown = woundwood("timeline", demo, tree, "--out", tmp_path / "t.png", "--on", DAY)
    assert shown.returncode == 0, shown.stderr
    assert (tmp_path / "t.png").read_bytes().startswith(b"\x89PNG")
    assert woundwood("timeline", demo, "no such tree").returncode == 2


def test_findings_and_statuses_do_not_depend_on_outlines(demo: Path):
    """The watcher assesses without them, which keeps its memory small; nothing that it says may change by that."""
    opened = grove.open_grove(demo, environment={})
    with open_store(opened.database) as store:
        whole, light = (
            assess.assess_trees(opened, store, opened.register.trees, date.fromisoformat(DAY), with_outlines=given)
            for given in (True, False)
        )
    assert any(health.findings for health in whole)
    said = [[(h.tree.tree, h.findings, h.status, h.reasons) for h in healths] for healths in (whole, light)]
    assert said[0] == said[1]


def test_look_needs_no_grove(tmp_path: Path):
    photo = next((TOP / "demo_data" / "inbox").rglob("*.jpg"))
    done = woundwood("look", photo, "--out", tmp_path / "seen", "--json")
    assert done.returncode == 0, done.stderr
    (row,) = json.loads(done.stdout)
    assert Path(row["picture"]).is_file()
    assert row["unit"] == "mm" or row["no_scale"]


def test_check_of_the_demo_is_clean(demo: Path):
    done = woundwood("check", demo)
    assert done.returncode == 0, done.stdout + done.stderr
