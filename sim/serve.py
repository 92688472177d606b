"""A simulated controller behind a pseudo-terminal, TCP or RFC 2217, for any serial program.

One thread serves one client at a time.  The controller's clock runs `speed` times as fast as the
wall's; with speed 0 it waits for nobody: whenever a command is being worked on, the clock jumps
to its end.
"""

from __future__ import annotations

import select
import socket
import threading
import time
from collections import deque

from agent.errors import BadInput
from sim.cable import Cable
from sim.endings import USUAL_ENDING, Ending, Rfc2217Ending, TcpEnding, ending_at
from sim.faults import ResetOnOpen
from sim.machine import SimulatedMachine

#: Longest sleep of the serving loop, s.
_NAP = 0.1

#: Sleep while waiting for a client to open a pseudo-terminal, s.
_WATCHING = 0.02


class Server:
    """A machine being served; `address` is what to attach to."""

    def __init__(self, machine: SimulatedMachine, ending: Ending, cable: Cable, speed: float):
        self.machine = machine
        self.address = ending.address
        self.cable = cable
        self.speed = speed
        self.lock = machine.controller.lock  #: held while the machine works
        self._ending = ending
        self._coming: deque[tuple[float, bytes]] = deque()
        self._line_free = 0.0
        self._gone = False
        ending.on_open = self._opened
        ending.on_client = self._came
        self._stop = threading.Event()
        self._wake_r, self._wake_w = socket.socketpair()  # not every system waits for a pipe
        self._wall = time.monotonic()
        self._now = machine.controller.now
        self._thread = threading.Thread(target=self._serve, name="plumbelt-sim", daemon=True)

    def start(self) -> Server:
        self._thread.start()
        return self

    def wait(self) -> None:
        """Serve until close() or an interrupt."""
        while self._thread.is_alive():
            self._thread.join(0.5)

    def close(self) -> None:
        """Stop serving; may be called twice."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._wake_w.send(b"x")
        if self._thread.is_alive():
            self._thread.join(5)
        self._ending.close()
        self._wake_r.close()
        self._wake_w.close()

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            self._clock()
            self._deliver()
            handles = self._ending.handles()
            nap = self._nap() if handles else min(self._nap(), _WATCHING)
            waiting: list[int] = [*handles, self._wake_r.fileno()]
            ready, _, _ = select.select(waiting, [], [], nap)
            if ready and not self._stop.is_set():
                self._listen()

    def _deliver(self) -> None:
        """Hand on what has arrived at either end."""
        with self.lock:
            while self._coming and self._coming[0][0] <= self._now:
                at, data = self._coming.popleft()
                self.cable.write(data, max(at, self.machine.controller.now))
            data = self.cable.read(self._now)
        if data:
            self._ending.send(data)
        if self.cable.unplugged and not self._gone:
            self._gone = True
            self._ending.hang_up()

    def _listen(self) -> None:
        data = self._ending.receive()
        self._clock()
        if not data:
            return
        self.cable.client_baud = self._ending.baud()
        self._line_free = max(self._now, self._line_free)
        self._line_free += len(data) * self.cable.seconds_per_byte
        self._coming.append((self._line_free, data))

    def _came(self) -> None:
        """A client that comes has put the cable back in."""
        self._gone = False
        self.cable.plug()

    def _opened(self) -> None:
        self._clock()
        with self.lock:
            self.cable.client_baud = self._ending.baud()
            self.cable.open(self._now)

    def _clock(self) -> None:
        """Bring the controller's clock up to date."""
        wall = time.monotonic()
        self._now += (wall - self._wall) * (self.speed or 1.0)
        self._wall = wall

    def _nap(self) -> float:
        """How long nothing happens unless the client sends, wall seconds."""
        with self.lock:
            instants = [self._coming[0][0]] if self._coming else []
            instant = self.cable.next_instant()
            if instant is not None:
                instants.append(instant)
            if not instants:
                return _NAP
            instant = min(instants)
            if not self.speed and (self._coming or self.machine.controller.working):
                self._now = max(self._now, instant)
                return 0.0
            return min(_NAP, max(0.0, (instant - self._now) / (self.speed or 1.0)))


def serve(
    machine: SimulatedMachine,
    listen: str = USUAL_ENDING,
    *,
    speed: float = 0.0,
    baud: int | None = None,
) -> Server:
    """Serve a machine from a thread of this process; returns once clients can attach.

    listen  `pty`, `tcp:PORT` or `rfc2217:PORT` (0: any free port)
    speed   controller's seconds per wall second; 0: never lets a client wait
    baud    pace bytes as a port of this speed would; None: as fast as they come

    The server's `address` is what to attach to; `close()` ends it.  Raises BadInput for a place
    it cannot listen at.
    """
    if speed < 0:
        raise BadInput(f"speed must not be negative, not {speed!r}")
    troubles = machine.controller.troubles
    ending = ending_at(
        listen,
        {"tcp": TcpEnding, "rfc2217": Rfc2217Ending},
        sees_opening=any(isinstance(trouble, ResetOnOpen) for trouble in troubles),
    )
    return Server(machine, ending, Cable(machine.controller, baud=baud), speed).start()
