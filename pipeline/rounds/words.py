"""Words of the walk in the grove's language."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.language import n_
from pipeline.records import WoundKind
from pipeline.rounds.plan import Kind

if TYPE_CHECKING:
    from pipeline.language import Say
    from pipeline.records import Site, Tree

KINDS_OF_WOUND: dict[WoundKind, str] = {
    WoundKind.DRILL_HOLE: n_("drill hole"),
    WoundKind.NAIL_HOLE: n_("nail hole"),
    WoundKind.WINDOW: n_("window"),
    WoundKind.STRIP: n_("strip"),
    WoundKind.TRUNK_CUT: n_("trunk cut"),
    WoundKind.BARK_PANEL: n_("bark panel"),
}
KINDS_OF_STOP: dict[Kind, str] = {
    Kind.RETAKE: n_("Take again"),
    Kind.ASKED: n_("Photo asked for"),
    Kind.OVERDUE: n_("Overdue"),
    Kind.DUE: n_("Due"),
    Kind.FIRST: n_("First photo"),
}
DIRECTIONS: tuple[str, ...] = (
    n_("north"),
    n_("north-east"),
    n_("east"),
    n_("south-east"),
    n_("south"),
    n_("south-west"),
    n_("west"),
    n_("north-west"),
)
CAUTIONS: tuple[str, ...] = (
    n_("Look before you reach in: wasps and biting ants live in wounds. Protect eyes and hands."),
    n_("A sick or hollow stem can fall without warning. Keep clear. Do not climb or cut it alone."),
    n_("No ladder alone. If a site is too high, leave it out and tell the office."),
)
SIGN_CAUTION = n_("A sign is suspected here. Keep clear of the stem. Do not touch it. Only photograph it.")
HOW = n_("Card and whole wound in the picture, 30 to 70 cm away, straight from the front, in even light.")


def where_on_trunk(site: Site, say: Say) -> str:
    """Kind of wound, height and direction: ``window, 120 cm up, south``."""
    parts = [say(KINDS_OF_WOUND[site.kind])]
    if site.height_cm is not None:
        parts.append(say("{height} cm up").format(height=f"{site.height_cm:.0f}"))
    if site.bearing_deg is not None:
        parts.append(say(DIRECTIONS[round(site.bearing_deg / 45) % 8]))
    return ", ".join(parts)


def where_it_stands(tree: Tree, say: Say) -> str:
    """Block, row and position of a tree, as far as they are known."""
    parts = ((n_("block {name}"), tree.block), (n_("row {name}"), tree.row), (n_("place {name}"), tree.position))
    return ", ".join(say(word).format(name=value) for word, value in parts if value)
