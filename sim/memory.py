"""A port without a port: the controller in the same process, on a clock that jumps.

Waiting costs nothing: the clock goes straight to the next thing that happens, so an hour of
laying takes seconds and every timeout is exact.
"""

from __future__ import annotations

from agent.errors import LinkFailed
from sim.cable import Cable
from sim.controller import Controller


class MemoryTransport:
    """Byte pipe with a virtual clock, as `agent.wire.transport` wants it."""

    def __init__(
        self,
        controller: Controller,
        *,
        baud: int | None = 115200,
        name: str = "memory://",
    ) -> None:
        self.name = name
        self.cable = Cable(controller, baud=baud)
        self._now = controller.now
        self._open = True
        self.cable.open(self._now)

    def now(self) -> float:
        return self._now

    def write(self, data: bytes) -> None:
        self._check()
        self._now += len(data) * self.cable.seconds_per_byte
        self.cable.write(data, self._now)

    def read(self, until: float) -> bytes:
        self._check(unplugged=False)
        cable = self.cable
        while True:
            instant = cable.next_instant()
            self._now = max(self._now, until if instant is None else min(until, instant))
            data = cable.read(self._now)
            if data:
                return data
            self._check()
            if self._now >= until:
                return b""

    def close(self) -> None:
        self._open = False

    def _check(self, *, unplugged: bool = True) -> None:
        """Raise LinkFailed where the port is closed or, if that matters, the cable is out."""
        if not self._open:
            raise LinkFailed(f"{self.name} is closed", remedy="Attach again.")
        if unplugged and self.cable.unplugged:
            raise LinkFailed(f"{self.name} has gone", remedy="Put the cable in and attach again.")
