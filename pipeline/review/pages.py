"""The pages of the queue, of one case and what belongs to it: what is asked for, and what is answered."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING
from urllib.parse import quote

from starlette.background import BackgroundTask
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, RedirectResponse

from pipeline.errors import StoreError, UsageError
from pipeline.records import Reading, Sign, Stage
from pipeline.review import answers, pictures
from pipeline.review.cases import case_view
from pipeline.review.queue import KINDS, ORDERS, neighbours
from pipeline.review.security import FOR_A_YEAR, check_form
from pipeline.review.verdicts import Ask, Instead, Verdict, given_of, standing_given
from pipeline.review.visits import filter_query
from pipeline.store.audit import LogEntry
from pipeline.store.casebook import StaleAnswer

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from starlette.responses import Response

    from pipeline.review.app import Rooms
    from pipeline.review.cases import CaseView
    from pipeline.review.queue import Filters, Task
    from pipeline.review.visits import Visit

A_PAGE = 60
READY = 40
CHOICES = {
    "signs": tuple(Sign),
    "stages": tuple(Stage),
    "insteads": tuple(Instead),
    "asks": tuple(Ask),
    "verdicts": tuple(Verdict),
}


def queue_page(rooms: Rooms, visit: Visit) -> Response:
    """The list of what needs a person."""
    filters = visit.filters()
    tasks = rooms.queue.tasks(visit.name, filters)
    text = visit.asked("from")
    start = min(int(text), len(tasks)) if text.isascii() and text.isdigit() and len(text) < 9 else 0
    everything = rooms.queue.tasks(visit.name)
    trees = rooms.desk.register.trees
    return rooms.page(
        "queue.html",
        visit,
        tasks=tasks[start : start + A_PAGE],
        start=start,
        total=len(tasks),
        total_all=len(everything),
        size=A_PAGE,
        filters=filters,
        tail=filter_query(filters),
        blocks=sorted({tree.block for tree in trees.values() if tree.block}),
        kinds=KINDS,
        orders=ORDERS,
        signs=tuple(Sign),
    )


def case_page(rooms: Rooms, visit: Visit) -> Response:
    """One case; the pictures of the next one are made ready meanwhile."""
    number, filters = visit.number(), visit.filters()
    tasks = rooms.queue.tasks(visit.name, filters)
    view = _view(rooms, visit, number)
    before, after, at = neighbours(tasks, number)
    later = tasks[at + 1].case.photos[-1:] if at and at + 1 < len(tasks) else ()
    ahead = BackgroundTask(make_ready, rooms, visit, after, later) if after is not None else None
    return _show_case(rooms, visit, view, tasks, filters, before, after, at, background=ahead)


def _view(rooms: Rooms, visit: Visit, number: int) -> CaseView:
    task = rooms.queue.task(number, visit.name, visit.filters())
    blind = task is not None and task.blind and visit.may_answer
    photo, before = visit.asked("photo"), visit.asked("before")
    ready = rooms.ready.take(number, task, blind) if not (photo or before) else None
    view = ready or case_view(rooms.desk, number, task, photo=photo, before=before, blind=blind)
    if view is None:
        raise HTTPException(404)
    return view


def _show_case(
    rooms: Rooms,
    visit: Visit,
    view: CaseView,
    tasks: list[Task],
    filters: Filters,
    before: int | None,
    after: int | None,
    at: int,
    *,
    problem: str = "",
    status: int = 200,
    background: BackgroundTask | None = None,
) -> Response:
    ahead = rooms.queue.cases().get(after) if after is not None else None
    return rooms.page(
        "case.html",
        visit,
        status=status,
        background=background,
        view=view,
        before_site=before,
        after_site=after,
        at=at,
        total=len(tasks),
        filters=filters,
        tail=filter_query(filters),
        problem=problem,
        filled=visit.form,
        next_photo=ahead.photos[-1] if ahead is not None else "",
        **CHOICES,
    )


def make_ready(rooms: Rooms, visit: Visit, number: int, later: Sequence[str] = ()) -> None:
    """Make a case's pictures and figures before it is asked for, while the person looks at the one before it.

    Parameters
    ----------
    later
        Photos of the case after it, of which only the pictures are made, should the cache have lost them.
    """
    for sha256 in later:
        pictures.patch_file(rooms.desk, sha256)
    task = rooms.queue.task(number, visit.name, visit.filters())
    if task is None:
        return
    blind = task.blind and visit.may_answer
    view = case_view(rooms.desk, number, task, blind=blind)
    if view is not None:
        rooms.ready.put(number, task, blind, view)


class Ready:
    """Cases made ahead; one is taken only if nothing about its tree has changed since."""

    def __init__(self) -> None:
        self._views: dict[int, tuple[Task, bool, CaseView]] = {}
        self._lock = threading.Lock()

    def put(self, number: int, task: Task, blind: bool, view: CaseView) -> None:
        """Keep a case; the oldest ones make room."""
        with self._lock:
            self._views.pop(number, None)
            for old in list(self._views)[: max(0, len(self._views) - READY + 1)]:
                del self._views[old]
            self._views[number] = (task, blind, view)

    def take(self, number: int, task: Task | None, blind: bool) -> CaseView | None:
        """The case as it was made, once; the queue makes a new object of a case when anything of its tree changes."""
        with self._lock:
            kept = self._views.pop(number, None)
        if kept is None or task is None or kept[0].case is not task.case or kept[:2] != (task, blind):
            return None
        return kept[2]


def answer(rooms: Rooms, visit: Visit) -> Response:
    """Take an answer; go on to the next case."""
    number, filters = visit.number(), visit.filters()
    if rooms.desk.site(number) is None:
        raise HTTPException(404)
    check_form(visit.session, visit.path, visit.sent("form"))
    task = rooms.queue.task(number, visit.name, visit.filters())
    tasks = rooms.queue.tasks(visit.name, filters)
    before, after, at = neighbours(tasks, number)
    try:
        filled = answers.read_form(visit.form, rooms.desk, number)
    except UsageError as error:
        view = _view(rooms, visit, number)
        said = f"{error.what} {error.remedy}"
        return _show_case(rooms, visit, view, tasks, filters, before, after, at, problem=said, status=422)
    unseen = visit.sent("unseen") == "1"
    try:
        recorded = answers.record(rooms.desk, number, filled, visit.name, task, unseen=unseen)
    except StaleAnswer as stale:
        return _stale(rooms, visit, number, stale, filters)
    with visit.session.lock:
        visit.session.answered += 1
        visit.session.last_lead, visit.session.last_site = recorded.lead.lead, number
        visit.session.flash.append(_words(rooms, recorded, task))
    again = visit.sent("then") == "stay"
    target = number if again else after
    if target is None:
        return RedirectResponse(f"/{filter_query(filters)}", 303)
    return RedirectResponse(f"/case/{target}{filter_query(filters)}", 303)


def _words(rooms: Rooms, recorded: answers.Recorded, task: Task | None) -> str:
    lead = recorded.lead
    words = f"Recorded for site {lead.site}: {lead.words}."
    if task is not None and task.blind and lead.network:
        limit = rooms.desk.settings.reading.sign_p
        seen = [sign.words for sign in Sign if lead.network.get(sign.value, 0.0) >= limit]
        words += f" The network had seen: {', '.join(seen) or 'no sign'}."
    if recorded.closed:
        words += f" Alerts closed: {len({a.id for a in recorded.closed})}."
    if recorded.opened:
        words += f" Alerts opened: {len(recorded.opened)}."
    return words


def _stale(rooms: Rooms, visit: Visit, number: int, stale: StaleAnswer, filters: Filters) -> Response:
    """Show what somebody else said meanwhile; the form is kept and can be sent as it is, or left."""
    newer = [given for review in stale.newer if (given := given_of(review)) is not None]
    kept = [(name, value) for name, values in visit.form.items() for value in values]
    kept = [(name, value) for name, value in kept if name not in ("form", "seen", "unseen")]
    return rooms.page(
        "stale.html",
        visit,
        status=409,
        site=number,
        newer=newer,
        steps=len(stale.newer),
        kept=kept,
        seen=max(review.id for review in stale.newer),
        tail=filter_query(filters),
    )


def take_back(rooms: Rooms, visit: Visit) -> Response:
    """Take the person's own answer back."""
    number = visit.number()
    if rooms.desk.site(number) is None:
        raise HTTPException(404)
    check_form(visit.session, visit.path, visit.sent("form"))
    lead, seen = _whole(visit.sent("lead")), _whole(visit.sent("seen"))
    try:
        answers.take_back(rooms.desk, number, lead, seen, visit.name)
    except StaleAnswer:
        raise StoreError(
            "Somebody answered this case after you, so nothing was taken back.", "Open the case and look at it again."
        ) from None
    with visit.session.lock:
        visit.session.last_lead = 0
        visit.session.answered = max(0, visit.session.answered - 1)
        visit.session.flash.append(f"Your answer for site {number} was taken back; both stay in the history.")
    return RedirectResponse(f"/case/{number}{filter_query(visit.filters())}", 303)


