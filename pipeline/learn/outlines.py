"""Wounds on photographs of the collection, outlined by hand on the training photographs.

Drawn for this project by looking at the pictures, without an arborist: rough, and only where
a wound can be told from the bark around it. Photographs of the test split were not outlined.
Coordinates are pixels of a photograph of 300 x 400; an ellipse is (x, y, half width, half height).
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.learn.generator import APERTURE, EITHER, IGNORE, NOT_WOUND

_Points = tuple[tuple[int, int], ...]
_HOLLOW_2: _Points = (
    ((115, 0), (104, 60), (102, 95), (120, 125), (150, 160), (190, 178), (165, 150), (165, 125), (120, 100), (112, 80),
     (122, 0))
)  # fmt: skip
_HOLLOW_3: _Points = (
    ((20, 60), (45, 55), (60, 70), (150, 60), (185, 0), (205, 100), (205, 200), (195, 280), (160, 370), (140, 390),
     (172, 280), (176, 200), (165, 90), (125, 100), (120, 130), (85, 160), (75, 190), (55, 190), (25, 130))
)  # fmt: skip
OPENINGS: dict[str, tuple[_Points, ...]] = {
    "Adenanthera-microsperma_IMG_5800": (
        ((213, 0), (205, 60), (208, 95), (230, 118), (262, 150), (270, 118), (228, 95), (220, 60), (222, 0)),
    ),
    "Adenanthera-microsperma_IMG_5801": (_HOLLOW_2,),
    "Adenanthera-microsperma_IMG_5815": (_HOLLOW_3,),
    "Adenanthera-microsperma_IMG_5816": (
        ((50, 320), (75, 310), (110, 320), (150, 252), (180, 290), (195, 330), (185, 400), (60, 400), (45, 360)),
    ),
}
"""Hollows and torn faces: openings."""
SCARS: dict[str, tuple[_Points, ...]] = {
    "Adenanthera-microsperma_IMG_5817": (
        ((35, 70), (60, 35), (90, 20), (180, 15), (225, 40), (230, 80), (190, 118), (120, 112), (50, 105)),
    ),
    "Adenanthera-microsperma_IMG_5818": (
        ((80, 195), (95, 180), (195, 185), (200, 240), (170, 252), (95, 255)),
        ((200, 165), (225, 140), (290, 150), (298, 240), (255, 250), (205, 215)),
        ((85, 300), (110, 280), (240, 270), (250, 315), (205, 352), (95, 350), (75, 320)),
    ),
    "Polyalthia-longifolia_IMG_6521": (((105, 175), (190, 155), (195, 195), (110, 215)),),
    "Wrightia_IMG_3712": (((20, 200), (130, 195), (240, 220), (270, 240), (150, 235), (30, 215)),),
    "Wrightia_IMG_3717": (((0, 130), (150, 110), (300, 100), (300, 125), (150, 135), (0, 155)),),
    "Wrightia_IMG_3747": (((40, 280), (160, 275), (300, 235), (300, 260), (170, 300), (50, 300)),),
}
"""Old scars, closed or nearly: an opening or new tissue, which cannot be told."""
KNOTS: dict[str, tuple[int, int, int, int]] = {
    "Adenium-species_IMG_6172": (80, 258, 46, 36),
    "Adenium-species_IMG_6187": (170, 235, 38, 42),
    "Adenium-species_IMG_6190": (205, 268, 38, 42),
    "Adenium-species_IMG_6214": (110, 240, 48, 38),
    "Adenium-species_IMG_6274": (122, 165, 50, 40),
    "Adenium-species_IMG_6301": (65, 240, 44, 36),
    "Adenium-species_IMG_6313": (85, 210, 46, 36),
    "Polyalthia-longifolia_IMG_6520": (100, 145, 66, 88),
    "Wrightia_IMG_3745": (200, 200, 74, 62),
}
"""Overgrown branch stubs, as ellipses: the same kind as scars."""
DOUBTFUL_PX = 8
"""The border of a rough outline is left out, this far outside it and half as far inside."""


def outlined(name: str) -> NDArray[np.uint8] | None:
    """Weak tissue labels of a photograph, shape (400, 300), or ``None`` if it was not outlined."""
    shapes: list[tuple[NDArray[np.uint8], int]] = []
    for table, label in ((OPENINGS, APERTURE), (SCARS, EITHER)):
        for points in next((value for key, value in table.items() if key in name), ()):
            blank = np.zeros((400, 300), np.uint8)
            shapes.append((cv2.fillPoly(blank, [np.array(points, np.int32)], (1,)).astype(np.uint8), label))
    for x, y, a, b in (value for key, value in KNOTS.items() if key in name):
        blank = np.zeros((400, 300), np.uint8)
        shapes.append((cv2.ellipse(blank, (x, y), (a, b), 0, 0, 360, (1,), -1).astype(np.uint8), EITHER))
    if not shapes:
        return None
    labels = np.full((400, 300), NOT_WOUND, np.uint8)
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * DOUBTFUL_PX + 1,) * 2)
    inner = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (DOUBTFUL_PX // 2 * 2 + 1,) * 2)
    for mask, _ in shapes:
        labels[cv2.dilate(mask, kernel) > 0] = IGNORE
    for mask, label in shapes:
        labels[cv2.erode(mask, inner) > 0] = label
    return labels
