"""The simulator's end of each kind of link: pseudo-terminal, TCP, and RFC 2217 over TCP.

An ending moves bytes and knows when a client opens the port and at what speed; it knows nothing
of controllers.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import sys
from collections.abc import Callable, Mapping
from typing import Any, Protocol, cast

from agent.errors import BadInput

#: Longest wait for a client that does not read, s; what it has no room for is then lost.
_PATIENCE = 0.1

#: Bytes taken from the client at once.
_CHUNK = 4096

#: Request for the speeds of a terminal on Linux (struct termios2: 4 flags, line, 19 characters,
#: two speeds), which also shows speeds that have no name.
_TCGETS2 = 0x802C542A


class Ending(Protocol):
    """The server's end of one kind of link."""

    address: str  #: what a client opens
    on_client: Callable[[], None]  #: called when a client is there
    on_open: Callable[[], None]  #: called when it has opened the port

    def handles(self) -> list[int]:
        """File descriptors to wait on."""
        ...

    def baud(self) -> int | None:
        """Speed the client has set, None where it cannot be known."""
        ...

    def receive(self) -> bytes:
        """What the client sent; b"" if nothing."""
        ...

    def send(self, data: bytes) -> None: ...

    def hang_up(self) -> None:
        """Pull the plug on the client."""
        ...

    def close(self) -> None: ...


def _ignore() -> None:
    """Nobody wants to know."""


#: What is listened at unless something else is asked for: not every system has pseudo-terminals.
USUAL_ENDING = "tcp:0" if sys.platform == "win32" else "pty"


class TcpEnding:
    """A TCP port on this computer alone; the client opens `socket://`."""

    scheme = "socket"

    def __init__(self, port: int = 0) -> None:
        try:
            self._listener = socket.create_server(("127.0.0.1", port))
        except OSError as error:
            raise BadInput(
                f"port {port} cannot be listened on: {error.strerror}",
                remedy="Choose another one, or 0 for any that is free.",
            ) from error
        self.address = f"{self.scheme}://127.0.0.1:{self._listener.getsockname()[1]}"
        self.on_client: Callable[[], None] = _ignore
        self.on_open: Callable[[], None] = _ignore
        self._client: socket.socket | None = None

    def handles(self) -> list[int]:
        return [(self._client or self._listener).fileno()]

    def baud(self) -> int | None:
        return None

    def receive(self) -> bytes:
        if self._client is None:
            self._accept()
            return b""
        try:
            data = self._client.recv(_CHUNK)
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
        self._client, _ = self._listener.accept()
        self._client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client.setblocking(False)
        self.on_client()
        self.greet()

    def greet(self) -> None:
        """A client has come."""
        self.on_open()

    def send(self, data: bytes) -> None:
        while data and self._client is not None:
            try:
                data = data[self._client.send(data) :]
            except BlockingIOError:
                _, writable, _ = select.select([], [self._client], [], _PATIENCE)
                if not writable:
                    return
            except OSError:
                self.hang_up()

    def hang_up(self) -> None:
        if self._client is not None:
            self._client.close()
        self._client = None

    def close(self) -> None:
        self.hang_up()
        self._listener.close()


