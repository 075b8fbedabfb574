"""The grove's folder: where everything lies, which settings hold, and how a new one begins.

GROVE/grove.yaml     settings that differ from the defaults
GROVE/register/      trees.csv, stems.csv, sites.csv, events.csv, kept by a person
GROVE/inbox/         where new photos are put
GROVE/photos/        originals, named by their hash, never changed
GROVE/cache/         thumbnails and patches; may be deleted at any time
GROVE/reports/       what was written for people
GROVE/models/        networks of this grove, with their comparisons; in-use.yaml names the one taken into use
GROVE/outbox/        digests of alerts, as text files; made when the first one is written
GROVE/woundwood.db   readings, visits, alerts
"""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from pipeline import places, register, settings
from pipeline.errors import NotAGrove, SettingsError, UsageError, WoundwoodError
from pipeline.records import Register

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date
    from pathlib import Path

SETTINGS_FILE = "grove.yaml"
IN_USE_FILE = "in-use.yaml"
INBOX_NOTE = "READ ME.txt"


@dataclass(frozen=True, slots=True)
class Grove:
    """An opened grove.

    Attributes
    ----------
    root
        Its folder, absolute.
    settings
        All settings that hold for it.
    origins
        For each setting that is not a default, ``"section.name"`` and where it was given.
    register
        Its trees, stems, sites and events, with the rows that were refused.
    """

    root: Path
    settings: settings.Settings
    origins: Mapping[str, str] = field(default_factory=dict)
    register: Register = field(default_factory=Register)

    @property
    def settings_file(self) -> Path:
        """Settings that differ from the defaults."""
        return self.root / SETTINGS_FILE

    @property
    def register_folder(self) -> Path:
        """The four CSV files."""
        return self.root / "register"

    @property
    def inbox(self) -> Path:
        """Where new photos are put."""
        return self.root / "inbox"

    @property
    def photos(self) -> Path:
        """Originals."""
        return self.root / "photos"

    @property
    def cache(self) -> Path:
        """Thumbnails and patches, which can be made again."""
        return self.root / "cache"

    @property
    def reports(self) -> Path:
        """Pages and tables for people."""
        return self.root / "reports"

    @property
    def outbox(self) -> Path:
        """Digests of alerts, as text files."""
        return self.root / "outbox"

    @property
    def models(self) -> Path:
        """Networks trained for this grove."""
        return self.root / "models"

    @property
    def in_use_file(self) -> Path:
        """Names the network that a person took into use; ``grove.yaml`` goes before it."""
        return self.models / IN_USE_FILE

    @property
    def reader(self) -> str:
        """The reader of the settings, for :func:`pipeline.readers.open_reader`.

        A path that leads to a folder in the grove is taken from there, so that a grove may be moved.
        """
        name = self.settings.reading.model
        inside = self.root / name
        return str(inside) if (inside / "contract.json").is_file() else name

    @property
    def database(self) -> Path:
        """The SQLite file."""
        return self.root / "woundwood.db"


def open_grove(
    root: Path,
    config_names: Sequence[str] = (),
    options: Mapping[str, Any] | None = None,
    *,
    environment: Mapping[str, str] | None = None,
    today: date | None = None,
) -> Grove:
    """Open a grove: settings, then register.

    Parameters
    ----------
    root
        The grove's folder.
    config_names
        Named configs (``"nursery"``) or paths of YAML files, applied before ``grove.yaml``.
    options
        ``{"section.name": value}`` from the call; they win over everything.
    environment
        Variables to read settings from (default: the process environment).
    today
        Passed on to the register, which then refuses days that lie ahead.

    Raises
    ------
    NotAGrove
        If the folder does not exist or holds no ``grove.yaml``.
    SettingsError
        If a settings file or value cannot be used.
    RegisterError
        If one of the register's files cannot be read as a table.
    """
    root = root.absolute()
    if not root.is_dir():
        raise NotAGrove(f"There is no folder {root}.", f"Check the path, or make a grove: woundwood init '{root}'")
    if not (root / SETTINGS_FILE).is_file():
        raise NotAGrove(
            f"The folder {root} is not a grove: it holds no {SETTINGS_FILE}.",
            f"Make it one with: woundwood init '{root}'",
        )
    files = [config_file(name) for name in config_names]
    chosen = Grove(root, settings.Settings()).in_use_file
    files += [chosen] if chosen.is_file() else []
    loaded, origins = settings.load(*files, root / SETTINGS_FILE, environment=environment, options=options)
    opened = Grove(root, loaded, origins)
    return Grove(root, loaded, origins, register.load(opened.register_folder, today))


