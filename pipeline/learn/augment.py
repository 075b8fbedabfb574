"""Light and camera changes for real photographs on the host, by albumentations where it is installed.

Drawn scenes and the collection's photographs are altered on the drawing device
(:mod:`pipeline.learn.camera`); reviewed patches are files of a grove, few and precious, and get these changes.
A training machine without albumentations makes changes of the same kind and strength with OpenCV.
"""

from __future__ import annotations

import importlib.util
import logging
import os
from functools import lru_cache
from threading import get_ident
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

logger = logging.getLogger(__name__)

THREADS = 32
"""For so many threads the changes are kept."""
BRIGHTER, CONTRAST = 0.15, 0.15
HUE, SATURATION = 3, 12
"""Steps of OpenCV's scales (hue 0 to 180, saturation 0 to 255). Hue moves little: the colour of wood and of films is
what is judged."""
SOFT_PX, NOISE, QUALITY = (0.3, 1.2), (0.005, 0.025), (60, 95)
SHARES = {"light": 0.6, "colour": 0.4, "soft": 0.25, "noise": 0.3, "jpeg": 0.4}
"""How often each change is made."""


def has_library() -> bool:
    """Whether albumentations is installed."""
    return importlib.util.find_spec("albumentations") is not None


@lru_cache(maxsize=THREADS)
def _changes(thread: int) -> Any:
    """The library's changes for a thread, whose seeds are its own; ``None`` on a training machine without it."""
    # The library asks the network for its newest version when imported, unless told not to.
    os.environ.setdefault("NO_ALBUMENTATIONS_UPDATE", "1")
    if not has_library():
        logger.info("albumentations is not installed; reviewed photographs are relit with OpenCV alone.")
        return None
    import albumentations as A

    steps = [
        A.RandomBrightnessContrast(brightness_limit=BRIGHTER, contrast_limit=CONTRAST, p=SHARES["light"]),
        A.HueSaturationValue(
            hue_shift_limit=HUE, sat_shift_limit=SATURATION, val_shift_limit=0, p=SHARES["colour"]
        ),
        A.OneOf([A.GaussianBlur(sigma_limit=SOFT_PX, blur_limit=0), A.MotionBlur(blur_limit=(3, 5))], p=SHARES["soft"]),
        A.GaussNoise(std_range=NOISE, p=SHARES["noise"]),
        A.ImageCompression(quality_range=QUALITY, p=SHARES["jpeg"]),
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
    changes = _changes(get_ident())
    if changes is None:
        return relit_plainly(rgb, rng)
    for change in changes:
        change.set_random_seed(int(rng.integers(2**31)))
        rgb = change(image=rgb)["image"]
    return rgb


def relit_plainly(rgb: NDArray[np.uint8], rng: np.random.Generator) -> NDArray[np.uint8]:
    """The same without albumentations; motion blur is left out."""
    doing = {name: bool(rng.random() < share) for name, share in SHARES.items()}
    if doing["light"]:
        gain, lift = 1 + rng.uniform(-CONTRAST, CONTRAST), 255 * rng.uniform(-BRIGHTER, BRIGHTER)
        rgb = _bytes(rgb.astype(np.float32) * gain + lift)
    if doing["colour"]:
        hsv = cv2.cvtColor(rgb, cv2.COLOR_RGB2HSV).astype(np.int16)
        hsv[..., 0] = (hsv[..., 0] + int(rng.integers(-HUE, HUE + 1))) % 180
        hsv[..., 1] = np.clip(hsv[..., 1] + int(rng.integers(-SATURATION, SATURATION + 1)), 0, 255)
        rgb = np.asarray(cv2.cvtColor(hsv.astype(np.uint8), cv2.COLOR_HSV2RGB), dtype=np.uint8)
    if doing["soft"]:
        rgb = np.asarray(cv2.GaussianBlur(rgb, (0, 0), float(rng.uniform(*SOFT_PX))), dtype=np.uint8)
    if doing["noise"]:
        noise = rng.standard_normal(rgb.shape, dtype=np.float32)
        rgb = _bytes(rgb + noise * np.float32(255 * rng.uniform(*NOISE)))
    if doing["jpeg"]:
        quality = int(rng.integers(QUALITY[0], QUALITY[1] + 1))
        packed = cv2.imencode(".jpg", rgb, (cv2.IMWRITE_JPEG_QUALITY, quality))[1]
        rgb = np.asarray(cv2.imdecode(packed, cv2.IMREAD_COLOR), dtype=np.uint8)
    return rgb


def _bytes(values: NDArray[Any]) -> NDArray[np.uint8]:
    return np.clip(np.round(values), 0, 255).astype(np.uint8)
