"""Whether a printer kept the size of a sheet, from one photo of it.

A photo has no scale of its own, so the paper is the ruler: the cards say where the paper's corners
must lie if the sheet was printed in true size, and the picture says where they do.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline import cardspec, markers
from pipeline.cards.sheets import CARD_HEIGHT_MM, CARD_WIDTH_MM, GAP_X_MM, GAP_Y_MM, Paper
from pipeline.errors import WoundwoodError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import ImageRGB

    Points = NDArray[np.float64]

TOLERANCE = 0.01
"""A card scaled by 1 % makes an area wrong by 2 %; the common mistake, 'fit to page', is 3 to 6 %."""
LEAST_MARKERS = 4
LARGEST_MISS_MM = 1.5
_UPPER_MM = cardspec.marker_corners_mm(cardspec.UPPER_MARKER_CENTRE_MM)
_LOWER_MM = cardspec.marker_corners_mm(cardspec.LOWER_MARKER_CENTRE_MM)


@dataclass(frozen=True, slots=True)
class SheetCheck:
    """How large a sheet was printed, as a share of what it should be; 1 is right."""

    paper: Paper
    scale_x: float
    scale_y: float
    cards: int

    @property
    def good(self) -> bool:
        """Whether both directions are within :data:`TOLERANCE`."""
        return max(abs(self.scale_x - 1), abs(self.scale_y - 1)) <= TOLERANCE

    @property
    def sentence(self) -> str:
        """The result for people, with what to do."""
        size = (
            f"The cards are printed at {100 * self.scale_x:.1f} % across and {100 * self.scale_y:.1f} % along the page"
        )
        if self.good:
            return f"{size}: true size."
        return f"{size}. Print again with 'actual size' or '100 %', not 'fit to page'; do not hang these."


def check_sheet(pixels: ImageRGB, paper: Paper | None = None) -> SheetCheck:
    """Measure a printed sheet.

    Parameters
    ----------
    pixels
        Photo of one whole sheet, flat, on something darker than paper; shape (H, W, 3), RGB.
    paper
        Its size; ``None`` to tell it from its shape.

    Raises
    ------
    WoundwoodError
        If the cards or the paper's edges cannot be found.
    """
    sheet_mm, picture, cards = _cards(pixels)
    to_sheet = markers.homography_of(picture, sheet_mm)
    corners = markers.through(to_sheet, _paper_corners(pixels, picture))
    # Sorted into lower left, lower right, upper right, upper left by the cards' own up.
    middle = corners.mean(axis=0)
    corners = corners[np.argsort(np.arctan2(*(corners - middle).T[::-1]))]
    across = (np.hypot(*(corners[1] - corners[0])) + np.hypot(*(corners[2] - corners[3]))) / 2
    along = (np.hypot(*(corners[3] - corners[0])) + np.hypot(*(corners[2] - corners[1]))) / 2
    if paper is None:
        paper = min(Paper, key=lambda size: abs(np.log(along / across * size.width_mm / size.height_mm)))
    return SheetCheck(paper, float(paper.width_mm / across), float(paper.height_mm / along), cards)


def _cards(pixels: ImageRGB) -> tuple[Points, Points, int]:
    """Marker corners on the sheet (mm, as designed, from some card's centre) and in the picture."""
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    options.minMarkerPerimeterRate = 0.02
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    found, ids, _ = cv2.aruco.ArucoDetector(family, options).detectMarkers(grey)
    if ids is None or len(ids) < LEAST_MARKERS:
        raise WoundwoodError(
            "The photo does not show a sheet of at least two site cards.",
            "Photograph one whole printed sheet, flat and from straight above.",
        )
    seen = [np.asarray(corners, dtype=np.float64).reshape(4, 2) for corners in found]
    guesses = [_laid_out(seen, first) for first in (_UPPER_MM, _LOWER_MM)]
    misses = [_misses(sheet, np.concatenate(seen)) for sheet in guesses]
    best = int(np.argmin([np.median(miss) for miss in misses]))
    good = misses[best].reshape(-1, 4).max(axis=1) < LARGEST_MISS_MM
    if good.sum() < LEAST_MARKERS:
        raise WoundwoodError("The cards in the photo do not lie as on a printed sheet.", "Photograph an uncut sheet.")
    keep = np.repeat(good, 4)
    return guesses[best][keep], np.concatenate(seen)[keep], int(np.ceil(good.sum() / 2))


def _laid_out(seen: list[Points], first: Points) -> Points:
    """Designed corners of all markers, if the first one seen is of the kind given: upper or lower.

    Markers are placed from the first one outwards, each by those placed before it, so that a small
    first one need not be extrapolated over the whole page.
    """
    distance = [float(np.hypot(*(corners - seen[0]).mean(axis=0))) for corners in seen]
    placed: dict[int, Points] = {int(np.argmin(distance)): first}
    for index in np.argsort(distance)[1:]:
        known = list(placed)
        to_sheet = markers.homography_of(
            np.concatenate([seen[k] for k in known]), np.concatenate([placed[k] for k in known])
        )
        placed[int(index)] = _place(markers.through(to_sheet, seen[index]).mean(axis=0))
    return np.concatenate([placed[index] for index in range(len(seen))])


def _place(centre: Points) -> Points:
    """Designed corners of the marker nearest to a place on the sheet."""
    pitch = np.array([CARD_WIDTH_MM + GAP_X_MM, CARD_HEIGHT_MM + GAP_Y_MM])
    choices = []
    for corners in (_UPPER_MM, _LOWER_MM):
        cell = np.round((centre - corners.mean(axis=0)) / pitch)
        choices.append(corners + cell * pitch)
    return min(choices, key=lambda corners: float(np.hypot(*(centre - corners.mean(axis=0)))))


def _misses(sheet: Points, picture: Points) -> Points:
    """Distance of each corner, in mm on the sheet, from where one plane puts it."""
    off = markers.through(markers.homography_of(picture, sheet), picture) - sheet
    distances: Points = np.hypot(off[:, 0], off[:, 1])
    return distances


def _paper_corners(pixels: ImageRGB, inside: Points) -> Points:
    """Corners of the paper in the picture, by lines fitted to its four edges."""
    grey = cv2.GaussianBlur(cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY), (0, 0), 2)
    level, _ = cv2.threshold(grey, 0, 255, cv2.THRESH_OTSU)
    mask = (grey > level).astype(np.uint8)
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    middle = tuple(float(value) for value in inside.mean(axis=0))
    around = [line for line in outlines if cv2.pointPolygonTest(cv2.convexHull(line), middle, False) > 0]
    if not around:
        raise _no_paper()
    outline = max(around, key=len)
    hull = cv2.convexHull(outline)
    rough = cv2.approxPolyDP(hull, 0.02 * cv2.arcLength(hull, True), True).reshape(-1, 2).astype(np.float64)
    height, width = grey.shape
    if len(rough) != 4 or (rough.min(axis=0) < 2).any() or (rough.max(axis=0) > (width - 3, height - 3)).any():
        raise _no_paper()
    return _intersections(outline.reshape(-1, 2).astype(np.float64), rough)


