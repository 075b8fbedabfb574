"""What was seen, drawn over the patch: rims, hatched and named signs, a millimetre bar.

Nothing is told by colour alone: the opening has a full line, new tissue a broken one, each sign its own
hatching and its name, and every line has a dark casing, so that the picture reads in grey and on any bark.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

import cv2
import numpy as np
from PIL import Image, ImageDraw, ImageFont

from pipeline.records import Sign

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import ImageRGB, Outlines, Polygon, SitePatch

    Colour = tuple[int, int, int]

SHOWN_PX = 768
"""The patch is enlarged by a whole factor to about this."""
PAPER: Colour = (246, 244, 239)
INK: Colour = (38, 34, 30)
OPENING: Colour = (255, 255, 255)
NEW_TISSUE: Colour = (255, 214, 64)
CASING: Colour = (24, 20, 18)
_SHIFT = 4
"""Fractional bits of coordinates given to OpenCV."""
_BAR_STEPS_MM = (1, 2, 5, 10, 20, 50, 100)


class Hatch(NamedTuple):
    """Colour of a sign and the directions of its hatching, degrees from the horizontal."""

    colour: Colour
    angles_deg: tuple[float, ...]


# The hues keep apart for colour-blind eyes as well: after Okabe & Ito (2008), made a little lighter.
HATCHES: dict[Sign, Hatch] = {
    Sign.GREEN_FILM: Hatch((40, 190, 140), (45.0,)),
    Sign.WHITE_MYCELIUM: Hatch((120, 200, 250), (-45.0,)),
    Sign.CONK: Hatch((245, 170, 40), (0.0,)),
    Sign.DARK_BLEEDING: Hatch((240, 110, 60), (90.0,)),
    Sign.SUNKEN_BARK: Hatch((226, 140, 196), (45.0, -45.0)),
}


def overlay(
    patch: SitePatch, outlines: Outlines, legend: bool = True, size: str | None = None, note: str = ""
) -> ImageRGB:  # fmt: skip
    """Draw outlines over a patch.

    Parameters
    ----------
    patch
        The picture, and where its pixels lie.
    outlines
        Rims and signs in the site frame, mm.
    legend
        Whether a strip that explains the lines is added below.
    size
        Text that stands for the size; by default the extent of the openings in whole mm.
        Nothing is said of size where the patch has no scale.
    note
        Text in the upper left corner, for what holds of the whole picture.

    Returns
    -------
    numpy.ndarray
        Shape (H, W, 3), uint8; enlarged by a whole factor, with the strip below it.
    """
    factor = _factor(patch)
    height, width = (n * factor for n in patch.valid.shape)
    picture = cv2.resize(patch.rgb, (width, height), interpolation=cv2.INTER_CUBIC)
    picture[cv2.resize(patch.valid.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST) == 0] = PAPER
    signs = {sign: _to_pixels(lines, patch, factor) for sign, lines in outlines.signs.items() if lines}
    opening, tissue = (_to_pixels(lines, patch, factor) for lines in (outlines.aperture, outlines.new_tissue))
    for sign, lines in signs.items():
        _hatch(picture, lines, HATCHES[sign])
    _rims(picture, tissue, NEW_TISSUE, broken=True)
    _rims(picture, opening, OPENING, broken=False)
    page = Image.fromarray(picture)
    _names(page, signs)
    if patch.has_scale:
        _bar(page, patch.mm_per_px / factor)
        if opening:
            _size_label(page, size or extent_text(outlines.aperture))
    if note:
        _plate(ImageDraw.Draw(page), (18, 14), note)
    out = np.asarray(page, dtype=np.uint8).copy()
    return np.vstack([out, _legend(width, outlines)]) if legend else out


def side_by_side(patch: SitePatch, drawn: ImageRGB) -> ImageRGB:
    """The bare patch and the picture drawn over it, next to each other at the same size."""
    factor = max(drawn.shape[1] // patch.valid.shape[1], 1)
    height, width = (n * factor for n in patch.valid.shape)
    bare = cv2.resize(patch.rgb, (width, height), interpolation=cv2.INTER_CUBIC)
    page = np.empty((max(height, drawn.shape[0]), width + 12 + drawn.shape[1], 3), np.uint8)
    page[:] = PAPER
    page[:height, :width] = bare
    page[: drawn.shape[0], width + 12 :] = drawn
    return page


def extent_text(openings: tuple[Polygon, ...]) -> str:
    """Width and height of all openings together, in whole mm, as it is written on the picture."""
    corners = np.concatenate([np.asarray(line, dtype=np.float64) for line in openings])
    width, height = corners.max(axis=0) - corners.min(axis=0)
    return f"opening {width:.0f} mm wide, {height:.0f} mm high"


# ---------------------------------------------------------------- lines


def _factor(patch: SitePatch) -> int:
    return max(round(SHOWN_PX / int(max(patch.valid.shape))), 1)


def _to_pixels(lines: tuple[Polygon, ...], patch: SitePatch, factor: int) -> list[NDArray[np.float64]]:
    """Corners as x, y in pixels of the enlarged picture."""
    scale = factor / patch.mm_per_px
    out = []
    for line in lines:
        corners = np.asarray(line, dtype=np.float64)
        x, y = (corners[:, 0] - patch.left_mm) * scale - 0.5, (patch.top_mm - corners[:, 1]) * scale - 0.5
        out.append(np.stack([x, y], axis=1))
    return out


def _fixed(line: NDArray[np.float64]) -> NDArray[np.int32]:
    return np.asarray(np.round(line * 2**_SHIFT), dtype=np.int32)


def _stroke(picture: ImageRGB, line: NDArray[np.float64], colour: Colour, width_px: int, closed: bool) -> None:
    cv2.polylines(picture, [_fixed(line)], closed, colour, width_px, cv2.LINE_AA, _SHIFT)


def _rims(picture: ImageRGB, lines: list[NDArray[np.float64]], colour: Colour, *, broken: bool) -> None:
    for line in lines:
        parts = _dashes(line, 11.0, 13.0) if broken else [line]
        for width_px, tint in ((5, CASING), (2, colour)):
            for part in parts:
                _stroke(picture, part, tint, width_px, closed=not broken)


def _dashes(line: NDArray[np.float64], on_px: float, off_px: float) -> list[NDArray[np.float64]]:
    """Cut a closed line into dashes of equal length."""
    closed = np.vstack([line, line[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    count = max(round(along[-1] / (on_px + off_px)), 2)
    period = along[-1] / count
    out = []
    for k in range(count):
        at = np.linspace(k * period, k * period + period * on_px / (on_px + off_px), 6)
        out.append(np.stack([np.interp(at, along, closed[:, 0]), np.interp(at, along, closed[:, 1])], axis=1))
    return out


def _hatch(picture: ImageRGB, lines: list[NDArray[np.float64]], hatch: Hatch) -> None:
    """Hatch the inside of outlines (even-odd, so islands stay free) and draw their border."""
    mask = np.zeros(picture.shape[:2], np.uint8)
    cv2.fillPoly(mask, [_fixed(line) for line in lines], 255, cv2.LINE_AA, _SHIFT)
    dark, light = _stripes(picture.shape[:2], hatch.angles_deg)
    for stripes, tint, strength in ((dark, CASING, 0.55), (light, hatch.colour, 0.9)):
        alpha = (stripes * (mask / np.float32(255)) * np.float32(strength))[..., None]
        colour = np.asarray(tint, dtype=np.float32)
        picture[:] = np.asarray(np.round(picture + alpha * (colour - picture)), dtype=np.uint8)
    for line in lines:
        for width_px, tint in ((4, CASING), (2, hatch.colour)):
            _stroke(picture, line, tint, width_px, closed=True)


def _stripes(shape: tuple[int, int], angles_deg: tuple[float, ...]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Anti-aliased hatching: the wider casing and the line on it, 0 to 1."""
    rows, cols = np.arange(shape[0], dtype=np.float32)[:, None], np.arange(shape[1], dtype=np.float32)[None, :]
    period, half_dark, half_light = np.float32(12.0), 2.4, 1.1
    dark, light = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    for angle in np.deg2rad(np.asarray(angles_deg, dtype=np.float32)):
        across = np.abs((cols * np.sin(angle) + rows * np.cos(angle)) % period - period / 2)
        dark = np.maximum(dark, np.clip(half_dark + 0.5 - across, 0, 1))
        light = np.maximum(light, np.clip(half_light + 0.5 - across, 0, 1))
    return dark, light


