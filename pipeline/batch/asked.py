"""What people are asked, and what follows from their answers: corrected dates, events, alerts.

Three kinds of things wait for a person: whether a phone's clock was right, whether wood was taken out where an opening
grew, and which site a refused photo without a readable card shows.  Every answer is a record with who and when; a later
answer to the same question counts instead, so that nothing is final.
"""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING

from pipeline.batch.run import LOCK, update_alerts
from pipeline.errors import StoreError, UsageError
from pipeline.records import Answer, ClockShift, Event, PhotoSettled
from pipeline.rounds.plan import unplaced
from pipeline.store.clock_book import Moved

if TYPE_CHECKING:
    from datetime import date

    from pipeline.grove import Grove
    from pipeline.records import AlertChanges, EventKind, Question, Refusal
    from pipeline.store import Store

LONGEST_SHIFT = timedelta(days=366 * 60)
"""A phone that fell back to 1970 is the furthest that a clock goes wrong."""


@dataclass(frozen=True, slots=True)
class Clock:
    """What a person says of a clock.

    Attributes
    ----------
    shift
        What is to be added to the time that the photos state: minus 9 h for a phone that was 9 h ahead.
    from_at, to_at
        Stated times between which it was so, both included.
    only_photo
        It holds for the photo of the question alone.
    """

    shift: timedelta
    from_at: datetime
    to_at: datetime
    only_photo: bool = False


def find_question(store: Store, number: int) -> Question:
    """A question by its number.

    Raises
    ------
    UsageError
        If there is none.
    """
    for question, _ in store.questions():
        if question.id == number:
            return question
    raise UsageError(f"There is no question {number}.", "List them with: woundwood questions GROVE --all")


def days_of(question: Question, grove: Grove) -> tuple[datetime, datetime]:
    """From the first to the last moment of a question's days in the grove's zone."""
    zone = grove.settings.grove.zone
    return (
        datetime.combine(question.from_on, time.min, zone),
        datetime.combine(question.to_on, time.max, zone),
    )


def answer_clock(
    grove: Grove, store: Store, question: Question, clock: Clock | None, who: str, now: datetime, note: str = ""
) -> Moved:
    """Record what a person says of a phone's clock and set the dates of the photos concerned right.

    Parameters
    ----------
    clock
        ``None``: the clock was right, and an earlier correction from this question is taken back.

    Raises
    ------
    UsageError
        If the question is about something else, or the photo asked about would lie in the future.
    """
    if not question.asks_for_time:
        raise UsageError(f"Question {question.id} is not about a clock.", "Answer it with an event, or with nothing.")
    zone = grove.settings.grove.zone
    earlier = [shift for shift in store.shifts() if shift.question == question.id]
    answer = Answer(question.id, who, now, None, note)
    if clock is None:
        if not earlier:
            store.answer(answer)
            return Moved()
        first, last = days_of(question, grove)
        clock = Clock(timedelta(0), first, last)
    else:
        _check(grove, store, question, clock, now)
    shift = ClockShift(
        who=who,
        at=now,
        shift=clock.shift,
        from_at=clock.from_at,
        to_at=clock.to_at,
        device="" if clock.only_photo else question.about.get("device", ""),
        folder="" if clock.only_photo else question.about.get("folder", ""),
        sha256=question.about.get("sha256", "") if clock.only_photo or not question.about.get("device") else "",
        question=question.id,
        note=note,
        replaces=earlier[-1].id if earlier else None,
    )
    return store.add_shift(shift, zone, answer)[1]


