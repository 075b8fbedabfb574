"""How much reviewed photos of a bark that a network never saw are worth, and what learning them costs elsewhere.

    python benchmarks/learning_curve.py MODEL.safetensors PHOTOS.npz --out FOLDER

MODEL.safetensors are the weights to start from, PHOTOS.npz is a packed photo collection (``pipeline.learn.data.pack``).
Needs torch, NumPy, OpenCV and safetensors, nothing else of the program's own dependencies; meant for a GPU.  A run that
was cut off goes on where it stopped: points that ``FOLDER/curve.json`` holds for the same options are not made again.

**The new bark** is chosen by a rule before anything is tested: of the species of one split (``--split``; never trained
on) with at least ten photographs of bark, the one on which the released network's recall at 3 % false alarms is lowest,
on scenes for choosing.  Those are drawn, with seeds of their own, on the photographs of the reviewed trees alone.
``--bark`` names a species instead.

A species' photographs, and those of films, are cut in two halves in the order of their file names: wounds and signs are
drawn on the first half for the photos that a simulated person reviews, and on the second half, the "other trees", for
the test.  The person says which signs are there (wrong in 3 of 100 cases), draws how far four of five of them reach
(each corner off by 2.5 mm, 15 of 100 separate patches forgotten), names the stage of every second site and draws the
rim of every third; patches go through the same labels folder, and the same recipe, as a grove's reviewed cases.

Printed first, as a yardstick of what knowing the bark can be worth: recall of the start on scenes drawn alike, with the
same random numbers, on the barks that it was trained on.  Then, for each number of reviewed photos: recall at 3 % false
alarms on the other trees, mean of the five signs; the same on the release benchmark (held-out scenes of the other
species of the split, without the new bark); stage and tissue there; and the change against the network that was started
from, with a 95 % bootstrap interval over cases, the same cases for both.  The line "0" was fine-tuned as long, on
scenes alone: what the others gain beyond it is due to the labels.  All of it is measured for several shares of kept
weights; which one the recipe has is decided on scenes for choosing (on reviewed trees of the new bark, and on barks
that were trained on), which the line "choosing" prints.
"""

from __future__ import annotations

import argparse
import copy
import json
import logging
import shutil
import sys
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from pipeline import picking
from pipeline.learn import augment, train
from pipeline.learn.compare import change, mean_recall, sign_recall, stage_exact, tissue_iou
from pipeline.learn.data import Collection
from pipeline.learn.export import load_weights
from pipeline.learn.from_grove import Recipe, between, fine_tune, part_of
from pipeline.learn.generator import APERTURE, Generator, Mix, PatchBatch
from pipeline.learn.net import WoundNet
from pipeline.learn.reviewed import UNSEEN_GREY, ReviewedPatches
from pipeline.learn.sheet import RawAnswers, Sheet, by_network
from pipeline.learn.signs import LOOKALIKE_NAMES, SIGN_NAMES
from pipeline.network import Calibration
from pipeline.records import Stage

BARK_KINDS = ("bark", "trunk_photo", "natural_bark_feature", "leaf_scar")
LEAST_PHOTOS = 10
WRONG_SHARE, DRAWN_SHARE, FORGOTTEN_SHARE = 0.03, 0.8, 0.15
EDGE_SD_MM = 2.5
CORNERS = 24
CHUNK = 100
KEPT = (0.0, 0.25, 0.5, 0.75)
PURE = Mix(real_bark=1.0)
SEEDS = {"choosing": 310_001, "choosing release": 333_001, "reviewed": 640_001, "others": 731_001, "release": 920_001}
HEAD = """| reviewed photos | recall at 3 % false alarms, other trees of that bark | release benchmark | stage there | tissue there |
|---|---|---|---|---|"""  # noqa: E501 - a table's head is one line
FIGURES = (("recall", mean_recall), ("stage", stage_exact), ("tissue", tissue_iou))


