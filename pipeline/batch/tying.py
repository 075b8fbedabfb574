"""After reading: each new photo is laid over the site's visit before, and the site's photos are given one scale.

Where the rim advanced between the two is measured at the same time.

Cut off anywhere, what was saved stays; sites that are not done are done by the next run.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline import cache, ties
from pipeline.batch.words import Progress, RunStage
from pipeline.records import EventKind
from pipeline.store.bark import Tie

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.grove import Grove
    from pipeline.records import Comparison, Reading, Register, SitePatch, SurfaceFix
    from pipeline.store import Store


def tie_sites(
    grove: Grove,
    store: Store,
    register: Register,
    model: str,
    still_ours: Callable[[], None],
    progress: Callable[[Progress], None],
) -> None:
    """Compare and scale every site of which a reading was not compared yet.

    Parameters
    ----------
    register
        With the events that people gave as answers.
    model
        Reader whose readings count.
    still_ours
        Called before each site; raises if another run has taken over.
    """
    basis = f"{ties.VERSION} {model} {grove.settings.reading_hash} {grove.settings.alerts.same_place_score}"
    sites = store.sites_to_tie(basis)
    for done, site in enumerate(sites):
        still_ours()
        progress(Progress(RunStage.COMPARING, done, len(sites)))
        _tie_site(grove, store, register, site, basis)
    if sites:
        progress(Progress(RunStage.COMPARING, len(sites), len(sites)))


def _tie_site(grove: Grove, store: Store, register: Register, site: int, basis: str) -> None:
    readings = store.readings_of([site])
    limit = grove.settings.alerts.same_place_score
    known = store.comparisons_of([r.sha256 for r in readings], basis)
    moved = [e.on for e in register.events_of(site) if e.event is EventKind.CARD_MOVED]
    patches = _Patches(grove)
    found: list[Comparison] = []
    pairs: dict[str, Comparison] = {}
    scores: dict[str, float | None] = {}
    for sha256, earlier in ties.partners(readings, moved).items():
        reading = next(r for r in readings if r.sha256 == sha256)
        for other in earlier:
            comparison = known.get((other.sha256, sha256)) or _compared(patches, other, reading)
            if comparison is None:
                continue
            found.append(comparison)
            scores[sha256] = _better(scores.get(sha256), comparison.same_place)
            if comparison.same_place is not None and comparison.same_place >= limit:
                pairs[sha256] = comparison
            if comparison.same_place is None or sha256 in pairs:
                break
    fixes = {sha256: fix for c in found for sha256 in (c.earlier, c.later) if (fix := patches.fix(sha256)) is not None}
    frames = ties.frames(readings, fixes, found, limit)
    scales = {sha256: scale for frame in frames for sha256, scale in frame.scales.items()}
    by_hash = {r.sha256: r for r in readings}
    fields = [
        field
        for frame in frames
        for sha256, pair in pairs.items()
        if sha256 in frame.number
        and pair.earlier in frame.number
        and by_hash[pair.earlier].visit_on < by_hash[sha256].visit_on
        and (field := ties.rim_field(by_hash[pair.earlier], by_hash[sha256], frame, grove.settings)) is not None
    ]
    given = {r.sha256: Tie(scores.get(r.sha256), scales.get(r.sha256)) for r in readings}
    store.save_ties(found, given, basis, fields)


def _better(first: float | None, second: float | None) -> float | None:
    return max((score for score in (first, second) if score is not None), default=None)


def _compared(patches: _Patches, earlier: Reading, later: Reading) -> Comparison | None:
    first, second = patches.patch(earlier.sha256), patches.patch(later.sha256)
    if first is None or second is None or not (first.has_scale and second.has_scale):
        return None
    return ties.compare(first, earlier, second, later)


class _Patches:
    """Patches of one site from the cache, the last few kept."""

    def __init__(self, grove: Grove) -> None:
        self._folder = grove.cache
        self._kept: dict[str, SitePatch | None] = {}

    def patch(self, sha256: str) -> SitePatch | None:
        if sha256 not in self._kept:
            if len(self._kept) > ties.PHOTOS_BACK + 1:
                self._kept.pop(next(iter(self._kept)))
            self._kept[sha256] = cache.load_patch(self._folder, sha256)
        return self._kept[sha256]

    def fix(self, sha256: str) -> SurfaceFix | None:
        return cache.load_fix(self._folder, sha256)
