"""From a form to answers on record, and from answers to alerts; taking back; nothing is ever overwritten.

One form makes several answers (:class:`~pipeline.records.Review`), which the rules read one by one: one a sign,
one for the stage, one for the rim.  The first is the lead: its payload holds the whole verdict.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar

from pipeline.errors import StoreError, UsageError
from pipeline.records import AlertState, Review, ReviewAnswer, Sign, Stage
from pipeline.review import pictures, rims
from pipeline.review.verdicts import Ask, Given, Instead, Verdict, given_of
from pipeline.store.audit import LogEntry

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from pipeline.records import Alert, Polygon, Reading
    from pipeline.review.desk import Desk
    from pipeline.review.queue import Task

MAX_NOTE = 2000
C = TypeVar("C", Verdict, Sign, Instead, Ask)


@dataclass(frozen=True, slots=True)
class Filled:
    """A form as a person filled it in, checked."""

    sha256: str
    seen: int
    verdict: Verdict | None
    signs: frozenset[Sign]
    instead: str
    ask: str
    stage: Stage | None
    rim: Polygon
    rim_right: bool
    note: str
    raw: Mapping[str, object] = field(default_factory=dict)
    extents: Mapping[Sign, tuple[Polygon, ...]] = field(default_factory=dict)
    """Outlines of signs that were drawn; none of them where the shown ones were called right."""

    @property
    def is_empty(self) -> bool:
        """Whether nothing was said."""
        return not (self.verdict or self.stage is not None or self.rim or self.rim_right or self.note)


def read_form(form: Mapping[str, Sequence[str]], desk: Desk, site: int) -> Filled:
    """Check a form.

    Raises
    ------
    UsageError
        If it cannot be taken; the sentence says what to change.
    """

    def one(name: str, longest: int = 80) -> str:
        values = form.get(name, ())
        text = values[0] if values else ""
        if len(text) > longest:
            raise UsageError("A field of this form is too long.", "Shorten it.")
        return text.strip()

    sha256 = one("photo")
    result = desk.store.result_of(sha256) if pictures.is_hash(sha256) else None
    if result is None or result.site != site or not hasattr(result, "stage_p"):
        raise UsageError("This photo does not belong to this site.", "Load the page again.")
    seen = one("seen")
    if not (seen.isascii() and seen.isdigit() and len(seen) < 16):
        raise UsageError("The form does not say which version of the case it saw.", "Load the page again.")
    verdict = _choice(Verdict, one("verdict"))
    signs = frozenset(s for name in form.get("sign", ())[:10] if (s := _choice(Sign, name)) is not None)
    if verdict is Verdict.SIGN and not signs:
        raise UsageError("Which sign do you see?", "Tick at least one sign, or choose another answer.")
    instead = _choice(Instead, one("instead"))
    stage_text = one("stage")
    stage = next((s for s in Stage if s.word == stage_text), None)
    if stage_text and stage is None:
        raise UsageError("There is no such stage.", "Choose one of the list.")
    rim: Polygon = ()
    if rim_text := one("rim", 40_000):
        place = pictures.place_of(desk, sha256)
        if place is None:
            raise UsageError("The patch of this photo cannot be shown.", "Leave the rim as it is.")
        rim = rims.parse_rim(rim_text, place.window)
    extents = _extents(form, one("extent", 60_000), desk, sha256) if verdict is Verdict.SIGN else {}
    note = "".join(c for c in one("note", 4 * MAX_NOTE) if c.isprintable() or c == "\n")
    if len(note) > MAX_NOTE:
        raise UsageError(f"A note has at most {MAX_NOTE} letters.", "Shorten it.")
    ask = _choice(Ask, one("ask"))
    filled = Filled(
        sha256,
        int(seen),
        verdict,
        signs if verdict is Verdict.SIGN else frozenset(),
        instead.value if instead and verdict is Verdict.NOT else "",
        ask.value if ask and verdict is Verdict.UNSURE else "",
        stage,
        rim,
        bool(one("rim_right")) and not rim,
        note,
        dict(form),
        {sign: shapes for sign, shapes in extents.items() if sign in signs},
    )
    if filled.is_empty:
        raise UsageError("Nothing was answered.", "Choose an answer first.")
    return filled


def _extents(form: Mapping[str, Sequence[str]], text: str, desk: Desk, sha256: str) -> dict[Sign, tuple[Polygon, ...]]:
    """What the form says of how far signs reach: drawn, or as they are shown."""
    right = {s: () for name in form.get("extent_right", ())[:10] if (s := _choice(Sign, name)) is not None}
    if not text:
        return dict(right)
    place = pictures.place_of(desk, sha256)
    if place is None:
        raise UsageError("The patch of this photo cannot be shown.", "Leave the signs as they are drawn.")
    return right | rims.parse_extents(text, place.window)


def _choice(kind: type[C], text: str) -> C | None:
    if not text:
        return None
    try:
        return kind(text)
    except ValueError:
        raise UsageError("The form holds an answer that does not exist.", "Load the page again.") from None


# ---------------------------------------------------------------- recording


@dataclass(frozen=True, slots=True)
class Recorded:
    """What an answer did."""

    lead: Given
    opened: tuple[Alert, ...]
    closed: tuple[Alert, ...]


def record(desk: Desk, site: int, filled: Filled, who: str, task: Task | None, *, unseen: bool = False) -> Recorded:
    """Keep an answer, then look at the tree again so that its alerts follow at once.

    Parameters
    ----------
    task
        What was asked, as the queue sees it now.
    unseen
        The person did not know an answer that another one gave in between (a stale form sent all the same).

    Raises
    ------
    StaleAnswer
        If somebody answered in between; nothing was kept.
    """
    at = desk.now()
    earlier = desk.store.reviews(sites=[site])
    given = _reviews(desk, site, filled, who, at, task, earlier, unseen)
    words = {"photo": filled.sha256[:12], "verdict": filled.verdict.value if filled.verdict else ""}
    kept = desk.store.answer_case(given, site, filled.seen, LogEntry(at, who, "answered", f"site {site}", dict(words)))
    return _follow(desk, site, kept, who, at)


def _reviews(
    desk: Desk,
    site: int,
    filled: Filled,
    who: str,
    at: datetime,
    task: Task | None,
    earlier: Sequence[Review],
    unseen: bool,
) -> list[Review]:
    suspected = at_stake(task, earlier)
    second = unseen or (task is not None and task.kind == "second")
    reading = desk.store.result_of(filled.sha256)
    basis = Review(who, at, ReviewAnswer.NOTE, site=site, sha256=filled.sha256)
    rows = _sign_rows(basis, filled, suspected, second)
    if filled.stage is not None:
        said = _stage_row(basis, filled.stage, reading)
        rows.append(said)
    if filled.rim or filled.rim_right:
        content: dict[str, object] = {"rim_mm": [list(p) for p in filled.rim]} if filled.rim else {"rim": "accepted"}
        answer = ReviewAnswer.CORRECTED if filled.rim else ReviewAnswer.CONFIRMED
        rows.append(replace(basis, answer=answer, payload=content))
    for sign, shapes in filled.extents.items():
        extent: dict[str, object] = (
            {"extent_mm": [[list(p) for p in s] for s in shapes]} if shapes else {"extent": "accepted"}
        )
        answer = ReviewAnswer.CORRECTED if shapes else ReviewAnswer.NOTE
        rows.append(replace(basis, answer=answer, sign=sign, payload=extent))
    rows = rows or [basis]
    lead = replace(
        rows[0],
        note=filled.note,
        payload={**rows[0].payload, **_verdict(filled, task, reading, unseen, _share(desk, task))},
    )
    return _replacing([lead, *rows[1:]], who, filled, earlier)


def _sign_rows(basis: Review, filled: Filled, suspected: frozenset[Sign], second: bool) -> list[Review]:
    """One answer a sign: what was seen is confirmed, what was suspected and not seen is rejected.

    A second opinion is kept but never closes an alert by itself: where it differs, the case comes back.
    """
    if filled.verdict is Verdict.UNSURE:
        return [replace(basis, answer=ReviewAnswer.UNSURE)]
    if filled.verdict is None:
        return []
    rows = [replace(basis, answer=ReviewAnswer.CONFIRMED, sign=sign) for sign in Sign if sign in filled.signs]
    for sign in Sign:
        if sign in suspected and sign not in filled.signs:
            no = replace(basis, answer=ReviewAnswer.REJECTED, sign=sign)
            rows.append(replace(no, answer=ReviewAnswer.NOTE, payload={"opinion": "rejected"}) if second else no)
    return rows or [replace(basis, answer=ReviewAnswer.NOTE if second else ReviewAnswer.REJECTED)]


def _stage_row(basis: Review, stage: Stage, reading: object) -> Review:
    read = getattr(reading, "stage", None)
    answer = ReviewAnswer.CONFIRMED if stage is read else ReviewAnswer.CORRECTED
    return replace(basis, answer=answer, stage=stage, payload={"stage_read": None if read is None else int(read)})


def _share(desk: Desk, task: Task | None) -> float:
    """Share with which a case of this kind is drawn."""
    shares = desk.settings.review
    if task is None or not task.blind:
        return 0.0
    return {"second": shares.second_share, "unflagged": shares.unflagged_share}.get(task.kind, shares.blind_share)


def _verdict(filled: Filled, task: Task | None, reading: object, unseen: bool, share: float) -> dict[str, object]:
    content: dict[str, object] = {
        "is_lead": True,
        "verdict": filled.verdict.value if filled.verdict else None,
        "signs": sorted(sign.value for sign in filled.signs),
        "stage": None if filled.stage is None else int(filled.stage),
        "instead": filled.instead,
        "ask": filled.ask,
        "kind": "unseen" if unseen else task.kind if task else "",
        "blind": task.blind if task else False,
        "resolves": (task is None or task.kind == "disagreement") and not unseen,
        "network": _network(reading),
        "reader": str(getattr(reading, "model", "")),
        "share": share,
    }
    return content


def _network(reading: object) -> dict[str, float]:
    """What the network had said, kept with the answer: a later network may say something else."""
    read: Reading | None = reading if hasattr(reading, "signs") else None  # type: ignore[assignment]
    if read is None:
        return {}
    return {"stage": float(read.stage)} | {sign.value: round(seen.p, 4) for sign, seen in read.signs.items()}


def at_stake(task: Task | None, earlier: Sequence[Review]) -> frozenset[Sign]:
    """Signs that an answer settles even when it leaves them unticked.

    Those suspected, and, where the person sees earlier answers, those that stand confirmed: leaving one
    unticked then takes it back.
    """
    suspected = task.case.suspected if task is not None else frozenset()
    if task is not None and task.blind:
        return suspected
    replaced = {review.replaces for review in earlier}
    standing = [r for r in earlier if r.id not in replaced and r.answer is ReviewAnswer.CONFIRMED]
    return suspected | frozenset(r.sign for r in standing if r.sign is not None)


def _replacing(rows: list[Review], who: str, filled: Filled, earlier: Sequence[Review]) -> list[Review]:
    """Let the new answers replace the same person's earlier ones on this photo, one for one; the rest are taken back.

    A form without a verdict leaves an earlier verdict as it is; so do a stage, a rim and extents that are not touched.
    The extent of a sign that the person sees no more goes with it.
    """
    replaced = {review.replaces for review in earlier}
    mine = [r for r in earlier if r.who == who and r.sha256 == filled.sha256 and r.id not in replaced]
    mine = [r for r in mine if not r.payload.get("takes_back")]
    groups = {_topic(row) for row in rows}
    old = [r for r in mine if _topic(r) in groups]
    if filled.verdict is not None:
        old += [r for r in mine if _topic(r).startswith("extent") and r.sign not in filled.signs]
    out: list[Review] = []
    for row in rows:
        same = next((r for r in old if (_topic(r), r.sign) == (_topic(row), row.sign)), None)
        same = same or next((r for r in old if _topic(r) == _topic(row)), None)
        if same is not None:
            old.remove(same)
            row = replace(row, replaces=same.id)
        out.append(row)
    gone = [replace(rows[0], answer=ReviewAnswer.NOTE, sign=None, stage=None, note="", replaces=r.id) for r in old]
    return out + [replace(r, payload={"takes_back": r.replaces}) for r in gone]


def _topic(review: Review) -> str:
    if "rim_mm" in review.payload or "rim" in review.payload:
        return "rim"
    if review.stage is not None:
        return "stage"
    if "extent_mm" in review.payload or "extent" in review.payload:
        return f"extent of {review.sign}"
    is_note = review.answer is ReviewAnswer.NOTE and review.sign is None and review.payload.get("verdict") is None
    return "note" if is_note else "signs"


# ---------------------------------------------------------------- following


def _follow(desk: Desk, site: int, kept: Sequence[Review], who: str, at: datetime) -> Recorded:
    """Close what the answer settles in the person's name, then let the rules look again."""
    lead = next(g for review in kept if (g := given_of(review)) is not None)
    tree = desk.register.sites[site].tree
    closed = [alert for review in kept for alert in _settled(desk, site, tree, review)]
    for alert in {alert.id: alert for alert in closed}.values():
        desk.store.close_alert(alert.id, who, at, note=f"Answer {lead.lead}: {lead.words}.")
    changes = desk.assess(tree)
    return Recorded(lead, (*changes.opened, *changes.reopened), (*closed, *changes.closed))


