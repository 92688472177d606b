"""What was found out about single ports and would otherwise be asked again: `ports.json`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from agent.store.atomic import write_file
from agent.store.home import home


def habits_path() -> Path:
    """The file; may not exist yet."""
    return home() / "ports.json"


def habit(key: str) -> dict[str, Any]:
    """What is remembered of the port known by `key`; empty for a new one or a damaged file."""
    found = _all().get(key, {})
    return dict(found) if isinstance(found, dict) else {}


def remember(key: str, **habits: Any) -> None:
    """Add to what is remembered of a port.  Raises Refused if it cannot be written."""
    known = _all()
    known[key] = habit(key) | habits
    write_file(habits_path(), json.dumps(known, indent=2, sort_keys=True) + "\n")


def _all() -> dict[str, Any]:
    try:
        found = json.loads(habits_path().read_text(encoding="utf-8"))
    except (OSError, ValueError):  # nothing rests on it: the question comes once more
        return {}
    return found if isinstance(found, dict) else {}
