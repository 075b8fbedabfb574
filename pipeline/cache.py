"""Pictures that can be made again: unrolled patches and thumbnails.

    cache/patches/ab/abcdef….jpg         the overview patch of a reading, its place in mm in the JPEG comment
    cache/thumbnails/ab/abcdef….jpg      the photo, small

The folder may be deleted at any time.  The next run makes missing patches again; a thumbnail is made
when it is first asked for.  A file appears whole or not at all.
"""

from __future__ import annotations

import io
import json
import logging
import os
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np
from PIL import Image, UnidentifiedImageError

from pipeline import colour, intake
from pipeline.errors import PhotoRefused
from pipeline.records import Flag, SitePatch, SurfaceFix

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pipeline.settings import Settings

PATCH_QUALITY = 88
THUMBNAIL_QUALITY = 80
_log = logging.getLogger(__name__)


def patch_path(folder: Path, sha256: str) -> Path:
    """Where the patch of a photo lies in a cache folder."""
    return folder / "patches" / sha256[:2] / f"{sha256}.jpg"


def thumbnail_path(folder: Path, sha256: str) -> Path:
    """Where the thumbnail of a photo lies in a cache folder."""
    return folder / "thumbnails" / sha256[:2] / f"{sha256}.jpg"


def save_patch(folder: Path, sha256: str, patch: SitePatch) -> Path:
    """Write a patch with its place and scale; what the photo does not show becomes mid grey."""
    rgb = np.where(patch.valid[..., None], patch.rgb, np.uint8(128))
    place = {
        "left_mm": patch.left_mm,
        "top_mm": patch.top_mm,
        "mm_per_px": patch.mm_per_px,
        "source_px_per_mm": patch.source_px_per_mm,
        "has_scale": patch.has_scale,
        "white_balanced": patch.white_balanced,
        "fix": None if patch.fix is None else _fix_as_json(patch.fix),
    }
    buffer = io.BytesIO()
    Image.fromarray(rgb).save(buffer, "JPEG", quality=PATCH_QUALITY, comment=json.dumps(place))
    return _write(patch_path(folder, sha256), buffer.getvalue())


def load_patch(folder: Path, sha256: str) -> SitePatch | None:
    """A patch from the cache, or ``None`` if it is not there or damaged; its ``valid`` is True everywhere."""
    path = patch_path(folder, sha256)
    try:
        with Image.open(path) as image:
            place = json.loads(image.info["comment"])
            place["fix"] = _fix_of_json(place.get("fix"))
            rgb = np.asarray(image.convert("RGB"))
    except FileNotFoundError:
        return None
    except (OSError, UnidentifiedImageError, KeyError, ValueError, TypeError) as error:
        _log.warning("The patch %s is damaged (%s); it is made again by the next run.", path, error)
        path.unlink(missing_ok=True)
        return None
    return SitePatch(rgb=rgb, valid=np.ones(rgb.shape[:2], dtype=np.bool_), **place)


def load_fix(folder: Path, sha256: str) -> SurfaceFix | None:
    """The geometry with which a patch in the cache was unrolled, without decoding it; ``None`` where it has none."""
    try:
        with Image.open(patch_path(folder, sha256)) as image:
            return _fix_of_json(json.loads(image.info["comment"]).get("fix"))
    except (OSError, UnidentifiedImageError, KeyError, ValueError, TypeError):
        return None


def _fix_as_json(fix: SurfaceFix) -> dict[str, object]:
    values = ((field.name, getattr(fix, field.name)) for field in fields(fix))
    return {name: value.tolist() if isinstance(value, np.ndarray) else value for name, value in values}


def _fix_of_json(said: dict[str, Any] | None) -> SurfaceFix | None:
    if said is None:
        return None
    values: dict[str, Any] = {
        name: np.array(value) if isinstance(value, list) else value for name, value in said.items()
    }
    return SurfaceFix(**values | {"flags": Flag(said["flags"])})


def has_patch(folder: Path, sha256: str) -> bool:
    """Whether a patch is in the cache; an empty file, as a power cut may leave, does not count."""
    try:
        return patch_path(folder, sha256).stat().st_size > 0
    except OSError:
        return False


def thumbnail(folder: Path, photo: Path, sha256: str, settings: Settings, now: datetime) -> Path | None:
    """The thumbnail of a photo, made if it is not there; ``None`` if the photo cannot be decoded.

    Parameters
    ----------
    folder
        The cache folder.
    photo
        The original.
    settings
        ``run.thumbnail_px`` is the longest edge; ``intake`` limits what is decoded.
    now
        Present time (a photo's date is not asked for, but read).
    """
    path = thumbnail_path(folder, sha256)
    if path.exists() and path.stat().st_size > 0:
        return path
    try:
        opened = intake.open_file(photo, sha256, settings.intake, settings.grove.zone, now)
    except (PhotoRefused, OSError) as error:
        _log.info("No thumbnail of %s: %s", photo, error)
        return None
    image = Image.fromarray(opened.pixels)
    image.thumbnail((settings.run.thumbnail_px, settings.run.thumbnail_px), reducing_gap=2.0)
    image = Image.fromarray(colour.srgb_of(np.asarray(image), opened.camera.colour_profile))
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=THUMBNAIL_QUALITY)
    return _write(path, buffer.getvalue())


def _write(path: Path, content: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    half.write_bytes(content)
    half.replace(path)
    return path