def _settled(desk: Desk, site: int, tree: str, review: Review) -> list[Alert]:
    if review.sign is None or review.answer not in (ReviewAnswer.CONFIRMED, ReviewAnswer.REJECTED):
        return []
    rules = ["sign suspected"]
    if review.answer is ReviewAnswer.REJECTED:
        rules += ["sign confirmed", "sign spreading"]
    end = f"/{review.sign.value}"
    states = (AlertState.OPEN, AlertState.ACKNOWLEDGED)
    return [
        alert
        for alert in desk.store.alerts(states=states, trees=[tree])
        if alert.finding.site == site and alert.finding.rule in rules and alert.finding.key.endswith(end)
    ]


def take_back(desk: Desk, site: int, lead: int, seen: int, who: str) -> Recorded:
    """Take an answer back: what it replaced stands again, alerts that it closed open again; both stay on record.

    Raises
    ------
    StaleAnswer
        If somebody answered in between.
    StoreError
        If there is no such answer of this person, or it was replaced already.
    """
    at = desk.now()
    earlier = desk.store.reviews(sites=[site])
    by_id = {review.id: review for review in earlier}
    replaced = {review.replaces for review in earlier}
    first = by_id.get(lead)
    if first is None or first.who != who or lead in replaced or not first.payload.get("is_lead"):
        raise StoreError("There is no answer of yours that could be taken back.", "Load the page again.")
    group = [r for r in earlier if r.who == who and r.at == first.at and r.id >= lead and r.id not in replaced]
    rows: list[Review] = []
    for review in group:
        before = by_id.get(review.replaces) if review.replaces is not None else None
        if before is not None and not before.payload.get("takes_back"):
            rows.append(replace(before, who=who, at=at, replaces=review.id, id=0))
        else:
            note = Review(who, at, ReviewAnswer.NOTE, site, review.sha256, payload={"takes_back": review.id})
            rows.append(replace(note, replaces=review.id))
    entry = LogEntry(at, who, "took back", f"site {site}", {"answer": lead})
    desk.store.answer_case(rows, site, seen, entry)
    tree = desk.register.sites[site].tree
    _open_again(desk, tree, lead, who, at)
    changes = desk.assess(tree)
    given = given_of(first)
    assert given is not None
    return Recorded(given, (*changes.opened, *changes.reopened), changes.closed)


def _open_again(desk: Desk, tree: str, lead: int, who: str, at: datetime) -> None:
    for alert in desk.store.alerts(states=[AlertState.CLOSED], trees=[tree]):
        if alert.closed_by == who:
            last = desk.store.alert_history(alert.id)[-1]
            if last.note.startswith(f"Answer {lead}:"):
                desk.store.reopen_alert(alert.id, who, at, note=f"Answer {lead} was taken back.")
