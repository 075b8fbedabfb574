"""A watcher that reads nothing: all is real but the figures, for :mod:`benchmarks.watch_memory`.

python -m benchmarks.watch_none GROVE
"""

from __future__ import annotations

import hashlib
import re
import signal
import sys
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from pipeline import intake
from pipeline.flow import PhotoRead
from pipeline.records import Outlines, PhotoStage, Refusal, RefusalCode, SitePatch
from pipeline.watch import Keeper
from pipeline.watch.desk import Desk
from tests import made_records

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from typing import Any

    from pipeline.flow import ReadContext
    from pipeline.records import Reader

MODEL = "none 1"
ONE_REFUSED_IN = 20
RIM_POINTS = 200
_SCENE = re.compile(r"scene(\d+)")


def open_reader(name: str) -> tuple[Reader, str]:
    """No reader."""
    return no_maps, MODEL


def no_maps(patch: SitePatch) -> Any:
    """Never called: nothing is read."""
    raise AssertionError("nothing is read here")


def read_photo(data: bytes, file: str, sha256: str, context: ReadContext, reader: Reader) -> PhotoRead | Refusal:
    """Decode a photo by the real door; figures by lot, with a rim of as many points as a real one has."""
    settings = context.settings
    photo = intake.open_photo(data, file, sha256, settings.intake, settings.grove.zone, context.now)
    chance = np.random.default_rng(int(hashlib.sha256(data).hexdigest()[:8], 16))
    device = photo.camera.device
    if chance.integers(ONE_REFUSED_IN) == 0:
        words = ("The photo is blurred.", "Hold still.", photo.taken_at)
        return Refusal(file, sha256, PhotoStage.QUALITY, *words, code=RefusalCode.BLURRED, device=device)
    found = _SCENE.search(file)
    sites = sorted(context.register.sites)
    angle = np.linspace(0, 2 * np.pi, RIM_POINTS)
    width = 20 * float(chance.uniform(0.9, 1.1))
    rim = tuple(zip((width / 2 * np.cos(angle)).tolist(), (-80 + 15 * np.sin(angle)).tolist(), strict=True))
    taken = photo.taken_at or context.now
    reading = made_records.reading(
        file,
        site=sites[int(found[1]) % len(sites)] if found else sites[0],
        taken_at=taken,
        sha256=sha256,
        visit_on=taken.astimezone(settings.grove.zone).date(),
        aperture_width_mm=width,
        outlines=Outlines(aperture=(rim,)),
        model=context.model,
        settings=settings.reading_hash,
        device=device,
    )
    rgb = np.full((8, 8, 3), 120, np.uint8)
    patch = SitePatch(rgb, np.ones((8, 8), np.bool_), 0.5, -2.0, -52.0, 4.0)
    return PhotoRead(reading, patch, patch)


def make_desk(root: Path, configs: Sequence[str], options: Mapping[str, Any]) -> Desk:
    """The desk of the child process."""
    return Desk(root, configs, options, read=read_photo, open_reader=open_reader)


def main() -> None:
    """Watch until told to stop."""
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    Keeper(Path(sys.argv[1]), (), {"watch.rest_after_s": 10, "run.workers": 1}, make_desk=make_desk).run(stop)


if __name__ == "__main__":
    main()
