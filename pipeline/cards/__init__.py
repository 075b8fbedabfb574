"""Site cards for printing and engraving, and the check that a printer kept their size.

    sites ──shapes──> one card in mm ──sheets──> PDF of A4 or Letter pages
                                    └─svg─────> one file a card
    photo of a printed sheet ──check──> how much the printer scaled it

All geometry comes from :mod:`pipeline.cardspec`; PDF and SVG are vectors, so no resolution is lost.
"""

from pipeline.cards.check import SheetCheck, check_sheet
from pipeline.cards.shapes import CardText, Shape, card_shapes, missing_letters
from pipeline.cards.sheets import Paper, card_centres_mm, cards_per_page, write_pdf
from pipeline.cards.svg import card_svg

__all__ = [
    "CardText",
    "Paper",
    "Shape",
    "SheetCheck",
    "card_centres_mm",
    "card_shapes",
    "card_svg",
    "cards_per_page",
    "check_sheet",
    "missing_letters",
    "write_pdf",
]