def alert_step(rooms: Rooms, visit: Visit) -> Response:
    """Acknowledge, close or reopen an alert by hand."""
    number = visit.number("alert")
    check_form(visit.session, visit.path, visit.sent("form"))
    act, store, at = visit.parts["act"], rooms.desk.store, rooms.desk.now()
    note = "".join(c for c in visit.sent("note")[: answers.MAX_NOTE] if c.isprintable())
    if act == "close" and not note.strip():
        raise UsageError("An alert is closed with a reason.", "Say in a few words why.")
    steps = {"acknowledge": store.acknowledge, "close": store.close_alert, "reopen": store.reopen_alert}
    if act not in steps:
        raise HTTPException(404)
    alert = steps[act](number, visit.name, at, note)
    store.log(LogEntry(at, visit.name, f"alert: {act}", f"alert {number}", {"note": note}))
    done = {"acknowledge": "acknowledged", "close": "closed", "reopen": "opened again"}[act]
    with visit.session.lock:
        visit.session.flash.append(f"Alert '{alert.finding.rule}' of tree {alert.finding.tree} was {done}.")
    site = visit.sent("site")
    return RedirectResponse(f"/case/{_whole(site)}{filter_query(visit.filters())}" if site else "/", 303)


def _whole(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) < 16):
        raise HTTPException(400)
    return int(text)


