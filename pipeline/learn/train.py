"""Train the network on drawn scenes, weakly labelled photographs, and a grove's reviewed patches.

A run folder holds ``settings.json``, ``curves.csv``, ``last.pt`` (to go on from) and
``model.safetensors`` (the averaged weights).
"""

from __future__ import annotations

import csv
import hashlib
import json
import logging
import math
import time
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import torch

from pipeline.errors import UsageError
from pipeline.learn.data import Collection
from pipeline.learn.generator import Banks, Generator, Mix, PatchBatch
from pipeline.learn.losses import losses
from pipeline.learn.net import WoundNet, load_pretrained
from pipeline.learn.parallel import agreed, ranks, share_gradients
from pipeline.learn.variety import WIDE, Variety
from pipeline.learn.weak import WeakPhotos
from pipeline.network import prepare, scale_input

if TYPE_CHECKING:
    from collections.abc import Iterator

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class TrainSettings:
    """What decides a training run; ``digest`` names it.

    Attributes
    ----------
    steps
        Length of the schedule.
    minutes
        If above 0, the schedule is spread over this wall time instead (for a machine lent by the hour).
    drawn, photos, reviewed
        Patches of each kind in a batch.
    pool, reuse
        Scenes are drawn ``pool`` batches at a time (a GPU draws large batches faster) and each is
        used ``reuse`` times, mirrored and in another light from the second time on.
    scene_photos
        Whether scenes may be drawn on photographs of bark and with photographed growths.
    """

    steps: int = 4000
    minutes: float = 0.0
    drawn: int = 52
    photos: int = 12
    reviewed: int = 0
    scene_photos: bool = True
    pool: int = 1
    reuse: int = 1
    pretrained: bool = True
    size_px: int = 384
    seed: int = 1
    rate: float = 1.5e-3
    weight_decay: float = 0.02
    average: float = 0.998
    shares: Mix = field(default_factory=Mix)
    variety: Variety = WIDE

    @property
    def digest(self) -> str:
        """Twelve hex digits over all settings."""
        return hashlib.sha256(json.dumps(asdict(self), sort_keys=True).encode()).hexdigest()[:12]


def pick_device(name: str = "auto") -> torch.device:
    """A GPU where there is one, else the CPU."""
    if name == "auto":
        return torch.device("cuda" if torch.cuda.is_available() else "cpu")
    return torch.device(name)


def network_inputs(batch: PatchBatch) -> tuple[torch.Tensor, torch.Tensor, torch.Tensor]:
    """What the network takes of a batch, by the same preparation as in use."""
    valid = batch.valid.float()
    # Eight bits, as every patch in use has.
    picture = prepare(torch.round(batch.rgb * 255), valid)
    scale = torch.as_tensor(scale_input(batch.mm_per_px.cpu().numpy()), device=valid.device)
    return picture.contiguous(memory_format=torch.channels_last), valid, scale


class Average:
    """Exponential average of weights, quick at first (Polyak & Juditsky 1992)."""

    def __init__(self, net: WoundNet, decay: float) -> None:
        self.net, self.decay, self.count = WoundNet().to(next(net.parameters()).device), decay, 0
        self.net.load_state_dict(net.state_dict())
        self.net.eval()

    @torch.no_grad()
    def update(self, net: WoundNet) -> None:
        """Move towards the current weights."""
        self.count += 1
        decay = min(self.decay, (1 + self.count) / (10 + self.count))
        mine, theirs = list(self.net.parameters()), list(net.parameters())
        torch._foreach_lerp_(mine, theirs, 1 - decay)
        for a, b in zip(self.net.buffers(), net.buffers(), strict=True):
            a.copy_(b)


