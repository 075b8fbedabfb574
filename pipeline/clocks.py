"""Phones with a wrong clock, told from what their photos say; a person is asked, nothing is changed.

Dates in the future, or before ``intake.earliest_year``, are refused at the door.  Here are doubts that only show
beside other photos.  None of them is proof: late photos are welcome, two phones of one model look alike, and a card
may hang on the wrong tree.  So each doubt is a question.
"""

from __future__ import annotations

import math
import re
from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from pipeline.language import n_
from pipeline.records import Outcome, Question

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date, datetime, tzinfo

    from pipeline.language import Say
    from pipeline.records import ClockShift, PhotoFacts, Register
    from pipeline.settings import ClockSettings

_NUMBER = re.compile(r"(.*?)(\d{3,5})\D*", re.DOTALL)
BEFORE_MADE, BEFORE_PHONE, NUMBERS, FAR_APART = "before the wound", "before the phone", "numbers", "far apart"

WORDS: dict[str, str] = {
    BEFORE_MADE: n_("Photo {file} is dated {day}, before the wound was made. Is the phone's date right?"),
    BEFORE_PHONE: n_("Photo {file} is dated {day}, long before all others of this phone. Is the phone's date right?"),
    NUMBERS: n_("Photo {file} is dated {day}, but the photo before it is dated later. Is the phone's date right?"),
    FAR_APART: n_(
        "Photos {other} and {file} show far trees at the same time. Is the phone's time right, and each card?"
    ),
}


@dataclass(frozen=True, slots=True)
class Doubt:
    """A photo whose time may be wrong: the photo, its day, why, and the other photo that says so."""

    rule: str
    photo: PhotoFacts
    site: int
    day: date
    other: str = ""

    def words(self, say: Say = str) -> str:
        """The question in a language; ``say`` gives a sentence in it."""
        return say(WORDS[self.rule]).format(file=self.photo.file, day=self.day.isoformat(), other=self.other)

    def question(self, today: date) -> Question:
        """For the office: asked once a phone, folder, rule and day."""
        folder = self.photo.file.rpartition("/")[0]
        phone = f"{folder}/{self.photo.device}" if self.photo.device else self.photo.sha256[:16]
        about = {"device": self.photo.device, "folder": folder, "sha256": self.photo.sha256, "file": self.photo.file}
        key = f"clock/{self.rule}/{phone}/{self.day.isoformat()}"
        return Question(key, self.site, today, self.day, self.day, self.words(), about=about)


def doubts(
    photos: Sequence[PhotoFacts],
    history: Mapping[str, Sequence[tuple[str, date]]],
    register: Register,
    settings: ClockSettings,
    zone: tzinfo,
) -> list[Doubt]:
    """What is odd about the times of photos that were read.

    Parameters
    ----------
    photos
        Photos of the last days.
    history
        For each phone, hash and day of every photo of it.
    """
    read = [p for p in photos if p.outcome is Outcome.READING and p.taken_at is not None and p.site is not None]
    read.sort(key=lambda p: (p.taken_at, p.file))
    found: dict[str, Doubt] = {}
    for doubt in (
        *_before_made(read, register, zone),
        *_before_phone(read, history, settings, zone),
        *_numbers(read, zone),
        *_far_apart(read, register, settings, zone),
    ):
        found.setdefault(doubt.photo.sha256, doubt)
    return list(found.values())


def true_time(
    shifts: Sequence[ClockShift], device: str, file: str, sha256: str, stated_at: datetime
) -> datetime | None:
    """When a photo was really taken, if a person said so: by the latest correction that holds for it.

    Returns
    -------
    datetime or None
        ``None`` where no correction holds; a correction of nothing counts as none.
    """
    for shift in sorted(shifts, key=lambda s: s.id, reverse=True):
        if shift.concerns(device, file, sha256, stated_at):
            return stated_at + shift.shift if shift.shift else None
    return None


def _doubt(rule: str, photo: PhotoFacts, zone: tzinfo, other: str = "") -> Doubt:
    return Doubt(
        rule, photo, photo.site if photo.site is not None else -1, _taken(photo).astimezone(zone).date(), other
    )


def _taken(photo: PhotoFacts) -> datetime:
    if photo.taken_at is None:
        raise ValueError(f"{photo.file} has no time")
    return photo.taken_at


def _before_made(photos: Sequence[PhotoFacts], register: Register, zone: tzinfo) -> Iterator[Doubt]:
    """The register says that the wound was not there yet; a day of grace for time zones."""
    for photo in photos:
        site = register.sites.get(photo.site) if photo.site is not None else None
        made_on = site.made_on if site is not None else None
        if made_on is not None and _taken(photo).astimezone(zone).date() < made_on - timedelta(days=1):
            yield _doubt(BEFORE_MADE, photo, zone)


def _before_phone(
    photos: Sequence[PhotoFacts],
    history: Mapping[str, Sequence[tuple[str, date]]],
    settings: ClockSettings,
    zone: tzinfo,
) -> Iterator[Doubt]:
    """Long before everything else of this phone: a clock that fell back to its first day."""
    new = {photo.sha256 for photo in photos}
    first = {
        device: min((day for sha256, day in history.get(device, ()) if sha256 not in new), default=None)
        for device in {photo.device for photo in photos if photo.device}
    }
    for photo in photos:
        known = first.get(photo.device)
        if known is not None and _taken(photo).astimezone(zone).date() < known - timedelta(days=settings.jump_days):
            yield _doubt(BEFORE_PHONE, photo, zone)


def _numbers(photos: Sequence[PhotoFacts], zone: tzinfo) -> Iterator[Doubt]:
    """The camera's running number went on while its clock went back by more than a day."""
    rolls: dict[tuple[str, str], list[tuple[int, PhotoFacts]]] = defaultdict(list)
    for photo in photos:
        match = _NUMBER.fullmatch(photo.file.rpartition(".")[0])
        if match is not None and photo.device:
            rolls[photo.device, match.group(1)].append((int(match.group(2)), photo))
    for roll in rolls.values():
        roll.sort(key=lambda entry: (entry[0], entry[1].sha256))
        for (low, earlier), (high, later) in pairwise(roll):
            if high > low and _taken(later) < _taken(earlier) - timedelta(days=1):
                yield _doubt(NUMBERS, later, zone, earlier.file)


def _far_apart(
    photos: Sequence[PhotoFacts], register: Register, settings: ClockSettings, zone: tzinfo
) -> Iterator[Doubt]:
    """One phone in one person's folder at two places faster than anyone walks."""
    walks: dict[tuple[str, str], list[PhotoFacts]] = defaultdict(list)
    for photo in photos:
        if photo.device:
            walks[photo.device, photo.file.rpartition("/")[0]].append(photo)
    for walk in walks.values():
        for earlier, later in pairwise(walk):
            way_m = _way_m(earlier, later, register)
            seconds = (_taken(later) - _taken(earlier)).total_seconds()
            if way_m is not None and way_m > settings.near_m and way_m > settings.fastest_m_per_s * seconds:
                yield _doubt(FAR_APART, later, zone, earlier.file)


def _way_m(one: PhotoFacts, other: PhotoFacts, register: Register) -> float | None:
    places = []
    for photo in (one, other):
        site = register.sites.get(photo.site) if photo.site is not None else None
        tree = register.trees.get(site.tree) if site is not None else None
        if tree is None or tree.x_m is None or tree.y_m is None:
            return None
        places.append((tree.x_m, tree.y_m))
    return math.dist(*places)
