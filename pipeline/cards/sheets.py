"""Pages of cards as a PDF in true size, with cut marks and a bar that shows whether the printer kept it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import PathPatch
from matplotlib.path import Path as Outline

from pipeline import cardspec
from pipeline.cards.shapes import CardText, Shape, card_shapes, rectangle, text_rings

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from matplotlib.axes import Axes

MM_PER_INCH = 25.4
CARD_WIDTH_MM, CARD_HEIGHT_MM = 2 * cardspec.CARD_HALF_WIDTH_MM, 2 * cardspec.CARD_HALF_HEIGHT_MM
GAP_X_MM, GAP_Y_MM = 5.0, 12.0
"""Between two cards: room for the cut marks.  Down the page a gap of 4 mm would put all markers at equal steps of
52 mm, and a photo of the sheet would not tell upper from lower ones."""
MARGIN_MM = 8.0
"""Most printers leave 4 to 6 mm of the paper's edge unprinted."""
FOOT_MM = 20.0
"""Room for the bar and its text below the cards."""
BAR_MM = 100.0
BAR_Y_MM = 12.0
LINE_MM = 0.2
MARK_MM = 1.8


class Paper(Enum):
    """A paper size, (width, height) in mm: ISO 216 A4, and ANSI Letter of 8.5 by 11 inches."""

    A4 = (210.0, 297.0)
    LETTER = (215.9, 279.4)

    @property
    def width_mm(self) -> float:
        """Short edge."""
        return self.value[0]

    @property
    def height_mm(self) -> float:
        """Long edge."""
        return self.value[1]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The cards of one page."""

    number: int
    of: int
    cards: tuple[CardText, ...]


def card_centres_mm(paper: Paper) -> list[tuple[float, float]]:
    """Centres of a page's cards from its lower left corner, in the order in which they are filled."""
    columns = int((paper.width_mm - 2 * MARGIN_MM + GAP_X_MM) // (CARD_WIDTH_MM + GAP_X_MM))
    rows = int((paper.height_mm - 2 * MARGIN_MM - FOOT_MM + GAP_Y_MM) // (CARD_HEIGHT_MM + GAP_Y_MM))
    left = (paper.width_mm - columns * CARD_WIDTH_MM - (columns - 1) * GAP_X_MM) / 2 + CARD_WIDTH_MM / 2
    top = paper.height_mm - MARGIN_MM - CARD_HEIGHT_MM / 2
    return [
        (left + column * (CARD_WIDTH_MM + GAP_X_MM), top - row * (CARD_HEIGHT_MM + GAP_Y_MM))
        for row in range(rows)
        for column in range(columns)
    ]


def cards_per_page(paper: Paper) -> int:
    """How many cards fit."""
    return len(card_centres_mm(paper))


def sheets_of(cards: Sequence[CardText], paper: Paper) -> Iterator[Sheet]:
    """Cards dealt out to pages."""
    each = cards_per_page(paper)
    pages = -(-len(cards) // each)
    for number in range(pages):
        yield Sheet(number + 1, pages, tuple(cards[number * each : (number + 1) * each]))


def write_pdf(path: Path, cards: Sequence[CardText], paper: Paper = Paper.A4, font_file: Path | None = None) -> int:
    """Write sheets of cards; return the number of pages.

    Parameters
    ----------
    path
        PDF file, overwritten.
    cards
        In the order of printing.
    font_file
        TrueType font for the labels.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    pages = 0
    with PdfPages(path, metadata={"Title": "Site cards", "CreationDate": None}) as pdf:
        for sheet in sheets_of(cards, paper):
            pdf.savefig(_page(sheet, paper, font_file))
            pages += 1
    return pages


def _page(sheet: Sheet, paper: Paper, font_file: Path | None) -> Figure:
    figure = Figure(figsize=(paper.width_mm / MM_PER_INCH, paper.height_mm / MM_PER_INCH))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(0, paper.width_mm)
    axes.set_ylim(0, paper.height_mm)
    for card, centre in zip(sheet.cards, card_centres_mm(paper), strict=False):
        for shape in [*card_shapes(card, font_file), _cut_marks()]:
            _fill(axes, shape.moved(*centre))
    for shape in _foot(sheet, paper):
        _fill(axes, shape)
    return figure


def _fill(axes: Axes, shape: Shape) -> None:
    # One path a shape: neighbouring cells then share no edge that a printer could show as a hairline.
    points = np.concatenate([np.concatenate([ring, ring[:1]]) for ring in shape.rings])
    codes = np.concatenate(
        [np.r_[Outline.MOVETO, np.full(len(ring) - 1, Outline.LINETO), Outline.CLOSEPOLY] for ring in shape.rings]
    ).astype(Outline.code_type)
    tone = shape.grey / 255
    # Not add_patch, which would spend a second a page on limits that are fixed already.
    axes.add_artist(PathPatch(Outline(points, codes), facecolor=(tone, tone, tone), edgecolor="none", linewidth=0))


def _cut_marks() -> Shape:
    """Two short lines at each corner, outside the card."""
    rings = []
    half_width, half_height, line = CARD_WIDTH_MM / 2, CARD_HEIGHT_MM / 2, LINE_MM / 2
    for x in (-half_width, half_width):
        for y in (-half_height, half_height):
            out_x, out_y = np.sign(x), np.sign(y)
            far_x, far_y = x + out_x * MARK_MM, y + out_y * MARK_MM
            near_x, near_y = x + out_x * 0.4, y + out_y * 0.4
            rings.append(rectangle(min(near_x, far_x), y - line, max(near_x, far_x), y + line))
            rings.append(rectangle(x - line, min(near_y, far_y), x + line, max(near_y, far_y)))
    return Shape(tuple(rings))


def _foot(sheet: Sheet, paper: Paper) -> list[Shape]:
    """The bar, exactly 100 mm from end to end, and what to do with it."""
    left = (paper.width_mm - BAR_MM) / 2
    right, y = left + BAR_MM, BAR_Y_MM
    rings = [rectangle(left, y - 0.25, right, y + 0.25)]
    for tick in range(11):
        x = left + tick * BAR_MM / 10
        height = 2.0 if tick in (0, 5, 10) else 1.2
        start = min(max(x - LINE_MM / 2, left), right - LINE_MM)  # the outer edges of the end ticks are 100 mm apart
        rings.append(rectangle(start, y + 0.25, start + LINE_MM, y + height))
    first, last = sheet.cards[0].site, sheet.cards[-1].site
    words = [
        (BAR_Y_MM + 3.4, "Print at actual size (100 %). This bar must measure 100 mm, and a card 44 mm by 100 mm."),
        (BAR_Y_MM - 3.6, f"Sites {first:06d} to {last:06d}   page {sheet.number} of {sheet.of}   {paper.name}"),
    ]
    return [Shape((ring,)) for ring in rings] + [_line_of_text(text, paper.width_mm / 2, y) for y, text in words]


def _line_of_text(text: str, centre_x_mm: float, baseline_mm: float) -> Shape:
    rings = text_rings(text, FontProperties(family="DejaVu Sans"))
    scale = 0.024
    middle = np.concatenate(rings)[:, 0].max() * scale / 2
    return Shape(tuple(ring * scale for ring in rings)).moved(centre_x_mm - middle, baseline_mm)
