"""Which reader looks at the patches: the classical one, a released network, or a network in a folder.

A reader is any callable ``SitePatch -> SiteMaps``; its name goes into every reading.  Networks and
OpenCV are loaded when a reader is opened, not before.
"""

from __future__ import annotations

import logging
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline import places
from pipeline.errors import ModelError

if TYPE_CHECKING:
    from pipeline.records import Reader

CLASSICAL = "classical"
RELEASED = "released"
CONTRACT = "contract.json"

_log = logging.getLogger(__name__)


def open_reader(name: str) -> tuple[Reader, str]:
    """Open a reader.

    Parameters
    ----------
    name
        ``"classical"``; ``"released"``, the newest network that travels with the program (the classical
        reader while there is none); or the path of a network's folder.

    Returns
    -------
    reader, model
        The callable and its name with version, as it is written into readings.

    Raises
    ------
    ModelError
        If the folder is not there or its network is damaged or of another kind.
    """
    folder = network_folder(name)
    if folder is None:
        from pipeline import classical

        return classical.read, classical.READER
    from pipeline import network

    loaded = network.load(folder)
    return loaded, loaded.name


def model_of(name: str) -> str:
    """Name with version that :func:`open_reader` would give, without loading the network.

    Raises
    ------
    ModelError
        As :func:`open_reader`.
    """
    folder = network_folder(name)
    if folder is None:
        from pipeline import classical

        return classical.READER
    from pipeline import network

    return str(network.describe(folder)["name"])


def network_folder(name: str) -> Path | None:
    """Folder of the network that a name stands for; ``None`` stands for the classical reader."""
    if name == CLASSICAL:
        return None
    if name == RELEASED:
        folder = newest_release(places.models_folder())
        if folder is None:
            _log.info("There is no released network yet; the classical reader is used.")
        return folder
    folder = Path(name).expanduser()
    if not folder.is_dir():
        raise ModelError(
            f"There is no reader '{name}'.", "Say 'classical', 'released', or the path of a network's folder."
        )
    return folder


def newest_release(models: Path) -> Path | None:
    """The released network with the highest version, or ``None``."""
    if not models.is_dir():
        return None
    folders = [folder for folder in models.iterdir() if folder.is_dir() and (folder / CONTRACT).is_file()]
    return max(folders, key=lambda folder: _version(folder.name), default=None)


def _version(name: str) -> tuple[tuple[int, int, str], ...]:
    """Order of versions: numbers as numbers, so that 1.10 comes after 1.9."""
    parts: list[tuple[int, int, str]] = []
    for part in "".join(c if c.isalnum() else " " for c in name).split():
        digits = part.lstrip("v")
        parts.append((1, int(digits), "") if digits.isdigit() else (0, 0, part))
    return tuple(parts)
