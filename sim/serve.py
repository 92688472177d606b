"""A simulated controller behind a pseudo-terminal or a TCP port, for any serial program.

One thread serves one client at a time.  The controller's clock runs `speed` times as fast as the
wall's; with speed 0 it waits for nobody: whenever a command is being worked on, the clock jumps
to its end.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import time
from collections.abc import Callable
from typing import Protocol

from agent.errors import BadInput
from sim.cable import Cable
from sim.machine import SimulatedMachine

#: Longest sleep of the serving loop, s: how fast close() is noticed.
_NAP = 0.1

#: Bytes taken from the client at once.
_CHUNK = 4096


class Ending(Protocol):
    """The server's end of one kind of link."""

    address: str  #: what a client opens

    def handles(self) -> list[int]:
        """File descriptors to wait on."""
        ...

    def receive(self) -> bytes:
        """What the client sent; b"" if nothing."""
        ...

    def send(self, data: bytes) -> None: ...

    def hang_up(self) -> None:
        """Pull the plug on the client."""
        ...

    def close(self) -> None: ...


class PtyEnding:
    """A pseudo-terminal; the client opens its path."""

    def __init__(self) -> None:
        import tty

        self._ours, self._theirs = os.openpty()
        # raw before the first byte, or the terminal would send our own words back to us
        tty.setraw(self._theirs)
        os.set_blocking(self._ours, False)
        self.address = os.ttyname(self._theirs)

    def handles(self) -> list[int]:
        return [self._ours] if self._ours >= 0 else []

    def receive(self) -> bytes:
        try:
            return os.read(self._ours, _CHUNK)
        except (BlockingIOError, OSError):
            return b""

    def send(self, data: bytes) -> None:
        while data and self._ours >= 0:
            try:
                data = data[os.write(self._ours, data) :]
            except BlockingIOError:  # nobody reads: a real port loses what finds no room
                _, writable, _ = select.select([], [self._ours], [], _NAP)
                if not writable:
                    return
            except OSError:
                return

    def hang_up(self) -> None:
        self.close()

    def close(self) -> None:
        # `theirs` stays open until the end: without it a read fails between two clients
        for handle in (self._ours, self._theirs):
            if handle >= 0:
                with contextlib.suppress(OSError):
                    os.close(handle)
        self._ours = self._theirs = -1


class TcpEnding:
    """A TCP port on this computer alone; the client opens socket://."""

    def __init__(self, port: int = 0, *, scheme: str = "socket") -> None:
        try:
            self._listener = socket.create_server(("127.0.0.1", port))
        except OSError as error:
            raise BadInput(
                f"port {port} cannot be listened on: {error.strerror}",
                remedy="Choose another one, or 0 for any that is free.",
            ) from error
        self.address = f"{scheme}://127.0.0.1:{self._listener.getsockname()[1]}"
        self.client: socket.socket | None = None
        self.on_client: Callable[[], None] = lambda: None

    def handles(self) -> list[int]:
        return [(self.client or self._listener).fileno()]

    def receive(self) -> bytes:
        if self.client is None:
            self._accept()
            return b""
        try:
            data = self.client.recv(_CHUNK)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self.hang_up()
        return data

    def _accept(self) -> None:
        ready, _, _ = select.select([self._listener], [], [], 0)
        if not ready:
            return
        self.client, _ = self._listener.accept()
        self.client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.client.setblocking(False)
        self.on_client()

    def send(self, data: bytes) -> None:
        while data and self.client is not None:
            try:
                data = data[self.client.send(data) :]
            except BlockingIOError:
                _, writable, _ = select.select([], [self.client], [], _NAP)
                if not writable:
                    return
            except OSError:
                self.hang_up()

    def hang_up(self) -> None:
        if self.client is not None:
            self.client.close()
        self.client = None

    def close(self) -> None:
        self.hang_up()
        self._listener.close()


class Server:
    """A machine being served; `address` is what to attach to."""

    def __init__(self, machine: SimulatedMachine, ending: Ending, cable: Cable, speed: float):
        self.machine = machine
        self.address = ending.address
        self.cable = cable
        self.speed = speed
        self.lock = threading.RLock()  #: held while the machine works; take it to look inside
        self._ending = ending
        self._stop = threading.Event()
        self._wake_r, self._wake_w = os.pipe()
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
        os.write(self._wake_w, b"x")
        if self._thread.is_alive():
            self._thread.join(5)
        self._ending.close()
        os.close(self._wake_r)
        os.close(self._wake_w)

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *error: object) -> None:
        self.close()

    def _serve(self) -> None:
        while not self._stop.is_set():
            with self.lock:
                self._clock()
                data = self.cable.read(self._now)
            if data:
                self._ending.send(data)
            nap = self._nap()
            ready, _, _ = select.select([*self._ending.handles(), self._wake_r], [], [], nap)
            if not ready or self._stop.is_set():
                continue
            data = self._ending.receive()
            if data:
                with self.lock:
                    self._clock()
                    self.cable.write(data, self._now)

    def _clock(self) -> None:
        """Bring the controller's clock up to date."""
        wall = time.monotonic()
        self._now += (wall - self._wall) * (self.speed or 1.0)
        self._wall = wall

    def _nap(self) -> float:
        """How long nothing happens unless the client sends, wall seconds."""
        with self.lock:
            instant = self.cable.next_instant()
            if instant is None:
                return _NAP
            if not self.speed and self.machine.controller.working:
                self._now = max(self._now, instant)
                return 0.0
            return min(_NAP, max(0.0, (instant - self._now) / (self.speed or 1.0)))


def serve(
    machine: SimulatedMachine,
    listen: str = "pty",
    *,
    speed: float = 0.0,
    baud: int | None = None,
    cable: Cable | None = None,
) -> Server:
    """Serve a machine from a thread of this process; returns once clients can attach.

    listen  `pty`, `tcp:PORT` (0: any free port)
    speed   controller's seconds per wall second; 0: never lets a client wait
    baud    pace bytes as a port of this speed would; None: as fast as they come

    The server's `address` is what to attach to; `close()` ends it.  Raises BadInput for a place
    it cannot listen at.
    """
    if speed < 0:
        raise BadInput(f"speed must not be negative, not {speed!r}")
    kind, _, port = listen.partition(":")
    if kind == "pty" and not port:
        ending: Ending = PtyEnding()
    elif kind == "tcp" and port.isdigit() and int(port) < 65536:
        ending = TcpEnding(int(port))
    else:
        raise BadInput(f"cannot listen at {listen!r}: expected pty or tcp:PORT")
    return Server(machine, ending, cable or Cable(machine.controller, baud=baud), speed).start()
