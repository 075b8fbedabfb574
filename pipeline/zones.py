"""Names of time zones: the one that this computer has, and what a misspelt one may have meant."""

from __future__ import annotations

import difflib
import os
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

if TYPE_CHECKING:
    from collections.abc import Mapping

NO_PLACE = ("Etc/", "GMT", "UTC", "UCT", "Zulu", "Universal", "Factory", "localtime", "posixrules")
"""How zones begin in which no grove stands; a server is often set to one of them."""
LINK, FILE = Path("/etc/localtime"), Path("/etc/timezone")


def is_known(name: str) -> bool:
    """Whether there is such a zone in the time zone database (IANA tz)."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def suggestions(name: str, most: int = 3) -> list[str]:
    """Zones that a wrong name may have meant, the likeliest first.

    A place alone counts (``jakarta``), as do spaces and small letters; else names that differ by a few letters.
    """
    wanted = "_".join(name.split()).casefold()
    zones = {zone.casefold(): zone for zone in available_timezones() if "/" in zone and not zone.startswith(NO_PLACE)}
    if wanted in zones:
        return [zones[wanted]]
    place = wanted.rpartition("/")[2]
    places: dict[str, list[str]] = {}
    for lower, zone in sorted(zones.items()):
        places.setdefault(lower.rpartition("/")[2], []).append(zone)
    if place in places:
        return places[place][:most]
    near = difflib.get_close_matches(place, places, most, 0.75)
    closest = [name for name in near if _likeness(place, name) > _likeness(place, near[0]) - 0.05]
    return [zone for name in closest for zone in places[name]][:most]


def _likeness(one: str, other: str) -> float:
    return difflib.SequenceMatcher(None, one, other).ratio()


def meant(name: str) -> str:
    """A sentence on a name that is no zone: what it may have meant, or what a name looks like."""
    near = suggestions(name)
    if near:
        return f"'{name}' is not a time zone; did you mean {' or '.join(near)}?"
    return f"'{name}' is not a time zone; names look like Asia/Ho_Chi_Minh."


def of_this_computer(environment: Mapping[str, str] | None = None) -> str | None:
    """The zone that this computer is set to; ``None`` if it does not say, or names none in which a grove could stand.

    Looked for in ``TZ``, where ``/etc/localtime`` leads, and in ``/etc/timezone``.
    """
    said = (os.environ if environment is None else environment).get("TZ", "").lstrip(":")
    candidates = [said] if said else [_link(), _file()]
    return next((zone for zone in candidates if "/" in zone and not zone.startswith(NO_PLACE) and is_known(zone)), None)


def _link() -> str:
    try:
        return str(LINK.resolve()).partition("zoneinfo/")[2]
    except OSError:
        return ""


def _file() -> str:
    try:
        return FILE.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        return ""
