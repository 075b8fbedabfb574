"""Cautions and next steps that several rules share."""

from __future__ import annotations

SIGN = (
    "A photo shows a sign, not its cause: green may be mould, harmless algae, moss or lichen. Only a laboratory "
    "names a disease. A sick or hollow stem can fail without warning: keep clear, and do not climb or cut it alone."
)
SURFACE = "A closed surface says nothing of the wood inside, and a small hole may stay open in a closing wound."
STEM = (
    "A weakened stem can fail without warning: keep clear, and do not climb or cut it alone. Whether it is "
    "structurally sound is for a qualified arborist on site."
)
REACH = "Look before reaching in: wasps and biting ants live in openings. Protect eyes and hands."
SIZE = "Woodiness, drought and rest slow a wound; a photo does not show the reason."
CARD = "Until this is settled, do not rely on the sizes of this visit."
INOCULATED = " The site was inoculated on {day}, so a fungus may be there on purpose."
