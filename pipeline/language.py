"""Words for the field hand in the grove's own language, through gettext catalogues.

The English sentence is the key.  ``pipeline/locale/CODE/LC_MESSAGES/woundwood.po`` holds a language;
``python docs/make_catalogues.py`` compiles it to the ``.mo`` beside it.  What a catalogue lacks is shown in English.
"""

from __future__ import annotations

import gettext
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import TypeAlias

    Say: TypeAlias = Callable[[str], str]

FOLDER = Path(__file__).resolve().parent / "locale"
DOMAIN = "woundwood"
SAME_CATALOGUE = {"ms": "id"}
"""Languages that share a catalogue: a Malay reader is better served by Indonesian than by English."""


def n_(sentence: str) -> str:
    """Mark a sentence for the catalogues without translating it yet."""
    return sentence


def languages() -> tuple[str, ...]:
    """Codes of the languages there are, English first."""
    found = sorted(path.parent.parent.name for path in FOLDER.glob(f"*/LC_MESSAGES/{DOMAIN}.mo"))
    return ("en", *found)


@cache
def speaker(code: str) -> Say:
    """A function that gives an English sentence in a language.

    Parameters
    ----------
    code
        Such as ``"th"`` or ``"vi"``; a country behind it (``"id_ID"``) is understood.

    Raises
    ------
    SettingsError
        If there is no catalogue for it.
    """
    short = code.replace("-", "_").partition("_")[0].lower()
    if short == "en":
        return gettext.NullTranslations().gettext
    short = SAME_CATALOGUE.get(short, short)
    try:
        return gettext.translation(DOMAIN, FOLDER, languages=[code, short]).gettext
    except OSError:
        raise SettingsError(
            f"There is no language '{code}' for the field hand's pages.",
            f"Set grove.language to one of: {', '.join((*languages(), *SAME_CATALOGUE))}.",
        ) from None
