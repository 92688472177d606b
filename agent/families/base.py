"""The card of a family: everything that is particular to one kind of controller.

What a family sends, asks, writes, stores, heats and homes, how it is recognised and shown, and
which lines only read: one class in one file says it all, and nothing outside this package asks
for a family by its name.  A card is stateless: it turns questions into lines, replies into
settings, and wanted values into lines.  It opens nothing and waits for nothing;
`agent.families.reading` pairs it with a link.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from agent.errors import Refused
from agent.model.settings import Event, Readback
from agent.model.wording import USUAL_WORDING, Wording
from agent.wire.exchange import Window
from agent.wire.link import End
from agent.wire.notices import notice

__all__ = ["End", "Evidence", "Family", "Query", "Stop", "StoreWords", "notices_in"]

#: Asked of any controller: place, temperatures, name.  Who does not know them changes nothing.
ASKED: Final = frozenset({"M114", "M105", "M115"})

#: M-codes in general use: heaters off, nozzle and bed.
HEATERS_OFF: Final = ("M104 S0", "M140 S0")


@dataclass(frozen=True, slots=True)
class Query:
    """A read-only line and how its reply ends."""

    line: str
    end: End = "ack"
    timeout: float = 10.0  #: seconds of silence after which the answer is given up


@dataclass(frozen=True, slots=True)
class StoreWords:
    """How a family makes settings permanent."""

    store: str | None  #: line that stores what is live; None: writing is storing, or impossible
    reload: str | None  #: line that loads what is stored over what is live
    covers_steps: bool  #: False: the store word does not hold steps; the file must be edited
    writing_stores: bool = False  #: True: there is no trial stage
    file: str = ""  #: what holds the settings that the store word does not cover, in words

    @property
    def kept_by(self) -> Literal["storing", "writing", "file"]:
        """What makes a changed setting permanent."""
        if self.writing_stores:
            return "writing"
        return "storing" if self.covers_steps else "file"


@dataclass(frozen=True, slots=True)
class Evidence:
    """A pattern at the start of a line, and how much it speaks for its family.

    3 and more: no other family sends it; 1: it speaks for the family where nothing else does.
    """

    weight: int
    pattern: str


@dataclass(frozen=True, slots=True)
class Stop:
    """The emergency word: as it is named, and its bytes, which wait behind nothing."""

    word: str
    data: bytes


class Family(ABC):
    """One family of controllers, described by what it sends."""

    name: str
    sends: str  #: how it answers and keeps its settings, in one sentence for people

    # --- how it is recognised
    evidence: tuple[Evidence, ...]
    decided_by: frozenset[str]  #: questions of which one answer is enough to be sure
    dumps_at_boot: bool = False  #: some print all settings at a boot, unasked

    # --- how it is talked to
    numbered_lines: bool = True  #: takes line numbers and checksums
    ack_first: bool = False  #: acknowledges on reception, data after it
    query_settings: tuple[Query, ...]  #: read-only lines that together list all settings
    names_itself: Query | None = None  #: read-only line for its name, where M115 does not tell
    window: Window = Window(lines=4)  #: how much may be in flight while a piece is laid
    pause: float = 0.0  #: seconds to leave between an answer and the next question

    # --- what its lines do
    words: StoreWords
    reads: frozenset[str]  #: lines that change nothing, each in the one form in which it goes out
    sets: frozenset[str]  #: codes that set, store, load or wipe settings
    wording: Wording = USUAL_WORDING  #: how the lines of a piece are worded for it
    standstill: str = "M400"  #: answered once every move has ended; M-code in general use
    unlocks: frozenset[str] = frozenset({"M999"})  #: lines that wake a controller that has halted
    stop: Stop = Stop("M112", b"M112\n")  #: emergency stop; M-code in general use

    @property
    def heats(self) -> bool:
        """Drives heaters; otherwise nozzle and bed are held warm by controllers of their own."""
        return self.wording.heats

    @abstractmethod
    def parse(self, lines: Sequence[str]) -> Readback:
        """Settings, events and damage in the reply to `query_settings`; never raises."""

    @abstractmethod
    def write_line(self, key: str, value: float, readback: Readback) -> str:
        """The one line that sets `key` to `value` (in the unit of the key).

        Raises Refused for a key that `readback` does not hold or that the family cannot set,
        and for a value that is not a positive finite number where the key wants one.
        """

    def reply_events(self, line: str, reply: Sequence[str]) -> tuple[Event, ...]:
        """What the reply to any line (store, reload, ...) tells: stored, storage_write_failed..."""
        return notices_in(reply)

    def file_line(self, key: str, value: float) -> str | None:
        """The line to edit in the controller's file, where storing does not cover `key`."""
        return None

    def edited(self, text: str, wanted: Mapping[str, float]) -> str:
        """`text` of the controller's own file with these values in it, all else as it was.

        Raises Refused for a family that keeps no such file, and for a key that it does not hold.
        """
        raise Refused(
            "This controller keeps its settings by its store word, not in a file of lines",
            remedy="'store' makes them permanent",
        )

    def as_shown(self, letter: str, value: float) -> str:
        """Steps/mm of one axis as this family shows them; empty where only a read-back tells."""
        return ""

    def homes(self, letters: Sequence[str]) -> str | None:
        """The line that homes these axes and no other; None if there is none."""
        return " ".join(["G28", *letters])


def notices_in(lines: Sequence[str]) -> tuple[Event, ...]:
    """What the lines of a reply tell, each thing once: some controllers say it several times."""
    found: list[Event] = []
    for event in filter(None, map(notice, lines)):
        if event not in found:
            found.append(event)
    return tuple(found)
