"""What every family of controllers must be able to say.

A family is stateless: it turns questions into lines, replies into settings, and wanted values
into lines.  It opens nothing and waits for nothing; `agent.families` pairs it with a link.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from agent.model.settings import Event, Readback
from agent.wire.exchange import Window
from agent.wire.link import End
from agent.wire.notices import notice

__all__ = ["End", "Family", "Query", "StoreWords", "notices_in"]


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


class Family(Protocol):
    """One family of controllers, described by what it sends."""

    name: str
    words: StoreWords
    numbered_lines: bool  #: takes line numbers and checksums
    ack_first: bool  #: acknowledges on reception, data after it
    query_settings: tuple[Query, ...]  #: read-only lines that together list all settings
    names_itself: Query | None  #: read-only line for its name, where M115 does not tell
    window: Window  #: how much may be in flight while a piece is laid
    pause: float  #: seconds to leave between an answer and the next question

    def parse(self, lines: Sequence[str]) -> Readback:
        """Settings, events and damage in the reply to `query_settings`; never raises."""
        ...

    def write_line(self, key: str, value: float, readback: Readback) -> str:
        """The one line that sets `key` to `value` (in the unit of the key).

        Raises Refused for a key that `readback` does not hold or that the family cannot set,
        and for a value that is not a positive finite number where the key wants one.
        """
        ...

    def reply_events(self, line: str, reply: Sequence[str]) -> tuple[Event, ...]:
        """What the reply to any line (store, reload, ...) tells: stored, storage_write_failed..."""
        ...

    def file_line(self, key: str, value: float) -> str | None:
        """The line to edit in the controller's file, where storing does not cover `key`."""
        ...


def notices_in(lines: Sequence[str]) -> tuple[Event, ...]:
    """What the lines of a reply tell, each thing once: some controllers say it several times."""
    found: list[Event] = []
    for event in filter(None, map(notice, lines)):
        if event not in found:
            found.append(event)
    return tuple(found)
