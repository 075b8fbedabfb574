"""Which cases need a person, the most urgent first, and which are asked without showing the network's opinion.

Whether a case is asked blind, asked although nothing was flagged, or asked twice is drawn from a hash of site
and day: everybody gets the same draw, a page loaded again gets the same case, and a larger share only adds cases.
"""

from __future__ import annotations

import hashlib
import threading
from bisect import insort
from collections import defaultdict
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from pipeline.records import AlertState, Flag, Severity, Sign
from pipeline.review.gain import GainOrder
from pipeline.review.verdicts import Given, disagree, standing_given

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping
    from datetime import date

    from pipeline.records import Alert
    from pipeline.review.desk import Desk
    from pipeline.settings import ReviewSettings
    from pipeline.store.casebook import Look, Stamp

FIELD_RULES = frozenset({"visit overdue", "retake not done", "sign confirmed", "another photo asked for"})
"""Alerts that are settled at the trunk; a photo on a screen adds nothing."""
DOUBTS = Flag.UNSURE_SIGN | Flag.UNSURE_STAGE | Flag.NOT_LIKE_A_SITE | Flag.DISAGREES_WITHIN_VISIT
RANK = {Severity.ACT: 3, Severity.LOOK: 2, Severity.NOTE: 1}
SIGN_NAMES = frozenset(sign.value for sign in Sign)
FEW = 20
"""So many cases are put into a list one by one; with more it is sorted anew."""
KINDS = ("flagged", "doubt", "disagreement", "blind")
ORDERS = ("urgency", "gain")
LABEL_WORDS = "A label here teaches much: the network is unsure, or few labelled photos look like this one."
BLIND_WORDS = "Asked without the network's opinion: say what you see."


@dataclass(frozen=True, slots=True)
class QueueCase:
    """A site at its last visit, with all that can make it a case."""

    site: int
    tree: str
    stem: str
    block: str
    place: tuple[str, str, str, int]
    visit_on: date
    photos: tuple[str, ...]
    alerts: tuple[Alert, ...]
    doubts: Flag
    sign_p: Mapping[Sign, float]
    given: tuple[Given, ...]
    stage_p: tuple[float, ...] = ()

    @property
    def flagged(self) -> bool:
        """Whether an alert or a doubt speaks for a look."""
        return bool(self.alerts) or bool(self.doubts)

    @property
    def suspected(self) -> frozenset[Sign]:
        """Signs that an open alert speaks of."""
        return frozenset(sign for alert in self.alerts for sign in Sign if alert.finding.key.endswith(f"/{sign.value}"))

    def draw(self, what: str) -> float:
        """A number from 0 to 1 that belongs to this case and purpose for good."""
        return _drawn(f"{what}/{self.site}/{self.visit_on.isoformat()}")


@lru_cache(maxsize=200_000)
def _drawn(text: str) -> float:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8]) / 2**64


@dataclass(frozen=True, slots=True)
class Task:
    """A case as it is put to one person."""

    case: QueueCase
    kind: str
    blind: bool
    severity: Severity
    reasons: tuple[str, ...]

    @property
    def is_strewn(self) -> bool:
        """Whether it has no urgency of its own."""
        return self.kind in ("second", "unflagged")

    @property
    def shown_kind(self) -> str:
        """The kind as the person may see it: all blind ones look alike."""
        return "blind" if self.blind else self.kind


@dataclass(frozen=True, slots=True)
class Filters:
    """What a person wants to see, empty means all; and in which order, the most urgent first unless ``gain``."""

    block: str = ""
    tree: str = ""
    sign: str = ""
    kind: str = ""
    order: str = ""

    def fits(self, task: Task) -> bool:
        """Whether a task is wanted; a filter that would give away a blind case leaves it out."""
        case = task.case
        if (self.block and case.block != self.block) or (self.tree and case.tree != self.tree):
            return False
        if self.kind and task.shown_kind != self.kind:
            return False
        if not self.sign:
            return True
        if task.blind:
            return False
        # as case.suspected has it, without a set for each of thousands of cases
        ends = [alert.finding.key.rpartition("/")[2] for alert in case.alerts]
        named = [end for end in ends if end in SIGN_NAMES]
        if named:
            return self.sign in named
        return self.sign in SIGN_NAMES and case.sign_p.get(Sign(self.sign), 0.0) >= 0.25


def task_for(case: QueueCase, who: str, settings: ReviewSettings) -> Task | None:
    """What to ask this person about a case now; ``None`` if nothing."""
    if not any(g.verdict is not None or not case.alerts for g in case.given):
        return _first_task(case, settings)
    if disagree(case.given):
        names = " and ".join(dict.fromkeys(g.who for g in case.given if g.is_judgement))
        return Task(case, "disagreement", False, Severity.LOOK, (f"{names} see different things here.",))
    judged = [g for g in case.given if g.is_judgement]
    twice = judged and case.draw("second") < settings.second_share
    if twice and len({g.who for g in case.given}) == 1 and who not in {g.who for g in case.given}:
        return Task(case, "second", True, Severity.NOTE, (BLIND_WORDS,))
    return None


