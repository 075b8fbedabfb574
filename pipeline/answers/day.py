"""What each folder of the inbox is told; pure, from what is known of the files that arrived."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.advice import ADVICE_FOR, Advice
from pipeline.records import Flag, Outcome
from pipeline.rounds import Kind

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date, tzinfo

    from pipeline.clocks import Doubt
    from pipeline.records import PhotoFacts, Register
    from pipeline.rounds import Round, Stop

_HINTS: tuple[tuple[Flag, Advice], ...] = (
    (Flag.CUT_BY_FRAME, Advice.WHOLE_WOUND),
    (Flag.ONE_MARKER, Advice.WIPE_CARD),
    (Flag.LOW_SCALE, Advice.CLOSER),
    (Flag.OBLIQUE_VIEW, Advice.STRAIGHTER),
    (Flag.SOFT_FOCUS, Advice.HOLD_STILL),
    (Flag.CLIPPED_LIGHT, Advice.SHADE),
    (Flag.SHADOW_EDGE, Advice.SHADE),
)
"""What would have made an accepted photo better, the most helpful first."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What became of one photo: accepted (perhaps with a hint for next time), or to be taken or sent again."""

    file: str
    sha256: str
    site: int | None = None
    tree: str = ""
    advice: Advice | None = None
    mended: bool = False
    """Refused, but the site was photographed well since."""


@dataclass(frozen=True, slots=True)
class FolderAnswer:
    """What one folder of the inbox is told about one day.

    Attributes
    ----------
    folder
        Below the inbox, ``/`` between folders; empty for the inbox itself.
    arrived_on
        The day on which its photos arrived.
    again, accepted
        Refused and accepted photos, latest arrival first.
    waiting, doubles
        How many are not yet read, and how many had come before.
    missing
        What is still missing from today's round, in walking order.
    doubts
        Photos whose date a person must confirm.
    """

    folder: str
    arrived_on: date
    again: tuple[Verdict, ...]
    accepted: tuple[Verdict, ...]
    waiting: int
    doubles: int
    missing: tuple[Stop, ...]
    doubts: tuple[Doubt, ...] = ()


def answers_of(
    facts: Sequence[PhotoFacts],
    walk: Round,
    doubts: Sequence[Doubt],
    register: Register,
    zone: tzinfo,
    place_of: Callable[[str], str] = str,
) -> list[FolderAnswer]:
    """One answer for each folder, about the last day on which something arrived there.

    Parameters
    ----------
    facts
        What arrived in the last days, latest first.
    walk
        Today's round as it stands now: sites photographed meanwhile are no longer on it.
    place_of
        Where the answer for photos of a folder lies; by default in that folder.
    """
    open_sites = {stop.site.site for stop in walk.stops if stop.kind is Kind.RETAKE}
    folders: dict[str, list[PhotoFacts]] = defaultdict(list)
    for photo in facts:
        own = folders[place_of(photo.file.rpartition("/")[0])]
        if not own or own[0].arrived_at.astimezone(zone).date() == photo.arrived_at.astimezone(zone).date():
            own.append(photo)
    return [
        _answer(folder, own, walk, open_sites, [d for d in doubts if d.photo in own], register, zone)
        for folder, own in sorted(folders.items())
    ]


def _answer(
    folder: str,
    photos: Sequence[PhotoFacts],
    walk: Round,
    open_sites: set[int],
    doubts: Sequence[Doubt],
    register: Register,
    zone: tzinfo,
) -> FolderAnswer:
    refused = [p for p in photos if p.outcome is Outcome.REFUSAL]
    return FolderAnswer(
        folder=folder,
        arrived_on=photos[0].arrived_at.astimezone(zone).date(),
        again=tuple(_verdict(p, register, ADVICE_FOR[p.code], _is_mended(p, open_sites)) for p in refused),
        accepted=tuple(_verdict(p, register, _hint(p.flags)) for p in photos if p.outcome is Outcome.READING),
        waiting=sum(p.outcome is Outcome.WAITING for p in photos),
        doubles=sum(p.outcome in (Outcome.DUPLICATE, Outcome.KNOWN) for p in photos),
        missing=walk.stops,
        doubts=tuple(doubts),
    )


def _is_mended(photo: PhotoFacts, open_sites: set[int]) -> bool:
    """Only where card and date could be read it can be known that a better photo came."""
    return photo.site is not None and photo.taken_at is not None and photo.site not in open_sites


def _hint(flags: Flag) -> Advice | None:
    return next((advice for flag, advice in _HINTS if flag in flags), None)


def _verdict(photo: PhotoFacts, register: Register, advice: Advice | None, mended: bool = False) -> Verdict:
    site = register.sites.get(photo.site) if photo.site is not None else None
    return Verdict(photo.file, photo.sha256, photo.site, site.tree if site else "", advice, mended)
