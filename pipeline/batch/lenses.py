"""After reading: what the cards in each phone's photos say of its lenses is kept for the photos to come."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

from pipeline import cache, lens

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.grove import Grove
    from pipeline.records import SurfaceFix
    from pipeline.store import Store

LEAST_READINGS = 8
"""A phone with fewer readings is not looked at: the prior would come out anyway."""
GROWTH = 1.25
"""Lenses are learned again when a phone has a quarter more readings."""

_log = logging.getLogger(__name__)


def learn_lenses(grove: Grove, store: Store, still_ours: Callable[[], None]) -> None:
    """Learn the lenses of every phone that has enough new readings.

    A reading that is there keeps the lens it was made with; photos read from now on use the new one.

    Parameters
    ----------
    still_ours
        Called before each phone; raises if another run has taken over.
    """
    settings = grove.settings.surface
    for device, count in store.phones_to_learn(LEAST_READINGS, GROWTH).items():
        still_ours()
        by_lens: dict[str, list[SurfaceFix]] = {}
        for sha256 in store.photos_of_phone(device, lens.MOST_PHOTOS):
            fix = cache.load_fix(grove.cache, sha256)
            if fix is not None and lens.usable(fix):
                by_lens.setdefault(fix.lens, []).append(fix)
        learned = (lens.learn(fixes, device, settings.focal_rel_sd, settings.lens_sd) for fixes in by_lens.values())
        found = [known for known in learned if known is not None]
        for known in found:
            _log.info(
                "Lens %s: focal length times %.4f, k1 %.4f, from %d photos.",
                known.lens, known.focal_factor, known.k1, known.photos,
            )  # fmt: skip
        store.save_lenses(device, found, count)
