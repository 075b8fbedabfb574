"""What stands behind the trunk, out of focus: undergrowth, litter, sky between leaves."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.scenes.canvas import linear_rgb


def backdrop(width_px: int, height_px: int, seed: int) -> NDArray[np.float32]:
    """Linear radiance, shape (H, W, 3), float32."""
    rng = np.random.default_rng([seed, 55])
    small = (96, 72) if height_px >= width_px else (72, 96)
    rows = np.linspace(0, 1, small[0], dtype=np.float32)[:, None]
    leaf = _blur_noise(rng, small, 4.0)
    deep = _blur_noise(rng, small, 9.0)
    picture = np.empty((*small, 3), np.float32)
    foliage, shadow, ground = linear_rgb(92, 112, 58), linear_rgb(34, 42, 24), linear_rgb(124, 98, 70)
    mix = np.clip(0.45 + 0.35 * leaf + 0.25 * deep, 0, 1)[..., None]
    picture[:] = shadow + mix * (foliage - shadow)
    soil = np.clip((rows - rng.uniform(0.55, 1.3)) * 4 + 0.5 * deep, 0, 1)[..., None]
    picture += soil * (ground * (0.8 + 0.25 * leaf)[..., None] - picture)
    sky = np.clip((rng.uniform(0.05, 0.35) - rows) * 3 + 0.9 * leaf - 0.4, 0, 1)[..., None]
    picture += sky * (linear_rgb(216, 226, 224) - picture)
    picture = cv2.GaussianBlur(np.clip(picture, 0.01, 1), (0, 0), 1.6)
    return np.asarray(cv2.resize(picture, (width_px, height_px), interpolation=cv2.INTER_CUBIC), dtype=np.float32)


def _blur_noise(rng: np.random.Generator, shape: tuple[int, int], sigma: float) -> NDArray[np.float32]:
    noise = np.asarray(cv2.GaussianBlur(rng.standard_normal(shape).astype(np.float32), (0, 0), sigma), dtype=np.float32)
    return np.asarray(noise / noise.std(), dtype=np.float32)
