"""``woundwood questions``."""

from __future__ import annotations

import re
from dataclasses import fields
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline.cli import options, output

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.batch.asked import Clock
    from pipeline.grove import Grove
    from pipeline.records import Answer, ClockShift, Question, Refusal
    from pipeline.store import Store

MOMENTS = ["%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y-%m-%d"]
WAIT_S = 30.0
_PART = re.compile(r"(\d+(?:\.\d+)?)\s*(d|h|min)")


class Span(click.ParamType):  # type: ignore[type-arg]
    """A span of time such as ``9h``, ``2d 3h`` or ``45min``."""

    name = "span"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> timedelta:
        """Read it; refuse what is left over."""
        if isinstance(value, timedelta):
            return value
        text = str(value).strip().lower()
        parts = _PART.findall(text)
        if not parts or _PART.sub("", text).strip():
            self.fail(f"'{value}' is not a span such as 9h, 2d 3h or 45min", param, ctx)
        unit = {"d": timedelta(days=1), "h": timedelta(hours=1), "min": timedelta(minutes=1)}
        return sum((float(number) * unit[name] for number, name in parts), timedelta())


@click.command("questions")
@options.grove_argument
@click.option("--answer", "number", type=int, default=None, metavar="QUESTION", help="Answer this one.")
@click.option("--right", is_flag=True, help="The phone's clock was right; takes an earlier correction back.")
@click.option("--ahead", type=Span(), default=None, metavar="SPAN", help="The clock was ahead by so much: 9h, 2d 3h.")
@click.option("--behind", type=Span(), default=None, metavar="SPAN", help="The clock was behind by so much.")
@click.option("--taken", type=click.DateTime(MOMENTS), default=None, metavar="TIME",
              help="When the photo asked about was really taken, e.g. '2026-05-03 09:00'.")  # fmt: skip
@click.option("--from", "first", type=click.DateTime(MOMENTS), default=None, metavar="TIME",
              help="Wrong from here on, as the photos state it (default: the day asked about).")  # fmt: skip
@click.option("--to", "last", type=click.DateTime(MOMENTS), default=None, metavar="TIME",
              help="Until here, as the photos state it.")  # fmt: skip
@click.option("--only-photo", is_flag=True, help="Correct the photo asked about alone, not its phone.")
@click.option("--event", default=None, metavar="WHAT", help="What was done: cut, cleaned, drilled, nailed, treated.")
@click.option("--on", "day", type=click.DateTime(["%Y-%m-%d"]), default=None, metavar="DAY",
              help="On which day (default: the last day asked about).")  # fmt: skip
@click.option("--nothing", is_flag=True, help="Nothing was done to the wound.")
@click.option("--photo", default=None, metavar="FILE", help="A refused photo without a site, by file name or hash.")
@click.option("--settled", is_flag=True, help="It needs no retake any more.")
@click.option("--site", type=int, default=None, metavar="SITE", help="It shows this site, and needs no retake.")
@click.option("--unsettled", is_flag=True, help="It needs a retake after all.")
@click.option("--by", default=None, metavar="NAME", help="Who says so.")
@click.option("--note", default="", help="What to remember about it.")
@click.option("--all", "everything", is_flag=True, help="Answered ones too, and every correction of a clock.")
@options.json_option
def command(grove_folder: Path, number: int | None, by: str | None, photo: str | None, everything: bool,
            as_json: bool, **given: object) -> None:  # fmt: skip
    """List what only a person knows, and take the answers: clocks, cuts, photos without a card.

    \b
    woundwood questions GROVE
    woundwood questions GROVE --answer 3 --ahead 9h --by Mai
    woundwood questions GROVE --answer 3 --taken '2026-05-03 09:00' --by Mai
    woundwood questions GROVE --answer 4 --event cut --on 2026-05-02 --by Mai
    woundwood questions GROVE --photo IMG_0412.jpg --site 205 --by Mai

    A corrected clock moves the visits of that phone's photos (from that folder) to their true dates; what the
    photos themselves state is kept. Answer again to change an answer; nothing is lost, and timelines and alerts follow.
    """  # noqa: D301 - click reads the escape
    from pipeline import store

    grove = options.open_grove(grove_folder, (), ())
    with store.open_store(grove.database) as memory:
        if number is not None or photo is not None:
            if not by:
                raise click.UsageError("Say who with --by NAME.")
            sites = _answer(grove, memory, number, by, given) if number is not None else frozenset()
            if photo is not None:
                _settle(grove, memory, photo, by, given)
            _follow(grove, memory, sites, as_json)
        _show(grove, memory, everything, as_json)


