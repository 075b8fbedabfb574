"""How much reviewed photos of a bark that a network never saw are worth, and what learning them costs elsewhere.

    python benchmarks/learning_curve.py MODEL.safetensors PHOTOS.npz --out FOLDER

MODEL.safetensors are the weights to start from, PHOTOS.npz is a packed photo collection (``pipeline.learn.data.pack``).
Needs torch, NumPy, OpenCV and safetensors, nothing else of the program's own dependencies; meant for a GPU.

One species of the collection's test split, never trained on nor calibrated on, is the new bark: the one with most
photographs, unless another is named (``--split val`` takes a species of the calibration split).  Its photographs, and
those of films, are cut in two halves in the order of their file names: wounds and signs are drawn on the first half
for the photos that a simulated person reviews, and on the second half, the "other trees", for the test.  The person
says which signs are there (wrong in 3 of 100 cases), names the stage of every second site and draws the rim of every
third; patches go through the same labels folder, and the same recipe, as a grove's reviewed cases.

Printed for each number of reviewed photos: recall at 3 % false alarms on the other trees, mean of the five signs; the
same on the release benchmark (held-out scenes of the other test species, without the new bark); stage and tissue there;
and the change against the network that was started from, with a 95 % bootstrap interval over cases, the same cases for
both.  The line "0" was fine-tuned as long, on scenes alone: what the others gain beyond it is due to the labels.
"""

from __future__ import annotations

import argparse
import json
import logging
import shutil
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import torch

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from pipeline import picking
from pipeline.learn import train
from pipeline.learn.compare import change, mean_recall, sign_recall, stage_exact, tissue_iou
from pipeline.learn.data import Collection
from pipeline.learn.from_grove import Recipe, fine_tune, part_of
from pipeline.learn.generator import APERTURE, Generator, Mix, PatchBatch
from pipeline.learn.net import WoundNet
from pipeline.learn.reviewed import UNSEEN_GREY, ReviewedPatches
from pipeline.learn.sheet import RawAnswers, Sheet, by_network
from pipeline.learn.signs import LOOKALIKE_NAMES, SIGN_NAMES
from pipeline.network import Calibration
from pipeline.records import Stage

BARK_KINDS = ("bark", "trunk_photo", "natural_bark_feature", "leaf_scar")
WRONG_SHARE = 0.03
CHUNK = 100