def _check(grove: Grove, store: Store, question: Question, clock: Clock, now: datetime) -> None:
    if not question.about.get("sha256"):
        raise UsageError(
            f"Question {question.id} was asked by an older version and does not name its photo.",
            "Answer that the clock was right; if it was not, the question comes again with the next photos.",
        )
    if not clock.shift or abs(clock.shift) > LONGEST_SHIFT:
        raise UsageError(
            "A clock cannot be wrong by that much.", "Name hours or days, e.g. 9h or 2d, more than nothing."
        )
    if clock.from_at > clock.to_at:
        raise UsageError("The first moment lies after the last.", "Exchange the two.")
    stated_at = stated_time(store, question)
    if stated_at is None:
        raise UsageError("The photo asked about is not known any more.", "Answer that the clock was right.")
    if not clock.only_photo and not clock.from_at <= stated_at <= clock.to_at:
        raise UsageError(
            f"The photo asked about states {stated_at:%Y-%m-%d %H:%M}, which is not in the time named.",
            "Name first and last moment as the photos state them.",
        )
    if stated_at + clock.shift > now + timedelta(hours=grove.settings.intake.future_tolerance_h):
        raise UsageError(
            f"The photo would be dated {stated_at + clock.shift:%Y-%m-%d %H:%M}, which is in the future.",
            "Was the phone ahead, not behind?",
        )


def stated_time(store: Store, question: Question) -> datetime | None:
    """What the photo of a clock question says itself."""
    found = store.result_of(question.about.get("sha256", ""))
    return None if found is None else found.stated_at or found.taken_at


def answer_event(
    grove: Grove,
    store: Store,
    question: Question,
    event: EventKind | None,
    who: str,
    now: datetime,
    *,
    on: date | None = None,
    note: str = "",
) -> None:
    """Record what was done to a site between two visits; ``None``: nothing was.

    Parameters
    ----------
    on
        Day of it; without one the last day asked about, so that the grown opening begins an episode.

    Raises
    ------
    UsageError
        If the question is about a clock, or the day lies outside the time asked about.
    """
    if question.asks_for_time:
        raise UsageError(f"Question {question.id} is about a clock.", "Say whether it was ahead, behind or right.")
    done = None
    if event is not None:
        day = on or question.to_on
        if not question.from_on <= day <= question.to_on:
            raise UsageError(
                f"{day.isoformat()} lies outside the time asked about, {question.from_on} to {question.to_on}.",
                "Name a day in it, or write the event into events.csv.",
            )
        site = grove.register.sites.get(question.site)
        tree, stem = (site.tree, site.stem) if site is not None else ("", "")
        done = Event(day, event, tree, stem, question.site, by=who, note=note)
    store.answer(Answer(question.id, who, now, done, note))


def settle_photo(
    grove: Grove, store: Store, sha256: str, who: str, now: datetime, *, site: int | None = None, standing: bool = True
) -> None:
    """Record that a refused photo needs no retake any more, perhaps with the site that it shows.

    Raises
    ------
    UsageError
        If the site is not in the register.
    """
    if site is not None and site not in grove.register.sites:
        raise UsageError(f"The register has no site {site}.", "Name the number on the card.")
    store.settle(PhotoSettled(sha256, who, now, site, standing=standing))


def photos_without_site(grove: Grove, store: Store, now: datetime) -> list[Refusal]:
    """Refused photos of the last days of which nobody knows the site and nobody said that they are settled."""
    day = now.astimezone(grove.settings.grove.zone).date()
    settled = store.settled()
    return [u.refusal for u in unplaced(store.refusals(), grove.settings, day) if u.refusal.sha256 not in settled]


def follow(
    grove: Grove, store: Store, now: datetime, sites: frozenset[int] = frozenset(), wait_s: float = 0.0
) -> AlertChanges | None:
    """Let timelines and alerts follow an answer.

    Parameters
    ----------
    sites
        Sites whose trees are looked at; without any, all trees.

    Returns
    -------
    AlertChanges or None
        ``None`` if another run is at work; it, or the next one, does it.
    """
    today = now.astimezone(grove.settings.grove.zone).date()
    wanted = {grove.register.sites[site].tree for site in sites if site in grove.register.sites}
    trees = [tree for tree in grove.register.trees if tree in wanted] if sites else None
    with ExitStack() as held:
        try:
            held.enter_context(store.lock(LOCK, wait_s=wait_s))
        except StoreError:
            return None
        return update_alerts(grove, store, today, trees=trees)[0]
