"""After reading: photos without a readable card are placed by the bark of the sites that the same phone was at.

What is placed and read replaces its refusal; where only the site can be told, the refusal is given it, so that a better
photo of that site answers the request to take it again.
"""

from __future__ import annotations

import logging
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline import __version__, cache, cardless, intake
from pipeline.batch.basis import Bases
from pipeline.cardless import Known
from pipeline.errors import WoundwoodError
from pipeline.records import Flag, Reading, Refusal, RefusalCode

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import datetime

    from pipeline.batch.reading import Count
    from pipeline.crew import Orders
    from pipeline.grove import Grove
    from pipeline.records import Reader
    from pipeline.store import Store
    from pipeline.store.bark import Near

NEAR = timedelta(minutes=15)
"""A phone that photographed a site is near it for about this long."""
STILL_TRIED = timedelta(days=60)
"""Older photos are tried only in the run that refuses them, or on a person's word."""
A_MOMENT = timedelta(microseconds=1)
MOST_SITES, PHOTOS_A_SITE = 6, 2
WITHOUT_CARD = frozenset(
    {RefusalCode.NO_CARD, RefusalCode.HALF_CARD, RefusalCode.ONE_MARKER, RefusalCode.CARD_TOO_SMALL}
)

_log = logging.getLogger(__name__)


def place_without_card(
    grove: Grove, store: Store, orders: Orders, count: Count, still_ours: Callable[[], None]
) -> None:
    """Try photos without a readable card of the last days for which there is something new since they were tried.

    New is a photo that the same phone took near, or a person's word on the site.  What was tried in vain is kept again
    with a later time, so a run that was cut off in between is made up for, and nothing is tried twice.

    Parameters
    ----------
    orders
        Reader and settings of the run.
    count
        What the run came to so far; photos that are read now leave its refusals.
    still_ours
        Called before each photo; raises if another run has taken over.
    """
    words = {sha256: word for sha256, word in store.settled().items() if word.site is not None}
    fresh = {refusal.sha256 for refusal in count.refused}
    bases = Bases(grove.register, grove.settings)
    reader: Reader | None = None
    for refusal in store.refusals():
        if refusal.code not in WITHOUT_CARD or refusal.site is not None or refusal.taken_at is None:
            continue
        word = words.get(refusal.sha256)
        if word is None and refusal.sha256 not in fresh and orders.context.now - refusal.taken_at > STILL_TRIED:
            continue
        near = store.photos_near(refusal.device, refusal.taken_at, NEAR) if refusal.device else []
        sites = _sites_of(near, refusal.taken_at, word.site if word is not None else None, grove)
        news = max([photo.read_at for photo in near] + ([word.at] if word is not None else []), default=None)
        tried_at = store.read_at(refusal.sha256)
        if not sites or news is None or (tried_at is not None and news < tried_at):
            continue
        still_ours()
        if reader is None:
            reader, _ = orders.open_reader(orders.reader_name)
        found = _placed(grove, store, orders, refusal, sites, reader)
        if found is None:
            between = _between(near, refusal.taken_at)
            found = refusal if between is None else replace(refusal, site=between)
        _keep(store, orders, found, bases, count, max(news, orders.context.now) + A_MOMENT)


def _sites_of(near: Sequence[Near], at: datetime, said: int | None, grove: Grove) -> dict[int, list[str]]:
    """Sites that a photo may show, nearest in time first, each with its photos; a person's word goes before."""
    sites: dict[int, list[str]] = {} if said is None else {said: []}
    for photo in sorted(near, key=lambda one: abs(one.taken_at - at)):
        if photo.site in grove.register.sites and photo.taken_at != at:
            sites.setdefault(photo.site, []).append(photo.sha256)
    return dict(list(sites.items())[:MOST_SITES])


def _between(near: Sequence[Near], at: datetime) -> int | None:
    """The site of the photos next before and next after, if it is the same: nobody walks away and comes back."""
    before = max((one for one in near if one.taken_at < at), default=None)
    after = min((one for one in near if one.taken_at > at), default=None)
    if before is None or after is None or before.site != after.site:
        return None
    return before.site


def _placed(
    grove: Grove, store: Store, orders: Orders, refusal: Refusal, sites: Mapping[int, Sequence[str]], reader: Reader
) -> Reading | Refusal | None:
    stored = store.stored_photo(refusal.sha256)
    if stored is None:
        return None
    readings = {r.sha256: r for r in store.readings_of(sites) if not r.flags & (Flag.SCALE_FROM_BARK | Flag.NO_SCALE)}
    candidates: dict[int, list[Known]] = {}
    for site, near in sites.items():
        own = [r for r in readings.values() if r.site == site]
        # photos of that walk first: the same light; then the latest others
        order = [readings[h] for h in near if h in readings] + sorted(own, key=lambda r: r.taken_at, reverse=True)
        known: dict[str, Known] = {}
        for reading in order:
            if len(known) < PHOTOS_A_SITE and reading.sha256 not in known:
                patch = cache.load_patch(grove.cache, reading.sha256)
                if patch is not None and patch.has_scale and patch.fix is not None:
                    known[reading.sha256] = Known(reading, patch)
        candidates[site] = list(known.values())
    try:
        data = intake.bytes_of(grove.photos / stored.stored, grove.settings.intake)
    except OSError as error:
        _log.warning("%s cannot be read: %s", stored.stored, error.strerror)
        return None
    # in a future, as where photos are read: a fault of the program on one photo costs no other
    with ThreadPoolExecutor(1) as pool:
        attempt = pool.submit(cardless.read, data, refusal.file, refusal.sha256, candidates, orders.context, reader)
    failed = attempt.exception()
    if failed is not None:
        if isinstance(failed, WoundwoodError):
            raise failed
        _log.error("The program failed to place %s.", refusal.file, exc_info=failed)
        return None
    placed = attempt.result()
    if placed is None:
        return None
    if placed.read is None:
        return replace(refusal, site=placed.site)
    try:
        cache.save_patch(grove.cache, refusal.sha256, placed.read.patch)
    except OSError as error:
        _log.warning("The patch of %s could not be kept: %s", refusal.file, error)
    return placed.read.reading


def _keep(
    store: Store, orders: Orders, found: Reading | Refusal, bases: Bases, count: Count, read_at: datetime
) -> None:
    context = orders.context
    store.save_results(
        [found],
        model=context.model,
        settings=context.settings.reading_hash,
        read_at=read_at,
        program=__version__,
        bases={found.sha256: bases.of(found)},
    )
    if found.site is not None:
        count.sites.add(found.site)
    if isinstance(found, Reading):
        _log.info("%s shows site %s by its bark.", found.file, found.site)
        count.read += 1
        count.refused = [refusal for refusal in count.refused if refusal.sha256 != found.sha256]
