"""What a network says of its calibration and test cases before anything is fitted: the dear part of a release.

Every part (a chunk of scenes, of photographs, of photos of the other renderer) is one ``.npz``, so that work goes on
where it stopped, and so that a machine with a GPU can do it.  Needs torch, NumPy, OpenCV and safetensors only::

    python -m pipeline.learn.raw RUN/model.safetensors [MORE ...] --photos photos.npz --out FOLDER --device cuda

makes the mean of the weights and writes ``FOLDER/WEIGHTS-SIZE/*.npz``; ``woundwood model make --work FOLDER`` takes
the parts from there and makes those that are missing.  The folder's name is a digest of the averaged weights, so parts
of other weights are never taken.
"""

from __future__ import annotations

import argparse
import hashlib
import logging
from dataclasses import dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import torch

from pipeline.errors import ModelError
from pipeline.learn import sets
from pipeline.learn.data import Collection
from pipeline.learn.net import WoundNet
from pipeline.learn.sheet import RawAnswers, Sheet, by_network
from pipeline.learn.train import pick_device, round_weights
from pipeline.learn.weak import centre_cut
from pipeline.network import Calibration

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from pipeline.learn.drawn_photos import DrawnPatches
    from pipeline.learn.generator import PatchBatch
    from pipeline.learn.reviewed import ReviewedPatches

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Part:
    """Cases with their truth and what the network says of them, uncalibrated."""

    sheet: Sheet
    raw: RawAnswers

    def __len__(self) -> int:
        return len(self.sheet)

    @classmethod
    def cat(cls, parts: Sequence[Part]) -> Part:
        """Parts end to end."""
        return cls(Sheet.cat([p.sheet for p in parts]), RawAnswers.cat([p.raw for p in parts]))

    def save(self, file: Path) -> None:
        """Write, whole or not at all."""
        arrays = {f"sheet_{f.name}": getattr(self.sheet, f.name) for f in fields(Sheet)}
        arrays |= {f"raw_{f.name}": getattr(self.raw, f.name) for f in fields(RawAnswers)}
        partial = file.with_suffix(".part.npz")
        np.savez_compressed(partial, **arrays)
        partial.replace(file)

    @classmethod
    def load(cls, file: Path) -> Part:
        """Read what :meth:`save` wrote."""
        with np.load(file) as stored:
            sheet = Sheet(**{f.name: stored[f"sheet_{f.name}"] for f in fields(Sheet)})
            return cls(sheet, RawAnswers(**{f.name: stored[f"raw_{f.name}"] for f in fields(RawAnswers)}))


# ------------------------------------------------------------------- weights


def mean_weights(files: Sequence[Path]) -> WoundNet:
    """The network whose weights are the mean of several runs' (Wortsman et al. 2022), kernels rounded to 16 bits.

    Running means and variances of the normalisation are averaged too; counters are those of the first run.  One file
    alone gives its own weights, rounded.

    Raises
    ------
    ModelError
        If a file is missing or is of another network.
    """
    from safetensors.torch import load_file

    states = []
    for file in files:
        try:
            states.append(load_file(str(file)))
        except OSError as error:
            raise ModelError(f"The weights {file} cannot be read: {error}.", "Name run folders or weights.") from error
    net = WoundNet()
    try:
        mean = {
            name: torch.stack([s[name].double() for s in states]).mean(0).to(value.dtype)
            if value.is_floating_point()
            else states[0][name]
            for name, value in net.state_dict().items()
        }
        net.load_state_dict(mean)
    except (KeyError, RuntimeError) as error:
        raise ModelError(f"The weights are not of this network: {error}.", "Use runs of this version.") from error
    round_weights(net)
    return net.eval()


def weights_digest(net: WoundNet) -> str:
    """Twelve hex digits over names and values of all weights, whatever file they came from."""
    digest = hashlib.sha256()
    for name, value in sorted(net.state_dict().items()):
        # Adding nothing turns -0.0 into 0.0: equal weights have one digest.
        digest.update(name.encode() + b"\0" + (value.detach().cpu() + 0).contiguous().numpy().tobytes())
    return digest.hexdigest()[:12]


