"""What this bench knows of its workshop: one file in the user's data folder, without secrets.

format: plumbelt-workshop/1
url: postgresql://anna@shop.local/plumbelt
sync: auto            # after each verb that changes something; else only when asked
due_days: 180         # a machine is due this long after its last tune
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final, Literal

from agent.errors import BadInput, Refused
from agent.store.atomic import write_file
from agent.store.home import home
from agent.store.nodes import read_file
from agent.store.strict import Choice, Key, Text, Whole, read_sheet
from agent.store.strict import Table as Sheet
from agent.store.yamltext import dump
from agent.workshop.server import checked_address

FORMAT: Final = "plumbelt-workshop/1"


@dataclass(frozen=True, slots=True)
class Joined:
    """The workshop that this bench has joined."""

    url: str
    sync: Literal["auto", "asked"] = "asked"
    due_days: int = 180  #: our own choice: no standard sets an interval (ISO 10012, 7.1.2)


def _joined(**found: Any) -> Joined:
    found.pop("format")
    try:
        checked_address(found["url"])
    except BadInput as wrong:
        raise ValueError(f"{wrong.what} (url)") from None
    return Joined(**found)


_FILE: Final = Sheet(
    _joined,
    {
        "format": Key(Choice((FORMAT,)), required=True),
        "url": Key(Text(most=1000), required=True),
        "sync": Key(Choice(("auto", "asked"))),
        "due_days": Key(Whole(1, 36500)),
    },
    "the workshop of this bench",
)


def settings_path() -> Path:
    return home() / "workshop.yaml"


def joined(path: Path | None = None) -> Joined | None:
    """The workshop of this bench, None if it has joined none.  Raises BadInput."""
    place = path or settings_path()
    if not place.exists():
        return None
    return read_sheet(read_file(place), str(place), _FILE)


def must_be_joined(path: Path | None = None) -> Joined:
    """As `joined`; raises Refused if there is none."""
    found = joined(path)
    if found is None:
        raise Refused(
            "this bench has joined no workshop",
            remedy="'workshop join postgresql://USER@HOST/DATABASE' does it",
        )
    return found


def join(settings: Joined, path: Path | None = None) -> Path:
    """Keep which workshop this bench has joined; the file."""
    checked_address(settings.url)
    place = path or settings_path()
    write_file(place, dump({"format": FORMAT, **asdict(settings)}))
    return place