def _batches(
    settings: TrainSettings, collection: Collection | None, reviewed: Any, device: torch.device, skip: int
) -> Iterator[PatchBatch]:
    """Mixed batches; a run that goes on draws with another seed, since the first batches are used up."""
    rank, _ = ranks()
    seed = settings.seed * 1_000_003 + skip + 7_919_000 * rank
    banks = collection.banks("train") if collection is not None and settings.scene_photos else Banks()
    scenes = Generator(device, seed, banks, settings.size_px, settings.shares, settings.variety)
    weak = None
    if collection is not None and settings.photos:
        weak = WeakPhotos(collection, "train", seed + 17, settings.size_px)
    drawn: list[PatchBatch] = []
    cuts: list[PatchBatch] = []
    while True:
        if settings.drawn and not drawn:
            drawn = _pool(scenes, settings)
        parts = [drawn.pop()] if settings.drawn else []
        if weak is not None:
            if not cuts:
                many = weak.batch(settings.photos * settings.pool)
                rows = torch.arange(len(many), device=many.rgb.device).split(settings.photos)
                cuts = [many.rows(r) for r in rows]
            parts.append(cuts.pop())
        if reviewed is not None and settings.reviewed:
            parts.append(reviewed.batch(settings.reviewed, settings.size_px, device))
        if not parts:
            raise UsageError("There is nothing to train on.", "Allow scenes, or name photographs or reviewed patches.")
        yield PatchBatch.cat(parts)


def _pool(scenes: Generator, settings: TrainSettings) -> list[PatchBatch]:
    """Draw many scenes at once and deal them out, each ``reuse`` times."""
    many = scenes.batch(settings.drawn * settings.pool)
    if settings.pool == settings.reuse == 1:
        return [many]
    dealt: list[PatchBatch] = []
    for turn in range(settings.reuse):
        order = torch.as_tensor(scenes.rng.permutation(len(many)), device=many.rgb.device)
        parts = [many.rows(rows) for rows in order.split(settings.drawn)]
        dealt += parts if turn == 0 else [part.mirrored(scenes.rng) for part in parts]
    return dealt[::-1]


def _rate(progress: float) -> float:
    """Warm up over 3 %, then fall as a cosine."""
    if progress < 0.03:
        return progress / 0.03
    return 0.5 * (1 + math.cos(math.pi * min(1.0, (progress - 0.03) / 0.97))) + 1e-3


def run(
    folder: Path,
    settings: TrainSettings,
    *,
    collection: Collection | None = None,
    reviewed: Any = None,
    device: torch.device | None = None,
    weights: Path | None = None,
    start_from: Path | None = None,
    resume: bool = False,
) -> WoundNet:
    """Train, and write the run folder.

    Parameters
    ----------
    folder
        Run folder, made if missing.
    collection
        Photographs to draw with and to learn from.
    reviewed
        A :class:`~pipeline.learn.reviewed.ReviewedPatches`.
    weights
        ImageNet weights of the encoder (default: those of the installed package).
    start_from
        A ``model.safetensors`` to fine-tune.
    resume
        Go on from ``last.pt`` in the folder.

    Returns
    -------
    WoundNet
        The averaged network, in evaluation mode.
    """
    device = device or pick_device()
    folder.mkdir(parents=True, exist_ok=True)
    torch.manual_seed(settings.seed)
    net = WoundNet()
    if start_from is not None:
        from safetensors.torch import load_file

        net.load_state_dict(load_file(str(start_from)))
    elif settings.pretrained:
        load_pretrained(net, weights)
    net = net.to(device, memory_format=torch.channels_last)
    average = Average(net, settings.average)
    optimiser = _optimiser(net, settings)
    step, spent = 0, 0.0
    last = folder / "last.pt"
    if resume and last.is_file():
        state = torch.load(last, map_location=device, weights_only=True)
        net.load_state_dict(state["net"])
        average.net.load_state_dict(state["average"])
        average.count = state["step"]
        optimiser.load_state_dict(state["optimiser"])
        step, spent = state["step"], state["spent"]
    content = {**asdict(settings), "digest": settings.digest, "torch": torch.__version__, "device": str(device)}
    first = ranks()[0] == 0
    if first:
        (folder / "settings.json").write_text(json.dumps(content, indent=2), encoding="utf-8")
    step = _loop(
        folder, settings, net, average, optimiser, _batches(settings, collection, reviewed, device, step), step, spent
    )
    if first:
        save_weights(average.net, folder / "model.safetensors", {"settings": settings.digest, "steps": str(step)})
    return average.net