def label_task(case: QueueCase, who: str, settings: ReviewSettings) -> Task | None:
    """The same where labels are wanted: a case that nobody has judged is asked about though nothing was flagged."""
    task = task_for(case, who, settings)
    if task is not None or any(g.is_judgement for g in case.given):
        return task
    return Task(case, "label", False, Severity.NOTE, (LABEL_WORDS,))


def _first_task(case: QueueCase, settings: ReviewSettings) -> Task | None:
    if not case.flagged:
        drawn = case.draw("unflagged") < settings.unflagged_share
        return Task(case, "unflagged", True, Severity.NOTE, (BLIND_WORDS,)) if drawn else None
    severity = max((alert.finding.severity for alert in case.alerts), key=RANK.__getitem__, default=Severity.NOTE)
    reasons = tuple(alert.finding.why for alert in case.alerts) or _doubt_words(case.doubts)
    kind = "flagged" if case.alerts else "doubt"
    if case.draw("blind") < settings.blind_share:
        return Task(case, kind, True, severity, (BLIND_WORDS,))
    return Task(case, kind, False, severity, reasons)


def _doubt_words(doubts: Flag) -> tuple[str, ...]:
    from pipeline.records import FLAG_SENTENCES

    return tuple(FLAG_SENTENCES[flag] for flag in Flag if flag & doubts)


def ordered(cases: Iterable[QueueCase], who: str, settings: ReviewSettings, filters: Filters) -> list[Task]:
    """Tasks of a person, the most urgent first.

    By severity, then by the probability of a sign, then by how long the alert is open, then in walking order.
    Second looks and looks at what was not flagged have no urgency of their own; they are strewn in evenly,
    so that their place in the list tells nothing.
    """
    person = _Person(who, settings)
    person.renew({case.site: case for case in cases})
    return person.tasks(filters)


def _place(entry: tuple[tuple[Any, ...], int, Task]) -> tuple[tuple[Any, ...], int]:
    return entry[:2]


class _Person:
    """The tasks of one person, kept in their order; a case that changed is taken out and put in again."""

    def __init__(self, who: str, settings: ReviewSettings) -> None:
        self._who, self._settings = who, settings
        self._urgent: list[tuple[tuple[Any, ...], int, Task]] = []
        self._strewn: dict[int, Task] = {}

    def renew(self, cases: Mapping[int, QueueCase]) -> None:
        """Think again about these cases."""
        self._urgent = [entry for entry in self._urgent if entry[1] not in cases]
        new: list[tuple[tuple[Any, ...], int, Task]] = []
        for site, case in cases.items():
            self._strewn.pop(site, None)
            task = task_for(case, self._who, self._settings)
            if task is not None and task.is_strewn:
                self._strewn[site] = task
            elif task is not None:
                new.append((_urgency(task), site, task))
        if len(new) > FEW:
            self._urgent = sorted(self._urgent + new, key=_place)
            return
        for entry in new:
            insort(self._urgent, entry, key=_place)

    def tasks(self, filters: Filters) -> list[Task]:
        """The list, with what has no urgency of its own strewn in."""
        all_of_them = filters == Filters()
        own = [task for _, _, task in self._urgent if all_of_them or filters.fits(task)]
        strewn = [task for task in self._strewn.values() if filters.fits(task)]
        if not strewn:
            return own
        places = sorted(((t.case.draw("place") * (len(own) + 1), t.case.site, t) for t in strewn), reverse=True)
        out: list[Task] = []
        for at, task in enumerate(own):
            while places and places[-1][0] <= at:
                out.append(places.pop()[2])
            out.append(task)
        return out + [task for _, _, task in reversed(places)]


def _urgency(task: Task) -> tuple[Any, ...]:
    opened = [alert.opened_on for alert in task.case.alerts]
    likely = max(task.case.sign_p.values(), default=0.0)
    return (
        -RANK[task.severity],
        -(task.kind == "disagreement"),
        -round(likely, 3),
        min(opened, default=task.case.visit_on),
        task.case.place,
    )


