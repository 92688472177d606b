"""The book of one machine: its events in the record, and the bench that follows from them.

`append` is the one door through which anything becomes known.  An event is on the disk before
`append` returns; lines on the wire wait and go in batches.  A rehearsal's book is kept in memory,
so that an invented machine never enters the record.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Literal

from agent.bench.events import Event, in_order
from agent.bench.fold import fold
from agent.bench.value import Bench
from agent.errors import AgentError, Refused
from agent.model import UNNAMED
from agent.store.journal import utc_now
from agent.store.rows import new_identity

if TYPE_CHECKING:
    from agent.store.locks import PortLock
    from agent.store.record import Record
    from agent.store.record import Session as RecordSession

#: Lines that are heard before it is known whose they are, at most.
_EARLY: int = 5000


class Book:
    """Events of one machine in memory, and the door that adds to them."""

    def __init__(self) -> None:
        self.events: list[Event] = []
        self._bench = Bench()
        self._loaded = True  # a machine's events are at hand
        self.trouble = ""  #: why something could not be kept; empty if all was

    # --- the one door ----------------------------------------------------------------------------

    def append(self, kind: str, body: Mapping[str, Any]) -> Event:
        """Add an event and fold it in.

        A record that cannot be written is told (`trouble`) and hinders nothing; see `BookJournal`
        for what must not go on then.
        """
        try:
            return self._append(kind, body)
        except AgentError as error:
            self.trouble = str(error)
            return self._fold_in(self._event(kind, body))

    def _append(self, kind: str, body: Mapping[str, Any]) -> Event:
        event = self._event(kind, body)
        self._keep(event)
        return self._fold_in(event)

    def _event(self, kind: str, body: Mapping[str, Any]) -> Event:
        numbered = {**body, "n": self.bench.number + 1}
        return Event(new_identity(), self.session, utc_now(), kind, numbered, self.bench.machine)

    def _fold_in(self, event: Event) -> Event:
        self.events.append(event)
        self.bench = fold((event,), self.bench)
        return event

    def _keep(self, event: Event) -> None:
        """Make an event safe.  Raises Refused if it cannot be."""

    @property
    def bench(self) -> Bench:
        """What the events say: of the machine that was taken up, else of the last one."""
        if not self._loaded:
            self.look_at()
        return self._bench

    @bench.setter
    def bench(self, bench: Bench) -> None:
        self._bench = bench

    # --- views -----------------------------------------------------------------------------------

    @property
    def session(self) -> str:
        """Identity of the attachment that events belong to."""
        return "memory"

    def bench_at(self, tail: str) -> tuple[Bench, Event]:
        """The bench right after the event whose identity ends in `tail`, and that event.

        Raises Refused for none or several.
        """
        found = [i for i, event in enumerate(self.events) if tail and event.id.endswith(tail)]
        if len(found) != 1:
            what = "several entries end" if found else "no entry of this machine ends"
            raise Refused(f"{what} in {tail!r}", remedy="'log list' shows them")
        place = found[0]
        return fold(self.events[: place + 1]), self.events[place]

    @property
    def damage(self) -> tuple[str, ...]:
        """What could not be used of the record, and why."""
        return self.bench.damage

    # --- the link --------------------------------------------------------------------------------

    def hold(self, port: str) -> None:
        """Take `port` for this agent alone.  Raises LinkFailed if another has it."""

    def take_up(self, machine: str, *, port: str, family: str, identity: str, serial: str) -> None:
        """From now on events are of this machine, on this port; its earlier ones are taken up.

        machine: its name, or "" where no profile names it: then what the controller says of itself
        tells which one it is.
        """
        self.look_at(machine or self.bench.machine or UNNAMED)

    def look_at(self, machine: str = "") -> None:
        """The events of `machine`, without its being on the link."""
        if machine and machine != self.bench.machine:
            self.events.clear()
            self.bench = Bench(machine=machine)

    def traffic(self, at: float, way: Literal[">", "<"], *lines: str) -> None:
        """Keep lines that went over the wire together; never raises."""

    def release(self) -> None:
        """Let go of the port; what is known stays."""

    def close(self) -> None:
        """Let go of port and record."""


class BookJournal:
    """Steps of one transaction, events that carry one identity.

    A step that cannot be kept refuses what it was for.
    """

    def __init__(self, book: Book) -> None:
        self._book = book
        self._change = new_identity()

    def note(self, step: str, **data: Any) -> None:
        """Keep a step; it is on the disk when this returns.  Raises Refused if it is not."""
        self._book._append("journal", {"step": step, "change": self._change, **data})


class RecordBook(Book):
    """The book of a machine in the user's record.

    The record is opened when it is first needed.  One that cannot be opened is told, and the work
    goes on in memory; only changes of settings are refused then.
    """

    def __init__(self) -> None:
        super().__init__()
        self._record: Record | None = None
        self._row: RecordSession | None = None
        self._lock: PortLock | None = None
        self._early: list[tuple[float, Literal[">", "<"], tuple[str, ...]]] = []
        self._loaded = False
        self.set_aside = ""  #: what was found wrong with the record, and where the old one is

    @property
    def session(self) -> str:
        return self._row.row.id if self._row is not None else "memory"

    @property
    def record(self) -> Record:
        """The record.  Raises Refused if it cannot be used."""
        if self._record is None:
            from agent.store.record import open_record

            self._record, told = open_record()
            self.set_aside = told or self.set_aside
        return self._record

    def look_at(self, machine: str = "") -> None:
        """What the record holds of `machine`, or of the one that was on the bench last."""
        self._loaded = True
        try:
            name = machine or self.record.last_machine()
            if name and (name != self._bench.machine or not self.events):
                self._end_row()
                self._load(name)
        except AgentError as error:
            self.trouble = str(error)

    def _load(self, machine: str) -> None:
        """Take up the events of a machine."""
        with _nothing_swept():
            self.events = in_order(self._events(machine))
            self.bench = fold(self.events, Bench(machine=machine), checked=True)

    def _events(self, machine: str) -> tuple[Event, ...]:
        """The events of a machine; a record that turns out damaged is renewed first."""
        from agent.store.database import Damaged
        from agent.store.record import renewed

        try:
            return self.record.events(machine)
        except Damaged as damaged:
            place = self.record.path
            self.record.close()
            self._record, self.set_aside = renewed(place, damaged.what)
            return self.record.events(machine)

    @property
    def damage(self) -> tuple[str, ...]:
        """What could not be used of the record, and why."""
        read = tuple(self._record.unreadable.values()) if self._record is not None else ()
        aside = (self.set_aside,) if self.set_aside else ()
        return (*aside, *read, *self.bench.damage)

    def take_up(self, machine: str, *, port: str, family: str, identity: str, serial: str) -> None:
        name, self._loaded = machine, True
        try:
            self._take_over_journals()
            name = name or self.record.machine_of(family, identity, serial, port)
            name = name or name_for(family, identity, serial)
            if name != self.bench.machine or not self.events:
                self._load(name)
            self._end_row()
            self._row = self.record.begin(name, port=port, family=family, identity=identity)
            for at, way, lines in self._early:
                self._row.traffic(at, way, *lines)
        except AgentError as error:
            self.trouble = str(error)
            self._row = None
            if not self.bench.machine or (name and name != self.bench.machine):
                self.events, self.bench = [], Bench(machine=name or UNNAMED)
        self._early.clear()

    def _take_over_journals(self) -> None:
        """Changes that version 0.1.0 kept in files of their own; what broke there is told."""
        from agent.store.journal import journals_folder, read_journal

        folder = journals_folder()
        for path in sorted(folder.glob("*.jsonl")) if folder.is_dir() else ():
            journal = read_journal(path)
            if journal.machine and self.record.take_over(journal):
                self.events.clear()  # so that they are taken up with the others

    def _keep(self, event: Event) -> None:
        if self._row is None:
            if self.trouble:
                raise Refused(
                    "the record cannot be kept, and nothing is changed without it",
                    remedy=self.trouble,
                )
            self._row = self.record.begin(
                self.bench.machine or UNNAMED,
                family=self.bench.family,
                identity=self.bench.identity,
            )
        self._row.keep(event)

    def traffic(self, at: float, way: Literal[">", "<"], *lines: str) -> None:
        if self._row is not None:
            self._row.traffic(at, way, *lines)
        elif len(self._early) < _EARLY:
            self._early.append((at, way, lines))

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

    def release(self) -> None:
        lock, self._lock = self._lock, None
        if lock is not None:
            lock.release()

    def _end_row(self) -> None:
        row, self._row = self._row, None
        if row is not None:
            try:
                row.flush()
            except AgentError as error:
                self.trouble = str(error)

    def close(self) -> None:
        self.release()
        self._end_row()
        record, self._record = self._record, None
        if record is not None:
            record.close()


@contextmanager
def _nothing_swept() -> Iterator[None]:
    """No sweep for cycles meanwhile: of a life of events nothing is garbage, and all is looked at.

    On a record of 10,000 events the sweeps take a third of the time.
    """
    on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if on:
            gc.enable()


def name_for(family: str, identity: str, serial: str) -> str:
    """Name of a machine that no profile names: as its controller names itself."""
    import hashlib

    if not family:
        return UNNAMED
    told = "|".join((family, identity, serial))
    return f"{UNNAMED}-{family}-{hashlib.sha256(told.encode()).hexdigest()[:8]}"