def config_file(name: str) -> Path:
    """File of a named config of ``configs/``, or the path itself if it names a YAML file.

    Raises
    ------
    SettingsError
        If there is no such config; the message lists those there are.
    """
    folder = places.configs_folder()
    if name.endswith((".yaml", ".yml")) or os.sep in name:
        return type(folder)(name)
    names = config_names()
    if name not in names:
        raise SettingsError(f"There is no named config '{name}'.", f"There are: {', '.join(names)}.")
    return folder / f"{name}.yaml"


def config_names() -> list[str]:
    """Names of the configs that travel with Woundwood."""
    return sorted(path.stem for path in places.configs_folder().glob("*.yaml"))


def create(root: Path, name: str, timezone: str) -> list[Path]:
    """Make a folder a grove; whatever is there already stays as it is.

    Parameters
    ----------
    root
        The folder; made if need be.
    name
        The grove's name, printed on cards and reports.
    timezone
        Name of its time zone, e.g. ``"Asia/Bangkok"``.

    Returns
    -------
    list of Path
        The files that were written, in order.

    Raises
    ------
    UsageError
        If the folder is a grove already.
    SettingsError
        If there is no such time zone.
    WoundwoodError
        If the folder cannot be written.
    """
    root = root.absolute()
    if (root / SETTINGS_FILE).exists():
        raise UsageError(f"The folder {root} is a grove already; nothing was changed.", f"Edit {SETTINGS_FILE} in it.")
    # One line of visible letters: it is printed on cards and written into YAML.
    name = "".join(letter for letter in " ".join(name.split()) if letter.isprintable())
    settings.load(environment={}, options={"grove.name": name, "grove.timezone": timezone})
    grove = Grove(root, settings.Settings())
    contents = {grove.register_folder / file: ",".join(columns) + "\n" for file, columns in register.COLUMNS.items()}
    contents[grove.inbox / INBOX_NOTE] = _INBOX_TEXT
    # Last, so that a folder is a grove only once it is a whole one.
    contents[grove.settings_file] = _settings_text(name, timezone)
    written: list[Path] = []
    try:
        for folder in (root, grove.register_folder, grove.inbox, grove.photos, grove.reports):
            folder.mkdir(parents=True, exist_ok=True)
        for path, text in contents.items():
            if _write_new(path, text):
                written.append(path)
    except OSError as error:
        raise WoundwoodError(
            f"The grove cannot be made in {root}: {error.strerror}.", "Check the path, its permissions and free space."
        ) from None
    return written


def _write_new(path: Path, text: str) -> bool:
    try:
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)
    except FileExistsError:
        return False
    return True


def _settings_text(name: str, timezone: str) -> str:
    # A JSON string is a YAML string, with every quotation mark and control character taken care of.
    return f"""\
# Settings of this grove that differ from the defaults. 'woundwood check' shows all of them.

grove:
  # Printed on cards and reports.
  name: {json.dumps(name, ensure_ascii=False)}
  # Used for photos whose tags carry no time zone, and to tell which day a visit belongs to.
  timezone: {json.dumps(timezone)}
  # Months in which wounds are expected to close.
  # growing_months: [4, 5, 6, 7, 8, 9, 10]
"""


_INBOX_TEXT = """\
Put photos of wound sites here; folders by person or by day are fine.

One photo shows one site: the whole card and the whole wound, from 30 to 70 cm, straight from the front, in even light.
Send photos as files, so that they keep their date.

Photos leave this folder once they are kept safely in the folder 'photos'. Nothing is deleted.
"""
