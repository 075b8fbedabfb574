"""The site card: its geometry in millimetres and the code its two markers carry.

Card frame: origin at the card's centre, x right, y up, z towards the viewer (out of the
card's face).  The layout is fixed; printers, renderers and the detector all read it here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CARD_HALF_WIDTH_MM = 22.0
CARD_HALF_HEIGHT_MM = 50.0
NAIL_HOLE_CENTRE_MM = (0.0, 45.0)
NAIL_HOLE_DIAMETER_MM = 4.0
NUMBER_LEFT_MM = -14.0
NUMBER_BASELINE_MM = 38.2
NUMBER_HEIGHT_MM = 4.0

MARKER_EDGE_MM = 30.0
UPPER_MARKER_CENTRE_MM = (0.0, 22.0)
LOWER_MARKER_CENTRE_MM = (0.0, -30.0)

PATCH_EDGE_MM = 9.0
PATCH_CENTRES_MM = ((-11.5, -4.0), (0.0, -4.0), (11.5, -4.0))
PATCH_SRGB = (119, 186, 60)

FAMILY_CODES = 587
"""Codes in AprilTag family 36h11."""
SITE_LIMIT = FAMILY_CODES * FAMILY_CODES
"""Site numbers run from 0 to SITE_LIMIT - 1."""


def codes_of_site(site: int) -> tuple[int, int]:
    """Upper and lower marker code of a site number.

    Raises
    ------
    ValueError
        If the number is outside 0 .. ``SITE_LIMIT - 1``.
    """
    if not 0 <= site < SITE_LIMIT:
        raise ValueError(f"site number must be 0 to {SITE_LIMIT - 1}, got {site}")
    return divmod(site, FAMILY_CODES)


def site_of_codes(upper: int, lower: int) -> int:
    """Site number of an upper and a lower marker code, each 0 to 586."""
    if not (0 <= upper < FAMILY_CODES and 0 <= lower < FAMILY_CODES):
        raise ValueError(f"marker codes must be 0 to {FAMILY_CODES - 1}, got {upper}, {lower}")
    return upper * FAMILY_CODES + lower


def marker_corners_mm(centre_mm: tuple[float, float]) -> NDArray[np.float64]:
    """Corners of a marker in the card frame, shape (4, 2): top left first, then clockwise."""
    half = MARKER_EDGE_MM / 2
    offsets = np.array([(-half, half), (half, half), (half, -half), (-half, -half)])
    return offsets + np.asarray(centre_mm, dtype=np.float64)
