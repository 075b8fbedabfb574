"""From the code of a refusal to one of a few things to do.

Refusals carry a sentence with figures, for the office, and a code.  The hand gets one of the sentences below, in the
grove's language, and its drawing.
"""

from __future__ import annotations

from enum import StrEnum

from pipeline.language import n_
from pipeline.records import RefusalCode


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

ADVICE_FOR: dict[RefusalCode, Advice] = {
    RefusalCode.EMPTY_FILE: Advice.SEND_AGAIN,
    RefusalCode.ONLY_ZEROS: Advice.SEND_AGAIN,
    RefusalCode.CUT_OFF: Advice.SEND_AGAIN,
    RefusalCode.DAMAGED: Advice.SEND_AGAIN,
    RefusalCode.NO_PIXELS: Advice.SEND_AGAIN,
    RefusalCode.WEB_PAGE: Advice.SEND_AGAIN,
    RefusalCode.FILE_TOO_LARGE: Advice.SMALLER,
    RefusalCode.TOO_MANY_PIXELS: Advice.SMALLER,
    RefusalCode.OTHER_PICTURE: Advice.PHOTO_ONLY,
    RefusalCode.ANIMATION: Advice.PHOTO_ONLY,
    RefusalCode.VIDEO: Advice.PHOTO_ONLY,
    RefusalCode.SOUND: Advice.PHOTO_ONLY,
    RefusalCode.DOCUMENT: Advice.PHOTO_ONLY,
    RefusalCode.ARCHIVE: Advice.PHOTO_ONLY,
    RefusalCode.TEXT: Advice.PHOTO_ONLY,
    RefusalCode.NOT_A_PICTURE: Advice.PHOTO_ONLY,
    RefusalCode.SCREENSHOT: Advice.PHOTO_ONLY,
    RefusalCode.HEIC_NOT_INSTALLED: Advice.ASK_OFFICE,
    RefusalCode.NO_DATE: Advice.SEND_FILE,
    RefusalCode.DATE_TOO_OLD: Advice.SET_CLOCK,
    RefusalCode.DATE_IN_FUTURE: Advice.SET_CLOCK,
    RefusalCode.SEVERAL_CARDS: Advice.ONE_CARD,
    RefusalCode.UNKNOWN_SITE: Advice.ASK_OFFICE,
    RefusalCode.ONE_MARKER: Advice.WIPE_CARD,
    RefusalCode.HALF_CARD: Advice.WHOLE_CARD,
    RefusalCode.CARD_TOO_SMALL: Advice.CLOSER,
    RefusalCode.MIRRORED: Advice.NO_MIRROR,
    RefusalCode.NO_CARD: Advice.WHOLE_CARD,
    RefusalCode.CARD_NOT_FLAT: Advice.WIPE_CARD,
    RefusalCode.TOO_OBLIQUE: Advice.STRAIGHTER,
    RefusalCode.NO_POSE: Advice.WIPE_CARD,
    RefusalCode.WOUND_OUTSIDE: Advice.WHOLE_WOUND,
    RefusalCode.TOO_FAR: Advice.CLOSER,
    RefusalCode.BLURRED: Advice.HOLD_STILL,
    RefusalCode.BURNT_OUT: Advice.SHADE,
    RefusalCode.TOO_DARK: Advice.LIGHT,
    RefusalCode.PROGRAM_FAULT: Advice.ASK_OFFICE,
    RefusalCode.UNCODED: Advice.TAKE_AGAIN,
}
"""What to do about each kind of refusal."""
