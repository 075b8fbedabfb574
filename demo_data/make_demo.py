"""Make the demo grove again: ``python -m demo_data.make_demo [FOLDER]`` (default: this folder).

Writes ``grove.yaml``, ``register/``, ``inbox/`` and ``truth.csv``; the same code and libraries give the
same pictures.  About five minutes on one core.
"""

from __future__ import annotations

import csv
import shutil
import sys
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import cv2
import numpy as np

from demo_data import hill_sites as hill
from pipeline.records import Tissue, Window, WoundKind
from pipeline.register import COLUMNS
from pipeline.scenes import CameraSpec, LightSpec, PhotoTags, SceneSpec, Truth, render, write_photo

QUALITY = 80
PEOPLE = ("sari", "daud")
TRUTH_COLUMNS = (
    "file",
    "outcome",
    "why",
    "site",
    "tree",
    "stem",
    "taken_at",
    "stage",
    "aperture_area_mm2",
    "aperture_width_mm",
    "aperture_height_mm",
    "aperture_perimeter_mm",
    "first_area_mm2",
    "new_tissue_area_mm2",
    "signs",
    "lookalikes",
    "trunk_radius_mm",
    "card_tilt_deg",
    "card_standoff_mm",
    "view_azimuth_deg",
    "view_elevation_deg",
    "distance_mm",
)


@dataclass(frozen=True, slots=True)
class Shot:
    """One file of the inbox and what should become of it."""

    file: str
    scene: SceneSpec
    tags: PhotoTags
    taken_at: datetime | None
    site: hill.HillSite
    outcome: str = "reading"
    why: str = ""


def shots() -> list[Shot]:
    """Every photo of the demo grove, in the order in which they were taken."""
    usual = [shot for number, site in enumerate(hill.SITES, 1) for shot in _visits(number, site)]
    return sorted([*usual, *_odd_ones()], key=lambda s: s.file)


def _visits(number: int, site: hill.HillSite) -> list[Shot]:
    found = []
    for k, day in enumerate(site.visits):
        seed = number * 100 + k
        person = PEOPLE[(day.month + number) % 2]
        taken = moment_of(day, number)
        scene = scene_of(site, day, seed, person)
        folder = f"{day.isoformat()}/{person}"
        stamp = f"{taken:%Y%m%d_%H%M%S}"
        # the second person's phone turns its sensor, not its pixels; and it writes no time zone
        tags = PhotoTags(taken, offset=person == "sari", orientation=6 if person == "daud" else 1, quality=QUALITY)
        found.append(Shot(f"{folder}/IMG_{stamp}.jpg", scene, tags, taken, site))
    return found


