"""One site card as filled outlines in millimetres: the same for every printer and engraver.

Letters are outlines too, so that neither a PDF nor an SVG depends on the fonts of the machine that prints it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.textpath import TextPath

from pipeline import cardspec, markers

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    Ring = NDArray[np.float64]

BLACK = 0
MARKER_CELLS = 8
HOLE_LINE_MM = 0.2
CIRCLE_POINTS = 96
LABEL_HEIGHT_MM = 1.8
LABEL_BASELINE_X_MM = 21.0
"""The label runs upwards along the right edge: outside the white ring of one cell that a marker needs."""
LABEL_BOTTOM_MM, LABEL_TOP_MM = -48.0, 48.0
_DESIGN_SIZE = 100.0
"""Letters are laid out this large, so that curves are cut into fine pieces, and scaled down."""


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """A filled shape.

    Attributes
    ----------
    rings
        Closed outlines, each of shape (N, 2), mm, y up; holes run against the outer ring, so that both the
        even-odd and the non-zero rule fill the same.
    grey
        sRGB value of all three channels, 0 black.
    """

    rings: tuple[Ring, ...]
    grey: int = BLACK

    def moved(self, x_mm: float, y_mm: float) -> Shape:
        """The shape somewhere else."""
        return Shape(tuple(ring + np.array([x_mm, y_mm]) for ring in self.rings), self.grey)


@dataclass(frozen=True, slots=True)
class CardText:
    """A site's number and the words along the card's edge (grove, tree, stem), for the person who hangs it."""

    site: int
    label: str = ""


def card_shapes(card: CardText, font_file: Path | None = None) -> list[Shape]:
    """Everything that is printed on one card, in the card frame.

    Parameters
    ----------
    card
        Site number and label.
    font_file
        A TrueType font for the label; for scripts that the built-in font lacks, such as Thai.

    Raises
    ------
    ValueError
        If the site number is outside the cards' range.
    """
    upper, lower = cardspec.codes_of_site(card.site)
    shapes = [
        marker_shape(upper, cardspec.UPPER_MARKER_CENTRE_MM),
        marker_shape(lower, cardspec.LOWER_MARKER_CENTRE_MM),
        _nail_hole(),
        _number(card.site),
    ]
    half = cardspec.PATCH_EDGE_MM / 2
    for (x, y), grey in zip(cardspec.PATCH_CENTRES_MM, cardspec.PATCH_SRGB, strict=True):
        shapes.append(Shape((rectangle(x - half, y - half, x + half, y + half),), grey))
    label = _label(card.label, font_file)
    return [*shapes, label] if label is not None else shapes


def rectangle(left: float, bottom: float, right: float, top: float) -> Ring:
    """Outline of a rectangle, anticlockwise."""
    return np.array([(left, bottom), (right, bottom), (right, top), (left, top)], dtype=np.float64)


def marker_shape(code: int, centre_mm: tuple[float, float]) -> Shape:
    """Black square of a marker with its white cells cut out, white runs of a row joined."""
    half, cell = cardspec.MARKER_EDGE_MM / 2, cardspec.MARKER_EDGE_MM / MARKER_CELLS
    white = np.zeros((MARKER_CELLS, MARKER_CELLS + 1), dtype=bool)
    white[1:7, 1:7] = markers.family_bits()[code].reshape(6, 6)
    rings = [rectangle(-half, -half, half, half)]
    for row in range(MARKER_CELLS):
        edges = np.flatnonzero(np.diff(white[row].astype(int), prepend=0))
        top = half - row * cell
        for start, end in edges.reshape(-1, 2):
            rings.append(rectangle(-half + start * cell, top - cell, -half + end * cell, top)[::-1])
    return Shape(tuple(rings)).moved(*centre_mm)


def _nail_hole() -> Shape:
    """A thin ring whose outer edge is the hole's."""
    radius = cardspec.NAIL_HOLE_DIAMETER_MM / 2
    angles = np.linspace(0, 2 * np.pi, CIRCLE_POINTS, endpoint=False)
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    return Shape((circle * radius, circle[::-1] * (radius - HOLE_LINE_MM))).moved(*cardspec.NAIL_HOLE_CENTRE_MM)


def _number(site: int) -> Shape:
    rings = text_rings(f"{site:06d}", FontProperties(family="DejaVu Sans", weight="bold"))
    points = np.concatenate(rings)
    zero = np.concatenate(text_rings("0", FontProperties(family="DejaVu Sans", weight="bold")))
    scale = cardspec.NUMBER_HEIGHT_MM / zero[:, 1].max()
    shift = (cardspec.NUMBER_LEFT_MM - points[:, 0].min() * scale, cardspec.NUMBER_BASELINE_MM)
    return Shape(tuple(ring * scale for ring in rings)).moved(*shift)


def _label(text: str, font_file: Path | None) -> Shape | None:
    font = _font(font_file)
    rings = text_rings(text, font)
    if not rings:
        return None
    scale = LABEL_HEIGHT_MM / np.concatenate(text_rings("H", font))[:, 1].max()
    length = np.concatenate(rings)[:, 0].max() * scale
    scale *= min(1.0, (LABEL_TOP_MM - LABEL_BOTTOM_MM) / length)
    # A quarter turn anticlockwise: what ran to the right runs up.
    turned = tuple(ring @ np.array([[0.0, 1.0], [-1.0, 0.0]]) * scale for ring in rings)
    return Shape(turned).moved(LABEL_BASELINE_X_MM, LABEL_BOTTOM_MM)


def text_rings(text: str, font: FontProperties) -> list[Ring]:
    """Outlines of a line of text, left end and baseline at the origin, in the font's own scale."""
    if not text.strip():
        return []
    # The dollar sign would begin a formula.
    path = TextPath((0, 0), text.replace("$", r"\$"), size=_DESIGN_SIZE, prop=font)
    rings = [np.asarray(ring, dtype=np.float64) for ring in path.to_polygons()]
    return [ring[:-1] for ring in rings if len(ring) > 3]


def _font(font_file: Path | None) -> FontProperties:
    return FontProperties(family="DejaVu Sans") if font_file is None else FontProperties(fname=str(font_file))


def missing_letters(text: str, font_file: Path | None = None) -> str:
    """Letters of a text that the font cannot draw, each once."""
    there = get_font(findfont(_font(font_file))).get_charmap()
    return "".join(dict.fromkeys(letter for letter in text if ord(letter) not in there and not letter.isspace()))
