"""Photos of a site at one scale: the same square of bark cut out of every visit's patch."""

from __future__ import annotations

from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline import cache

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from numpy.typing import NDArray

    from pipeline.records import ImageRGB, Outlines, Reading, SitePatch

MARGIN_SHARE = 0.35
LEAST_EDGE_MM = 24.0
PICTURE_PX = 256


class PhotoStrips:
    """Pictures by photo hash, each cut to the square that its site shares over all its visits.

    Parameters
    ----------
    cache_folder
        Where the patches lie.
    readings
        Readings of the sites that will be shown; their outlines say where the wound is.
    """

    def __init__(self, cache_folder: Path, readings: Iterable[Reading]) -> None:
        self._folder = cache_folder
        self._site_of: dict[str, int] = {}
        self._squares: dict[int, tuple[float, float, float]] = {}
        points: dict[int, list[NDArray[np.float64]]] = {}
        for reading in readings:
            self._site_of[reading.sha256] = reading.site
            points.setdefault(reading.site, []).extend(_corners(reading.outlines))
        for site, found in points.items():
            if found:
                self._squares[site] = _square_round(np.concatenate(found))

    def edge_mm(self, site: int) -> float | None:
        """Edge of the square of bark that a site's pictures show; ``None`` where the whole patch is shown."""
        square = self._squares.get(site)
        return square[2] if square else None

    def __call__(self, sha256: str) -> ImageRGB | None:
        """The picture of a photo, square, or ``None`` if the cache does not hold its patch."""
        patch = cache.load_patch(self._folder, sha256)
        if patch is None:
            return None
        square = self._squares.get(self._site_of.get(sha256, -1))
        return cut(patch, square) if square else patch.rgb


def cut(patch: SitePatch, square: tuple[float, float, float], px: int = PICTURE_PX) -> ImageRGB:
    """A square of the site frame (middle x, middle y, edge; mm) as a picture; grey where the patch does not reach."""
    middle_x, middle_y, edge = square
    step = edge / px
    left = (middle_x - edge / 2 - patch.left_mm) / patch.mm_per_px
    top = (patch.top_mm - (middle_y + edge / 2)) / patch.mm_per_px
    scale = step / patch.mm_per_px
    # Centre of output pixel j: (0.5 + j) * scale + left pixels from the outer corner; minus 0.5 is the index there.
    matrix = np.array([[scale, 0.0, left + 0.5 * scale - 0.5], [0.0, scale, top + 0.5 * scale - 0.5]])
    # warpAffine takes single samples: blur first where the picture shrinks, or fine bark turns into noise.
    source = cv2.GaussianBlur(patch.rgb, (0, 0), 0.4 * scale) if scale > 1 else patch.rgb
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return np.asarray(
        cv2.warpAffine(
            source, matrix, (px, px), flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=(128, 128, 128)
        ),
        dtype=np.uint8,
    )


def _corners(outlines: Outlines) -> list[NDArray[np.float64]]:
    return [np.asarray(polygon) for polygon in (*outlines.aperture, *outlines.new_tissue) if len(polygon) > 2]


def _square_round(points: NDArray[np.float64]) -> tuple[float, float, float]:
    # Percentiles, so that one misread photo does not shrink the others to a dot.
    left, bottom = np.percentile(points, 2, axis=0)
    right, top = np.percentile(points, 98, axis=0)
    edge = max((1 + 2 * MARGIN_SHARE) * max(right - left, top - bottom), LEAST_EDGE_MM)
    return (float(left + right) / 2, float(bottom + top) / 2, float(edge))