class Queue:
    """All cases of a grove, kept in memory and made again where something changed."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._lock = threading.RLock()
        self._stamp: Stamp | None = None
        self._cases: dict[int, QueueCase] = {}
        self._lists: dict[tuple[str, Filters], list[Task]] = {}
        self._people: dict[str, _Person] = {}
        self._gain = GainOrder(desk)

    def cases(self) -> dict[int, QueueCase]:
        """Every site that was photographed, by number; only what changed is looked at again."""
        with self._lock:
            stamp = self._desk.store.stamp()
            if stamp != self._stamp:
                changed = None if self._stamp is None else self._desk.store.changed_since(self._stamp)
                if changed is None:
                    self._cases = _cases(self._desk, None)
                    self._people.clear()
                else:
                    # whole trees: an alert about a stem may move from one of its sites to another
                    known = self._desk.register.sites
                    trees = changed[1] | {known[site].tree for site in changed[0] if site in known}
                    sites = {site for tree in trees for site in self._desk.sites_of_tree(tree)}
                    again = _cases(self._desk, sites)
                    self._cases.update(again)
                    for person in self._people.values():
                        person.renew(again)
                self._lists.clear()
                self._stamp = stamp
            return self._cases

    def tasks(self, who: str, filters: Filters | None = None) -> list[Task]:
        """A person's list."""
        wanted = filters or Filters()
        with self._lock:
            cases = self.cases()
            key = (who, wanted)
            if key not in self._lists:
                if len(self._lists) > 200:
                    self._lists.clear()
                if wanted.order == "gain":
                    self._lists[key] = self._by_gain(who, cases, wanted)
                else:
                    self._lists[key] = self._person(who, cases).tasks(wanted)
            return self._lists[key]

    def _person(self, who: str, cases: Mapping[int, QueueCase]) -> _Person:
        if who not in self._people:
            if len(self._people) >= 50:
                self._people.clear()
            self._people[who] = _Person(who, self._desk.settings.review)
            self._people[who].renew(cases)
        return self._people[who]

    def _by_gain(self, who: str, cases: Mapping[int, QueueCase], filters: Filters) -> list[Task]:
        assert self._stamp is not None
        basis = (self._stamp.result, self._stamp.reader)
        tasks = (label_task(cases[site], who, self._desk.settings.review) for site in self._gain.order(cases, basis))
        return [task for task in tasks if task is not None and filters.fits(task)]

    def task(self, site: int, who: str, filters: Filters | None = None) -> Task | None:
        """What is asked of a person about one site; more is asked where labels are wanted."""
        case = self.cases().get(site)
        if case is None:
            return None
        ask = label_task if filters is not None and filters.order == "gain" else task_for
        return ask(case, who, self._desk.settings.review)


def neighbours(tasks: list[Task], site: int) -> tuple[int | None, int | None, int]:
    """Site before and after in a list, and the place counted from 1 (0 if it is not in it)."""
    at = next((i for i, task in enumerate(tasks) if task.case.site == site), None)
    if at is None:
        return None, (tasks[0].case.site if tasks else None), 0
    before = tasks[at - 1].case.site if at > 0 else None
    after = tasks[at + 1].case.site if at + 1 < len(tasks) else None
    return before, after, at + 1


def _cases(desk: Desk, sites: Collection[int] | None) -> dict[int, QueueCase]:
    looks: dict[int, list[Look]] = defaultdict(list)
    for look in desk.store.last_looks(sites):
        looks[look.site].append(look)
    trees = {desk.register.sites[n].tree for n in looks if n in desk.register.sites} if sites is not None else None
    alerts = _alerts_by_site(desk, looks, trees)
    by_photo: dict[str, list[Given]] = defaultdict(list)
    for given in standing_given(desk.store.reviews(sites=sites)):
        by_photo[given.sha256].append(given)
    found: dict[int, QueueCase] = {}
    for number, photos in looks.items():
        site = desk.site(number)
        if site is None:
            continue
        tree = desk.register.trees.get(site.tree)
        place = (tree.block, tree.row, tree.position, number) if tree else ("", "", "", number)
        doubts = Flag.NONE
        for look in photos:
            doubts |= look.flags & DOUBTS
        found[number] = QueueCase(
            site=number,
            tree=site.tree,
            stem=site.stem,
            block=tree.block if tree else "",
            place=place,
            visit_on=photos[-1].visit_on,
            photos=tuple(look.sha256 for look in photos),
            alerts=tuple(alerts.get(number, ())),
            doubts=doubts,
            sign_p={sign: max(look.sign_p.get(sign, 0.0) for look in photos) for sign in Sign},
            stage_p=photos[-1].stage_p,
            given=tuple(
                g for look in photos for g in by_photo[look.sha256] if g.verdict is not None or g.stage is not None
            ),
        )
    return found


def _alerts_by_site(desk: Desk, looks: Mapping[int, list[Look]], trees: set[str] | None) -> dict[int, list[Alert]]:
    """Open alerts that a look at photos can settle, by site; one about a stem goes to a site that it shows."""
    by_photo = {look.sha256: number for number, photos in looks.items() for look in photos}
    found: dict[int, list[Alert]] = defaultdict(list)
    for alert in desk.store.alerts(states=[AlertState.OPEN], trees=trees):
        finding = alert.finding
        if finding.severity is Severity.NOTE or finding.rule in FIELD_RULES:
            continue
        number = finding.site
        if number is None:
            number = next((by_photo[photo] for photo in finding.photos if photo in by_photo), None)
        if number is not None and number in looks:
            found[number].append(alert)
    return found
