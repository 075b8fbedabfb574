"""Pictures for the pages: the unrolled patch and its place in mm, a closer one, the photo as a browser shows it.

All of them can be made again from the originals and lie in the grove's cache; names are hashes, never a person's text.
"""

from __future__ import annotations

import io
import json
import logging
import re
import threading
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image, UnidentifiedImageError

from pipeline import cache, card, colour, intake, surface
from pipeline.errors import PhotoRefused
from pipeline.records import Window

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.records import SitePatch
    from pipeline.review.desk import Desk

_log = logging.getLogger(__name__)
_HASH = re.compile(r"[0-9a-f]{64}\Z")
NEAR_PX = 1600
VIEW_PX = 2048
QUALITY = 88
_one_at_a_time = threading.Semaphore(1)
"""Decoding a photo takes much memory; two cores serve everybody."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a patch lies on the bark and how large it is."""

    window: Window
    width_px: int
    height_px: int
    source_px_per_mm: float
    has_scale: bool


def is_hash(text: str) -> bool:
    """Whether a text is a SHA-256 in lower-case hex; nothing else becomes part of a path."""
    return _HASH.match(text) is not None


def place_of(desk: Desk, sha256: str) -> Place | None:
    """Place of a photo's patch, made first if the cache lost it; ``None`` where there is none."""
    path = patch_file(desk, sha256)
    return None if path is None else _place(path, path.stat().st_mtime_ns)


@lru_cache(maxsize=4096)
def _place(path: Path, _changed: int) -> Place | None:
    try:
        with Image.open(path) as image:
            said = json.loads(image.info["comment"])
            width_px, height_px = image.size
    except (OSError, UnidentifiedImageError, KeyError, ValueError) as error:
        _log.warning("The patch %s cannot be used (%s).", path, error)
        return None
    left, top, step = said["left_mm"], said["top_mm"], said["mm_per_px"]
    window = Window(left, left + width_px * step, top - height_px * step, top)
    return Place(window, width_px, height_px, said["source_px_per_mm"], said["has_scale"])


def patch_file(desk: Desk, sha256: str) -> Path | None:
    """File of the overview patch, made again from the original if need be; ``None`` if that cannot be read."""
    if not is_hash(sha256):
        return None
    if not cache.has_patch(desk.grove.cache, sha256):
        patch = _unrolled(desk, sha256, near=False)
        if patch is None:
            return None
        cache.save_patch(desk.grove.cache, sha256, patch)
    return cache.patch_path(desk.grove.cache, sha256)


def near_file(desk: Desk, sha256: str) -> Path | None:
    """File of the same window of bark with all the pixels that the photo has (at most 1,600 along an edge)."""
    return _made(desk, sha256, "near")


def view_file(desk: Desk, sha256: str) -> Path | None:
    """File of the photo, upright and small enough for a browser, whatever its format was."""
    return _made(desk, sha256, "views")


def original_file(desk: Desk, sha256: str) -> Path | None:
    """The original, never changed; ``None`` unless it is a photo of this grove and lies in its folder."""
    stored = desk.store.stored_photo(sha256) if is_hash(sha256) else None
    if stored is None:
        return None
    folder = desk.grove.photos.resolve()
    path = (folder / stored.stored).resolve()
    return path if path.is_relative_to(folder) and path.is_file() else None


def _made(desk: Desk, sha256: str, kind: str) -> Path | None:
    if not is_hash(sha256):
        return None
    path = desk.grove.cache / kind / sha256[:2] / f"{sha256}.jpg"
    if path.is_file() and path.stat().st_size > 0:
        return path
    image = _near_image(desk, sha256) if kind == "near" else _view_image(desk, sha256)
    if image is None:
        return None
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=QUALITY)
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_name(f".{path.name}.{threading.get_ident()}.part")
    half.write_bytes(buffer.getvalue())
    half.replace(path)
    return path


def _near_image(desk: Desk, sha256: str) -> Image.Image | None:
    patch = _unrolled(desk, sha256, near=True)
    return None if patch is None else Image.fromarray(patch.rgb)


def _view_image(desk: Desk, sha256: str) -> Image.Image | None:
    path = original_file(desk, sha256)
    if path is None:
        return None
    settings = desk.settings
    with _one_at_a_time:
        try:
            photo = intake.open_file(path, sha256, settings.intake, settings.grove.zone, desk.now())
        except (PhotoRefused, OSError) as error:
            _log.info("No view of %s: %s", path, error)
            return None
        image = Image.fromarray(photo.pixels)
        image.thumbnail((VIEW_PX, VIEW_PX), reducing_gap=2.0)
        return Image.fromarray(colour.srgb_of(np.asarray(image), photo.camera.colour_profile))


def _unrolled(desk: Desk, sha256: str, near: bool) -> SitePatch | None:
    """The overview window of a photo's site, unrolled from the original."""
    path, result = original_file(desk, sha256), desk.store.result_of(sha256)
    site = desk.site(result.site) if result is not None and result.site is not None else None
    if path is None or site is None:
        return None
    settings = desk.settings
    with _one_at_a_time:
        try:
            photo = intake.open_file(path, sha256, settings.intake, settings.grove.zone, desk.now())
            found = card.find_card(photo.pixels, settings.card)
            day = (photo.taken_at or desk.now()).astimezone(settings.grove.zone).date()
            # the geometry that the reading was made with, so that its outlines fit; a lens may have been learned since
            fix = cache.load_fix(desk.grove.cache, sha256) or surface.fit_surface(
                photo,
                found,
                desk.register.girth_mm(site.site, day),
                settings.surface,
                desk.store.lenses().get(photo.camera.lens),
            )
            balance = colour.white_balance(photo, found, fix)
            window = surface.overview_window(site, settings.patch)
            patch = surface.unroll(photo, fix, window, settings.patch.overview_px, balance)
            if near:
                px = min(NEAR_PX, max(settings.patch.overview_px, round(window.height_mm * patch.source_px_per_mm)))
                patch = surface.unroll(photo, fix, window, px, balance)
        except (PhotoRefused, OSError) as error:
            _log.info("No patch of %s: %s", path, error)
            return None
    return patch