# ---------------------------------------------------------------- pictures and papers


def picture(rooms: Rooms, visit: Visit) -> Response:
    """A patch, a closer one, or the photo, as JPEG."""
    makers = {"patch": pictures.patch_file, "near": pictures.near_file, "view": pictures.view_file}
    sha256, kind = visit.parts["sha256"], visit.parts["kind"]
    known = pictures.is_hash(sha256) and rooms.desk.store.stored_photo(sha256) is not None
    path: Path | None = makers[kind](rooms.desk, sha256) if known and kind in makers else None
    if path is None:
        raise HTTPException(404)
    return FileResponse(path, media_type="image/jpeg", headers={"cache-control": FOR_A_YEAR})


def photo_page(rooms: Rooms, visit: Visit) -> Response:
    """The whole photo, one step from the case."""
    sha256 = visit.parts["sha256"]
    stored = rooms.desk.store.stored_photo(sha256) if pictures.is_hash(sha256) else None
    if stored is None:
        raise HTTPException(404)
    result = rooms.desk.store.result_of(sha256)
    return rooms.page("photo.html", visit, stored=stored, result=result, is_reading=isinstance(result, Reading))


def original(rooms: Rooms, visit: Visit) -> Response:
    """The untouched file, to be kept and not shown."""
    path = pictures.original_file(rooms.desk, visit.parts["sha256"])
    if path is None:
        raise HTTPException(404)
    name = quote(path.name)
    headers = {"content-disposition": f"attachment; filename*=UTF-8''{name}"}
    return FileResponse(path, media_type="application/octet-stream", headers=headers)


def print_page(rooms: Rooms, visit: Visit) -> Response:
    """One page on paper for a specialist: photos, scale, history."""
    view = _view(rooms, visit, visit.number())
    if view.blind:
        raise UsageError("This case is asked without the network's opinion.", "Answer it first, then print it.")
    frames = [view.now, *[f for f in view.frames if f is not view.now][:2]]
    return rooms.page("print.html", visit, view=view, frames=frames, today=rooms.desk.today())


def round_page(rooms: Rooms, visit: Visit) -> Response:
    """Photos that reviewers asked for, in walking order, and cases for a specialist."""
    cases = rooms.queue.cases()
    asked = [
        (cases[given.site], given)
        for given in standing_given(rooms.desk.store.reviews())
        if given.verdict is Verdict.UNSURE and given.site in cases and given.sha256 in cases[given.site].photos
    ]
    asked.sort(key=lambda pair: pair[0].place)
    photos = [pair for pair in asked if pair[1].ask != Ask.SPECIALIST]
    special = [pair for pair in asked if pair[1].ask == Ask.SPECIALIST]
    return rooms.page("round.html", visit, photos=photos, special=special, register=rooms.desk.register)
