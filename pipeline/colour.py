"""Colour: sRGB, linear light, CIELAB, CIEDE2000, and the white balance taken from the card.

sRGB is IEC 61966-2-1, CIELAB is CIE 15 with the white of D65 and the 2 degree observer,
CIEDE2000 is ISO/CIE 11664-6 in the notation of Sharma, Wu & Dalal (2005).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import camera, cardspec
from pipeline.records import Flag, WhiteBalance

if TYPE_CHECKING:
    from pipeline.records import CameraTag, CardFix, ImageRGB, Photo, SurfaceFix

SRGB_TO_XYZ = np.array(
    [
        [0.4123907992659595, 0.357584339383878, 0.1804807884018343],
        [0.21263900587151036, 0.715168678767756, 0.07219231536073371],
        [0.019330818715591851, 0.11919477979462599, 0.9505321522496607],
    ]
)
"""From the sRGB primaries and the white (0.3127, 0.3290)."""
D65_XYZ = SRGB_TO_XYZ.sum(axis=1)
"""The white that sRGB (1, 1, 1) has by that matrix, so that greys are exactly neutral."""
CIELAB_EPSILON = (6 / 29) ** 3
CIELAB_KAPPA = (29 / 3) ** 3

P3_TO_XYZ = np.array(
    [
        [0.4865709486482162, 0.26566769316909306, 0.1982172852343625],
        [0.2289745640697488, 0.6917385218365064, 0.079286914093745],
        [0.0, 0.04511338185890264, 1.043944368900976],
    ]
)
"""Display P3: primaries (0.680, 0.320), (0.265, 0.690), (0.150, 0.060) of SMPTE EG 432-1 with the white
(0.3127, 0.3290) and the transfer curve of sRGB (International Color Consortium, registry of RGB encodings)."""
P3_TO_SRGB: NDArray[np.float64] = np.linalg.solve(SRGB_TO_XYZ, P3_TO_XYZ)
"""Linear Display P3 to linear sRGB; a colour outside sRGB has parts below 0 or above 1."""
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
"""XYZ to the sharpened cone responses of the linear Bradford transform (ICC.1:2022, annex E)."""

GAIN_LIMIT = 4.0
"""Exposures outside 1/4 .. 4 of what the card asks for: the patches were not what they should be."""
CAST_LIMIT = 12.0
"""Largest over smallest gain: an incandescent lamp of 2,000 K without any balance in the camera comes to about 10."""
LAMP_CAST = 2.0
"""Ratio of the gains of blue and red above which the light is called a lamp's: daylight stays below 1.7."""
GOOD_LIGHT_SD = (1.0, 1.5, 1.5)
HUE_LIMIT = 0.04
"""Root mean square by which the greys may differ in hue: twice the most that 79 drawn photos in daylight came to."""
DIM_EV = 6.0
"""Exposure value below which no daylight is expected: 160 lx (2.5 lx times 2^EV, ISO 2720), where the deep shade of a
crown at noon still has some hundred; a phone's torch, a lamp in a room and dusk lie below."""
LAMP_LAB_SD = (1.0, 4.5, 4.0)
"""What L*, a*, b* of wood are off by (root mean square) under white diodes, after the card's balance: made-up spectra,
``benchmarks/bench_white_balance.py``."""
WOOD_SRGB = (170, 128, 90)
"""A browning wood, on which ways of balancing are compared: made up."""
CLIPPED_LEVEL = 252
DARK_LEVEL = 8
MISFIT_LIMIT = 0.35
"""Patches that miss their values by more than this share are not grey patches (dirt, shadow edge, glare)."""
SHADED_SHARE = 0.35
"""Light that differs by more than this share over the card has a shadow edge in it."""
PATCH_HALF_MM = 2.7
WHITE_HALF_MM = 1.3
CARD_WHITE_SPOTS_MM: tuple[tuple[float, float], ...] = (
    (-18.5, 22.0),
    (18.5, 22.0),
    (-18.5, -30.0),
    (18.5, -30.0),
    (0.0, -12.0),
)
"""Places of bare card, clear of markers, patches, number and edge."""


def linear_of_srgb(srgb: NDArray[np.floating]) -> NDArray[np.float64]:
    """Linear light, 0 to 1, of sRGB values 0 to 1; any shape."""
    value = np.asarray(srgb, dtype=np.float64)
    return np.where(value <= 0.04045, value / 12.92, ((np.maximum(value, 0.04045) + 0.055) / 1.055) ** 2.4)


