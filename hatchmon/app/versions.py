"""What ``hatchmon --version`` tells."""

from __future__ import annotations

import platform
from pathlib import Path

from hatchmon import __version__
from hatchmon.adapters.store import StoreError, version_of
from hatchmon.adapters.store.migrations import STEPS
from hatchmon.app.settings import SettingsError, load_settings


def versions() -> list[str]:
    """Lines: this program, its Python, the database it writes, and the one that the settings name."""
    try:
        found = _found(load_settings().store.path)
    except SettingsError as why:
        found = f"no database was looked at: {str(why).splitlines()[0]}"
    except StoreError as why:
        found = str(why)
    return [
        f"hatchmon {__version__}",
        f"Python {platform.python_version()}",
        f"writes databases of version {len(STEPS)}",
        found,
    ]


def _found(path: Path) -> str:
    version = version_of(path)
    if version is None:
        return f"no database at {path} yet"
    if version > len(STEPS):
        return f"{path} has version {version}, of a newer hatchmon: upgrade this one"
    if version < len(STEPS):
        return f"{path} has version {version}: 'hatchmon run' brings it up when it starts"
    return f"{path} has version {version}"
