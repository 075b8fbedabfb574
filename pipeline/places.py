"""Where the files that travel with the package lie: released networks, named configs, the demo grove."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent


def shared_folder(name: str) -> Path:
    """Folder ``models``, ``configs`` or ``demo_data``: inside an installed wheel, else at the top of the checkout."""
    installed = _PACKAGE / "share" / name
    return installed if installed.is_dir() else _PACKAGE.parent / name


def models_folder() -> Path:
    """Released networks."""
    return shared_folder("models")


def configs_folder() -> Path:
    """Named differences from the default settings."""
    return shared_folder("configs")


def demo_folder() -> Path:
    """The demo grove: its register and its inbox."""
    return shared_folder("demo_data")