def srgb_of_linear(linear: NDArray[np.floating]) -> NDArray[np.float64]:
    """Encode linear light 0 to 1 as sRGB values 0 to 1; any shape; values outside are clipped."""
    value = np.clip(np.asarray(linear, dtype=np.float64), 0.0, 1.0)
    return np.where(value <= 0.0031308, value * 12.92, 1.055 * np.maximum(value, 0.0031308) ** (1 / 2.4) - 0.055)


LINEAR_OF_8BIT: NDArray[np.float64] = linear_of_srgb(np.arange(256) / 255.0)
"""Linear light of each 8-bit sRGB level, shape (256,)."""


def lab_of_linear(linear: NDArray[np.floating]) -> NDArray[np.float64]:
    """CIELAB of linear sRGB light, shape (..., 3) -> (..., 3)."""
    ratio = (np.asarray(linear, dtype=np.float64) @ SRGB_TO_XYZ.T) / D65_XYZ
    f = np.where(ratio > CIELAB_EPSILON, np.cbrt(ratio), (CIELAB_KAPPA * ratio + 16) / 116)
    fx, fy, fz = f[..., 0], f[..., 1], f[..., 2]
    return np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)], axis=-1)


def lab_of_srgb8(rgb: NDArray[np.uint8]) -> NDArray[np.float64]:
    """CIELAB of 8-bit sRGB, shape (..., 3) -> (..., 3)."""
    return lab_of_linear(LINEAR_OF_8BIT[rgb])


def linear_srgb(linear: NDArray[np.floating], profile: str) -> NDArray[np.float64]:
    """Linear sRGB of linear light in a picture's own colours, shape (..., 3) -> (..., 3).

    Parameters
    ----------
    profile
        Description of the embedded ICC profile: Display P3 is converted, everything else is taken as sRGB.
    """
    light = np.asarray(linear, dtype=np.float64)
    return light @ P3_TO_SRGB.T if is_p3(profile) else light


def is_p3(profile: str) -> bool:
    """Whether an ICC profile's description means Display P3."""
    return profile.replace("-", " ").casefold().startswith("display p3")


def srgb_of(rgb: ImageRGB, profile: str) -> ImageRGB:
    """A picture in sRGB, a new array where its profile is another one; shape (H, W, 3), uint8."""
    return _mapped(rgb, P3_TO_SRGB) if is_p3(profile) else rgb


def adaptation(white: NDArray[np.floating]) -> NDArray[np.float64]:
    """Matrix that turns a white in linear sRGB into (1, 1, 1), by the linear Bradford transform, shape (3, 3)."""
    to_cones = BRADFORD @ SRGB_TO_XYZ
    gains = to_cones.sum(axis=1) / (to_cones @ np.asarray(white, dtype=np.float64))
    return np.asarray(np.linalg.solve(to_cones, gains[:, None] * to_cones))


_ENCODED: NDArray[np.uint8] = np.rint(255 * srgb_of_linear(np.arange(65536) / 65535)).astype(np.uint8)
"""8-bit sRGB of linear light in 16 bits: a level is at least 19 steps wide."""
_LINEAR_32: NDArray[np.float32] = LINEAR_OF_8BIT.astype(np.float32)


def _mapped(rgb: ImageRGB, matrix: NDArray[np.float64]) -> ImageRGB:
    """A picture through a matrix in linear light, back to 8 bits."""
    light = cv2.transform(cv2.LUT(rgb, _LINEAR_32), 65535 * matrix.astype(np.float32))
    # np.take beats indexing several times over
    mapped: ImageRGB = _ENCODED.take(np.clip(light + 0.5, 0, 65535).astype(np.uint16))
    return mapped


