"""The camera's side: exposure, white balance, lens fall-off, blur, sensor noise, tone and sharpening."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.scenes.light import SKY_RGB, SUN_RGB, energies

if TYPE_CHECKING:
    from pipeline.records import ImageRGB
    from pipeline.scenes.spec import CameraSpec, LightSpec

MIDDLE = 0.19
"""Linear level that an automatic exposure gives to the picture's middle."""
LENS_BLUR_PX = 0.55
_CODES = 4096


def expose(radiance: NDArray[np.float32], camera: CameraSpec, light: LightSpec, seed: int) -> ImageRGB:
    """Turn radiance (H, W, 3; overwritten) into an 8-bit sRGB picture."""
    middle = radiance[
        radiance.shape[0] // 6 : -radiance.shape[0] // 6 : 7, radiance.shape[1] // 6 : -radiance.shape[1] // 6 : 7
    ]
    gain = min(MIDDLE / float(middle.mean()), 0.97 / float(np.percentile(middle, 99.0))) * light.exposure
    energy_sun, energy_sky = energies(light)
    lamp = 0.6 * energy_sun * SUN_RGB + energy_sky * SKY_RGB  # what an automatic white balance takes for white
    balance = (
        lamp.mean()
        / lamp
        * np.array([1 + 0.28 * light.warmth, 1 - 0.10 * light.tint, 1 - 0.32 * light.warmth], np.float32)
    )
    radiance *= np.float32(gain) * balance
    if camera.vignetting > 0:
        radiance *= _fall_off(radiance.shape[0], radiance.shape[1], camera.vignetting)[..., None]
    linear = _blur(radiance, camera)
    _add_noise(linear, camera.noise, seed)
    picture = _encode(linear)
    if camera.sharpen > 0:
        soft = cv2.GaussianBlur(picture, (0, 0), 1.0)
        picture = np.asarray(cv2.addWeighted(picture, 1 + camera.sharpen, soft, -camera.sharpen, 0), dtype=np.uint8)
    return picture


def _fall_off(rows: int, columns: int, strength: float) -> NDArray[np.float32]:
    x = np.linspace(-1, 1, columns, dtype=np.float32) * np.float32(columns / np.hypot(rows, columns))
    y = np.linspace(-1, 1, rows, dtype=np.float32) * np.float32(rows / np.hypot(rows, columns))
    r2 = x[None, :] ** 2 + y[:, None] ** 2
    return np.asarray(1 / (1 + np.float32(strength) * r2) ** 2, dtype=np.float32)


def _blur(linear: NDArray[np.float32], camera: CameraSpec) -> NDArray[np.float32]:
    sigma = float(np.hypot(LENS_BLUR_PX, camera.defocus_px))
    linear = np.asarray(cv2.GaussianBlur(linear, (0, 0), sigma), dtype=np.float32)
    if camera.motion_px > 0.5:
        linear = np.asarray(cv2.filter2D(linear, -1, _streak(camera.motion_px, camera.motion_deg)), dtype=np.float32)
    return linear


def _streak(length_px: float, angle_deg: float) -> NDArray[np.float32]:
    half = int(np.ceil(length_px / 2)) + 1
    y, x = np.mgrid[-half : half + 1, -half : half + 1].astype(np.float32)
    c, s = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg))
    along, across = np.abs(c * x + s * y), np.abs(-s * x + c * y)
    kernel = np.clip(length_px / 2 + 0.5 - along, 0, 1) * np.clip(1 - across, 0, 1)
    return np.asarray(kernel / kernel.sum(), dtype=np.float32)


def _add_noise(linear: NDArray[np.float32], level: float, seed: int) -> None:
    """Photon noise (grows with the square root of light) and a floor; ``level`` is that at full scale."""
    if level <= 0:
        return
    rng = np.random.default_rng([seed, 99])
    step = 256
    for first in range(0, linear.shape[0], step):
        part = linear[first : first + step]
        spread = np.float32(level) * np.sqrt(np.clip(part, 0, 1) + np.float32(0.02))
        part += spread * rng.standard_normal(part.shape, dtype=np.float32)


def _encode(linear: NDArray[np.float32]) -> ImageRGB:
    """SRGB transfer (IEC 61966-2-1) by a table over the square root of light, fine enough for 8 bits."""
    t = np.arange(_CODES, dtype=np.float64) / (_CODES - 1)
    v = t * t
    table = np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1 / 2.4) - 0.055)
    codes = np.sqrt(np.clip(linear, 0, 1)) * np.float32(_CODES - 1) + np.float32(0.5)
    return np.asarray(np.rint(255 * table).astype(np.uint8)[codes.astype(np.uint16)], dtype=np.uint8)
