"""Rows of the record: their columns, the values they become, and their identities."""

from __future__ import annotations

import json
import secrets
import time
import uuid
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from agent.store.checks import Misfit, body_of
from agent.store.tables import TABLES


@dataclass(frozen=True, slots=True)
class SessionRow:
    """One attach of one agent to one machine."""

    id: str
    at: str
    machine: str
    port: str
    family: str
    identity: str
    agent: str


@dataclass(frozen=True, slots=True)
class EntryRow:
    """One thing that was noted."""

    id: str
    session: str
    at: str
    kind: str
    body: Mapping[str, Any]
    machine: str

    @property
    def short(self) -> str:
        """The end of its identity: enough to name it by."""
        return self.id[-8:]


@dataclass(frozen=True, slots=True)
class LineRow:
    """One line on the wire; `at` counts seconds on the link's clock.

    Lines of one instant stand in one row of the record, under the number of the first of them.
    """

    session: str
    n: int
    at: float
    way: str
    text: str


@dataclass(frozen=True, slots=True)
class Point:
    """A figure at a time: a setting as read back, or a parameter as estimated."""

    at: str
    value: float
    u: float | None
    entry: str


#: Space of the identities that are made from the names of journals.
JOURNALS: Final = uuid.UUID("6f0c3f6e-0d0e-5a40-9b52-7c1d2a6f1b10")

#: Tables of an export, with their columns.
COLUMNS: Final[dict[str, tuple[str, ...]]] = {
    table: TABLES[table].names for table in ("session", "entry", "figure", "line")
}

#: Rows of one machine, or all.
OF_MACHINE: Final = {
    "session": "WHERE :machine IS NULL OR t.machine = :machine",
    "entry": "JOIN session s ON s.id = t.session WHERE :machine IS NULL OR s.machine = :machine",
    "figure": "JOIN entry e ON e.id = t.entry JOIN session s ON s.id = e.session "
    "WHERE :machine IS NULL OR s.machine = :machine",
    "line": "JOIN session s ON s.id = t.session WHERE :machine IS NULL OR s.machine = :machine",
}


_last_instant = 0


def new_identity() -> str:
    """An identity that no other row has, later ones sorting behind earlier ones.

    A UUID of version 8 (RFC 9562, 5.8): 60 bits of time in units of 16 ns, the rest at random.
    """
    global _last_instant
    _last_instant = instant = max(time.time_ns() >> 4, _last_instant + 1)
    high, low = instant >> 12, instant & 0xFFF
    tail = secrets.randbits(62)
    return str(uuid.UUID(int=high << 80 | 8 << 76 | low << 64 | 2 << 62 | tail))


def _insert(table: str, verb: str) -> str:
    columns = TABLES[table].names
    return f"{verb} INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"


INSERT: Final = {table: _insert(table, "INSERT") for table in TABLES}
#: As `INSERT`, but a row that is there already stays as it is.
ADD: Final = {table: _insert(table, "INSERT OR IGNORE") for table in TABLES}


def figures_of(entry: EntryRow) -> list[tuple[str, str, float, float | None]]:
    """Rows of an entry's figures: settings of a clean read-back, parameters of an estimate."""
    if entry.kind == "readback" and not entry.body.get("damaged"):
        settings = entry.body["settings"]
        return [(entry.id, key, setting["value"], None) for key, setting in settings.items()]
    if entry.kind == "estimate":
        found = entry.body.get("parameters", {})
        return [(entry.id, f"estimate.{key}", p["value"], p["u"]) for key, p in found.items()]
    return []


def entry_of(row: Sequence[Any]) -> EntryRow:
    """An entry from its columns and the machine of its session.

    Raises Misfit (see `checks`), also for a body that was damaged since it was written.
    """
    body = body_of(row[3], row[4])
    told = body.pop(CHECK, None)
    if told is not None and not _as_written(row[4], told) and told != check_of(body):
        raise Misfit("its check sum is wrong: something has changed it on the disk")
    return EntryRow(row[0], row[1], row[2], row[3], body, row[5])


#: Key of the check sum in a body.
CHECK: Final = "crc"


def check_of(body: Mapping[str, Any]) -> str:
    """CRC-32 (that of ISO 3309, as zlib has it) over a body as JSON."""
    return f"{zlib.crc32(as_json(body).encode()):08x}"


def _as_written(text: str, told: str) -> bool:
    """Whether a body's text ends as `checked_json` ends it, and the sum told is that of the text.

    So nearly every body is checked without being spelled once more; if not, its data decide.
    """
    end = f',"{CHECK}":"{told}"}}'
    return text.endswith(end) and f"{zlib.crc32(text[: -len(end)].encode() + b'}'):08x}" == told


def checked_json(body: Mapping[str, Any]) -> str:
    """A body as JSON with its check sum: a flipped bit on the disk does not pass for a value."""
    return as_json({**body, CHECK: check_of(body)})


def as_json(value: Any) -> str:
    """One line of JSON, as rows and exports hold it."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"))