def _optimiser(net: WoundNet, settings: TrainSettings) -> torch.optim.Optimizer:
    matrices = [p for p in net.parameters() if p.ndim > 1]
    vectors = [p for p in net.parameters() if p.ndim <= 1]
    groups = [{"params": matrices, "weight_decay": settings.weight_decay}, {"params": vectors, "weight_decay": 0.0}]
    fused = next(net.parameters()).is_cuda
    return torch.optim.AdamW(groups, lr=settings.rate, betas=(0.9, 0.99), fused=fused)


def _loop(
    folder: Path,
    settings: TrainSettings,
    net: WoundNet,
    average: Average,
    optimiser: torch.optim.Optimizer,
    batches: Iterator[PatchBatch],
    step: int,
    spent: float,
) -> int:
    device = next(net.parameters()).device
    first = ranks()[0] == 0
    began = time.monotonic() - spent
    curves = folder / "curves.csv"
    net.train()
    running: dict[str, float] = {}
    progress = 0.0
    while True:
        if not settings.minutes:
            progress = step / settings.steps
        elif step % 20 == 0:
            # Rarely, since asking makes the processes wait for each other.
            progress = agreed((time.monotonic() - began) / (60 * settings.minutes), device)
        if progress >= 1:
            break
        batch = next(batches)
        for group in optimiser.param_groups:
            group["lr"] = settings.rate * _rate(progress)
        # Kernels are chosen by trial for the network, whose sizes stay; not for drawing, where they vary.
        with torch.backends.cudnn.flags(enabled=True, benchmark=True, allow_tf32=True):
            with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
                output = net(*network_inputs(batch))
            terms = losses(output, batch)
            total = torch.stack(list(terms.values())).sum()
            optimiser.zero_grad(set_to_none=True)
            total.backward()
        share_gradients(net)
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        optimiser.step()
        average.update(net)
        step += 1
        if first and (step % 50 == 0 or step == 1):
            running = {name: float(value.detach()) for name, value in terms.items()}
            speed = len(batch) * step * ranks()[1] / max(time.monotonic() - began, 1e-6)
            _write_curve(curves, step, progress, speed, running)
        if first and step % 1000 == 0:
            _save_state(folder, net, average, optimiser, step, time.monotonic() - began)
    if first:
        _save_state(folder, net, average, optimiser, step, time.monotonic() - began)
    return step


def _write_curve(file: Path, step: int, progress: float, speed: float, terms: dict[str, float]) -> None:
    new = not file.exists()
    with file.open("a", newline="", encoding="utf-8") as stream:
        writer = csv.writer(stream)
        if new:
            writer.writerow(["step", "progress", "patches_per_s", "total", *terms])
        writer.writerow(
            [
                step,
                f"{progress:.4f}",
                f"{speed:.1f}",
                f"{sum(terms.values()):.4f}",
                *(f"{v:.4f}" for v in terms.values()),
            ]
        )
    logger.info("step %d (%.0f %%), %.0f patches/s, loss %.3f", step, 100 * progress, speed, sum(terms.values()))


def _save_state(
    folder: Path, net: WoundNet, average: Average, optimiser: torch.optim.Optimizer, step: int, spent: float
) -> None:
    state = {
        "net": net.state_dict(),
        "average": average.net.state_dict(),
        "optimiser": optimiser.state_dict(),
        "step": step,
        "spent": spent,
    }
    partial = folder / "last.part"
    torch.save(state, partial)
    partial.replace(folder / "last.pt")


def save_weights(net: WoundNet, file: Path, notes: dict[str, str], *, half: bool = False) -> None:
    """Write weights as safetensors with a header of notes; ``half`` stores matrices and kernels in 16 bits."""
    from safetensors.torch import save_file

    tensors = {}
    for name, value in net.state_dict().items():
        kept = value.detach().cpu().contiguous()
        tensors[name] = kept.half() if half and kept.ndim > 1 and kept.is_floating_point() else kept
    save_file(tensors, str(file), metadata={"kind": "woundwood site network", **notes})


@torch.no_grad()
def round_weights(net: WoundNet) -> None:
    """Round matrices and kernels to 16 bits, so that what is tested and exported is what the small file holds."""
    for value in net.parameters():
        if value.ndim > 1:
            value.copy_(value.half())
