"""CPU time of a reader.  No torch here."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np

from pipeline.records import SitePatch

if TYPE_CHECKING:
    from collections.abc import Callable


def cpu_time_ms(reader: Callable[[SitePatch], object], repeats: int) -> tuple[float, float]:
    """Median and least processor time of one overview patch of 384 px, ms; the first call is not counted."""
    rgb = np.random.default_rng(0).integers(0, 255, (384, 384, 3)).astype(np.uint8)
    patch = SitePatch(rgb, np.ones((384, 384), bool), 176 / 384, -88.0, 88.0, 2.0)
    reader(patch)
    times = []
    for _ in range(repeats):
        began = time.process_time()
        reader(patch)
        times.append(1e3 * (time.process_time() - began))
    return float(np.median(times)), float(np.min(times))
