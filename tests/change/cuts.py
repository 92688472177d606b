"""Breaks at an exact place: a cable pulled after so many bytes, an agent killed at a step."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from agent.errors import LinkFailed, Refused
from agent.wire.transport import Transport
from tests.change.journal import MemoryJournal


class Killed(BaseException):
    """The agent's process ended here, without a word."""


@dataclass
class CutTransport:
    """A transport whose cable comes out after so many bytes sent or received."""

    inner: Transport
    after_sent: int | None = None
    after_received: int | None = None
    sent: int = 0
    received: int = 0
    name: str = "cut://"
    out: bool = False

    def now(self) -> float:
        return self.inner.now()

    def write(self, data: bytes) -> None:
        self._check()
        if self.after_sent is not None and self.sent + len(data) > self.after_sent:
            part = data[: self.after_sent - self.sent]
            self.sent += len(part)
            self.inner.write(part)
            self.out = True
            self._check()
        self.sent += len(data)
        self.inner.write(data)

    def read(self, until: float) -> bytes:
        self._check()
        data = self.inner.read(until)
        if self.after_received is not None and self.received + len(data) > self.after_received:
            data = data[: self.after_received - self.received]
            self.out = True
            if not data:
                self._check()
        self.received += len(data)
        return data

    def close(self) -> None:
        self.inner.close()

    def _check(self) -> None:
        if self.out:
            raise LinkFailed("the cable is out", remedy="Attach again.")


@dataclass
class KilledJournal(MemoryJournal):
    """A journal whose agent is killed just before, or just after, its n-th step is kept."""

    at: int = 0
    kept: bool = True  #: False: killed before the step was safe
    entries: list[Any] = field(default_factory=list)

    def note(self, step: str, **data: Any) -> None:
        if len(self.entries) + 1 == self.at and not self.kept:
            raise Killed
        super().note(step, **data)
        if len(self.entries) == self.at:
            raise Killed


@dataclass
class FullJournal(MemoryJournal):
    """A journal on a disk that is full from its n-th step on."""

    full_from: int = 1
    entries: list[Any] = field(default_factory=list)

    def note(self, step: str, **data: Any) -> None:
        if len(self.entries) + 1 >= self.full_from:
            raise Refused("the disk is full", remedy="Make room.")
        super().note(step, **data)