@dataclass
class Kept:
    """Scenes kept small: what the figures need and no sign maps."""

    parts: list[PatchBatch]

    @classmethod
    def draw(cls, collection: Collection, split: str, seed: int, count: int, size_px: int, shares: Mix) -> Kept:
        """Draw ``count`` scenes; chunk k has its own seed."""
        device = collection.pixels.device
        banks, parts = collection.banks(split), []
        for chunk in range(-(-count // CHUNK)):
            drawn = Generator(device, seed + chunk, banks, size_px, shares).batch(min(CHUNK, count - chunk * CHUNK))
            small = torch.zeros(len(drawn), 5, 1, 1)
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


def write_labels(folder: Path, kept: Kept, sheet: Sheet, chosen: list[int], seed: int) -> int:
    """The labels folder that a grove would export after a person judged some scenes; returns how many."""
    rng = np.random.default_rng(seed)
    (folder / "images").mkdir(parents=True)
    images, notes = [], []
    for place, row in enumerate(chosen):
        part, inside = kept.parts[row // CHUNK], row % CHUNK
        rgb = part.rgb[inside].permute(1, 2, 0).cpu().numpy()
        rgb = np.where(part.valid[inside, 0].cpu().numpy()[..., None], rgb, np.uint8(UNSEEN_GREY))
        name = f"images/{place:05d}.jpg"
        cv2.imwrite(str(folder / name), cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), (cv2.IMWRITE_JPEG_QUALITY, 88))
        seen = [SIGN_NAMES[k] for k in range(5) if sheet.sign[row, k] > 0]
        if rng.random() < WRONG_SHARE:
            seen = [] if seen else [str(rng.choice(SIGN_NAMES))]
        flagged = [SIGN_NAMES[k] for k in range(5) if sheet.sign_p[row, k] >= 0.5]
        like = [LOOKALIKE_NAMES[k] for k in np.flatnonzero(sheet.lookalikes[row])]
        instead = "resin" if sheet.flags[row, 0] > 0 else like[0] if like else ""
        stage = int(sheet.stage[row])
        images.append({
            "id": place + 1, "file_name": name, "width": rgb.shape[1], "height": rgb.shape[0], "tree": "drawn",
            "mm_per_px": float(part.mm_per_px[inside]), "verdict": "sign" if seen else "not", "signs": seen,
            "rejected": [s for s in flagged if s not in seen], "instead": "" if seen else instead,
            "stage": Stage(stage).word if stage >= 0 and place % 2 == 0 else "",
        })  # fmt: skip
        opening = (part.tissue[inside] == APERTURE).byte().cpu().numpy()
        if place % 3 == 0 and opening.sum() > 60:
            outlines, _ = cv2.findContours(opening, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
            polygons = [(o[:, 0].astype(float) + 0.5).ravel().tolist() for o in outlines if len(o) >= 3]
            if polygons:
                notes.append({"id": len(notes) + 1, "image_id": place + 1, "category_id": 1, "segmentation": polygons})
    content = {"images": images, "annotations": notes, "categories": [{"id": 1, "name": "aperture"}]}
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


# ---------------------------------------------------------------- the run


def new_bark(collection: Collection, split: str) -> str:
    """The species of a split with most photographs of bark, the first by name where several have as many."""
    counts: dict[str, int] = {}
    for shot in collection.shots:
        if shot.split == split and shot.kind == "bark" and shot.species:
            counts[shot.species] = counts.get(shot.species, 0) + 1
    if not counts:
        raise SystemExit(f"The collection has no bark of the split '{split}'.")
    return max(sorted(counts), key=counts.__getitem__)


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
    for group in (of_bark, film):
        rows = np.flatnonzero(group)
        first[rows[np.argsort(names[rows])][: (len(rows) + 1) // 2]] = True
    return part_of(collection, (of_bark | film) & first | shared), part_of(
        collection, (of_bark | film) & ~first | shared
    )


def load(file: Path, device: torch.device) -> WoundNet:
    """A network from its weights."""
    from safetensors.torch import load_file

    net = WoundNet()
    net.load_state_dict(load_file(str(file)))
    return net.eval().to(device)


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("model", type=Path, help="model.safetensors to start from")
    parser.add_argument("photos", type=Path, help="packed photo collection (.npz)")
    parser.add_argument("--out", type=Path, required=True, help="folder for curve.json and the labels")
    parser.add_argument("--split", choices=("test", "val"), default="test", help="where the new bark is taken from")
    parser.add_argument("--bark", default="", help="species that is the new bark [the one with most photographs]")
    parser.add_argument("--counts", default="0,25,50,100,200,400")
    parser.add_argument("--pick", choices=("queue", "random", "gain"), default="queue")
    parser.add_argument("--steps", type=int, default=Recipe.steps)
    parser.add_argument("--batch", type=int, default=Recipe.batch)
    parser.add_argument("--size", type=int, default=Recipe.size_px)
    parser.add_argument("--rate", type=float, default=Recipe.rate)
    parser.add_argument("--scenes", type=int, default=2000, help="scenes of each test")
    parser.add_argument("--pool", type=int, default=1600, help="scenes from which the reviewed ones are picked")
    parser.add_argument("--draws", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--device", default="auto")
    parser.add_argument("--limit-s", type=float, default=540, help="begin no further point after so many seconds")
    options = parser.parse_args()
    logging.basicConfig(level=logging.WARNING)
    began, device = time.monotonic(), train.pick_device(options.device)
    if device.type == "cuda":
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    collection = Collection.load(options.photos, device)
    split = options.split
    options.bark = options.bark or new_bark(collection, split)
    mine, others = halves(collection, split, options.bark)
    rest = part_of(collection, np.array([s.species != options.bark for s in collection.shots]))
    pure = Mix(real_bark=1.0)
    other_trees = Kept.draw(others, split, 731_001, options.scenes, options.size, pure)
    release = Kept.draw(rest, split, 920_001, options.scenes, options.size, Mix())
    pool = Kept.draw(mine, split, 640_001 + 1000 * options.seed, options.pool, options.size, pure)
    start = load(options.model, device)
    before = {"others": other_trees.read(start)[0], "release": release.read(start)[0]}
    order = pick(options.pick, *pool.read(start), options.seed)
    pool_sheet = pool.read(start)[0]
    print(f"{options.bark}: {sum(s.species == options.bark for s in mine.shots)} photographs for reviewed trees, "
          f"{sum(s.species == options.bark for s in others.shots)} for the others; {len(order)} cases to pick from "
          f"({options.pick}); {device}; {time.monotonic() - began:.0f} s", flush=True)  # fmt: skip
    every = np.arange(options.scenes)
    base = {name: mean_recall(sheet, every) for name, sheet in before.items()}
    print(
        f"start: recall on other trees {base['others']:.3f}, on the release benchmark {base['release']:.3f}, "
        f"stage {stage_exact(before['release'], every):.3f}, tissue {tissue_iou(before['release'], every):.3f}",
        flush=True,
    )
    recipe = Recipe(options.steps, options.batch, rate=options.rate, size_px=options.size, seed=options.seed)
    points = []
    options.out.mkdir(parents=True, exist_ok=True)
    for count in [int(c) for c in options.counts.split(",")]:
        if time.monotonic() - began > options.limit_s:
            print(f"stopped before {count}: {options.limit_s:.0f} s are over", flush=True)
            break
        if count > len(order):
            print(f"{count} left out: only {len(order)} cases", flush=True)
            continue
        points.append(one_point(options, recipe, rest, count, order[:count], pool, pool_sheet, other_trees, release,
                                before, device))  # fmt: skip
        report = {"options": {k: str(v) for k, v in vars(options).items()}, "device": str(device), "start": base,
                  "points": points}  # fmt: skip
        (options.out / "curve.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
    print(f"total {time.monotonic() - began:.0f} s")


def one_point(options, recipe, rest, count, rows, pool, pool_sheet, other_trees, release, before, device) -> dict:
    """Fine-tune on some reviewed photos, measure, print a line."""
    began = time.monotonic()
    folder = options.out / f"{count:04d}"
    shutil.rmtree(folder, ignore_errors=True)
    reviewed = None
    if count:
        write_labels(folder / "labels", pool, pool_sheet, rows, options.seed)
        reviewed = ReviewedPatches.load(folder / "labels", options.seed)
    net = fine_tune(folder, reviewed, options.model, collection=rest, recipe=recipe, device=device)
    (folder / "last.pt").unlink(missing_ok=True)
    after = {"others": other_trees.read(net)[0], "release": release.read(net)[0]}
    every = np.arange(options.scenes)
    figures = {}
    for name, sheet in after.items():
        for words, figure in (("recall", mean_recall), ("stage", stage_exact), ("tissue", tissue_iou)):
            moved = change(figure, sheet, before[name], options.draws)
            figures[f"{name} {words}"] = {"value": figure(sheet, every), "change": moved.value, "lo": moved.lo,
                                          "hi": moved.hi}  # fmt: skip
        for k, sign in enumerate(SIGN_NAMES):
            figures[f"{name} recall {sign}"] = {"value": sign_recall(sheet, every, k),
                                                "before": sign_recall(before[name], every, k)}  # fmt: skip

    def said(name: str) -> str:
        f = figures[name]
        return f"{f['value']:.3f} ({100 * f['change']:+.1f} [{100 * f['lo']:+.1f}, {100 * f['hi']:+.1f}])"

    print(f"{count:4d} reviewed: recall on other trees {said('others recall')}, on the release benchmark "
          f"{said('release recall')}, stage {said('release stage')}, tissue {said('release tissue')}; "
          f"{time.monotonic() - began:.0f} s", flush=True)  # fmt: skip
    return {"reviewed": count, "seconds": time.monotonic() - began, **figures}


if __name__ == "__main__":
    main()
