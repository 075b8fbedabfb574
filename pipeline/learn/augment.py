"""Light and camera changes for real photographs on the host, by albumentations.

Drawn scenes and the collection's photographs are altered on the drawing device
(:mod:`pipeline.learn.camera`); reviewed patches are files of a grove, few and precious, and get these changes.
"""

from __future__ import annotations

import importlib.util
import logging
import os
from functools import lru_cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

logger = logging.getLogger(__name__)


@lru_cache(maxsize=1)
def _changes() -> Any:
    """The changes, or ``None`` on a training machine without albumentations."""
    # The library asks the network for its newest version when imported, unless told not to.
    os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")
    if importlib.util.find_spec("albumentations") is None:
        logger.warning("albumentations is not installed; reviewed photographs keep their light and sharpness.")
        return None
    import albumentations as A

    # Hue moves little: the colour of wood and of films is what is judged.
    steps = [
        A.RandomBrightnessContrast(brightness_limit=0.15, contrast_limit=0.15, p=0.6),
        A.HueSaturationValue(hue_shift_limit=3, sat_shift_limit=12, val_shift_limit=0, p=0.4),
        A.OneOf([A.GaussianBlur(sigma_limit=(0.3, 1.2), blur_limit=0), A.MotionBlur(blur_limit=(3, 5))], p=0.25),
        A.GaussNoise(std_range=(0.005, 0.025), p=0.3),
        A.ImageCompression(quality_range=(60, 95), p=0.4),
    ]  # fmt: skip
    # One sequence each: seeded together, all steps of one sequence decide alike.
    return [A.Compose([step]) for step in steps]


def relit(rgb: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """The picture in another light and by another camera; nothing moves.

    Parameters
    ----------
    rgb
        Shape (H, W, 3).
    rng
        Decides the change: the same state gives the same picture.
    """
    changes = _changes()
    if changes is None:
        return rgb
    for change in changes:
        change.set_random_seed(int(rng.integers(2**31)))
        rgb = change(image=rgb)["image"]
    return rgb
