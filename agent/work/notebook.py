"""What a session keeps while it goes on: the record, the journals of its changes, the port's lock.

A session on a real machine keeps everything on the disk; a rehearsal keeps it in memory, so that
an invented machine never enters the record.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from typing import TYPE_CHECKING, Any, Literal, Protocol

from agent.errors import AgentError, Refused

if TYPE_CHECKING:
    from agent.model.settings import Readback
    from agent.store.journal import FileJournal, Journal
    from agent.store.locks import PortLock
    from agent.store.record import Kind, Record
    from agent.store.record import Session as RecordSession


class Notebook(Protocol):
    """Where a session keeps what happens."""

    trouble: str  #: why something could not be kept; empty if all was

    def hold(self, port: str) -> None:
        """Take `port` for this session alone.  Raises LinkFailed if another agent has it."""
        ...

    def begin(self, machine: str, port: str, readback: Readback) -> None:
        """Begin to keep what happens on a machine that was just attached."""
        ...

    def traffic(self, at: float, way: Literal[">", "<"], text: str) -> None:
        """Keep one line on the wire; never raises."""
        ...

    def readback(self, readback: Readback) -> None: ...

    def estimate(self, plain: Mapping[str, Any]) -> None: ...

    def note(self, kind: Kind, body: Mapping[str, Any]) -> None: ...

    def journal(self, machine: str, digest: str) -> AbstractContextManager[Journal]:
        """A journal for the time of one transaction."""
        ...

    def entries(self) -> tuple[Mapping[str, Any], ...]:
        """Journal entries of this session's changes, oldest first."""
        ...

    def close(self) -> None:
        """The machine was detached: let go of its port and record."""
        ...


class MemoryNotebook:
    """Keeps the journals alone, and those in memory."""

    def __init__(self) -> None:
        self.trouble = ""
        self._journals: list[Sequence[Mapping[str, Any]]] = []

    def hold(self, port: str) -> None:
        return

    def begin(self, machine: str, port: str, readback: Readback) -> None:
        return

    def traffic(self, at: float, way: Literal[">", "<"], text: str) -> None:
        return

    def readback(self, readback: Readback) -> None:
        return

    def estimate(self, plain: Mapping[str, Any]) -> None:
        return

    def note(self, kind: Kind, body: Mapping[str, Any]) -> None:
        return

    @contextmanager
    def journal(self, machine: str, digest: str) -> Iterator[Journal]:
        from agent.store.journal import MemoryJournal

        journal = MemoryJournal()
        self._journals.append(journal.entries)
        yield journal

    def entries(self) -> tuple[Mapping[str, Any], ...]:
        return tuple(entry for journal in self._journals for entry in journal)

    def close(self) -> None:
        return


class DiskNotebook:
    """Keeps everything in the user's data folder.

    A record that cannot be written is told (`trouble`) and hinders nothing; a journal that cannot
    be written refuses the change it was for.
    """

    def __init__(self) -> None:
        self.trouble = ""
        self._record: Record | None = None
        self._session: RecordSession | None = None
        self._lock: PortLock | None = None
        self._journals: list[FileJournal] = []

    def hold(self, port: str) -> None:
        from agent.store.locks import PortLock

        if self._lock is not None and self._lock.covers(port):
            return
        try:
            held, self._lock = self._lock, PortLock(port)
            if held is not None:
                held.release()
        except Refused as refusal:  # no place for a lock: the port itself is opened for us alone
            self.trouble = str(refusal)

    def begin(self, machine: str, port: str, readback: Readback) -> None:
        from agent.store.record import Record

        with self._told():
            self._record = Record()
            self._session = self._record.begin(
                machine, port=port, family=readback.family, identity=readback.identity
            )
            self._session.readback(readback)

    def traffic(self, at: float, way: Literal[">", "<"], text: str) -> None:
        if self._session is not None:
            self._session.traffic(at, way, text)

    def readback(self, readback: Readback) -> None:
        if self._session is not None:
            with self._told():
                self._session.readback(readback)

    def estimate(self, plain: Mapping[str, Any]) -> None:
        if self._session is not None:
            with self._told():
                self._session.estimate(plain)

    def note(self, kind: Kind, body: Mapping[str, Any]) -> None:
        if self._session is not None:
            with self._told():
                self._session.note(kind, body)

    @contextmanager
    def journal(self, machine: str, digest: str) -> Iterator[Journal]:
        from agent.store.journal import new_journal, read_journal

        journal = new_journal(machine, digest)
        self._journals.append(journal)
        try:
            yield journal
        finally:
            journal.close()
            if self._record is not None:
                with self._told():
                    self._record.take_over(read_journal(journal.path))

    def entries(self) -> tuple[Mapping[str, Any], ...]:
        from agent.store.journal import read_journal

        return tuple(
            entry for journal in self._journals for entry in read_journal(journal.path).entries
        )

    def close(self) -> None:
        with ExitStack() as stack:
            if self._lock is not None:
                stack.callback(self._lock.release)
            if self._record is not None:
                stack.callback(self._record.close)
            if self._session is not None:
                with self._told():
                    self._session.flush()
        self._record = self._session = self._lock = None

    @contextmanager
    def _told(self) -> Iterator[None]:
        """A failure of the record becomes `trouble`; what is on the wire goes on."""
        try:
            yield
        except AgentError as error:
            self.trouble = str(error)