if sys.platform != "win32":

    class PtyEnding:
        """A pseudo-terminal; the client opens its path.

        `sees_opening`: notice when a client comes.  Then nobody holds the other end open, and what
        is sent while no client is there is lost.
        """

        def __init__(self, *, sees_opening: bool = False) -> None:
            import tty

            self._ours, theirs = os.openpty()
            # raw before the first byte, or the terminal would send our own words back to us
            tty.setraw(theirs)
            os.set_blocking(self._ours, False)
            self.address = os.ttyname(theirs)
            self.on_client: Callable[[], None] = _ignore
            self.on_open: Callable[[], None] = _ignore
            self._theirs = theirs
            self._watch = select.poll()
            self._watch.register(self._ours, select.POLLIN)
            self._there = True
            if sees_opening:
                # held open it stays usable between clients; let go it tells when one comes
                os.close(theirs)
                self._theirs = -1
                self._there = False

        def handles(self) -> list[int]:
            self._look()
            return [self._ours] if self._ours >= 0 and self._there else []

        def _look(self) -> None:
            """Notice a client that has come or gone."""
            if self._theirs >= 0 or self._ours < 0:
                return
            there = not any(event & select.POLLHUP for _, event in self._watch.poll(0))
            came = there and not self._there
            self._there = there
            if came:
                self.on_open()

        def baud(self) -> int | None:
            import fcntl

            try:
                answer = fcntl.ioctl(self._ours, _TCGETS2, bytes(44))
            except OSError:
                return None
            speed: int = struct.unpack_from("I", answer, 40)[0]
            return speed

        def receive(self) -> bytes:
            try:
                return os.read(self._ours, _CHUNK)
            except BlockingIOError:
                return b""
            except OSError:  # the client has gone
                self._look()
                return b""

        def send(self, data: bytes) -> None:
            while data and self._ours >= 0 and self._there:
                try:
                    data = data[os.write(self._ours, data) :]
                except BlockingIOError:  # nobody reads: a real port loses what finds no room
                    _, writable, _ = select.select([], [self._ours], [], _PATIENCE)
                    if not writable:
                        return
                except OSError:
                    return

        def close(self) -> None:
            for handle in (self._ours, self._theirs):
                if handle >= 0:
                    with contextlib.suppress(OSError):
                        os.close(handle)
            self._ours = self._theirs = -1

        hang_up = close

else:

    class PtyEnding(TcpEnding):
        """There are no pseudo-terminals here."""

        def __init__(self, *, sees_opening: bool = False) -> None:
            raise BadInput(
                "this system has no pseudo-terminals", remedy="Listen at tcp:0 or rfc2217:0."
            )


class Rfc2217Ending(TcpEnding):
    """A TCP port that also carries speed and modem lines; the client opens `rfc2217://`.

    The port counts as opened when the client raises DTR, as on a real board.
    """

    scheme = "rfc2217"

    def __init__(self, port: int = 0) -> None:
        super().__init__(port)
        self._port = _Lines(lambda: self.on_open())
        self._manager: Any = None

    def baud(self) -> int | None:
        return self._port.baudrate

    def greet(self) -> None:
        from serial.rfc2217 import PortManager

        self._port = _Lines(lambda: self.on_open())
        self._manager = PortManager(cast(Any, self._port), cast(Any, self))

    def write(self, data: bytes) -> None:
        """Telnet's own bytes, as PortManager sends them."""
        super().send(data)

    def receive(self) -> bytes:
        data = super().receive()
        if self._manager is None or not data:
            return b""
        return b"".join(self._manager.filter(data))

    def send(self, data: bytes) -> None:
        if self._manager is not None:
            super().send(b"".join(self._manager.escape(data)))


class _Lines:
    """What PortManager wants of a serial port: settings and modem lines, no bytes."""

    def __init__(self, on_rise: Callable[[], None]) -> None:
        self.baudrate = 115200
        self.bytesize = 8
        self.parity = "N"
        self.stopbits = 1
        self.rtscts = self.xonxoff = False
        self.rts = False
        self.cts = self.dsr = self.cd = True
        self.ri = self.break_condition = False
        self._dtr = False
        self._on_rise = on_rise

    @property
    def dtr(self) -> bool:
        return self._dtr

    @dtr.setter
    def dtr(self, value: bool) -> None:
        rises = value and not self._dtr
        self._dtr = value
        if rises:
            self._on_rise()

    def reset_input_buffer(self) -> None:
        """Nothing is kept here."""

    def reset_output_buffer(self) -> None:
        """Nothing is kept here."""


def ending_at(
    listen: str, ports: Mapping[str, type[TcpEnding]], *, sees_opening: bool = False
) -> Ending:
    """The ending at `pty`, or at `KIND:PORT` for each kind of `ports`.

    Raises BadInput for another place, and for one that cannot be listened at.
    """
    kind, _, port = listen.partition(":")
    if kind == "pty" and not port:
        return PtyEnding(sees_opening=sees_opening)
    if kind in ports and port.isdigit() and int(port) < 65536:
        return ports[kind](int(port))
    *places, last = ("pty", *(f"{kind}:PORT" for kind in ports))
    raise BadInput(
        f"cannot listen at {listen!r}: expected {', '.join(places)} or {last}",
        remedy="A port number is 0 (any free one) to 65535.",
    )
