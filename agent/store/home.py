"""Where plumbelt keeps things: the user's data folder, or `PLUMBELT_HOME`."""

from __future__ import annotations

import os
from pathlib import Path

import agent


def home() -> Path:
    """Folder of the record, the journals and the user's profiles; may not exist yet."""
    chosen = os.environ.get("PLUMBELT_HOME")
    if chosen:
        return Path(chosen).expanduser()
    from platformdirs import user_data_path  # imported late: most commands never ask

    return user_data_path("plumbelt", appauthor=False)


def user_profiles() -> Path:
    """Folder of the profiles that were saved here."""
    return home() / "profiles"


def ready_profiles() -> Path:
    """Folder of the profiles that come with plumbelt: beside the package, however installed."""
    return Path(agent.__file__).resolve().parent.parent / "profiles"