def _answer(grove: Grove, memory: Store, number: int, by: str, given: dict[str, object]) -> frozenset[int]:
    """Record one answer; gives the sites that it concerns."""
    from pipeline.batch import asked
    from pipeline.records import EventKind

    question = asked.find_question(memory, number)
    now = options.present(grove, None)
    note = str(given["note"])
    chosen = [name for name in ("right", "ahead", "behind", "taken", "event", "nothing") if given[name]]
    if len(chosen) != 1:
        raise click.UsageError("Give one answer: --right, --ahead, --behind, --taken, --event or --nothing.")
    if chosen[0] in ("event", "nothing"):
        kinds = {kind.value: kind for kind in EventKind}
        if given["event"] and given["event"] not in kinds:
            raise click.UsageError(f"'{given['event']}' is none of: {', '.join(kinds)}.")
        event = kinds[str(given["event"])] if given["event"] else None
        day = given["day"].date() if isinstance(given["day"], datetime) else None
        asked.answer_event(grove, memory, question, event, by, now, on=day, note=note)
        return frozenset({question.site})
    clock = None if chosen[0] == "right" else _clock(grove, memory, question, given)
    moved = asked.answer_clock(grove, memory, question, clock, by, now, note)
    click.echo(f"{moved.photos} photos have another date now.", err=True)
    if moved.read_again:
        click.echo(f"{moved.read_again} photos that were refused for their date are read at the next run.", err=True)
    return moved.sites


def _clock(grove: Grove, memory: Store, question: Question, given: dict[str, object]) -> Clock:
    """What the options say of a clock."""
    from pipeline.batch import asked

    zone = grove.settings.grove.zone
    first, last = asked.days_of(question, grove) if question.asks_for_time else (datetime.now(zone),) * 2
    if isinstance(given["taken"], datetime):
        stated_at = asked.stated_time(memory, question)
        shift = timedelta() if stated_at is None else given["taken"].replace(tzinfo=zone) - stated_at
    elif isinstance(given["ahead"], timedelta):
        shift = -given["ahead"]
    else:
        shift = given["behind"] if isinstance(given["behind"], timedelta) else timedelta()
    if isinstance(given["first"], datetime):
        first = given["first"].replace(tzinfo=zone)
    if isinstance(given["last"], datetime):
        last = given["last"].replace(tzinfo=zone)
        if (last.hour, last.minute) == (0, 0):  # a day without an hour is meant whole
            last += timedelta(days=1) - timedelta(microseconds=1)
    return asked.Clock(shift, first, last, bool(given["only_photo"]))


def _settle(grove: Grove, memory: Store, photo: str, by: str, given: dict[str, object]) -> None:
    from pipeline.batch import asked

    site = given["site"] if isinstance(given["site"], int) else None
    if sum((bool(given["settled"]), site is not None, bool(given["unsettled"]))) != 1:
        raise click.UsageError("Say --settled, --site SITE or --unsettled.")
    found = [r for r in memory.refusals() if photo in (r.file, r.file.rpartition("/")[2], r.sha256[:12], r.sha256)]
    if len(found) != 1:
        many = f"{len(found)} refused photos are" if found else "No refused photo is"
        raise click.UsageError(f"{many} called '{photo}'; name its folder too, or the first 12 digits of its hash.")
    now = options.present(grove, None)
    asked.settle_photo(grove, memory, found[0].sha256, by, now, site=site, standing=not given["unsettled"])


