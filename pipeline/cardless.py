"""A photo in which no card can be read: which site it shows, and its sizes, from the bark of that site's other photos.

The site is told by the round: sites that the same phone photographed with their cards shortly before or after.  Their
bark is looked for in the photo; where that of exactly one site is found again, the photo is that site's, and its sizes
are read in the scale of the other photo, with a larger uncertainty and a flag.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline import flow, intake, placing, registration, surface, ties
from pipeline.errors import PhotoRefused

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from pipeline.flow import PhotoRead, ReadContext
    from pipeline.records import Photo, Reader, Reading, SitePatch, SurfaceFix


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """A photo of a site that was measured by its card: its reading, and its overview patch with its geometry."""

    reading: Reading
    patch: SitePatch


@dataclass(frozen=True, slots=True, eq=False)
class Placed:
    """Which site a photo shows; ``read`` is ``None`` where its sizes cannot be read all the same."""

    site: int
    read: PhotoRead | None


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    known: Known
    rough: SurfaceFix
    places: NDArray[np.float64]


def read(
    data: bytes,
    file: str,
    sha256: str,
    candidates: Mapping[int, Sequence[Known]],
    context: ReadContext,
    reader: Reader,
) -> Placed | None:
    """Find out whose bark a photo without a readable card shows, and read it.

    Parameters
    ----------
    data, file, sha256
        As for :func:`pipeline.flow.read_photo`.
    candidates
        Sites that it may show, each with photos of it, the likeliest first.
    context, reader
        Settings, register and the reader.

    Returns
    -------
    Placed or None
        ``None`` where no site's bark is found, or that of several.
    """
    settings = context.settings
    try:
        photo = intake.open_photo(
            data, file, sha256, settings.intake, settings.grove.zone, context.now, shifts=context.shifts
        )
    except PhotoRefused:
        return None
    seen = placing.features_of(photo)
    if seen is None:
        return None
    found = {
        site: laid
        for site, several in candidates.items()
        if (laid := _first_laid(photo, seen, several, context)) is not None
    }
    if len(found) != 1:
        return None
    ((site, laid),) = found.items()
    fix = (
        None
        if laid.known.patch.fix is None
        else placing.finer_pose(photo, laid.known.patch.fix, laid.rough, laid.places)
    )
    if fix is None:
        return Placed(site, None)
    try:
        return Placed(site, flow.read_placed(photo, site, fix, laid.known.reading.sharpness_mm, context, reader))
    except PhotoRefused:
        return Placed(site, None)


def _first_laid(photo: Photo, seen: placing.Features, several: Sequence[Known], context: ReadContext) -> _Laid | None:
    return next((laid for known in several if (laid := _laid(photo, seen, known, context)) is not None), None)


def _laid(photo: Photo, seen: placing.Features, known: Known, context: ReadContext) -> _Laid | None:
    """The photo unrolled and laid over another one of a site, if it is the same place."""
    mask = ties.wound_mask(known.patch, known.reading)
    rough = placing.rough_pose(photo, seen, known.patch, mask)
    if rough is None:
        return None
    settings = context.settings
    try:
        patch = surface.unroll(photo, rough.fix, known.patch.window, settings.patch.overview_px, None)
    except PhotoRefused:
        return None
    laid = registration.register(known.patch, patch, mask)
    if laid.blocks < ties.LEAST_BLOCKS or laid.same_place < settings.alerts.same_place_score:
        return None
    return _Laid(known, rough.fix, np.column_stack([laid.places_earlier, laid.places_later, laid.places_sd_mm]))