def _intersections(outline: Points, rough: Points) -> Points:
    lines = []
    for start, end in zip(rough, np.roll(rough, -1, axis=0), strict=True):
        along = (end - start) / np.hypot(*(end - start))
        offset = outline - start
        t, away = offset @ along, np.abs(offset @ (-along[1], along[0]))
        length = np.hypot(*(end - start))
        # Corners are often bent; the middle nine tenths are straight.
        edge = outline[(t > 0.05 * length) & (t < 0.95 * length) & (away < 0.01 * length + 2)]
        if len(edge) < 20:
            raise _no_paper()
        vx, vy, x, y = cv2.fitLine(edge.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel().astype(float)
        # The outline runs through the centres of the outermost paper pixels, half a pixel inside the edge.
        normal = np.array([-vy, vx])
        centre = np.array([x, y])
        outwards = np.sign(normal @ (centre - rough.mean(axis=0)))
        lines.append((normal, normal @ centre + 0.5 * outwards))
    corners = []
    for (one, at), (other, there) in zip(lines, lines[-1:] + lines[:-1], strict=True):
        corners.append(np.linalg.solve(np.stack([one, other]), np.array([at, there])))
    return np.array(corners)


def _no_paper() -> WoundwoodError:
    return WoundwoodError(
        "The four edges of the sheet cannot be found in the photo.",
        "Lay the whole sheet flat on something dark and photograph it with a margin all round.",
    )
