"""Journals: what a change of settings was about to do and did, on the disk before it happens.

One file for each transaction, one JSON object a line, flushed to the disk before `note` returns.
A journal that was not closed is a transaction that broke; `open_journals` finds it at the next
attach.  The record takes over what the journals hold, but a journal needs no record: it can be
written and read when the record is damaged.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final, Protocol

from agent.errors import Refused
from agent.store.atomic import make_folder, refusal, sync_folder
from agent.store.home import home
from agent.store.names import safe_name

#: Step that ends a journal.
CLOSED: Final = "closed"

#: Bytes go into the file as they are; Windows would change line ends.
_AS_IT_IS: Final = getattr(os, "O_BINARY", 0)

Entry = Mapping[str, Any]


class Journal(Protocol):
    """Where steps are kept before and after they are done."""

    def note(self, step: str, **data: Any) -> None:
        """Keep a step; what it says is safe when this returns.  Raises Refused if it is not."""
        ...


def utc_now() -> str:
    """The present, as ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


class MemoryJournal:
    """A journal for rehearsals and tests: gone with the process."""

    def __init__(self) -> None:
        self.entries: list[Entry] = []

    def note(self, step: str, **data: Any) -> None:
        self.entries.append({"step": step, **data})


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


class FileJournal:
    """A journal in a file of its own."""

    def __init__(self, path: Path, clock: Callable[[], str] = utc_now) -> None:
        """Raises Refused if the file is there already or cannot be made."""
        self.path = path
        self._clock = clock
        make_folder(path.parent)
        flags = os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL | _AS_IT_IS
        try:
            self._handle = os.open(path, flags, 0o644)
        except OSError as error:
            raise refusal(error, path, "made") from error
        sync_folder(path.parent)

    def note(self, step: str, **data: Any) -> None:
        _append(self._handle, self.path, {"step": step, "at": self._clock(), **data})

    def close(self) -> None:
        """Let go of the file; says nothing about the transaction."""
        with suppress(OSError):
            os.close(self._handle)

    def __enter__(self) -> FileJournal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def _append(handle: int, path: Path, entry: Entry) -> None:
    """Add one line and flush it; a line that does not fit is taken back.  Raises Refused."""
    line = json.dumps(entry, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"
    before = os.fstat(handle).st_size
    try:
        if os.write(handle, line) != len(line):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        os.fsync(handle)
    except OSError as error:
        with suppress(OSError):
            os.ftruncate(handle, before)
        raise refusal(error, path, "written") from error


# --- finding -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class JournalFile:
    """A journal as it stands on the disk."""

    path: Path
    entries: tuple[Entry, ...]
    damage: str = ""  #: where and why reading stopped before the end

    @property
    def closed(self) -> bool:
        return any(entry.get("step") == CLOSED for entry in self.entries)

    @property
    def machine(self) -> str:
        """Machine named by the plan at its head."""
        plan = self.entries[0].get("plan", {}) if self.entries else {}
        return str(plan.get("machine", ""))


def journals_folder() -> Path:
    return home() / "journals"


def new_journal(machine: str, digest: str, folder: Path | None = None) -> FileJournal:
    """A journal for one transaction, named by time, machine and plan."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    name = f"{stamp}-{safe_name(machine)}-{digest}.jsonl"
    return FileJournal((folder or journals_folder()) / name)


def read_journal(path: Path) -> JournalFile:
    """The entries of a journal, up to the first line that is none.

    A last line that the power cut short never happened.  Raises Refused if the file cannot be
    read at all.
    """
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as error:
        raise refusal(error, path, "read") from error
    entries: list[Entry] = []
    for number, line in enumerate(lines[:-1], 1):  # behind the last line end nothing is whole
        entry = _entry(line)
        if entry is None:
            return JournalFile(path, tuple(entries), f"line {number} is no entry of a journal")
        entries.append(entry)
    return JournalFile(path, tuple(entries))


def _entry(line: bytes) -> Entry | None:
    try:
        entry = json.loads(line)
    except ValueError:
        return None
    return entry if isinstance(entry, dict) and "step" in entry else None


def open_journals(machine: str = "", folder: Path | None = None) -> tuple[JournalFile, ...]:
    """Transactions that broke, oldest first; of one machine if it is named."""
    place = folder or journals_folder()
    if not place.is_dir():
        return ()
    found = [read_journal(path) for path in sorted(place.glob("*.jsonl"))]
    return tuple(
        journal
        for journal in found
        if journal.entries and not journal.closed and machine in ("", journal.machine)
    )


def close_journal(path: Path, why: str) -> None:
    """Mark a broken transaction as dealt with.  Raises Refused if that cannot be kept."""
    try:
        handle = os.open(path, os.O_RDWR | os.O_APPEND | _AS_IT_IS)
    except OSError as error:
        raise refusal(error, path, "opened") from error
    try:
        os.ftruncate(handle, path.read_bytes().rfind(b"\n") + 1)  # a line cut short goes
        _append(handle, path, {"step": CLOSED, "at": utc_now(), "why": why})
    finally:
        os.close(handle)
