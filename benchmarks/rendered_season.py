"""A season of one small grove, drawn and then followed as a user follows it: what was said, beside what was true.

    python -m benchmarks.rendered_season draw FOLDER
    python -m benchmarks.rendered_season follow FOLDER classical
    python -m benchmarks.rendered_season follow FOLDER released
    python -m benchmarks.rendered_season compare FOLDER

``draw`` makes the photos of eight monthly rounds at the twelve sites of ``benchmarks/season_story.py``, a register and
``truth.csv``; photos that are there already are kept.  ``follow`` makes a grove with ``woundwood init``, fills in its
register, and each month puts the photos into its inbox and calls ``run``, ``alerts`` and ``questions``; it answers the
question about wood that was taken out.  ``compare`` prints what each reader led to.  Nothing of the program is called
but its command line.
"""

from __future__ import annotations

import argparse
import csv
import json
import shutil
import subprocess
import sys
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import cv2

from benchmarks import season_story as story
from demo_data.hill_sites import ZONE
from demo_data.make_demo import QUALITY, TRUTH_COLUMNS, Shot, moment_of, scene_of, site_row, truth_row, write_table
from pipeline.register import COLUMNS
from pipeline.scenes import PhotoTags, render, write_photo

PIXELS = {"width_px": 1250, "height_px": 1660}
HAND = "sari"
REFUSED = 3
"""Exit code of a run that refused photos."""

# ---------------------------------------------------------------- the photos


def shots() -> list[Shot]:
    """Every photo of the season."""
    found = []
    by_number = {site.story.site: site for site in story.SITES}
    carried, wrong_on, shown = story.WRONG_CARD
    for number, usual in enumerate(story.SITES, 1):
        for k, day in enumerate(story.ROUNDS):
            site, why = usual, ""
            if (usual.story.site, day) == (carried, wrong_on):
                site, why = story.with_card_of(by_number[shown], usual.story.card), f"wound of site {shown}"
            elif (usual.story.site, day) in story.MISSED:
                continue
            taken = moment_of(day, number)
            scene = scene_of(site, day, 7000 + number * 100 + k, HAND, **PIXELS)
            file = f"{day.isoformat()}/{HAND}/IMG_{taken:%Y%m%d_%H%M%S}.jpg"
            found.append(Shot(file, scene, PhotoTags(taken, quality=QUALITY), taken, site, why=why))
    return sorted(found, key=lambda shot: shot.file)


def draw(folder: Path) -> None:
    """Draw what is missing, and write the register and the truth."""
    cv2.setNumThreads(1)
    truth_file = folder / "truth.csv"
    known = {row["file"]: row for row in read_table(truth_file)} if truth_file.exists() else {}
    everything, rows = shots(), []
    for number, shot in enumerate(everything, 1):
        path = folder / "photos" / shot.file
        if shot.file in known and path.exists():
            rows.append(known[shot.file])
            continue
        print(f"{number}/{len(everything)} {shot.file}", flush=True)
        path.parent.mkdir(parents=True, exist_ok=True)
        image, truth = render(shot.scene)
        write_photo(path, image, shot.scene.camera, shot.tags)
        rows.append(truth_row(shot, truth))
        write_table(truth_file, TRUTH_COLUMNS, rows)
    write_register(folder / "register")


