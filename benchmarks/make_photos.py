"""Draw photos for a benchmark: real bark textures, a card over them, a wound, full-size JPEG files with tags.

    python -m benchmarks.make_photos 40 --megapixels 12 --bark ../shared/data/bark_textures /some/folder

Also writes ``truth.csv`` (file, site, girth, true figures of the opening) and ``register/`` for the drawn sites, so
that the folder is a grove with an inbox. Without ``--bark`` the renderer's own bark is used. One photo of
12 megapixels takes five to ten seconds on one core.
"""

from __future__ import annotations

import argparse
import csv
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from pipeline.records import Stage, WoundKind
from pipeline.scenes import BarkSpec, PhotoTags, SceneSpec, Truth, render, write_photo
from pipeline.scenes.chance import random_scene

KINDS = (WoundKind.WINDOW, WoundKind.DRILL_HOLE, WoundKind.STRIP, WoundKind.WINDOW, WoundKind.TRUNK_CUT)
FIRST_SITE = 200_001


def bark_pictures(folder: Path | None) -> list[Path]:
    """Pictures of bark below a folder, tiles of normals, roughness and shade left out; empty without a folder."""
    if folder is None:
        return []
    other = ("_normal", "_roughness", "_ao")
    return sorted(p for p in folder.rglob("*.jpg") if not any(part in p.stem for part in other))


def scene(number: int, megapixels: float, barks: list[Path], seed: int, first_site: int = FIRST_SITE) -> SceneSpec:
    """The scene of one photo, every kind of wound in turn and every stage in turn."""
    rng = np.random.default_rng([seed, number])
    height = round(math.sqrt(megapixels * 1e6 * 4 / 3) / 8) * 8
    size = (height * 3 // 4, height)
    bark = None
    if barks:
        picture = np.asarray(Image.open(barks[int(rng.integers(len(barks)))]).convert("RGB"))
        # frame-filling photos of bark show about 15 to 25 cm across: an assumption, the sets give no scale
        bark = BarkSpec(
            "picture", number, picture=picture, picture_px_per_mm=picture.shape[1] / float(rng.uniform(150, 250))
        )
    drawn = random_scene(
        rng, size_px=size, kind=KINDS[number % len(KINDS)], stage=Stage(number % len(Stage)), bark=bark
    )
    return replace(drawn, card=replace(drawn.card, site=first_site + number))


def row_of(name: str, spec: SceneSpec, taken: datetime, truth: Truth) -> dict[str, object]:
    """One row of ``truth.csv``."""
    first = truth.openings[0]
    return {
        "file": name,
        "site": spec.card.site,
        "taken_at": taken.isoformat(),
        "kind": spec.wounds[0].kind.value,
        "stage": first.stage.word,
        "girth_cm": f"{2 * math.pi * spec.trunk_radius_mm / 10:.2f}",
        "aperture_area_mm2": f"{first.area_mm2:.1f}",
        "aperture_width_mm": f"{first.width_mm:.2f}",
        "aperture_height_mm": f"{first.height_mm:.2f}",
        "aperture_perimeter_mm": f"{first.perimeter_mm:.1f}",
        "signs": ";".join(sorted(truth.signs_present)),
    }


def write_register(folder: Path, rows: list[dict[str, object]]) -> None:
    """A register in which each photo's site has its own tree and girth."""
    folder.mkdir(parents=True, exist_ok=True)
    write_rows(folder / "trees.csv", [{"tree": f"T-{r['site']}"} for r in rows])
    write_rows(
        folder / "sites.csv",
        [{"site": r["site"], "tree": f"T-{r['site']}", "kind": r["kind"], "girth_cm": r["girth_cm"]} for r in rows],
    )


def write_rows(path: Path, rows: list[dict[str, object]]) -> None:
    """Write a table."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def main() -> None:
    """Read the options, draw, write."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("count", type=int)
    parser.add_argument("out", type=Path)
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--bark", type=Path, default=None, help="folder with photos of bark")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first-site", type=int, default=FIRST_SITE, help="number on the first card")
    parser.add_argument("--quality", type=int, default=92)
    options = parser.parse_args()
    cv2.setNumThreads(1)
    barks = bark_pictures(options.bark)
    inbox = options.out / "inbox"
    inbox.mkdir(parents=True, exist_ok=True)
    rows = []
    for number in range(options.count):
        spec = scene(number, options.megapixels, barks, options.seed, options.first_site)
        taken = datetime(2026, 9, 1, 8, tzinfo=UTC) + timedelta(minutes=number)
        image, truth = render(spec)
        name = f"IMG_{taken:%Y%m%d_%H%M%S}.jpg"
        write_photo(inbox / name, image, spec.camera, PhotoTags(taken, quality=options.quality))
        rows.append(row_of(name, spec, taken, truth))
        print(f"{number + 1}/{options.count} {name} {(inbox / name).stat().st_size / 1e6:.1f} MB", flush=True)
    write_rows(options.out / "truth.csv", rows)
    write_register(options.out / "register", rows)
    (options.out / "grove.yaml").write_text("grove:\n  name: Benchmark\n  timezone: UTC\n", encoding="utf-8")


if __name__ == "__main__":
    main()
