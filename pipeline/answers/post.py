"""Bring the answers up to date in the inbox; remembers what was assessed, so that an answer costs little."""

from __future__ import annotations

import errno
import os
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline import assess, clocks
from pipeline.answers import thumbs
from pipeline.answers.day import answers_of
from pipeline.answers.page import ANSWER, ROUND, write_answer, write_note
from pipeline.receive.inbox import safe_part
from pipeline.rounds import Round, answered_by_the_walk, sent_again, standings_of_tree, stops_of, write_page
from pipeline.rounds.plan import order, unplaced

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date, datetime
    from pathlib import Path

    from pipeline.answers.day import FolderAnswer
    from pipeline.clocks import Doubt
    from pipeline.grove import Grove
    from pipeline.records import Outcome, PhotoFacts, Refusal, TreeHealth
    from pipeline.rounds import Standing, Stop
    from pipeline.store import Store

TREES_AT_A_TIME = 50
PICTURES_KEPT = 1000
"""Small pictures kept in memory, about 5 kB each; the others are read from the cache when they are shown."""


class Post:
    """Writes the answers of one grove.

    Every tree is assessed once at the beginning; after that, those of which something new was read.
    :meth:`assess_trees` is what a run takes for its own assessment, so that no tree is assessed twice.

    What is kept grows with the register and with the photos of the last days, not with all that were ever read.
    """

    def __init__(self, grove: Grove, store: Store, today: date) -> None:
        self._grove, self._store, self._today = grove, store, today
        self._standings: dict[str, tuple[Standing, ...]] = {}
        self._written: dict[str, FolderAnswer] = {}
        self._answered: set[tuple[str, Outcome]] = set()
        self._pictures: dict[str, str] = {}
        self._earlier: list[PhotoFacts] | None = None

    def assess_trees(self, trees: Sequence[str]) -> tuple[TreeHealth, ...]:
        """Health of the trees named, remembered for the answer."""
        found = assess.assess_trees(self._grove, self._store, trees, self._today, with_outlines=False)
        grove = self._grove
        for health in found:
            self._standings[health.tree.tree] = standings_of_tree(health, grove.register, grove.settings, self._today)
        return found

    def _catch_up(self, facts: Sequence[PhotoFacts]) -> None:
        """Assess every tree that was never looked at, and those of photos that were read since the last answer."""
        register = self._grove.register
        read = {(photo.sha256, photo.outcome): photo.site for photo in facts}
        sites = {site for key, site in read.items() if key not in self._answered}
        touched = {register.sites[site].tree for site in sites if site in register.sites}
        wanted = [t for t in register.trees if t in touched or t not in self._standings]
        for start in range(0, len(wanted), TREES_AT_A_TIME):
            self.assess_trees(wanted[start : start + TREES_AT_A_TIME])
        self._answered = set(read)

    def deliver(self, now: datetime) -> list[str]:
        """Write the answer of every folder in which something arrived today or yesterday, and the round.

        Returns
        -------
        list of str
            A sentence for each folder whose answer could not be written; the next time it is tried again.
        """
        grove, store = self._grove, self._store
        settings, zone = grove.settings, grove.settings.grove.zone
        facts, earlier = self._facts(now)
        self._catch_up(facts)
        refusals, everything = store.refusals(), [*facts, *earlier]
        stops = self._stops(refusals)
        gap = timedelta(minutes=settings.watch.walk_gap_min)
        settled = {
            *store.settled(),
            *answered_by_the_walk(everything, {stop.site.tree for stop in stops}, grove.register, gap),
            *sent_again(everything),
        }
        walk = Round(self._today, order(stops, grove.register), unplaced(refusals, settings, self._today, settled))
        doubts = self._open_doubts(facts)
        problems = self._put(self._write_round, walk, now, place="the inbox")
        folders = {_folder(photo) for photo in facts}
        own = [*facts, *(photo for photo in earlier if _folder(photo) in folders)]
        places = {folder: self._nearest(folder) for folder in folders}
        for answer in answers_of(
            own, walk, doubts, grove.register, zone, places.__getitem__,
            settled=settled, days_shown=settings.watch.days_shown,
        ):  # fmt: skip
            place = f"the folder '{answer.folder}'" if answer.folder else "the inbox"
            problems += self._put(self._write_answer, answer, now, place=place)
        return problems

    def _facts(self, now: datetime) -> tuple[list[PhotoFacts], list[PhotoFacts]]:
        """What arrived today or yesterday, looked up anew; and what arrived before, looked up once: it rests."""
        zone = self._grove.settings.grove.zone
        first = now.astimezone(zone).date() - timedelta(days=1)
        if self._earlier is None:
            kept = self._store.recent_facts(now - timedelta(days=self._grove.settings.watch.days_kept))
            self._earlier = [photo for photo in kept if photo.arrived_at.astimezone(zone).date() < first]
        facts = self._store.recent_facts(now - timedelta(days=2))
        return [p for p in facts if p.arrived_at.astimezone(zone).date() >= first], self._earlier

    def _open_doubts(self, facts: Sequence[PhotoFacts]) -> list[Doubt]:
        """Doubts about clocks, each asked once; those that a person answered are not shown any more."""
        doubts = self._doubts(facts)
        if not doubts:
            return []
        self._store.ask([doubt.question(self._today) for doubt in doubts])
        answered = {question.key for question, answer in self._store.questions() if answer is not None}
        return [doubt for doubt in doubts if doubt.question(self._today).key not in answered]

    def _put(self, write: Callable[..., None], *content: object, place: str) -> list[str]:
        try:
            write(*content)
        except OSError as error:
            return [f"The answer could not be written into {place}: {error.strerror}."]
        return []

    def _write_round(self, walk: Round, now: datetime) -> None:
        grove = self._grove.settings.grove
        write_note(self._grove.inbox, grove.language)
        write_page(
            walk,
            self._grove.inbox / f"{ROUND}.html",
            grove_name=grove.name,
            language=grove.language,
            thumbnail=lambda sha256: self._thumbnail(sha256, now),
        )

    def _write_answer(self, answer: FolderAnswer, now: datetime) -> None:
        grove, folder = self._grove, self._on_disk(answer.folder)
        same = self._written.get(answer.folder) == answer
        if same and all((folder / f"{ANSWER}.{ending}").exists() for ending in ("html", "txt")):
            return
        write_answer(
            answer,
            folder,
            grove_name=grove.settings.grove.name,
            language=grove.settings.grove.language,
            thumbnail=lambda sha256: self._thumbnail(sha256, now),
            photos_shown=grove.settings.watch.photos_shown,
        )
        self._written[answer.folder] = answer

    def _thumbnail(self, sha256: str, now: datetime) -> str:
        if sha256 not in self._pictures:
            if len(self._pictures) >= PICTURES_KEPT:
                self._pictures.pop(next(iter(self._pictures)))
            photo = self._store.stored_photo(sha256)
            original = None if photo is None else self._grove.photos / photo.stored
            self._pictures[sha256] = "" if original is None else thumbs.data_address(self._grove, sha256, original, now)
        return self._pictures[sha256]

    def _stops(self, refusals: Sequence[Refusal]) -> list[Stop]:
        standings = (at for tree in self._grove.register.trees for at in self._standings[tree])
        return stops_of(standings, refusals, self._grove.settings)

    def _doubts(self, facts: Sequence[PhotoFacts]) -> list[Doubt]:
        grove = self._grove
        devices = {photo.device for photo in facts if photo.device}
        history = self._store.days_of_devices(devices) if devices else {}
        return clocks.doubts(facts, history, grove.register, grove.settings.clock, grove.settings.grove.zone)

    def _nearest(self, folder: str) -> str:
        """The folder in which an arrival's answer lies: its own, or the nearest one above that is still there."""
        found = ""
        for part in folder.split("/") if folder else ():
            below = f"{found}/{part}" if found else part
            if self._find(below) is None:
                return found
            found = below
        return found

    def _on_disk(self, folder: str) -> Path:
        path = self._find(folder)
        if path is None:
            raise FileNotFoundError(errno.ENOENT, "the folder is gone", folder)
        return path

    def _find(self, folder: str) -> Path | None:
        """Path of a folder of the inbox by its shown name, if it is there; links are not followed."""
        path: Path | None = self._grove.inbox
        for part in folder.split("/") if folder else ():
            path = _child(path, part) if path is not None else None
        return path


def _folder(photo: PhotoFacts) -> str:
    return photo.file.rpartition("/")[0]


def _child(folder: Path, shown: str) -> Path | None:
    """The sub-folder with this shown name (see :func:`pipeline.receive.safe_name`)."""
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if safe_part(entry.name) == shown and entry.is_dir(follow_symlinks=False):
                    return folder / entry.name
    except OSError:
        return None
    return None