# ---------------------------------------------------------------- words


@lru_cache(maxsize=4)
def _font(size_px: int) -> ImageFont.FreeTypeFont | ImageFont.ImageFont:
    return ImageFont.load_default(size_px)


def _text_box(
    pen: ImageDraw.ImageDraw, at: tuple[float, float], text: str, size_px: int
) -> tuple[float, float, float, float]:
    left, top, right, bottom = pen.textbbox(at, text, font=_font(size_px))
    return left - 6, top - 4, right + 6, bottom + 4


def _plate(pen: ImageDraw.ImageDraw, at: tuple[float, float], text: str, size_px: int = 18, edge: Colour = INK) -> None:
    pen.rounded_rectangle(_text_box(pen, at, text, size_px), radius=4, fill=PAPER, outline=edge, width=2)
    pen.text(at, text, fill=INK, font=_font(size_px))


def _names(page: Image.Image, signs: dict[Sign, list[NDArray[np.float64]]]) -> None:
    """Write each sign's name beside its largest patch, joined to it by a line."""
    pen = ImageDraw.Draw(page)
    taken: list[tuple[float, float, float, float]] = []
    for sign, lines in signs.items():
        largest = max(lines, key=lambda line: float(np.prod(np.ptp(line, axis=0))))
        anchor, at = _place_for(pen, sign.words, largest, page.size, taken)
        box = _text_box(pen, at, sign.words, 18)
        taken.append(box)
        near = (min(max(anchor[0], box[0]), box[2]), min(max(anchor[1], box[1]), box[3]))
        for width_px, tint in ((5, CASING), (2, HATCHES[sign].colour)):
            pen.line([anchor, near], fill=tint, width=width_px)
        _plate(pen, at, sign.words, edge=HATCHES[sign].colour)