def delta_e_2000(first: NDArray[np.floating], second: NDArray[np.floating]) -> NDArray[np.float64]:
    """CIEDE2000 colour difference with kL = kC = kH = 1.

    Parameters
    ----------
    first, second
        CIELAB colours, shapes (..., 3) that broadcast.

    Returns
    -------
    NDArray
        Shape (...), symmetric in its arguments.
    """
    lab1, lab2 = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    l1, a1, b1 = lab1[..., 0], lab1[..., 1], lab1[..., 2]
    l2, a2, b2 = lab2[..., 0], lab2[..., 1], lab2[..., 2]
    c_mean7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - np.sqrt(c_mean7 / (c_mean7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    grey = c1 * c2 == 0

    turn = h2 - h1
    turn = np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn))
    turn = np.where(grey, 0.0, turn)
    d_l, d_c = l2 - l1, c2 - c1
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))

    l_mean, c_mean = (l1 + l2) / 2, (c1 + c2) / 2
    total = h1 + h2
    h_mean = np.where(np.abs(h1 - h2) <= 180, total / 2, np.where(total < 360, (total + 360) / 2, (total - 360) / 2))
    h_mean = np.where(grey, total, h_mean)
    t = (
        1
        - 0.17 * np.cos(np.radians(h_mean - 30))
        + 0.24 * np.cos(np.radians(2 * h_mean))
        + 0.32 * np.cos(np.radians(3 * h_mean + 6))
        - 0.20 * np.cos(np.radians(4 * h_mean - 63))
    )
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)
    s_c = 1 + 0.045 * c_mean
    s_h = 1 + 0.015 * c_mean * t
    r_c = 2 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))
    r_t = -np.sin(np.radians(60 * np.exp(-(((h_mean - 275) / 25) ** 2)))) * r_c
    l_term, c_term, h_term = d_l / s_l, d_c / s_c, d_h / s_h
    squared = l_term**2 + c_term**2 + h_term**2 + r_t * c_term * h_term
    return np.asarray(np.sqrt(np.maximum(squared, 0.0)), dtype=np.float64)


# ---------------------------------------------------------------- white balance


def apply(balance: WhiteBalance, rgb: ImageRGB) -> ImageRGB:
    """The picture under the card's own white, in linear light and back to 8-bit sRGB.

    Parameters
    ----------
    balance
        Its matrix, where it has one, else the gains of the three channels.
    rgb
        Shape (H, W, 3), uint8.

    Returns
    -------
    ImageRGB
        A new array of the same shape.
    """
    if balance.matrix:
        return _mapped(rgb, np.array(balance.matrix))
    gains = np.asarray(balance.gains)
    table = np.rint(255 * srgb_of_linear(LINEAR_OF_8BIT[:, None] * gains)).astype(np.uint8)
    balanced: ImageRGB = cv2.LUT(rgb, table.reshape(1, 256, 3))
    return balanced


def white_balance(photo: Photo, card: CardFix, fix: SurfaceFix) -> WhiteBalance | None:
    """What gives the card's three grey patches their printed values.

    Each patch's trimmed mean is taken in linear sRGB.  One gain a channel is fitted through
    the origin by least squares, the variance of a patch in proportion to its light (photon
    noise).  Patches with burnt or black pixels are left out.  The gains give the colour of the light; what surfaces
    looked like in daylight follows by chromatic adaptation (linear Bradford), not by the gains in red, green and blue:
    under a lamp of 2,700 K the two differ by several CIEDE2000.  Greys cannot tell which of the two is right for a
    camera, so half their difference on wood is part of the uncertainty.

    Neither can greys that are printed in black alone tell a diode's light from daylight of the same white: all of them
    reflect the same share at every wavelength.  So the photo's own tags are asked too (flash, exposure), and whether
    the greys differ in hue, as greys mixed from coloured inks do in the light of some lamps, and stained ones.

    Parameters
    ----------
    photo
        The photo.
    card, fix
        Its card and pose; bare card is looked at only near markers that were read.

    Returns
    -------
    WhiteBalance or None
        ``None`` where no patch can be used or the gains are beyond belief; its ``flags`` tell of
        clipped patches and of light that differs across the card.
    """
    spots = [s for s in CARD_WHITE_SPOTS_MM if np.abs(card.corners_mm[:, 1] - s[1]).min() < 30]
    halves = [PATCH_HALF_MM] * len(cardspec.PATCH_CENTRES_MM) + [WHITE_HALF_MM] * len(spots)
    own, clipped = _lights_at(photo.pixels, fix, np.array([*cardspec.PATCH_CENTRES_MM, *spots]), np.array(halves))
    lights = linear_srgb(own, photo.camera.colour_profile)
    patches = len(cardspec.PATCH_CENTRES_MM)
    usable = np.isfinite(lights[:, 0]) & ~clipped
    flags = Flag.CLIPPED_LIGHT if clipped[:patches].any() else Flag.NONE
    seen = lights[:patches][usable[:patches]]
    target = LINEAR_OF_8BIT[list(cardspec.PATCH_SRGB)][usable[:patches], None]
    if len(seen) == 0:
        return None
    gains = seen.sum(axis=0) / (seen**2 / target).sum(axis=0)
    level = float(gains[1])
    if not 1 / GAIN_LIMIT < level < GAIN_LIMIT or gains.max() > CAST_LIMIT * gains.min():
        return None
    residual = float(np.sqrt(np.mean((gains * seen / target - 1) ** 2)))
    if residual > MISFIT_LIMIT:
        return None
    white = lights[patches:][usable[patches:]].mean(axis=1)
    uneven = float(np.ptp(white) / white.mean()) if len(white) > 1 else 0.0
    if uneven > SHADED_SHARE:
        flags |= Flag.SHADOW_EDGE
    if gains[2] > LAMP_CAST * gains[0]:
        flags |= Flag.LIGHT_INCANDESCENT
    matrix = adaptation(1 / gains)
    lab_sd = light_sd(gains, matrix)
    if is_artificial(photo.camera, gains * seen / target):
        flags |= Flag.LIGHT_ARTIFICIAL
        widened = np.hypot(lab_sd, LAMP_LAB_SD)
        lab_sd = (float(widened[0]), float(widened[1]), float(widened[2]))
    if is_p3(photo.camera.colour_profile):
        matrix = matrix @ P3_TO_SRGB
    rows = [(float(a), float(b), float(c)) for a, b, c in matrix]
    return WhiteBalance(
        (float(gains[0]), float(gains[1]), float(gains[2])), residual, uneven, flags, tuple(rows), lab_sd
    )