@dataclass
class Kept:
    """Scenes kept small: what the figures need, and sign maps only where a person will look at them."""

    parts: list[PatchBatch]

    @classmethod
    def draw(
        cls,
        collection: Collection,
        split: str,
        seed: int,
        count: int,
        size_px: int,
        shares: Mix,
        *,
        signs: bool = False,
    ) -> Kept:
        """Draw ``count`` scenes; chunk k has its own seed."""
        device = collection.pixels.device
        banks, parts = collection.banks(split), []
        for chunk in range(-(-count // CHUNK)):
            drawn = Generator(device, seed + chunk, banks, size_px, shares).batch(min(CHUNK, count - chunk * CHUNK))
            small = (drawn.signs > 0.35).cpu() if signs else torch.zeros(len(drawn), 5, 1, 1)
            parts.append(replace(drawn, rgb=(drawn.rgb * 255).round().byte(), tissue=drawn.tissue.byte(), signs=small))
        return cls(parts)

    def read(self, net: WoundNet) -> tuple[Sheet, RawAnswers]:
        """What a network says of them."""
        sheets, raws = [], []
        for part in self.parts:
            batch = replace(part, rgb=part.rgb.float() / 255, tissue=part.tissue.long())
            sheet, raw, _ = by_network(net, batch, Calibration.neutral(), None)
            sheets.append(sheet)
            raws.append(raw)
        return Sheet.cat(sheets), RawAnswers.cat(raws)


# ---------------------------------------------------------------- the simulated person


def sketched(mask: np.ndarray, mm_per_px: float, rng: np.random.Generator) -> list[list[float]]:
    """Outlines of a sign as a person draws them, flat lists of COCO pixels; empty where all of it was forgotten."""
    found, _ = cv2.findContours(mask.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    drawn = []
    for line in sorted(found, key=cv2.contourArea, reverse=True)[:8]:
        area = cv2.contourArea(line)
        if area * mm_per_px**2 < 12 or rng.random() < FORGOTTEN_SHARE:
            continue
        points = line[np.linspace(0, len(line), CORNERS, endpoint=False).astype(int), 0].astype(float) + 0.5
        noise = rng.normal(0, 1, CORNERS)
        noise = noise + 0.8 * (np.roll(noise, 1) + np.roll(noise, -1))  # a hand wanders, it does not jitter
        off = EDGE_SD_MM / mm_per_px * noise / np.sqrt(1 + 2 * 0.64)
        off = np.clip(off, -0.35 * np.sqrt(area), 0.35 * np.sqrt(area))
        out = points - points.mean(0)
        out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-6)
        drawn.append(np.clip(points + out * off[:, None], 0, mask.shape[0]).round(2).ravel().tolist())
    return drawn


def write_labels(folder: Path, kept: Kept, sheet: Sheet, chosen: list[int], seed: int) -> int:
    """The labels folder that a grove would export after a person judged some scenes; returns how many."""
    rng, hand = np.random.default_rng(seed), np.random.default_rng(seed + 1)
    (folder / "images").mkdir(parents=True)
    images: list[dict[str, Any]] = []
    notes: list[dict[str, Any]] = []

    def note(category: int, outlines: list[list[float]]) -> None:
        if outlines:
            notes.append({"id": len(notes) + 1, "image_id": len(images), "category_id": category,
                          "segmentation": outlines, "outline_by": "a drawn person"})  # fmt: skip

    for place, row in enumerate(chosen):
        part, inside = kept.parts[row // CHUNK], row % CHUNK
        rgb = part.rgb[inside].permute(1, 2, 0).cpu().numpy()
        rgb = np.where(part.valid[inside, 0].cpu().numpy()[..., None], rgb, np.uint8(UNSEEN_GREY))
        name = f"images/{place:05d}.jpg"
        cv2.imwrite(str(folder / name), cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), (cv2.IMWRITE_JPEG_QUALITY, 88))
        there = [k for k in range(5) if sheet.sign[row, k] > 0]
        seen = [SIGN_NAMES[k] for k in there]
        if rng.random() < WRONG_SHARE:
            seen = [] if seen else [str(rng.choice(SIGN_NAMES))]
        flagged = [SIGN_NAMES[k] for k in range(5) if sheet.sign_p[row, k] >= 0.5]
        like = [LOOKALIKE_NAMES[k] for k in np.flatnonzero(sheet.lookalikes[row])]
        instead = "resin" if sheet.flags[row, 0] > 0 else like[0] if like else ""
        stage, mm = int(sheet.stage[row]), float(part.mm_per_px[inside])
        images.append({
            "id": place + 1, "file_name": name, "width": rgb.shape[1], "height": rgb.shape[0], "tree": "drawn",
            "mm_per_px": mm, "verdict": "sign" if seen else "not", "signs": seen,
            "rejected": [s for s in flagged if s not in seen], "instead": "" if seen else instead,
            "stage": Stage(stage).word if stage >= 0 and place % 2 == 0 else "",
        })  # fmt: skip
        opening = (part.tissue[inside] == APERTURE).byte().cpu().numpy()
        if place % 3 == 0 and opening.sum() > 60:
            outlines, _ = cv2.findContours(opening, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            note(1, [(o[:, 0].astype(float) + 0.5).ravel().tolist() for o in outlines if len(o) >= 3])
        for k in there:
            if SIGN_NAMES[k] in seen and hand.random() < DRAWN_SHARE:
                note(k + 2, sketched(part.signs[inside, k].numpy(), mm, hand))
    categories = [{"id": i + 1, "name": name} for i, name in enumerate(("aperture", *SIGN_NAMES))]
    content = {"images": images, "annotations": notes, "categories": categories}
    (folder / "labels.json").write_text(json.dumps(content), encoding="utf-8")
    return len(images)


def pick(how: str, sheet: Sheet, raw: RawAnswers, seed: int) -> list[int]:
    """Which scenes the person is asked about, in order; the first n of it are the n reviewed photos."""
    rng = np.random.default_rng(seed)
    usable = np.flatnonzero((sheet.flags[:, 2] == 0) & (sheet.sign_known > 0).all(1))
    if how == "gain":
        doubts = picking.doubt(sheet.sign_p[usable], sheet.stage_p[usable])
        order = picking.order_by_gain(doubts, picking.standardised(raw.features[usable]), count=500)
        return usable[order].tolist()
    shuffled = rng.permutation(usable)
    if how == "random":
        return shuffled.tolist()
    # As a queue asks: every second case is one that the network flagged, the others are any.
    flagged = [int(i) for i in shuffled if sheet.sign_p[i].max() >= 0.5]
    others, order = [int(i) for i in shuffled], []
    taken: set[int] = set()
    for turn in range(len(usable)):
        source = flagged if turn % 2 == 0 and flagged else others
        while source and source[0] in taken:
            source.pop(0)
        if source:
            taken.add(source[0])
            order.append(source.pop(0))
    return order


# ---------------------------------------------------------------- the new bark


def halves(collection: Collection, split: str, species: str) -> tuple[Collection, Collection]:
    """Photographs for the reviewed and for the other trees: the new bark and films halved, moss and ground shared."""
    names = np.array([s.file for s in collection.shots])
    loose = "train" if split == "val" else split
    of_bark = np.array([s.split == split and s.species == species and s.kind in BARK_KINDS for s in collection.shots])
    film = np.array([s.split == loose and s.kind == "fungus_or_algae_film" for s in collection.shots])
    shared = np.array([s.kind == "moss_texture" or (s.split == loose and s.kind.startswith("background"))
                       for s in collection.shots])  # fmt: skip
    if of_bark.sum() < 4:
        raise SystemExit(f"There are {of_bark.sum()} photographs of the bark of {species!r}; at least 4 are needed.")
    first = np.zeros(len(names), bool)
    # Each kind of photograph has its own half, so that both sides have bark to draw on.
    for group in (*(of_bark & np.array([s.kind == k for s in collection.shots]) for k in BARK_KINDS), film):
        rows = np.flatnonzero(group)
        first[rows[np.argsort(names[rows])][: (len(rows) + 1) // 2]] = True
    mine, others = (of_bark | film) & first | shared, (of_bark | film) & ~first | shared
    return part_of(collection, mine), part_of(collection, others)


def candidates(collection: Collection, split: str) -> list[str]:
    """Species of a split with enough photographs of bark."""
    counts = Counter(s.species for s in collection.shots if s.split == split and s.kind == "bark" and s.species)
    found = sorted(species for species, count in counts.items() if count >= LEAST_PHOTOS)
    if not found:
        raise SystemExit(f"No species of the split '{split}' has {LEAST_PHOTOS} photographs of bark.")
    return found


def hardest(collection: Collection, options: argparse.Namespace, start: WoundNet) -> dict[str, float]:
    """Recall at 3 % false alarms on the reviewed trees of each candidate, the lowest first."""
    found = {}
    for species in candidates(collection, options.split):
        mine, _ = halves(collection, options.split, species)
        kept = Kept.draw(mine, options.split, SEEDS["choosing"], options.choose, options.size, PURE)
        found[species] = mean_recall(kept.read(start)[0], np.arange(options.choose))
    return dict(sorted(found.items(), key=lambda item: item[1]))


# ---------------------------------------------------------------- the run


@dataclass
class Bench:
    """What all points share."""

    options: argparse.Namespace
    device: torch.device
    start: WoundNet
    rest: Collection
    pool: Kept
    pool_sheet: Sheet
    order: list[int]
    tests: dict[str, Kept]
    choosing: dict[str, Kept]
    before: dict[str, Sheet]

    @classmethod
    def make(cls, options: argparse.Namespace, device: torch.device, collection: Collection, start: WoundNet) -> Bench:
        """Draw all scenes and read them with the network that is started from."""
        split, size = options.split, options.size
        mine, others = halves(collection, split, options.bark)
        rest = part_of(collection, np.array([s.species != options.bark for s in collection.shots]))
        tests = {
            "others": Kept.draw(others, split, SEEDS["others"], options.scenes, size, PURE),
            "release": Kept.draw(rest, split, SEEDS["release"], options.scenes, size, Mix()),
        }
        choosing = {
            "reviewed trees": Kept.draw(mine, split, SEEDS["choosing"] + 50_000, options.choose, size, PURE),
            "trained barks": Kept.draw(rest, "train", SEEDS["choosing release"], options.choose, size, Mix()),
        }
        pool = Kept.draw(mine, split, SEEDS["reviewed"] + 1000 * options.seed, options.pool, size, PURE, signs=True)
        sheet, raw = pool.read(start)
        before = {name: kept.read(start)[0] for name, kept in tests.items()}
        order = pick(options.pick, sheet, raw, options.seed)
        return cls(options, device, start, rest, pool, sheet, order, tests, choosing, before)

    def recipe(self) -> Recipe:
        """As ``train --from`` has it, but for the sizes."""
        o = self.options
        return Recipe(o.steps, o.batch, rate=o.rate, size_px=o.size, seed=o.seed, kept=o.kept, painted=o.painted)

    def point(self, count: int) -> dict[str, Any]:
        """Fine-tune on some reviewed photos and measure."""
        began, options = time.monotonic(), self.options
        folder = options.out / f"{count:04d}"
        shutil.rmtree(folder, ignore_errors=True)
        reviewed = None
        if count:
            write_labels(folder / "labels", self.pool, self.pool_sheet, self.order[:count], options.seed)
            reviewed = ReviewedPatches.load(folder / "labels", options.seed)
        end = fine_tune(folder, reviewed, options.model, collection=self.rest, recipe=replace(self.recipe(), kept=0.0),
                        device=self.device)  # fmt: skip
        shutil.rmtree(folder, ignore_errors=True)
        trained_s = time.monotonic() - began
        shares: dict[str, Any] = {}
        choosing: list[dict[str, float]] = []
        for share in sorted({*KEPT, options.kept}):
            net = self.kept(end, share)
            shares[str(share)] = {}
            for name, kept in self.tests.items():
                shares[str(share)] |= self.figures(name, kept.read(net)[0])
            choosing.append(self.chosen(net, share))
        return {"reviewed": count, **shares[str(options.kept)], "shares": shares, "choosing": choosing,
                "train_s": round(trained_s, 1), "seconds": round(time.monotonic() - began, 1)}  # fmt: skip

    def kept(self, end: WoundNet, share: float) -> WoundNet:
        """The network between start and end that keeps a share of the start."""
        net = copy.deepcopy(end)
        between(self.start, net, share)
        return net.eval()

    def chosen(self, net: WoundNet, share: float) -> dict[str, float]:
        """Figures of a network on the scenes for choosing."""
        found = {"kept": share}
        for name, kept in self.choosing.items():
            sheet = kept.read(net)[0]
            for words, figure in FIGURES:
                found[f"{name} {words}"] = round(figure(sheet, np.arange(len(sheet))), 4)
        return found

    def figures(self, name: str, sheet: Sheet) -> dict[str, Any]:
        """Figures of a test and their change against the start."""
        found: dict[str, Any] = {}
        every, old = np.arange(len(sheet)), self.before[name]
        for words, figure in FIGURES:
            moved = change(figure, sheet, old, self.options.draws)
            found[f"{name} {words}"] = {"value": figure(sheet, every), "change": moved.value, "lo": moved.lo,
                                        "hi": moved.hi}  # fmt: skip
        for k, sign in enumerate(SIGN_NAMES):
            found[f"{name} recall {sign}"] = {
                "value": sign_recall(sheet, every, k),
                "before": sign_recall(old, every, k),
            }
        return found


def line_of(point: dict[str, Any]) -> str:
    """A row of the table, as docs/benchmarks.md has it."""

    def said(name: str, *, value: bool = False) -> str:
        f = point[name]
        moved = f"{100 * f['change']:+.1f} ({100 * f['lo']:+.1f} to {100 * f['hi']:+.1f})"
        return f"{f['value']:.3f}, {moved}" if value else moved

    label = "0 (control)" if point["reviewed"] == 0 else str(point["reviewed"])
    names = ("release recall", "release stage", "release tissue")
    return f"| {label} | {said('others recall', value=True)} | {' | '.join(said(name) for name in names)} |"


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("model", type=Path, help="model.safetensors to start from")
    parser.add_argument("photos", type=Path, help="packed photo collection (.npz)")
    parser.add_argument("--out", type=Path, required=True, help="folder for curve.json")
    parser.add_argument("--split", choices=("test", "val"), default="test", help="where the new bark is taken from")
    parser.add_argument("--bark", default="", help="species that is the new bark [chosen by the rule]")
    parser.add_argument("--counts", default="200,0,25,50,100,400", help="in this order; '' for the start alone")
    parser.add_argument("--pick", choices=("queue", "random", "gain"), default="queue")
    parser.add_argument("--steps", type=int, default=Recipe.steps)
    parser.add_argument("--batch", type=int, default=Recipe.batch)
    parser.add_argument("--size", type=int, default=Recipe.size_px)
    parser.add_argument("--rate", type=float, default=Recipe.rate)
    parser.add_argument("--kept", type=float, default=Recipe.kept)
    parser.add_argument("--painted", type=float, default=Recipe.painted)
    parser.add_argument("--scenes", type=int, default=2000, help="scenes of each test")
    parser.add_argument("--choose", type=int, default=600, help="scenes for choosing, of each bark")
    parser.add_argument("--pool", type=int, default=1000, help="scenes from which the reviewed ones are picked")
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="auto")
    parser.add_argument("--limit-s", type=float, default=440, help="begin no further point after so many seconds")
    return parser.parse_args()


def main() -> None:
    """Run and print."""
    options = arguments()
    logging.basicConfig(level=logging.WARNING)
    began, device = time.monotonic(), train.pick_device(options.device)
    if device.type == "cuda":
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    options.out.mkdir(parents=True, exist_ok=True)
    file = options.out / "curve.json"
    asked = {k: str(v) for k, v in vars(options).items() if k not in ("out", "counts", "limit_s", "device", "bark")}
    asked["asked_bark"] = options.bark
    report: dict[str, Any] = json.loads(file.read_text(encoding="utf-8")) if file.is_file() else {}
    if report.get("options") != asked:
        report = {"options": asked, "points": []}
    relit = "albumentations" if augment.has_library() else "OpenCV (albumentations is not installed)"
    print(f"torch {torch.__version__} on {device}; reviewed photographs are relit by {relit}", flush=True)
    collection, start = Collection.load(options.photos, device), load_weights(options.model).to(device)
    if "bark" not in report:
        report["barks"] = {options.bark: None} if options.bark else hardest(collection, options, start)
        report["bark"] = next(iter(report["barks"]))
    options.bark = report["bark"]
    for species, recall in report["barks"].items():
        said = "" if recall is None else f": recall {recall:.3f} on {options.choose} scenes for choosing"
        print(f"candidate {species}{said}")
    bench = Bench.make(options, device, collection, start)
    every = np.arange(options.scenes)
    report["start"] = {f"{name} {words}": figure(sheet, every) for name, sheet in bench.before.items()
                       for words, figure in FIGURES}  # fmt: skip
    report["choosing start"] = bench.chosen(start, 1.0)
    known = Kept.draw(bench.rest, "train", SEEDS["others"], options.scenes, options.size, PURE).read(start)[0]
    report["start"]["known barks recall"] = mean_recall(known, every)
    print(f"new bark: {options.bark}; {len(bench.order)} cases to pick from ({options.pick}); start: "
          + ", ".join(f"{name} {value:.3f}" for name, value in report["start"].items())
          + f"; {time.monotonic() - began:.0f} s", flush=True)  # fmt: skip
    counts = [int(c) for c in options.counts.split(",") if c.strip()]
    for count in counts:
        if any(p["reviewed"] == count for p in report["points"]):
            continue
        if time.monotonic() - began > options.limit_s or count > len(bench.order):
            print(f"left out: {count} ({len(bench.order)} cases, {time.monotonic() - began:.0f} s)", flush=True)
            continue
        point = bench.point(count)
        report["points"] = sorted([*report["points"], point], key=lambda p: p["reviewed"])
        file.write_text(json.dumps(report, indent=1), encoding="utf-8")
        print(f"{line_of(point)} {point['seconds']} s, {point['train_s']} s of it training", flush=True)
        for row in (*point["choosing"], report["choosing start"]):
            print("  choosing: " + ", ".join(f"{k} {v:.3f}" for k, v in row.items()), flush=True)
    for share in sorted({*KEPT, options.kept}):
        print(f"\nkept {share:g}{' (the recipe)' if share == options.kept else ''}\n\n{HEAD}")
        for point in report["points"]:
            print(line_of({"reviewed": point["reviewed"], **point["shares"][str(share)]}))
    print(f"total {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
