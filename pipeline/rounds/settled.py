"""Refused photos without a readable card that need no retake any more, though nobody knows which site they show.

A hand walks from tree to tree.  The photos that the same phone took before and after, in the same folder, tell between
which trees a photo was taken.  If a good photo of a site there came later that was not there before, and nothing that
is due is missing any more at those trees, then whatever site it was, it has its photo.  That is all that is claimed:
which site it showed stays unknown.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline.records import Outcome
from pipeline.rounds.walk import in_walking_order

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence
    from datetime import datetime

    from pipeline.records import PhotoFacts, Register


def answered_by_the_walk(
    photos: Sequence[PhotoFacts], missing_trees: Collection[str], register: Register, gap: timedelta
) -> frozenset[str]:
    """Hashes of refused photos without a site where nothing due is missing any more.

    Parameters
    ----------
    photos
        What arrived in the last days.
    missing_trees
        Trees at which the round still lacks a photo.
    gap
        Photos of a walk further apart in time than this say nothing of one another.
    """
    walks = _walks(photos)
    lost = [p for p in photos if p.outcome is Outcome.REFUSAL and p.site is None and p.taken_at is not None]
    if not lost:
        return frozenset()
    place = {tree: number for number, tree in enumerate(in_walking_order(register.trees, register))}
    missing = {place[tree] for tree in missing_trees if tree in place}
    found = set()
    steps: dict[tuple[str, str], list[_Step]] = {}
    for photo in lost:
        key = (_folder(photo), photo.device)
        if key not in steps:
            steps[key] = _of_phone(photo.device, walks.get(key[0], ()), register, place)
        walk = steps[key]
        span = _where(photo, walk, gap)
        if span is None or any(span[0] <= tree <= span[1] for tree in missing):
            continue
        if _came_later(photo, [step for step in walk if span[0] <= step.place <= span[1]]):
            found.add(photo.sha256)
    return frozenset(found)


def sent_again(photos: Sequence[PhotoFacts]) -> frozenset[str]:
    """Hashes of refused files in whose place a good photo of the same name came later, from the same folder."""
    latest: dict[str, datetime] = {}
    for photo in photos:
        if photo.outcome is Outcome.READING:
            latest[photo.file] = max(photo.arrived_at, latest.get(photo.file, photo.arrived_at))
    return frozenset(
        p.sha256
        for p in photos
        if p.outcome is Outcome.REFUSAL and (came := latest.get(p.file)) is not None and came >= p.arrived_at
    )


def _folder(photo: PhotoFacts) -> str:
    return photo.file.rpartition("/")[0]


def _walks(photos: Iterable[PhotoFacts]) -> dict[str, list[PhotoFacts]]:
    """Photos that were read, by folder, in the order in which they were taken."""
    walks: dict[str, list[PhotoFacts]] = defaultdict(list)
    for photo in photos:
        if photo.outcome is Outcome.READING and photo.taken_at is not None and photo.site is not None:
            walks[_folder(photo)].append(photo)
    for walk in walks.values():
        walk.sort(key=lambda p: (p.taken_at, p.file))
    return dict(walks)


@dataclass(frozen=True, slots=True)
class _Step:
    """A good photo of a walk: when, of which site, and the place of its tree in the walking order."""

    at: datetime
    site: int
    place: int


def _of_phone(device: str, walk: Sequence[PhotoFacts], register: Register, place: Mapping[str, int]) -> list[_Step]:
    """Good photos of the same phone, as far as both are known."""
    steps = []
    for other in walk:
        site = register.sites.get(other.site) if other.site is not None else None
        same_phone = not other.device or not device or other.device == device
        if site is not None and other.taken_at is not None and same_phone and site.tree in place:
            steps.append(_Step(other.taken_at, site.site, place[site.tree]))
    return steps


def _where(photo: PhotoFacts, walk: Sequence[_Step], gap: timedelta) -> tuple[int, int] | None:
    """First and last tree, in walking order, at which a photo may have been taken; ``None`` if nothing tells.

    With a neighbour on one side only, the next tree on either side of it counts too.
    """
    taken_at = photo.taken_at
    if taken_at is None:
        return None
    near = [step for step in walk if abs(step.at - taken_at) <= gap]
    before = next((step.place for step in reversed(near) if step.at <= taken_at), None)
    after = next((step.place for step in near if step.at > taken_at), None)
    if before is not None and after is not None:
        return min(before, after), max(before, after)
    one = before if before is not None else after
    return None if one is None else (one - 1, one + 1)


def _came_later(photo: PhotoFacts, there: Sequence[_Step]) -> bool:
    """Whether a site there has its first photo of these days after this one was taken."""
    taken_at = photo.taken_at
    if taken_at is None:
        return False
    first = taken_at - timedelta(hours=12)
    before = {step.site for step in there if first <= step.at <= taken_at}
    return any(step.at > taken_at and step.site not in before for step in there)
