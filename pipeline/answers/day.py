"""What each folder of the inbox is told; pure, from what is known of the files that arrived."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.advice import ADVICE_FOR, Advice
from pipeline.records import Flag, Outcome
from pipeline.rounds import Kind

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Sequence
    from datetime import date, tzinfo

    from pipeline.clocks import Doubt
    from pipeline.records import PhotoFacts, Register
    from pipeline.rounds import Round, Stop

_HINTS: tuple[tuple[Flag, Advice], ...] = (
    (Flag.SCALE_FROM_BARK, Advice.WHOLE_CARD),
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
    """Refused, but no retake is needed any more."""
    taken_on: date | None = None
    """Day on which it was taken, where that is not the day of its arrival."""


@dataclass(frozen=True, slots=True)
class DayAnswer:
    """What became of the photos that arrived in one folder on one day.

    Attributes
    ----------
    arrived_on
        The day.
    again, accepted
        Refused and accepted photos, latest arrival first.
    waiting
        How many are not yet read.
    doubles
        Files that had come before, latest arrival first.
    """

    arrived_on: date
    again: tuple[Verdict, ...]
    accepted: tuple[Verdict, ...]
    waiting: int
    doubles: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class FolderAnswer:
    """What one folder of the inbox is told.

    Attributes
    ----------
    folder
        Below the inbox, ``/`` between folders; empty for the inbox itself.
    days
        Its days with arrivals, the last one first; never empty.
    missing
        What is still missing from today's round, in walking order.
    doubts
        Photos whose date a person must confirm.
    """

    folder: str
    days: tuple[DayAnswer, ...]
    missing: tuple[Stop, ...]
    doubts: tuple[Doubt, ...] = ()

    @property
    def last(self) -> DayAnswer:
        """The last day on which something arrived."""
        return self.days[0]

    @property
    def earlier(self) -> tuple[DayAnswer, ...]:
        """The days before, the latest first."""
        return self.days[1:]


def answers_of(
    facts: Sequence[PhotoFacts],
    walk: Round,
    doubts: Sequence[Doubt],
    register: Register,
    zone: tzinfo,
    place_of: Callable[[str], str] = str,
    *,
    settled: Collection[str] = (),
    days_shown: int = 7,
) -> list[FolderAnswer]:
    """One answer for each folder, about the last days on which something arrived there.

    Parameters
    ----------
    facts
        What arrived in the last days, latest first.
    walk
        Today's round as it stands now: sites photographed meanwhile are no longer on it.
    place_of
        Where the answer for photos of a folder lies; by default in that folder.
    settled
        Hashes of refused photos that need no retake any more.
    days_shown
        Days with arrivals that an answer keeps, the latest.
    """
    open_sites = frozenset(stop.site.site for stop in walk.stops if stop.kind is Kind.RETAKE)
    known = _Known(register, zone, open_sites, settled)
    folders: dict[str, dict[date, list[PhotoFacts]]] = defaultdict(dict)
    for photo in facts:
        days = folders[place_of(_folder(photo))]
        days.setdefault(photo.arrived_at.astimezone(zone).date(), []).append(photo)
    found = []
    for folder, days in sorted(folders.items()):
        # Facts come in the order of arrival: a clock that was set back for a while must not hide the last photos.
        shown = list(days.items())[:days_shown]
        names = {photo.sha256 for _, own in shown for photo in own}
        found.append(
            FolderAnswer(
                folder,
                tuple(_day(day, own, known) for day, own in shown),
                walk.stops,
                tuple(d for d in doubts if d.photo.sha256 in names and place_of(_folder(d.photo)) == folder),
            )
        )
    return found


def _folder(photo: PhotoFacts) -> str:
    return photo.file.rpartition("/")[0]


@dataclass(frozen=True, slots=True)
class _Known:
    """What every verdict needs: the register, the grove's zone, sites to take again, hashes that are settled."""

    register: Register
    zone: tzinfo
    open_sites: frozenset[int]
    settled: Collection[str]


def _day(day: date, photos: Sequence[PhotoFacts], known: _Known) -> DayAnswer:
    refused = [p for p in photos if p.outcome is Outcome.REFUSAL]
    read = [p for p in photos if p.outcome is Outcome.READING]
    return DayAnswer(
        arrived_on=day,
        again=tuple(_verdict(p, day, known, ADVICE_FOR[p.code], _is_mended(p, known)) for p in refused),
        accepted=tuple(_verdict(p, day, known, _hint(p.flags)) for p in read),
        waiting=sum(p.outcome is Outcome.WAITING for p in photos),
        doubles=tuple(p.file for p in photos if p.outcome in (Outcome.DUPLICATE, Outcome.KNOWN)),
    )


def _is_mended(photo: PhotoFacts, known: _Known) -> bool:
    """Whether no retake is needed: a better photo of its site came, nothing is missing where it was, or it was said."""
    if photo.sha256 in known.settled:
        return True
    return photo.site is not None and photo.taken_at is not None and photo.site not in known.open_sites


def _hint(flags: Flag) -> Advice | None:
    return next((advice for flag, advice in _HINTS if flag in flags), None)


def _verdict(photo: PhotoFacts, day: date, known: _Known, advice: Advice | None, mended: bool = False) -> Verdict:
    site = known.register.sites.get(photo.site) if photo.site is not None else None
    taken_on = photo.taken_at.astimezone(known.zone).date() if photo.taken_at is not None else None
    return Verdict(
        photo.file,
        photo.sha256,
        photo.site,
        site.tree if site else "",
        advice,
        mended,
        None if taken_on == day else taken_on,
    )