def write_register(folder: Path) -> None:
    """The register that the grower fills in; the cut is not written down."""
    folder.mkdir(parents=True, exist_ok=True)
    trees = [
        {"tree": t.tree, "block": "C", "row": k // 4 + 1, "position": k % 4 + 1, "x_m": t.xy_m[0], "y_m": t.xy_m[1]}
        for k, t in enumerate(story.TREES)
    ]
    stems = [
        {"tree": t.tree, "stem": "1", "girth_cm": girth, "measured_on": day, "status": "standing"}
        for t in story.TREES
        for girth, day in zip(t.girths_cm, (story.GIRTH_DAY, story.SECOND_GIRTH_DAY), strict=True)
    ]
    write_table(folder / "trees.csv", COLUMNS["trees.csv"], trees)
    write_table(folder / "stems.csv", COLUMNS["stems.csv"], stems)
    write_table(folder / "sites.csv", COLUMNS["sites.csv"], [site_row(site) for site in story.SITES])
    write_table(folder / "events.csv", COLUMNS["events.csv"], [])


def read_table(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file."""
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


# ---------------------------------------------------------------- the user


def woundwood(*arguments: str | Path, may_refuse: bool = False) -> str:
    """Call the command as a person does, in a process of its own; what it printed."""
    done = subprocess.run(
        [sys.executable, "-m", "pipeline.cli", *map(str, arguments)], capture_output=True, text=True, check=False
    )
    if done.returncode and not (may_refuse and done.returncode == REFUSED):
        raise SystemExit(f"woundwood {' '.join(map(str, arguments))} ended with {done.returncode}: {done.stderr}")
    return done.stdout


def follow(folder: Path, reader: str) -> None:
    """One season with one reader; writes what the program said each month."""
    grove = folder / f"grove-{reader}"
    shutil.rmtree(grove, ignore_errors=True)
    woundwood("init", grove, "--name", story.NAME, "--timezone", ZONE)
    for table in (folder / "register").iterdir():
        shutil.copyfile(table, grove / "register" / table.name)
    print(woundwood("check", grove), flush=True)
    months: list[dict[str, Any]] = []
    for day in story.ROUNDS:
        shutil.copytree(folder / "photos" / day.isoformat(), grove / "inbox" / day.isoformat())
        run = json.loads(
            woundwood("run", grove, "--model", reader, "--on", day.isoformat(), "--json",
                      "--set", "intake.settle_s=0", may_refuse=True)
        )  # fmt: skip
        alerts = json.loads(woundwood("alerts", grove, "--all", "--json"))
        asked = json.loads(woundwood("questions", grove, "--json"))["questions"]
        months.append({"day": day.isoformat(), "run": run, "alerts": alerts, "questions": asked})
        print(f"{day}: {run['read']} read, {len(run['refused'])} refused, {len(asked)} questions open", flush=True)
        _answer(grove, [row["question"] for row in asked])
    statuses = {t.tree: json.loads(woundwood("timeline", grove, t.tree, "--no-picture", "--json", "--on",
                                             story.ROUNDS[-1].isoformat()))["tree"] for t in story.TREES}  # fmt: skip
    said = {"reader": months[-1]["run"]["model"], "months": months, "trees": statuses}
    (folder / f"said-{reader}.json").write_text(json.dumps(said, indent=1), encoding="utf-8")


def _answer(grove: Path, questions: list[dict[str, Any]]) -> None:
    """What the grower knows: wood was taken out at one site on one day, and nowhere else."""
    for question in questions:
        cut = (
            question["site"] == story.CUT_SITE and question["from_on"] <= story.CUT_ON.isoformat() <= question["to_on"]
        )
        what = ("--event", "cut", "--on", story.CUT_ON.isoformat()) if cut else ("--nothing",)
        woundwood("questions", grove, "--answer", str(question["id"]), "--by", "Sari", *what)


# ---------------------------------------------------------------- what was said, beside what was true


@dataclass(frozen=True, slots=True)
class Said:
    """What one reader led to."""

    reader: str
    cells: dict[str, str]
    statuses: dict[str, str]


def compare(folder: Path) -> None:
    """Print the tables, a column a reader."""
    truth = read_table(folder / "truth.csv")
    every = [judged(json.loads(path.read_text(encoding="utf-8")), truth) for path in sorted(folder.glob("said-*.json"))]
    if not every:
        raise SystemExit("Nothing was followed yet.")
    print_table(("what", *(said.reader for said in every)), [
        (row, *(said.cells.get(row, "") for said in every)) for row in every[0].cells
    ])  # fmt: skip
    print()
    print_table(("tree at the end", "what is true", *(said.reader for said in every)), [
        (tree, story.TRUE_OF_TREES[tree], *(said.statuses[tree] for said in every)) for tree in story.TRUE_OF_TREES
    ])  # fmt: skip


def print_table(heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> None:
    """As Markdown."""
    print(f"| {' | '.join(heads)} |\n|{'---|' * len(heads)}")
    for row in rows:
        print(f"| {' | '.join(row)} |")


def judged(said: dict[str, Any], truth: list[dict[str, str]]) -> Said:
    """One reader's season against the story."""
    rounds = [day.isoformat() for day in story.ROUNDS]
    alerts = [alert for alert in said["months"][-1]["alerts"] if alert["opened_on"] in rounds]
    cells = {f"{e.what} (site {e.site})": named(e, alerts, truth) for e in story.EXPECTED}
    false = [a for a in alerts if a["finding"]["severity"] in ("look", "act") and not _is_expected(a)]
    visits = sum((int(row["site"]), date.fromisoformat(row["taken_at"][:10])) not in story.TROUBLED for row in truth)
    cells[f"alerts of severity look or act without a cause, of {visits} healthy site-visits"] = _listed(false)
    cells["signs suspected at the site with moss, lichen and algae"] = str(
        sum(a["finding"]["site"] == story.LOOKALIKE_SITE and a["finding"]["rule"] in story.SIGN_RULES for a in alerts)
    )
    asked = {q["question"]["id"]: q["question"] for month in said["months"] for q in month["questions"]}
    about_cut = [q for q in asked.values() if q["site"] == story.CUT_SITE]
    cells["questions asked: about the cut, others"] = f"{len(about_cut)}, {len(asked) - len(about_cut)}"
    runs = [month["run"] for month in said["months"]]
    cells["photos read, refused"] = f"{sum(r['read'] for r in runs)}, {sum(len(r['refused']) for r in runs)}"
    return Said(said["reader"], cells, {tree: health["status"] for tree, health in said["trees"].items()})


def named(expected: story.Expected, alerts: list[dict[str, Any]], truth: list[dict[str, str]]) -> str:
    """Whether and when an alert named it, in visits after the first at which it could be seen."""
    seen_on = story.seen_on(expected, truth).isoformat()
    those = [
        alert
        for alert in alerts
        if alert["finding"]["site"] == expected.site and alert["finding"]["rule"] in expected.rules
    ]
    if not those:
        return "not named"
    days = sorted(alert["opened_on"] for alert in those)
    rounds = [day.isoformat() for day in story.ROUNDS]
    first = next((day for day in days if day >= seen_on), days[-1])
    is_open = any(alert["state"] != "closed" for alert in those if alert["opened_on"] == first)
    late = rounds.index(first) - rounds.index(seen_on)
    return f"named {_visits(late)}, {'open at the end' if is_open else 'closed again'}"


def _visits(late: int) -> str:
    if late == 0:
        return "at the first visit"
    return f"{abs(late)} visit{'s' if abs(late) > 1 else ''} {'later' if late > 0 else 'before it was true'}"


def _is_expected(alert: dict[str, Any]) -> bool:
    finding = alert["finding"]
    if finding["rule"] in story.SIGN_RULES and finding["site"] is None and finding["tree"] in story.WITH_FILM:
        return True
    return any(finding["site"] == e.site and finding["rule"] in e.rules and _in_time(e, alert) for e in story.EXPECTED)


def _in_time(expected: story.Expected, alert: dict[str, Any]) -> bool:
    """A cut is over after a while: what is said of it two rounds later is of something else."""
    if expected.site != story.CUT_SITE:
        return True
    late = story.ROUNDS.index(date.fromisoformat(alert["opened_on"])) - story.ROUNDS.index(expected.seen_on)
    return 0 <= late <= 1


def _listed(alerts: list[dict[str, Any]]) -> str:
    if not alerts:
        return "0"
    names = sorted(f"{a['finding']['rule']} at {a['finding']['site'] or a['finding']['tree']}" for a in alerts)
    return f"{len(alerts)}: " + "; ".join(names)


def main() -> None:
    """Parse the call."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("draw", "follow", "compare"))
    parser.add_argument("folder", type=Path)
    parser.add_argument("reader", nargs="?", default="classical", help="'classical', 'released' or a model folder")
    call = parser.parse_args()
    if call.what == "draw":
        draw(call.folder)
    elif call.what == "follow":
        follow(call.folder, call.reader)
    else:
        compare(call.folder)


if __name__ == "__main__":
    main()
