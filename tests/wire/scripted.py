"""A transport whose other end follows a script: no port, a clock of its own."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

from agent.errors import LinkFailed

Answer = Callable[[str], bytes | None]


class Scripted:
    """Answers each received line by `answer`; None means the port is gone.

    Waiting moves the clock, so silence costs nothing.
    """

    name = "scripted"

    def __init__(self, answer: Answer, *, greeting: bytes = b"") -> None:
        self._answer = answer
        self._clock = 0.0
        self._pending = deque([greeting] if greeting else [])
        self._gone = False
        self.received: list[str] = []

    def now(self) -> float:
        return self._clock

    def write(self, data: bytes) -> None:
        if self._gone:
            raise LinkFailed("the port is gone")
        for line in data.decode("ascii").splitlines():
            self.received.append(line)
            said = self._answer(line)
            if said is None:
                self._gone = True
                raise LinkFailed("the port is gone")
            if said:
                self._pending.append(said)

    def read(self, until: float) -> bytes:
        if self._pending:
            return self._pending.popleft()
        self._clock = max(self._clock, until)
        return b""

    def say(self, data: bytes) -> None:
        """Bytes that nobody asked for."""
        self._pending.append(data)

    def close(self) -> None:
        self._gone = True
