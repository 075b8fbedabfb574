"""From the reason of a refusal to one of a few things to do.

Refusals carry a sentence with figures, for the office.  The hand gets one of the sentences below, in the grove's
language.  A test walks through every refusal in the program and checks that it has its own advice here.
"""

from __future__ import annotations

import re
from enum import StrEnum

from pipeline.language import n_


class Advice(StrEnum):
    """What to do."""

    CLOSER = "closer"
    STRAIGHTER = "straighter"
    SHADE = "shade"
    LIGHT = "light"
    WIPE_CARD = "wipe card"
    WHOLE_WOUND = "whole wound"
    WHOLE_CARD = "whole card"
    HOLD_STILL = "hold still"
    ONE_CARD = "one card"
    NO_MIRROR = "no mirror"
    SET_CLOCK = "set clock"
    SEND_FILE = "send file"
    SEND_AGAIN = "send again"
    PHOTO_ONLY = "photo only"
    SMALLER = "smaller"
    ASK_OFFICE = "ask office"
    TAKE_AGAIN = "take again"

    @property
    def takes_a_new_photo(self) -> bool:
        """Whether the hand must go back to the tree (and not only send again, or ask)."""
        return self not in (Advice.SEND_FILE, Advice.SEND_AGAIN, Advice.PHOTO_ONLY, Advice.ASK_OFFICE)


SENTENCES: dict[Advice, str] = {
    Advice.CLOSER: n_("Come closer."),
    Advice.STRAIGHTER: n_("Stand straight in front of the card."),
    Advice.SHADE: n_("Shade the wound with your body."),
    Advice.LIGHT: n_("It is too dark. Use the phone's light."),
    Advice.WIPE_CARD: n_("Wipe the card. It must hang flat, with nothing in front of it."),
    Advice.WHOLE_WOUND: n_("Show the card and the whole wound below it."),
    Advice.WHOLE_CARD: n_("Show the whole card, sharp."),
    Advice.HOLD_STILL: n_("Hold still. Tap on the card first."),
    Advice.ONE_CARD: n_("Show one card only."),
    Advice.NO_MIRROR: n_("Turn mirroring off in the camera."),
    Advice.SET_CLOCK: n_("Set the date on the phone. Then take the photo again."),
    Advice.SEND_FILE: n_("The photo has no date. Send it as a file, not by messenger."),
    Advice.SEND_AGAIN: n_("The file is broken. Copy the photo from the phone again."),
    Advice.PHOTO_ONLY: n_("This is not a photo. Send the camera's own photo."),
    Advice.SMALLER: n_("The photo is too big. Choose a smaller size in the camera."),
    Advice.ASK_OFFICE: n_("Tell the office about this photo."),
    Advice.TAKE_AGAIN: n_("Take the photo again."),
}

_MATCHES: tuple[tuple[Advice, str], ...] = (
    (Advice.CLOSER, r"too far away|too small in the picture"),
    (Advice.STRAIGHTER, r"too far to the side"),
    (Advice.SHADE, r"is burnt out"),
    (Advice.LIGHT, r"is black"),
    (Advice.HOLD_STILL, r"blurred"),
    (Advice.WHOLE_WOUND, r"bark below the card is not in the picture"),
    (Advice.ONE_CARD, r"site cards in the picture"),
    (Advice.ASK_OFFICE, r"register does not have|program failed|'heic' is not installed"),
    (Advice.NO_MIRROR, r"mirrored"),
    (Advice.WIPE_CARD, r"flat card|marker could be read|two markers could be read"),
    (Advice.WHOLE_CARD, r"No site card|no complete site card"),
    (Advice.SET_CLOCK, r"in the future|too long ago"),
    (Advice.SEND_FILE, r"carries no date|has no date|keeps no date"),
    (Advice.SEND_AGAIN, r"cut off|damaged|is empty|only zeros|no pixels|web page"),
    (Advice.SMALLER, r"megapixels|more than [\d.]+ MB"),
    (
        Advice.PHOTO_ONLY,
        r"is not read|not a photo|is not a picture|is an animation|is a (GIF|BMP|video|sound|PDF|ZIP|packed|text|raw)",
    ),
)


def advice_for(reason: str) -> Advice:
    """What to do about a refusal with this reason; ``TAKE_AGAIN`` for one that is not known."""
    for advice, pattern in _MATCHES:
        if re.search(pattern, reason):
            return advice
    return Advice.TAKE_AGAIN