def _place_for(
    pen: ImageDraw.ImageDraw,
    text: str,
    line: NDArray[np.float64],
    size: tuple[int, int],
    taken: list[tuple[float, float, float, float]],
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Where a name hangs on its outline, and where its text goes: the first free place of eight round it."""
    _, _, wide, high = _text_box(pen, (0, 0), text, 18)
    (left, top), (right, bottom) = line.min(axis=0), line.max(axis=0)
    middle = (left + right) / 2, (top + bottom) / 2
    gap = 18.0
    spots = [(right + gap, y) for y in (top, middle[1], bottom - high)]
    spots += [(left - gap - wide, y) for y in (top, middle[1], bottom - high)]
    spots += [(middle[0] - wide / 2, top - gap - high), (middle[0] - wide / 2, bottom + gap)]
    best = spots[0]
    for x, y in spots:
        box = (x - 8, y - 6, x + wide + 8, y + high + 6)
        inside = box[0] >= 0 and box[1] >= 0 and box[2] <= size[0] and box[3] <= size[1] - 44
        if inside and not any(box[0] < b[2] and b[0] < box[2] and box[1] < b[3] and b[1] < box[3] for b in taken):
            best = (x, y)
            break
    x = float(np.clip(best[0], 8, size[0] - wide - 8))
    y = float(np.clip(best[1], 8, size[1] - high - 50))
    target = np.array([x + wide / 2, y + high / 2])
    anchor = line[np.argmin(np.hypot(*(line - target).T))]
    return (float(anchor[0]), float(anchor[1])), (x, y)


def bar_length_mm(width_mm: float) -> int:
    """A round length for the bar, at most a quarter of the picture's width (at least 1 mm)."""
    return max((step for step in _BAR_STEPS_MM if step <= width_mm / 4), default=1)


def _bar(page: Image.Image, mm_per_px: float) -> None:
    """A bar of round length in the lower left corner, in alternating black and white parts."""
    pen = ImageDraw.Draw(page)
    length_mm = bar_length_mm(page.width * mm_per_px)
    text = f"{length_mm} mm"
    length = length_mm / mm_per_px
    left, bottom = 18.0, page.height - 16.0
    text_width = pen.textlength(text, font=_font(18))
    frame = (left - 8, bottom - 20, left + length + text_width + 18, bottom + 6)
    pen.rounded_rectangle(frame, radius=4, fill=PAPER, outline=INK, width=2)
    parts = 5
    for k in range(parts):
        x0, x1 = left + length * k / parts, left + length * (k + 1) / parts
        pen.rectangle((x0, bottom - 11, x1, bottom - 4), fill=INK if k % 2 == 0 else (255, 255, 255), outline=INK)
    pen.text((left + length + 8, bottom - 18), text, fill=INK, font=_font(18))


def _size_label(page: Image.Image, text: str) -> None:
    pen = ImageDraw.Draw(page)
    wide = pen.textlength(text, font=_font(18))
    _plate(pen, (page.width - wide - 18, page.height - 34), text)


def _legend(width: int, outlines: Outlines) -> ImageRGB:
    """A strip that shows each line and hatching that occurs, with its meaning."""
    entries: list[tuple[str, Sign | None]] = []
    entries.append(("opening" if outlines.aperture else "no opening seen", None))
    if outlines.new_tissue:
        entries.append(("new tissue", None))
    entries += [(f"{sign.words}, suspected", sign) for sign in outlines.signs if outlines.signs[sign]]
    measuring = ImageDraw.Draw(Image.new("RGB", (1, 1)))
    places, x, row = [], 14.0, 0
    for text, sign in entries:
        long = 46 + measuring.textlength(text, font=_font(17)) + 22
        if x > 14 and x + long > width:
            x, row = 14.0, row + 1
        places.append((x, row, text, sign))
        x += long
    strip = np.empty((34 * (row + 1) + 8, width, 3), np.uint8)
    strip[:] = PAPER
    for x, row, text, sign in places:
        _swatch(strip, round(x), 8 + 34 * row, text, sign)
    page = Image.fromarray(strip)
    pen = ImageDraw.Draw(page)
    for x, row, text, _ in places:
        pen.text((x + 46, 11 + 34 * row), text, fill=INK, font=_font(17))
    return np.asarray(page, dtype=np.uint8)


def _swatch(strip: ImageRGB, x: int, y: int, text: str, sign: Sign | None) -> None:
    tile = np.empty((26, 36, 3), np.uint8)
    tile[:] = (128, 116, 102)
    box = np.array([[1.0, 1.0], [34.0, 1.0], [34.0, 24.0], [1.0, 24.0]])
    middle = np.array([[3.0, 12.5], [33.0, 12.5]])
    if sign is not None:
        _hatch(tile, [box], HATCHES[sign])
    elif text == "opening":
        for width_px, tint in ((5, CASING), (2, OPENING)):
            _stroke(tile, middle, tint, width_px, closed=False)
    elif text == "new tissue":
        for part in (
            middle[:1] + np.array([[0.0, 0.0], [11.0, 0.0]]),
            middle[:1] + np.array([[19.0, 0.0], [30.0, 0.0]]),
        ):
            for width_px, tint in ((5, CASING), (2, NEW_TISSUE)):
                _stroke(tile, part, tint, width_px, closed=False)
    tile = tile[:, : max(strip.shape[1] - x, 0)]
    strip[y : y + 26, x : x + tile.shape[1]] = tile
