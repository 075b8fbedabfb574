"""The page of questions: clocks of phones, what was done to a wound, photos without a card; and the answers to them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.responses import RedirectResponse

from pipeline.batch import asked
from pipeline.errors import UsageError
from pipeline.records import EventKind
from pipeline.review.security import check_form
from pipeline.store.audit import LogEntry

if TYPE_CHECKING:
    from starlette.responses import Response

    from pipeline.grove import Grove
    from pipeline.records import Question
    from pipeline.review.app import Rooms
    from pipeline.review.visits import Visit

ANSWERED_SHOWN = 30
EVENTS = (EventKind.CUT, EventKind.CLEANED, EventKind.DRILLED, EventKind.NAILED, EventKind.TREATED)
"""What is offered as the reason of a larger opening, the likeliest first."""
LONGEST_NOTE = 500


def questions_page(rooms: Rooms, visit: Visit) -> Response:
    """Open questions, photos without a card, and what was answered last."""
    store, grove, now = rooms.desk.store, rooms.desk.grove, rooms.desk.now()
    pairs = store.questions()
    open_ones = [question for question, answer in pairs if answer is None]
    stated = {q.id: asked.stated_time(store, q) for q in open_ones if q.asks_for_time}
    answered = [(question, answer) for question, answer in pairs if answer is not None]
    answered.sort(key=lambda pair: pair[1].at, reverse=True)
    return rooms.page(
        "questions.html", visit, open_ones=open_ones, stated=stated, zone=grove.settings.grove.zone,
        answered=answered[:ANSWERED_SHOWN], photos=asked.photos_without_site(grove, store, now), events=EVENTS,
        shifts={s.question: s for s in store.shifts() if s.question is not None},
    )  # fmt: skip


def answer_question(rooms: Rooms, visit: Visit) -> Response:
    """Take one answer; dates, timelines and alerts follow."""
    check_form(visit.session, visit.path, visit.sent("form"))
    store, grove, now = rooms.desk.store, rooms.desk.grove, rooms.desk.now()
    question = asked.find_question(store, visit.number("question"))
    note, act = visit.sent("note")[:LONGEST_NOTE].strip(), visit.sent("act")
    sites = frozenset({question.site})
    words = "The answer is recorded."
    if act in ("right", "wrong"):
        clock = None if act == "right" else _clock(grove, question, visit)
        moved = asked.answer_clock(grove, store, question, clock, visit.name, now, note)
        sites |= moved.sites
        words = f"The answer is recorded; {moved.photos} photos have another date now."
    elif act in ("event", "nothing"):
        event = _event(visit.sent("event")) if act == "event" else None
        on = _moment(visit.sent("on"), "%Y-%m-%d") if event is not None else None
        day: date | None = None if on is None else on.date()
        asked.answer_event(grove, store, question, event, visit.name, now, on=day, note=note)
    else:
        raise HTTPException(400)
    store.log(LogEntry(now, visit.name, "answered a question", question.key, {"act": act, "note": note}))
    if asked.follow(grove, store, now, sites) is None:
        words += " Another run is at work: the alerts follow with the next one."
    visit.session.flash.append(words)
    return RedirectResponse("/questions", 303)


def settle_photo(rooms: Rooms, visit: Visit) -> Response:
    """Say which site a refused photo shows, or that it needs no retake."""
    check_form(visit.session, visit.path, visit.sent("form"))
    store, grove, now = rooms.desk.store, rooms.desk.grove, rooms.desk.now()
    sha256, text = visit.sent("photo"), visit.sent("site").strip()
    if sha256 not in {refusal.sha256 for refusal in asked.photos_without_site(grove, store, now)}:
        raise UsageError("This photo waits for nobody.", "Load the page again.")
    if text and not (text.isascii() and text.isdigit() and len(text) <= 9):
        raise UsageError("A site is a number.", "Write the number on the card, or leave it empty.")
    asked.settle_photo(grove, store, sha256, visit.name, now, site=int(text) if text else None)
    store.log(LogEntry(now, visit.name, "settled a photo", sha256, {"site": text}))
    visit.session.flash.append("The photo is settled; it is asked for no more.")
    return RedirectResponse("/questions", 303)


def _clock(grove: Grove, question: Question, visit: Visit) -> asked.Clock:
    """What the form says of a clock: by how much, which way, from when to when as the photos state it."""
    zone = grove.settings.grove.zone
    parts = {name: visit.sent(name).strip() for name in ("days", "hours", "minutes")}
    try:
        span = timedelta(**{name: float(text) if text else 0.0 for name, text in parts.items()})
    except (ValueError, OverflowError):
        raise UsageError("Days, hours and minutes are numbers.", "Leave empty what is nothing.") from None
    first, last = asked.days_of(question, grove)
    begins, ends = (_moment(visit.sent(name), "%Y-%m-%dT%H:%M") for name in ("first", "last"))
    first = first if begins is None else begins.replace(tzinfo=zone)
    last = last if ends is None else ends.replace(tzinfo=zone) + timedelta(seconds=59)
    ahead = visit.sent("way") == "ahead"
    return asked.Clock(-span if ahead else span, first, last, visit.sent("only") == "yes")


def _moment(text: str, form: str) -> datetime | None:
    """A day or moment of the form, still without the grove's zone; ``None`` if it was left empty."""
    if not text.strip():
        return None
    try:
        return datetime.strptime(text.strip()[:16], form).replace(tzinfo=UTC)
    except ValueError:
        raise UsageError(
            f"'{text[:20]}' is not a day or time.", "Write it as 2026-05-03 or 2026-05-03T09:00."
        ) from None


def _event(text: str) -> EventKind:
    try:
        return EventKind(text)
    except ValueError:
        raise UsageError("There is no such event.", f"Choose one of: {', '.join(EVENTS)}.") from None
