"""Finding the site card in a photo and the site it names.

The search goes from a small copy of the picture to larger ones and stops at the first that
shows a complete card; the corners are then fitted at full size, edge by edge.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from functools import lru_cache
from itertools import permutations
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline import cardspec, edges, markers
from pipeline.errors import PhotoRefused
from pipeline.records import CardFix, Flag, PhotoStage, RefusalCode

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.records import ImageRGB, Register
    from pipeline.settings import CardSettings

_log = logging.getLogger(__name__)

UPPER_MM = cardspec.marker_corners_mm(cardspec.UPPER_MARKER_CENTRE_MM)
LOWER_MM = cardspec.marker_corners_mm(cardspec.LOWER_MARKER_CENTRE_MM)
CARD_MM = np.concatenate([UPPER_MM, LOWER_MM])

SMALL_COPY_PX = 500
"""Longest edge of the copy that is searched first; measured to be enough for cards of a tenth of the picture."""
PAIR_TOLERANCE = 0.12
"""Share of the marker's edge by which rough corners may miss the card's layout."""
FAMILY_CORRECTABLE_BITS = 5
SQUARE_MM = cardspec.marker_corners_mm((0.0, 0.0))
INNER_SHARE = 6 / 8
"""Edge of a marker's data over the edge of its black border: 6 of 8 cells."""
ROUGH_MM = 2.6
"""How far rough corners may be off, in mm on the card."""
LARGEST_LOSS_MM = 0.35
"""Edges moved by more than this are not what light and ink do."""
MOST_LONELY_MARKERS = 3
MOST_CLOSE_LOOKS = 10
LEAST_SIZE_SHARE = 0.6
"""Share of the smallest trusted edge down to which markers are searched, so that one a little too small is told so."""

# A copy is searched with these: adaptive threshold windows (smallest, largest, step) and the
# least marker perimeter as a share of the picture's longer side.
_QUICK = (17, 17, 4, 0.08)
_CAREFUL = (9, 23, 14, 0.03)
_THOROUGH = (5, 35, 10, 0.012)


@dataclass(frozen=True, slots=True, eq=False)
class _Marker:
    code: int
    corners_px: NDArray[np.float64]

    @property
    def edge_px(self) -> float:
        return float(np.hypot(*(self.corners_px - np.roll(self.corners_px, 1, axis=0)).T).mean())


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    upper: _Marker
    lower: _Marker

    @property
    def edge_px(self) -> float:
        return (self.upper.edge_px + self.lower.edge_px) / 2


def find_card(pixels: ImageRGB, settings: CardSettings) -> CardFix:
    """Find the site card.

    Parameters
    ----------
    pixels
        Shape (H, W, 3), uint8, RGB, upright.
    settings
        Limits.

    Returns
    -------
    CardFix
        Both markers, or one where the other cannot be read.

    Raises
    ------
    PhotoRefused
        If there is no card, more than one, a mirrored one, or one that is too small.
    """
    single: list[_Marker] = []
    for copy, shrink, windows in _copies(pixels):
        found, unread = _markers(copy, shrink, windows, settings)
        if len(found) < 2 and windows is not _QUICK:
            found += _read_closely(pixels, unread, settings)
        pairs = _complete_cards(found)
        if not pairs:
            pairs = _completed_by_looking_closer(pixels, found, settings)
        if len(pairs) > 1:
            raise PhotoRefused(
                PhotoStage.CARD,
                f"There are {len(pairs)} site cards in the picture.",
                "Photograph one site at a time, with only its own card in the frame.",
                code=RefusalCode.SEVERAL_CARDS,
            )
        if pairs and not _may_hide_second(found, pairs[0], shrink):
            return _fix_of_pair(pixels, pairs[0], settings)
        single = found or single
    if pairs:
        return _fix_of_pair(pixels, pairs[0], settings)
    if single:
        return _fix_of_half(pixels, single, settings)
    raise _no_card(pixels, settings)