def parts_folder(work: Path, net: WoundNet, size_px: int) -> Path:
    """Where the parts of some weights lie."""
    return work / f"{weights_digest(net)}-{size_px}px"


# --------------------------------------------------------------------- parts


@torch.no_grad()
def _read(net: WoundNet, batch: PatchBatch) -> Part:
    sheet, raw, _ = by_network(net, batch, Calibration.neutral(), None)
    return Part(sheet, raw)


def _kept(file: Path, make: Callable[[], Part]) -> Part:
    """A part from its file, made and written if it is not there."""
    if not file.is_file():
        file.parent.mkdir(parents=True, exist_ok=True)
        part = make()
        part.save(file)
        logger.info("%s written (%d cases)", file.name, len(part))
    return Part.load(file)


def scene_parts(
    net: WoundNet, collection: Collection, folder: Path, split: str, count: int, size_px: int
) -> Iterator[Part]:
    """Held-out scenes of a split, a chunk at a time."""
    device = next(net.parameters()).device
    for chunk in range(-(-count // sets.CHUNK)):
        stop = min((chunk + 1) * sets.CHUNK, count)
        file = folder / f"scenes-{split}-{chunk * sets.CHUNK:04d}-{stop:04d}.npz"

        def make(chunk: int = chunk) -> Part:
            banks = collection.banks(split)
            return _read(net, sets.scene_chunk(banks, sets.SEEDS[split], chunk, count, size_px, device))

        yield _kept(file, make)


def photo_parts(
    net: WoundNet, collection: Collection, folder: Path, split: str, size_px: int
) -> Iterator[tuple[str, Part]]:
    """Photographs of a split with the name of their group, a chunk at a time."""
    for name, chunks in sets.photo_rows(collection, split).items():
        for number, rows in enumerate(chunks):

            def make(rows: np.ndarray = rows) -> Part:
                return _read(net, centre_cut(collection, rows, size_px))

            yield name, _kept(folder / f"photos-{split}-{name}-{number:02d}.npz", make)


def drawn_part(net: WoundNet, patches: DrawnPatches, folder: Path, seed: int) -> Part:
    """A chunk of photos of the other renderer."""
    device = next(net.parameters()).device
    first, last = int(patches.number[0]), int(patches.number[-1])
    file = folder / f"drawn-{seed}-{first:04d}-{last:04d}.npz"
    return _kept(file, lambda: _read(net, sets.of_drawn(patches, device)))


def reviewed_part(net: WoundNet, reviewed: ReviewedPatches, size_px: int) -> Part:
    """Cases that people judged; what nobody said is unknown in the sheet."""
    device = next(net.parameters()).device
    return Part.cat([_read(net, batch) for batch, _ in reviewed.whole(size_px, device)])


def main(arguments: Sequence[str] | None = None) -> None:
    """Make the parts of a release that gain from a GPU."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("weights", type=Path, nargs="+", help="model.safetensors of one or more runs")
    parser.add_argument("--photos", type=Path, required=True, help="packed photo collection (.npz)")
    parser.add_argument("--out", type=Path, required=True, help="work folder of 'woundwood model make'")
    parser.add_argument("--fit-scenes", type=int, default=600, help="calibration scenes")
    parser.add_argument("--test-scenes", type=int, default=600, help="test scenes")
    parser.add_argument("--size", type=int, default=384, help="edge of a patch, px")
    parser.add_argument("--device", default="auto", help="'auto', 'cpu' or 'cuda'")
    options = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    device = pick_device(options.device)
    net = mean_weights(options.weights)
    folder = parts_folder(options.out, net, options.size)
    net = net.to(device)
    collection = Collection.load(options.photos, device)
    for split, count in (("val", options.fit_scenes), ("test", options.test_scenes)):
        done = sum(len(p) for p in scene_parts(net, collection, folder, split, count, options.size))
        done += sum(len(p) for _, p in photo_parts(net, collection, folder, split, options.size))
        logger.info("%s: %d cases in %s", split, done, folder)


if __name__ == "__main__":
    main()
