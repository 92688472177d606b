"""The cable between a controller and one client: takes its time, and is where faults live.

Both transports use it, the one in memory and the served ones, so that a fault is the same fault
everywhere.
"""

from __future__ import annotations

from collections import deque

from sim.controller import Controller


class Cable:
    """Bytes both ways between a controller and a client, on the controller's clock.

    `baud` None: bytes take no time; else ten bits each.
    """

    def __init__(self, controller: Controller, *, baud: int | None = 115200) -> None:
        self.controller = controller
        self.seconds_per_byte = 10 / baud if baud else 0.0
        self.client_baud = baud  #: speed the client has set, where it is known
        self.unplugged = False
        self._coming: deque[tuple[float, bytes]] = deque()
        self._line_free = 0.0

    def open(self, now: float) -> None:
        """A client has opened the port."""
        self.controller.run(now)
        for trouble in self.controller.troubles:
            trouble.opened(self.controller)

    def unplug(self) -> None:
        """Pull the cable; the controller goes on by itself."""
        self.unplugged = True

    def plug(self) -> None:
        """Put the cable back in."""
        self.unplugged = False

    def write(self, data: bytes, now: float) -> None:
        """The client's bytes arrive at the controller at `now`."""
        if self.unplugged:
            return
        for trouble in self.controller.troubles:
            data = trouble.carry(data, "sent", self)
        if not data:
            return
        self.controller.receive(data, now)
        self._collect(now)

    def read(self, now: float) -> bytes:
        """What has arrived at the client by `now`."""
        self.controller.run(now)
        self._collect(now)
        parts = []
        while self._coming and self._coming[0][0] <= now:
            parts.append(self._coming.popleft()[1])
        return b"".join(parts)

    def next_instant(self) -> float | None:
        """When something may arrive at the client if it stays silent; None if nothing will."""
        instant = self.controller.next_instant()
        if self._coming:
            first = self._coming[0][0]
            return first if instant is None else min(first, instant)
        return instant

    def _collect(self, now: float) -> None:
        data = self.controller.take()
        if not data or self.unplugged:
            return
        late = 0.0
        for trouble in self.controller.troubles:
            data = trouble.carry(data, "received", self)
            late += trouble.delay()
        if not data:
            return
        self._line_free = max(now + late, self._line_free) + len(data) * self.seconds_per_byte
        self._coming.append((self._line_free, data))