def _follow(grove: Grove, memory: Store, sites: frozenset[int], as_json: bool) -> None:
    """Let timelines and alerts follow at once, unless another run does."""
    from pipeline.batch import asked

    if not sites:
        return
    changes = asked.follow(grove, memory, options.present(grove, None), sites, WAIT_S)
    if changes is None:
        click.echo("Another run is at work; the alerts follow with the next one: woundwood run GROVE", err=True)
    elif not as_json:
        click.echo(
            f"Alerts: {len(changes.opened) + len(changes.reopened)} opened, {len(changes.updated)} updated, "
            f"{len(changes.closed)} closed."
        )


def _show(grove: Grove, memory: Store, everything: bool, as_json: bool) -> None:
    from pipeline.batch import asked

    pairs = memory.questions(open_only=not everything)
    photos = asked.photos_without_site(grove, memory, options.present(grove, None))
    shifts = memory.shifts(standing_only=False) if everything else []
    standing = {shift.id for shift in memory.shifts()}
    if as_json:
        rows = [{"question": question, "answer": answer} for question, answer in pairs]
        kept = [
            {f.name: getattr(s, f.name) for f in fields(s) if f.name != "shift"}
            | {"shift_s": s.shift.total_seconds(), "holds": s.id in standing}
            for s in shifts
        ]
        output.emit_json({"questions": rows, "photos_without_site": photos, "clock_shifts": kept})
        return
    if not pairs and not photos:
        click.echo("Nothing is asked at present.")
    if pairs:
        _list_questions(pairs)
    if photos:
        _list_photos(photos)
    if shifts:
        _list_shifts(shifts, standing)


def _list_questions(pairs: Sequence[tuple[Question, Answer | None]]) -> None:
    output.emit_table(
        f"{len(pairs)} questions",
        ("no.", "asked on", "site", "question", "answer"),
        ((q.id, q.asked_on, q.site, q.words, _in_words(q, a)) for q, a in pairs),
    )
    click.echo("Answer one: woundwood questions GROVE --answer NUMBER --by NAME, with")
    click.echo("  of a clock   --right, --ahead 9h, --behind 2d, --taken '2026-05-03 09:00'")
    click.echo("  of a wound   --event cut --on DAY, --nothing")


def _in_words(question: Question, answer: Answer | None) -> str:
    if answer is None:
        return "open"
    what = f"{answer.event.event.value} on {answer.event.on}" if answer.event is not None else "nothing was done"
    if question.asks_for_time:
        what = "answered"
    return f"{what} ({answer.who}, {answer.at:%Y-%m-%d})" + (f": {answer.note}" if answer.note else "")


def _list_photos(photos: Sequence[Refusal]) -> None:
    output.emit_table(
        f"{len(photos)} refused photos: which site was it?",
        ("photo", "hash", "taken", "why refused"),
        ((r.file, r.sha256[:12], f"{r.taken_at:%Y-%m-%d %H:%M}", r.reason) for r in photos),
    )
    click.echo("Say of one: woundwood questions GROVE --photo FILE --site SITE (or --settled) --by NAME")


def _list_shifts(shifts: Sequence[ClockShift], standing: set[int]) -> None:
    output.emit_table(
        f"{len(shifts)} corrections of clocks",
        ("no.", "phone", "folder", "stated from", "to", "added", "by", "state"),
        (
            (
                s.id, s.device or f"photo {s.sha256[:12]}", s.folder, f"{s.from_at:%Y-%m-%d %H:%M}",
                f"{s.to_at:%Y-%m-%d %H:%M}", s.shift, f"{s.who}, {s.at:%Y-%m-%d}",
                "holds" if s.id in standing else "taken back",
            )
            for s in shifts
        ),
    )  # fmt: skip
