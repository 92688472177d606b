"""Journals: what a change of settings was about to do and did, safe before it happens.

The steps of a change are events of the machine's bench (`agent.bench.book`).  Version 0.1.0 kept
each change in a file of its own; such files are still read, and taken over into the record.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import takewhile
from pathlib import Path
from typing import Any, Final, Protocol

from agent.errors import Refused
from agent.store.atomic import refusal
from agent.store.home import home

#: Step that ends a journal.
CLOSED: Final = "closed"

Entry = Mapping[str, Any]


class Journal(Protocol):
    """Where steps are kept before and after they are done."""

    def note(self, step: str, **data: Any) -> None:
        """Keep a step; what it says is safe when this returns.  Raises Refused if it is not."""
        ...


def utc_now() -> str:
    """The present, as ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class LenientJournal:
    """A journal that no longer stops its transaction, for steps that must be done once begun.

    What is displaced has to be put back whether or not that can be kept; `trouble` says why it
    could not.
    """

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self.trouble: tuple[str, ...] = ()

    def note(self, step: str, **data: Any) -> None:
        try:
            self._journal.note(step, **data)
        except Refused as refused:
            self.trouble = (f"the journal could not be kept to its end: {refused.what}",)


# --- files of version 0.1.0 ----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class JournalFile:
    """A journal as it stands on the disk."""

    path: Path
    entries: tuple[Entry, ...]

    @property
    def machine(self) -> str:
        """Machine named by the plan at its head."""
        plan = self.entries[0].get("plan", {}) if self.entries else {}
        return str(plan.get("machine", ""))


def journals_folder() -> Path:
    return home() / "journals"


def read_journal(path: Path) -> JournalFile:
    """The entries of a journal, up to the first line that is none.

    A last line that the power cut short never happened.  Raises Refused if the file cannot be
    read at all.
    """
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as error:
        raise refusal(error, path, "read") from error
    entries = map(_entry, lines[:-1])  # behind the last line end nothing is whole
    return JournalFile(path, tuple(takewhile(bool, entries)))


def _entry(line: bytes) -> Entry:
    """The step that a line tells; empty for one that is none."""
    try:
        entry = json.loads(line)
    except ValueError:
        return {}
    return entry if isinstance(entry, dict) and "step" in entry else {}
