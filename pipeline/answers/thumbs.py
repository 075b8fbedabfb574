"""Very small pictures for the answer, decoded at an eighth of their size where the format allows it."""

from __future__ import annotations

import base64
import io
import logging
import os
from typing import TYPE_CHECKING

from PIL import Image, ImageOps, JpegImagePlugin

from pipeline import cache
from pipeline.errors import PhotoRefused
from pipeline.intake import Format, sniff
from pipeline.intake.decode import open_header

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

    from pipeline.grove import Grove

EDGE_PX = 112
QUALITY = 55
_log = logging.getLogger(__name__)


def data_address(grove: Grove, sha256: str, original: Path, now: datetime) -> str:
    """A small picture of a photo as a ``data:`` address, kept in the cache; ``""`` if it cannot be decoded."""
    kept = grove.cache / "small" / sha256[:2] / f"{sha256}.jpg"
    try:
        content = kept.read_bytes()
    except OSError:
        content = b""
    if not content:
        content = _make(grove, sha256, original, now)
        _keep(kept, content)
    return f"data:image/jpeg;base64,{base64.b64encode(content).decode()}" if content else ""


def _make(grove: Grove, sha256: str, original: Path, now: datetime) -> bytes:
    try:
        data = original.read_bytes()
        if sniff(data[:64]) is Format.JPEG:
            open_header(data, Format.JPEG, grove.settings.intake)  # no bomb gets past it
            # the plug-in itself: Image.open would apply its own, process-wide pixel limit beside ours
            image: Image.Image = JpegImagePlugin.JpegImageFile(io.BytesIO(data))
            image.draft("RGB", (2 * EDGE_PX, 2 * EDGE_PX))
            image = ImageOps.exif_transpose(image).convert("RGB")
        else:
            made = cache.thumbnail(grove.cache, original, sha256, grove.settings, now)
            if made is None:
                return b""
            with Image.open(made) as opened:
                image = opened.convert("RGB")
        image.thumbnail((EDGE_PX, EDGE_PX))
        buffer = io.BytesIO()
        image.save(buffer, "JPEG", quality=QUALITY)
    except (PhotoRefused, OSError, SyntaxError, ValueError, TypeError, EOFError, RuntimeError) as error:
        _log.info("No small picture of %s: %s", original.name, error)
        return b""
    return buffer.getvalue()


def _keep(path: Path, content: bytes) -> None:
    if not content:
        return
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        half = path.with_name(f".{path.name}.{os.getpid()}.part")
        half.write_bytes(content)
        half.replace(path)
    except OSError as error:
        _log.info("The small picture %s could not be kept: %s", path, error)