def moment_of(day: date, number: int) -> datetime:
    """When the photo of the site of a number is taken on a day."""
    minutes = 7 * 60 + 40 + 6 * number + (day.day * 7) % 25
    return datetime.combine(day, time(minutes // 60, minutes % 60, (13 * number) % 60), ZoneInfo(hill.ZONE))


def scene_of(site: hill.HillSite, day: date, seed: int, person: str, **camera: object) -> SceneSpec:
    """A usual photo of a site by one of the two people; ``camera`` overrides fields of its ``CameraSpec``."""
    rng = np.random.default_rng([seed, 20])
    wound = site.story.wound
    bottom = wound.centre_mm[1] - wound.height_mm / 2
    span = 50.0 - bottom + 60.0
    spec = CameraSpec(
        width_px=1200,
        height_px=1600,
        focal_35mm=26.0 if person == "sari" else 24.0,
        distance_mm=float(
            np.clip(span * 1.45 * (1.0 if person == "sari" else 0.93), 310, 480) * rng.uniform(0.95, 1.12)
        ),
        azimuth_deg=float(rng.normal(0, 5)),
        elevation_deg=float(rng.normal(0, 5)),
        roll_deg=float(rng.normal(0, 2)),
        aim_mm=(float(rng.normal(0, 5)), (50.0 + bottom) / 2 + float(rng.normal(0, 5))),
        k1=0.012 if person == "sari" else -0.008,
        defocus_px=float(rng.uniform(0.3, 0.7)),
        motion_px=float(rng.uniform(0, 1.2)),
        motion_deg=float(rng.uniform(0, 180)),
        noise=0.0025,
        sharpen=0.15,
        maker="Example",
        model="Phone One" if person == "sari" else "Phone Two",
    )
    light = LightSpec(
        sun=float(rng.uniform(0.05, 0.75)),
        sun_azimuth_deg=float(rng.uniform(-60, 60)),
        sun_elevation_deg=float(rng.uniform(25, 60)),
        dapple=float(rng.uniform(0.3, 0.8)) if seed % 4 == 0 else 0.0,
        warmth=float(rng.normal(0, 0.15)),
        tint=float(rng.normal(0, 0.15)),
        exposure=float(np.exp(rng.normal(0, 0.1))),
        seed=seed,
    )
    return site.story.scene_on(day, replace(spec, **camera), light, seed)  # type: ignore[arg-type]


def _odd_ones() -> list[Shot]:
    """Photos that cannot be read, or that arrive in unusual ways."""
    sites = {site.story.site: site for site in hill.SITES}
    one, hole, cut, film = sites[120_501], sites[120_502], sites[120_503], sites[120_508]
    june, october = hill.ROUND_DAYS[4], hill.ROUND_DAYS[7]

    def at(day: date, hour: int, minute: int) -> datetime:
        return datetime.combine(day, time(hour, minute, 9), ZoneInfo(hill.ZONE))

    found = []

    def add(
        file: str,
        site: hill.HillSite,
        day: date,
        when: datetime | None,
        outcome: str,
        why: str,
        seed: int,
        **how: object,
    ) -> None:
        card = how.pop("card", site.story.card)
        tags = how.pop("tags", PhotoTags(when, quality=QUALITY))
        scene = replace(scene_of(site, day, seed, "sari", **how), card=card)  # type: ignore[arg-type]
        found.append(Shot(file, scene, tags, when, site, outcome, why))  # type: ignore[arg-type]

    tag_day = at(october, 9, 40)
    add(
        f"{october}/sari/IMG_0412.jpg",
        one,
        october,
        tag_day,
        "refusal",
        "no card",
        9001,
        card=replace(one.story.card, site=None),
    )
    add(
        f"{october}/sari/IMG_0413.jpg",
        cut,
        october,
        at(october, 9, 44),
        "refusal",
        "blurred",
        9002,
        defocus_px=15.0,
        motion_px=30.0,
    )
    add(
        f"{october}/daud/IMG_0977.jpg",
        hole,
        october,
        at(october, 9, 52),
        "refusal",
        "unknown site",
        9003,
        card=replace(hole.story.card, site=120_577),
    )
    add(
        "whatsapp/photo (3).jpg", film, october, None, "refusal", "no date", 9004, tags=PhotoTags(None, quality=QUALITY)
    )
    named = datetime.combine(june, time(8, 15, 2), ZoneInfo(hill.ZONE))
    add(
        "whatsapp/IMG_20260614_081502.jpg",
        hole,
        june,
        named,
        "reading",
        "date from the file's name",
        9005,
        tags=PhotoTags(None, quality=QUALITY),
    )
    # a second photo of a visit, sharper from nearer
    again = at(june, 8, 31)
    add(
        f"{june}/sari/IMG_20260614_083109.jpg",
        cut,
        june,
        again,
        "reading",
        "second photo of a visit",
        9006,
        distance_mm=300.0,
    )
    small = at(hill.ROUND_DAYS[6], 10, 5)
    add(
        "2026-09-13/sari/site 8.png",
        film,
        hill.ROUND_DAYS[6],
        small,
        "reading",
        "PNG",
        9007,
        width_px=750,
        height_px=1000,
        noise=0.0,
        distance_mm=310.0,
    )
    return found


# ---------------------------------------------------------------- files


def make(folder: Path) -> None:
    """Write the whole demo grove into a folder, replacing what was made before."""
    cv2.setNumThreads(1)
    for old in ("register", "inbox"):
        shutil.rmtree(folder / old, ignore_errors=True)
    write_settings(folder)
    write_register(folder / "register")
    rows = []
    everything = shots()
    for number, shot in enumerate(everything, 1):
        print(f"{number}/{len(everything)} {shot.file}", flush=True)
        path = folder / "inbox" / shot.file
        path.parent.mkdir(parents=True, exist_ok=True)
        image, truth = render(shot.scene)
        write_photo(path, image, shot.scene.camera, shot.tags)
        rows.append(truth_row(shot, truth))
    twin = next(row for row in rows if row["why"] == "date from the file's name")
    copy = "whatsapp/IMG_20260614_081502~2.jpg"
    shutil.copyfile(folder / "inbox" / str(twin["file"]), folder / "inbox" / copy)
    rows.append({**twin, "file": copy, "outcome": "duplicate", "why": f"same bytes as {twin['file']}"})
    write_table(folder / "truth.csv", TRUTH_COLUMNS, rows)


def truth_row(shot: Shot, truth: Truth) -> dict[str, object]:
    """The truth of one photo as a row of ``truth.csv``; empty where the photo cannot or need not be read."""
    scene, first = shot.scene, truth.openings[0] if truth.openings else None
    row: dict[str, object] = {
        "file": shot.file,
        "outcome": shot.outcome,
        "why": shot.why,
        "site": "" if scene.card.site is None else scene.card.site,
        "tree": shot.site.tree,
        "stem": shot.site.stem,
        "taken_at": "" if shot.taken_at is None else shot.taken_at.isoformat(),
        "signs": ";".join(sorted(truth.signs_present)),
        "lookalikes": ";".join(sorted({item.kind for item in scene.lookalikes})),
        "trunk_radius_mm": f"{scene.trunk_radius_mm:.2f}",
        "card_tilt_deg": f"{scene.card.tilt_deg:.2f}",
        "card_standoff_mm": f"{scene.card.standoff_mm:.2f}",
        "view_azimuth_deg": f"{scene.camera.azimuth_deg:.2f}",
        "view_elevation_deg": f"{scene.camera.elevation_deg:.2f}",
        "distance_mm": f"{scene.camera.distance_mm:.0f}",
    }
    if first is not None:
        row |= {
            "stage": first.stage.word,
            "aperture_area_mm2": f"{first.area_mm2:.1f}",
            "aperture_width_mm": f"{first.width_mm:.2f}",
            "aperture_height_mm": f"{first.height_mm:.2f}",
            "aperture_perimeter_mm": f"{first.perimeter_mm:.1f}",
            "first_area_mm2": f"{first.first_area_mm2:.1f}",
            "new_tissue_area_mm2": f"{_new_tissue_mm2(truth):.1f}",
        }
    return row


def _new_tissue_mm2(truth: Truth) -> float:
    x, y = truth.spec.wounds[0].centre_mm
    w, h = truth.spec.wounds[0].width_mm / 2 + 15, truth.spec.wounds[0].height_mm / 2 + 15
    tissue = truth.tissue(Window(x - w, x + w, y - h, y + h), 0.5)
    return float(tissue[..., Tissue.NEW_TISSUE].sum() * 0.25)


def write_settings(folder: Path) -> None:
    """Write ``grove.yaml``."""
    folder.mkdir(parents=True, exist_ok=True)
    months = ", ".join(str(m) for m in hill.GROWING_MONTHS)
    (folder / "grove.yaml").write_text(
        f"# An invented smallholding; its photos are drawn.\ngrove:\n  name: {hill.NAME}\n  timezone: {hill.ZONE}\n"
        f"  growing_months: [{months}]  # little grows in the driest and coolest months\n",
        encoding="utf-8",
    )


def write_register(folder: Path) -> None:
    """Write the register's four tables."""
    folder.mkdir(parents=True, exist_ok=True)
    write_table(
        folder / "trees.csv",
        COLUMNS["trees.csv"],
        [
            {
                "tree": t.tree,
                "species": t.species,
                "planted_on": t.planted_on,
                "block": t.tree[0],
                "row": 1 if t.tree[0] == "A" else 2,
                "position": t.position,
                "x_m": t.xy_m[0],
                "y_m": t.xy_m[1],
            }
            for t in hill.TREES
        ],
    )
    write_table(folder / "stems.csv", COLUMNS["stems.csv"], _stem_rows())
    write_table(folder / "sites.csv", COLUMNS["sites.csv"], [site_row(site) for site in hill.SITES])
    columns = COLUMNS["events.csv"]
    write_table(folder / "events.csv", columns, [dict(zip(columns, row, strict=True)) for row in sorted(hill.EVENTS)])


def _stem_rows() -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for tree in hill.TREES:
        regrown = "1" not in tree.girths_cm
        if regrown:
            rows.append({"tree": tree.tree, "stem": "1", "status": "removed"})
        for stem, girths in tree.girths_cm.items():
            sprouted = date(2021, 2, 1) + timedelta(days=20 * int(stem)) if regrown else ""
            rows += [
                {
                    "tree": tree.tree,
                    "stem": stem,
                    "girth_cm": girth,
                    "measured_on": day,
                    "status": "standing",
                    "sprouted_on": sprouted,
                }
                for girth, day in zip(girths, (hill.GIRTH_DAY, hill.SECOND_GIRTH_DAY), strict=True)
            ]
    return rows


def site_row(site: hill.HillSite) -> dict[str, object]:
    """A site's row of ``sites.csv``."""
    story = site.story
    row: dict[str, object] = {
        "site": story.site,
        "tree": site.tree,
        "stem": site.stem,
        "height_cm": site.height_cm,
        "bearing_deg": site.bearing_deg,
        "kind": (WoundKind.BARK_PANEL if story.bare else story.wound.kind).value,
    }
    if not story.bare:
        size = {"first_width_mm": round(story.wound.width_mm), "first_height_mm": round(story.wound.height_mm)}
        row |= {"made_on": story.made_on, **size}
    return row


def write_table(path: Path, columns: tuple[str, ...], rows: list[dict[str, object]]) -> None:
    """Write rows as CSV; a missing column is an empty cell."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
