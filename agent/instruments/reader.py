"""An instrument on a port: whole lines become readings, anything else is told and left out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from agent.instruments.lines import Damaged, Failed, LineKind, Measured, understand
from agent.wire.framing import LineCutter
from agent.wire.transport import Transport

#: The same line again within this time is the same press of the button, s: nobody seats a caliper
#: twice in it.
SAME_PRESS: Final = 0.4

#: A line is not longer than this; more without an end is junk.
_LONGEST: Final = 80


@dataclass(frozen=True, slots=True)
class Doubled:
    """A line that came twice for one press."""

    text: str


Event = Measured | Failed | Damaged | Doubled


class Instrument:
    """Readings of one instrument, in the order of its presses."""

    def __init__(self, transport: Transport, kind: LineKind) -> None:
        self.transport = transport
        self.kind = kind
        self._lines = LineCutter(_LONGEST)
        self._last: tuple[str, float] = ("", float("-inf"))

    def poll(self, seconds: float) -> list[Event]:
        """What came within `seconds`; at once when something is there.  Raises LinkFailed."""
        data = self.transport.read(self.transport.now() + seconds)
        return list(self._events(data))

    def ask(self) -> None:
        """Ask for a reading, where the instrument answers to that.  Raises LinkFailed."""
        if self.kind.request:
            self._last = ("", float("-inf"))
            self.transport.write(self.kind.request)

    def discard(self) -> int:
        """Leave out what was pressed before anybody asked; how many readings that were."""
        return sum(isinstance(event, Measured) for event in self.poll(0.0))

    def close(self) -> None:
        self.transport.close()

    def _events(self, data: bytes) -> Iterator[Event]:
        for line in self._lines.feed(data.replace(self.kind.terminator, b"\n")):
            if isinstance(line, int):
                yield Damaged(f"{line} bytes without an end")
                continue
            if not line:
                continue
            now = self.transport.now()
            text, at = self._last
            if line == text and now - at < SAME_PRESS:
                yield Doubled(line)
                continue
            event = understand(self.kind, line)
            if isinstance(event, Measured):
                self._last = (line, now)
            yield event