def site_of(card: CardFix, register: Register) -> tuple[int, Flag]:
    """Site number of a card, checked against the register.

    Returns
    -------
    site, flags
        ``ONE_MARKER`` and ``SITE_FROM_ONE_MARKER`` are raised where the number was inferred.

    Raises
    ------
    PhotoRefused
        If the register has no such site, or one marker fits none or several of its sites.
    """
    if card.upper_code is not None and card.lower_code is not None:
        site = cardspec.site_of_codes(card.upper_code, card.lower_code)
        if site not in register.sites:
            raise PhotoRefused(
                PhotoStage.CARD,
                f"The card carries site number {site}, which the register does not have.",
                f"Add site {site} to sites.csv, or hang the right card.",
                code=RefusalCode.UNKNOWN_SITE,
            )
        return site, Flag.NONE
    which = 0 if card.upper_code is not None else 1
    code = card.upper_code if card.upper_code is not None else card.lower_code
    sharing = [site for site in register.sites if cardspec.codes_of_site(site)[which] == code]
    if len(sharing) == 1:
        return sharing[0], Flag.ONE_MARKER | Flag.SITE_FROM_ONE_MARKER
    position = "upper" if which == 0 else "lower"
    found = "no site" if not sharing else f"{len(sharing)} sites"
    raise PhotoRefused(
        PhotoStage.CARD,
        f"Only the card's {position} marker could be read, and {found} of the register fits it.",
        "Clean the card and photograph it whole, with nothing in front of it.",
        code=RefusalCode.ONE_MARKER,
    )


def up_direction_deg(card: CardFix) -> float:
    """Direction of the card's "up" in the picture: 0 is up, 90 right, 180 down."""
    centre = card.corners_mm.mean(axis=0)
    to_picture = cv2.getPerspectiveTransform(
        card.corners_mm[:4].astype(np.float32), card.corners_px[:4].astype(np.float32)
    )
    low, high = markers.through(to_picture, centre + np.array([[0.0, -5.0], [0.0, 5.0]]))
    dx, dy = high - low
    return float(np.degrees(np.arctan2(dx, -dy)) % 360)


# ---------------------------------------------------------------- search