def is_artificial(tag: CameraTag, balanced: NDArray[np.float64]) -> bool:
    """Whether tags or greys speak against daylight.

    Parameters
    ----------
    balanced
        Light of each patch after the gains, as a share of what it should be, shape (N, 3).
    """
    hue = balanced / balanced.mean(axis=1, keepdims=True) - 1
    dim = tag.exposure_value is not None and tag.exposure_value < DIM_EV
    return tag.flash or dim or float(np.sqrt(np.mean(hue**2))) > HUE_LIMIT


def light_sd(gains: NDArray[np.float64], matrix: NDArray[np.float64]) -> tuple[float, float, float]:
    """Standard uncertainty of L*, a*, b* of a balanced colour.

    What remains in good light (an estimate), and half of what gains and adaptation differ by on wood: cameras balance
    somewhere between sensor and picture, and each way is right for some.
    """
    seen = linear_of_srgb(np.array(WOOD_SRGB) / 255) / gains
    apart = lab_of_linear(np.clip(np.stack([seen * gains, seen @ matrix.T]), 0, 1))
    sd = np.hypot(GOOD_LIGHT_SD, (apart[0] - apart[1]) / 2)
    return float(sd[0]), float(sd[1]), float(sd[2])


def _lights_at(
    pixels: ImageRGB, fix: SurfaceFix, centres_mm: NDArray[np.float64], halves_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Mean linear light of small squares of the card, shape (N, 3), and whether each is burnt or black.

    The squares in the picture are upright and as large as those on the card, turned by any
    angle; ``halves_mm`` leave room for that.  NaN where one is outside the picture or tiny.
    """
    around = np.array([(0.0, 0.0), (-1.0, 0.0), (1.0, 0.0), (0.0, -1.0), (0.0, 1.0)])
    flat = centres_mm[:, None, :] + halves_mm[:, None, None] * around
    points = np.concatenate([flat, np.zeros((*flat.shape[:2], 1))], axis=2)
    seen = camera.project(points, fix.rotation, fix.translation_mm, fix.camera_matrix, fix.distortion)
    middle = seen[:, 0]
    half = np.hypot(seen[:, 1:, 0] - middle[:, None, 0], seen[:, 1:, 1] - middle[:, None, 1]).min(axis=1)
    low = np.ceil(middle - half[:, None]).astype(int)
    high = np.floor(middle + half[:, None]).astype(int)
    height, width = pixels.shape[:2]
    lights, clipped = np.full((len(middle), 3), np.nan), np.zeros(len(middle), dtype=bool)
    for k, ((left, top), (right, bottom)) in enumerate(zip(low, high, strict=True)):
        if left < 0 or top < 0 or right >= width or bottom >= height or right <= left or bottom <= top:
            continue
        block = np.sort(pixels[top : bottom + 1, left : right + 1].reshape(-1, 3), axis=0)
        typical, cut = block[len(block) // 2], len(block) // 5
        clipped[k] = typical.max() >= CLIPPED_LEVEL or typical.min() <= DARK_LEVEL
        lights[k] = LINEAR_OF_8BIT[block[cut : len(block) - cut]].mean(axis=0)
    return lights, clipped
