"""One card as an SVG file in true size, for engravers and for printing one at a time."""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.sax.saxutils import escape

from pipeline import cardspec
from pipeline.cards.shapes import CardText, card_shapes

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.cards.shapes import Ring


def card_svg(card: CardText, font_file: Path | None = None) -> str:
    """SVG text: 44 mm x 100 mm, one user unit a millimetre, filled paths only, with a hairline where it is cut."""
    half_width, half_height = cardspec.CARD_HALF_WIDTH_MM, cardspec.CARD_HALF_HEIGHT_MM
    width, height = 2 * half_width, 2 * half_height
    size = f'width="{width:g}mm" height="{height:g}mm" viewBox="{-half_width:g} {-half_height:g} {width:g} {height:g}"'
    card_edge = f'x="{-half_width:g}" y="{-half_height:g}" width="{width:g}" height="{height:g}"'
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<svg xmlns="http://www.w3.org/2000/svg" {size}>',
        f"<title>{escape(f'Site card {card.site:06d} {card.label}'.strip())}</title>",
        f'<rect {card_edge} fill="#ffffff" stroke="#000000" stroke-width="0.05"/>',
    ]
    for shape in card_shapes(card, font_file):
        grey = f"#{shape.grey:02x}{shape.grey:02x}{shape.grey:02x}"
        path = "".join(_path(ring) for ring in shape.rings)
        lines.append(f'<path fill="{grey}" fill-rule="evenodd" d="{path}"/>')
    return "\n".join([*lines, "</svg>", ""])


def _path(ring: Ring) -> str:
    # SVG counts y downwards.
    return "M" + "L".join(f"{x:.4f} {-y:.4f}" for x, y in ring) + "Z"