def _copies(pixels: ImageRGB) -> Iterator[tuple[NDArray[np.uint8], int, tuple[int, int, int, float]]]:
    """Grey copies of growing size with the factor they were shrunk by and the search's thoroughness."""
    longest = max(pixels.shape[:2])
    quarter = max(1, round(longest / (2 * SMALL_COPY_PX)))
    base = _grey(pixels, quarter)
    if longest / quarter > 1.4 * SMALL_COPY_PX:
        small = cv2.resize(base, (base.shape[1] // 2, base.shape[0] // 2), interpolation=cv2.INTER_AREA)
        yield small, quarter * 2, _QUICK
    yield base, quarter, _CAREFUL
    if quarter > 2:
        half = max(1, quarter // 2)
        yield _grey(pixels, half), half, _CAREFUL
    if quarter > 1:
        yield _grey(pixels, 1), 1, _THOROUGH
    else:
        yield base, 1, _THOROUGH


def _grey(pixels: ImageRGB, shrink: int) -> NDArray[np.uint8]:
    if shrink == 1:
        return np.asarray(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY))
    # every output pixel averages the middle 2 x 2 of its block: four times faster than the whole block
    size = (pixels.shape[1] // shrink, pixels.shape[0] // shrink)
    whole = pixels[: size[1] * shrink, : size[0] * shrink]
    grey = cv2.cvtColor(cv2.resize(whole, size, interpolation=cv2.INTER_LINEAR), cv2.COLOR_RGB2GRAY)
    return np.asarray(grey)


@lru_cache(maxsize=32)
def _detector(windows: tuple[int, int, int, float], bits: int) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.adaptiveThreshWinSizeMin, parameters.adaptiveThreshWinSizeMax = windows[0], windows[1]
    parameters.adaptiveThreshWinSizeStep = windows[2]
    parameters.minMarkerPerimeterRate = windows[3]
    parameters.errorCorrectionRate = (bits + 0.01) / FAMILY_CORRECTABLE_BITS
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(family, parameters)


def _markers(
    copy: NDArray[np.uint8], shrink: int, windows: tuple[int, int, int, float], settings: CardSettings
) -> tuple[list[_Marker], list[NDArray[np.float64]]]:
    """Markers of a copy, and quads (4, 2) that look like one but cannot be read; both in full-size pixels."""
    # what is smaller than a trusted marker is not looked at: on bark there are thousands of such specks
    least = round(LEAST_SIZE_SHARE * 4 * settings.min_edge_px / (max(copy.shape) * shrink), 3)
    windows = (*windows[:3], min(max(windows[3], least), 3.9))
    corners, codes, rejected = _detector(windows, settings.max_correction_bits).detectMarkers(copy)
    quads = [(quad.reshape(4, 2).astype(np.float64) + 0.5) * shrink - 0.5 for quad in (*corners, *rejected)]
    numbers = [] if codes is None else [int(code) for code in codes.ravel()]
    return [_Marker(code, quad) for code, quad in zip(numbers, quads, strict=False)], quads[len(numbers) :]


def _read_closely(pixels: ImageRGB, quads: list[NDArray[np.float64]], settings: CardSettings) -> list[_Marker]:
    """Markers among the largest quads that the detector could not read, by our own look at their cells at full size.

    A blurred picture's white cells spread into the black ones; in linear light they spread alike.
    """
    found: list[_Marker] = []
    largest = sorted((_Marker(-1, quad) for quad in quads), key=lambda m: -m.edge_px)[:MOST_CLOSE_LOOKS]
    for marker in largest:
        fitted = _fitted(pixels, marker) if marker.edge_px >= settings.min_edge_px else None
        if fitted is None:
            continue
        for turn in range(4):
            corners = np.roll(fitted, -turn, axis=0)
            to_picture = markers.homography_of(SQUARE_MM, corners)
            code = markers.code_at(pixels, to_picture, SQUARE_MM, settings.max_correction_bits)
            if code is not None and all(np.hypot(*(corners[0] - m.corners_px[0])) > 3 for m in found):
                found.append(_Marker(code, corners))
    return found


def _complete_cards(found: list[_Marker]) -> list[_Pair]:
    """Pairs that fit the card's layout, best first; no marker is used twice."""
    scored = []
    for upper, lower in permutations(found, 2):
        corners = np.concatenate([upper.corners_px, lower.corners_px])
        if not 0.4 < upper.edge_px / lower.edge_px < 2.5:
            continue
        homography = markers.homography_of(CARD_MM, corners)
        miss = np.hypot(*(markers.through(homography, CARD_MM) - corners).T).max() / min(upper.edge_px, lower.edge_px)
        if miss < PAIR_TOLERANCE:
            scored.append((miss, upper, lower))
    pairs: list[_Pair] = []
    used: set[int] = set()
    for _, upper, lower in sorted(scored, key=lambda s: s[0]):
        if id(upper) not in used and id(lower) not in used:
            used |= {id(upper), id(lower)}
            pairs.append(_Pair(upper, lower))
    return pairs


def _completed_by_looking_closer(pixels: ImageRGB, found: list[_Marker], settings: CardSettings) -> list[_Pair]:
    """Complete cards of which a copy showed one marker: the other is read where the card says that it must be.

    The known marker's edges are fitted at full size; from them the other's cells are sampled in
    linear light and compared with the family's codes in the card's own orientation.
    """
    pairs = []
    for marker in found[:MOST_LONELY_MARKERS]:
        fitted = _fitted(pixels, marker)
        if fitted is None:
            continue
        for own_mm, other_mm in ((UPPER_MM, LOWER_MM), (LOWER_MM, UPPER_MM)):
            to_picture = markers.homography_of(own_mm, fitted)
            code = markers.code_at(pixels, to_picture, other_mm, settings.max_correction_bits)
            if code is not None:
                other = _Marker(code, markers.through(to_picture, other_mm))
                pairs.append(_Pair(marker, other) if own_mm is UPPER_MM else _Pair(other, marker))
                break
    return pairs[:1] if len(pairs) == 2 and pairs[0].upper.code == pairs[1].upper.code else pairs


def _fitted(pixels: ImageRGB, marker: _Marker) -> NDArray[np.float64] | None:
    """Corners of one marker by edge fits at full size."""
    px_per_mm = marker.edge_px / cardspec.MARKER_EDGE_MM
    light, origin = edges.linear_crop(pixels, marker.corners_px, 4.5 * px_per_mm + 4)
    fit = edges.refine_quads(light, marker.corners_px[None] - origin, px_per_mm, ROUGH_MM)[0]
    return None if fit is None else fit.corners_px + origin


def _may_hide_second(found: list[_Marker], pair: _Pair, shrink: int) -> bool:
    """Whether a stray, not much smaller marker may belong to a second card that a larger copy would show."""
    strays = [m for m in found if m is not pair.upper and m is not pair.lower]
    return shrink > 1 and any(m.edge_px > 0.5 * pair.edge_px for m in strays)


# ---------------------------------------------------------------- corners


def _fix_of_pair(pixels: ImageRGB, pair: _Pair, settings: CardSettings) -> CardFix:
    _check_size(pair.edge_px, settings)
    rough = np.concatenate([pair.upper.corners_px, pair.lower.corners_px])
    homography = markers.homography_of(CARD_MM, rough)
    corners, sd, bows = _refined(
        pixels, markers.through(homography, CARD_MM), (pair.upper.code, pair.lower.code), settings
    )
    edge = np.mean([_Marker(0, corners[:4]).edge_px, _Marker(0, corners[4:]).edge_px])
    return CardFix(pair.upper.code, pair.lower.code, corners, CARD_MM.copy(), sd, float(edge), *bows)


def _fix_of_half(pixels: ImageRGB, found: list[_Marker], settings: CardSettings) -> CardFix:
    """Card of which one marker can be read; the grey patches tell whether it is the upper or the lower one."""
    scored = [
        (is_upper, marker, _patch_score(pixels, marker, is_upper)) for marker in found for is_upper in (True, False)
    ]
    fitting = [s for s in scored if s[2] > 0.8]
    if len(fitting) != 1:
        raise PhotoRefused(
            PhotoStage.CARD,
            "Only one of the card's two markers could be read, and its grey patches do not show which."
            if len(found) == 1
            else "Single markers are in the picture, but no complete site card.",
            "Clean the card and photograph it whole, with nothing in front of it.",
            code=RefusalCode.ONE_MARKER if len(found) == 1 else RefusalCode.HALF_CARD,
        )
    is_upper, marker, _ = fitting[0]
    _check_size(marker.edge_px, settings)
    corners, sd, _ = _refined(pixels, marker.corners_px, (marker.code,), settings)
    return CardFix(
        marker.code if is_upper else None,
        None if is_upper else marker.code,
        corners,
        (UPPER_MM if is_upper else LOWER_MM).copy(),
        sd,
        _Marker(0, corners).edge_px,
    )


def _refined(
    pixels: ImageRGB, rough: NDArray[np.float64], codes: tuple[int, ...], settings: CardSettings
) -> tuple[NDArray[np.float64], float, tuple[NDArray[np.float64] | None, float]]:
    """Corners from edge fits at full size, their standard uncertainty, and the edges' bows with theirs.

    Corners are rough, and there are no bows, where an edge fails.
    """
    edge = _Marker(0, rough[:4]).edge_px
    px_per_mm = edge / cardspec.MARKER_EDGE_MM
    light, origin = edges.linear_crop(pixels, rough, 4.5 * px_per_mm + 4)
    quads = (rough - origin).reshape(-1, 4, 2)
    fitted = edges.refine_quads(light, quads, px_per_mm, ROUGH_MM)
    if any(fit is None for fit in fitted):
        _log.debug("the edges of a marker could not be fitted")
    variances = [max(1.0, 0.03 * edge) ** 2 if fit is None else fit.corner_sd_px**2 for fit in fitted]
    corners = np.stack([quad if fit is None else fit.corners_px for quad, fit in zip(quads, fitted, strict=True)])
    bows: tuple[NDArray[np.float64] | None, float] = (None, 0.0)
    known = [fit for fit in fitted if fit is not None]
    if len(known) == len(fitted):
        bows = (
            np.concatenate([fit.bows_px for fit in known]),
            float(np.sqrt(np.mean([fit.bow_sd_px**2 for fit in known]))),
        )
        inner = np.stack(
            [markers.through(markers.homography_of(SQUARE_MM, quad), SQUARE_MM * INNER_SHARE) for quad in corners]
        )
        cells = np.stack([markers.white_cells_inside_border(code) for code in codes])
        loss = edges.dark_loss_px(light, inner, cells, px_per_mm, 1 + INNER_SHARE)
        if loss is not None and abs(loss) < LARGEST_LOSS_MM * px_per_mm:
            corners = edges.moved_out(corners, loss)
    sd = float(max(settings.corner_sd_px, np.sqrt(np.mean(variances))))
    return corners.reshape(-1, 2) + origin, sd, bows


def _patch_score(pixels: ImageRGB, marker: _Marker, is_upper: bool) -> float:
    """Correlation of the grey patches' places with their printed values, if the marker were the upper (lower) one."""
    own = UPPER_MM if is_upper else LOWER_MM
    to_picture = cv2.getPerspectiveTransform(own.astype(np.float32), marker.corners_px.astype(np.float32))
    spots = np.array([(-17.5, -4.0), *cardspec.PATCH_CENTRES_MM, (17.5, -4.0), (-5.75, -4.0 + 7.0), (5.75, -4.0 - 6.8)])
    printed = np.array([245.0, *cardspec.PATCH_SRGB, 245.0, 245.0, 245.0])
    places = np.rint(markers.through(to_picture, spots)).astype(int)
    height, width = pixels.shape[:2]
    if places.min() < 1 or places[:, 0].max() > width - 2 or places[:, 1].max() > height - 2:
        return -1.0
    seen = np.array([float(np.median(pixels[y - 1 : y + 2, x - 1 : x + 2])) for x, y in places])
    if np.ptp(seen) < 20:
        return -1.0
    return float(np.corrcoef(seen, printed)[0, 1])


def _check_size(edge_px: float, settings: CardSettings) -> None:
    if edge_px < settings.min_edge_px:
        raise PhotoRefused(
            PhotoStage.CARD,
            f"The card is too small in the picture: {edge_px:.0f} pixels a marker, {settings.min_edge_px:.0f} needed.",
            "Come closer: the card should be at least a fifth of the picture's height.",
            code=RefusalCode.CARD_TOO_SMALL,
        )


def _no_card(pixels: ImageRGB, settings: CardSettings) -> PhotoRefused:
    shrink = max(1, round(max(pixels.shape[:2]) / 1500))
    mirrored = np.ascontiguousarray(_grey(pixels, shrink)[:, ::-1])
    if _markers(mirrored, shrink, _CAREFUL, settings)[0]:
        return PhotoRefused(
            PhotoStage.CARD,
            "The photo is mirrored: its card can only be read in a mirror.",
            "Switch off mirroring in the camera, or send the photo as it was taken.",
            code=RefusalCode.MIRRORED,
        )
    return PhotoRefused(
        PhotoStage.CARD,
        "No site card was found.",
        "Take the photo again with the whole card in the frame, sharp and without glare.",
        code=RefusalCode.NO_CARD,
    )
