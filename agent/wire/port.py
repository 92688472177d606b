"""The one module that opens ports: device paths, `socket://` and `rfc2217://` over pyserial.

Every failure leaves here as LinkFailed with a remedy.  Raw OSError and termios.error get through
pyserial in places (a vanished device, modem lines of a pseudo-terminal), so they are all caught
at the one door `_failures`.
"""

from __future__ import annotations

import errno
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

import serial
from serial.tools import list_ports as _listing

from agent.errors import LinkFailed

try:
    import termios

    _ERRORS: tuple[type[Exception], ...] = (OSError, termios.error, ValueError, TypeError)
except ImportError:  # no POSIX terminal, no such error
    _ERRORS = (OSError, ValueError, TypeError)

#: Longest single wait inside pyserial, so that Ctrl-C and the other deadlines are heard.
_POLL: Final = 0.1

#: Bytes after which a read ends, however many more there are.
_CHUNK: Final = 4096

#: A controller that takes no byte for this long takes none at all.
_WRITE_TIMEOUT: Final = 10.0

_REMEDIES: Final = {
    "absent": "Check the cable and the power; `ports` lists what is there",
    "busy": "Close the other program that holds it",
    "permission": "Add yourself to the group that owns the port (often dialout), log in anew",
    "lost": "Check the cable; what was sent last may or may not have taken effect",
    "refused": "Check the address and that something serves it",
}

_CAUSES: Final = {
    errno.ENOENT: "absent",
    errno.ENODEV: "absent",
    errno.ENXIO: "absent",
    errno.EBUSY: "busy",
    errno.EAGAIN: "busy",
    errno.EACCES: "permission",
    errno.EPERM: "permission",
    errno.ECONNREFUSED: "refused",
    errno.EHOSTUNREACH: "refused",
    errno.ETIMEDOUT: "refused",
}


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A port that is there now; `serial_number` stays when the name changes."""

    device: str
    description: str
    serial_number: str | None
    maker: str | None
    vid: int | None
    pid: int | None


def list_ports() -> tuple[PortInfo, ...]:
    """The serial ports of this computer, USB ones first."""
    found = [
        PortInfo(p.device, p.description, p.serial_number, p.manufacturer, p.vid, p.pid)
        for p in _listing.comports()
    ]
    return tuple(sorted(found, key=lambda p: (p.vid is None, p.device)))


def find_again(serial_number: str, *, within: float = 10.0) -> str | None:
    """Device name under which the USB port with this serial number is there, or None.

    After a reset a port may vanish and come back under another name; waits `within` seconds.
    """
    until = time.monotonic() + within
    while True:
        for port in list_ports():
            if port.serial_number == serial_number:
                return port.device
        if time.monotonic() >= until:
            return None
        time.sleep(0.25)


def open_port(url: str, baud: int = 115200, *, reset: bool = False) -> SerialTransport:
    """Open a device path, `socket://host:port` or `rfc2217://host:port` for us alone.

    reset: let the modem lines rise, which restarts many boards; otherwise they are held down
    before opening, as far as the system and the driver heed it.  Raises LinkFailed.
    """
    with _failures(url, "cannot open"):
        port = serial.serial_for_url(_patient(url), do_not_open=True)
        port.baudrate = baud
        port.timeout = _POLL
        if "://" not in url:
            port.exclusive = True
        if not url.startswith("rfc2217://"):
            port.write_timeout = _WRITE_TIMEOUT  # not implemented there
        if not reset:
            port.dtr = False
            port.rts = False
        with warnings.catch_warnings():
            # it starts its reader thread with calls that Python means to drop
            warnings.filterwarnings("ignore", r"set\w+\(\) is deprecated", DeprecationWarning)
            port.open()
    return SerialTransport(url, port)


@dataclass(frozen=True, slots=True)
class Address:
    """Where a controller is, kept so that its port can be opened once more."""

    url: str
    baud: int = 115200
    serial_number: str | None = None  #: of a USB port, which may come back under another name

    @classmethod
    def of(cls, url: str, baud: int = 115200) -> Address:
        """The address of a port that is there now."""
        found = () if "://" in url else list_ports()
        return cls(url, baud, next((p.serial_number for p in found if p.device == url), None))

    def open(self, *, reset: bool = False) -> SerialTransport:
        """Open the port; see `open_port`."""
        return open_port(self.url, self.baud, reset=reset)

    def open_again(self) -> SerialTransport:
        """Open it after it may have vanished, by its serial number where it has one."""
        there = find_again(self.serial_number) if self.serial_number else None
        return open_port(there or self.url, self.baud)


class SerialTransport:
    """A port of pyserial as a Transport."""

    def __init__(self, name: str, port: serial.Serial) -> None:
        self.name = name
        self._port = port

    def now(self) -> float:
        return time.monotonic()

    def write(self, data: bytes) -> None:
        with _failures(self.name, "lost"):
            self._port.write(data)

    def read(self, until: float) -> bytes:
        while True:
            with _failures(self.name, "lost"):
                wait = max(0.0, min(_POLL, until - self.now()))
                if wait != self._port.timeout:  # setting it costs several system calls
                    self._port.timeout = wait
                data: bytes = self._port.read(self._port.in_waiting or 1)
                # behind the first byte others have come; a socket tells of one at a time
                while data and len(data) < _CHUNK and (more := self._port.in_waiting):
                    data += self._port.read(more)
            if data or self.now() >= until:
                return data

    def set_baud(self, baud: int) -> None:
        """Change the speed; has no effect behind a plain socket."""
        with _failures(self.name, "lost"):
            self._port.baudrate = baud
            self._port.reset_input_buffer()

    def close(self) -> None:
        with _failures(self.name, "lost"):
            self._port.close()


def _patient(url: str) -> str:
    """`url`, not waiting for answers about modem lines: not every server has such lines."""
    if not url.startswith("rfc2217://") or "ign_set_control" in url:
        return url
    return f"{url}{'&' if '?' in url else '?'}ign_set_control"


@contextmanager
def _failures(name: str, what: str) -> Iterator[None]:
    """Turn whatever a port can raise into LinkFailed."""
    try:
        yield
    except serial.SerialTimeoutException as error:
        raise LinkFailed(f"{name} takes no more bytes", remedy=_REMEDIES["lost"]) from error
    except _ERRORS as error:
        cause = _cause(error) if what != "lost" else "lost"
        raise LinkFailed(
            f"{name}: {what} ({_plain(error)})", remedy=_REMEDIES.get(cause, _REMEDIES["absent"])
        ) from error


def _cause(error: BaseException) -> str:
    """Kind of failure: by number where pyserial kept it, else by the number in its text."""
    number = getattr(error, "errno", None)
    if number is None:
        text = str(error)
        number = next((n for n in _CAUSES if f"[Errno {n}]" in text), None)
    return _CAUSES.get(number, "absent") if number is not None else "absent"


def _plain(error: BaseException) -> str:
    text = str(error)
    return text.rpartition("] ")[2].strip() or type(error).__name__
