"""The one module that opens ports: device paths, `socket://` and `rfc2217://` over pyserial.

Every failure leaves here as PortFailed, in our words and with a remedy.  Raw OSError and
termios.error get through pyserial in places (a vanished device, modem lines of a
pseudo-terminal), so all of `_ERRORS` are caught here.
"""

from __future__ import annotations

import errno
import os
import re
import select
import sys
import time
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final, Literal

import serial

from agent.errors import LinkFailed
from agent.plain import Plain
from agent.wire.identity import USUAL_BAUD, Match, Opening, PortInfo, same_port
from agent.wire.listing import holder_of, list_ports, permission_remedy

if TYPE_CHECKING:
    from agent.model.profile import Lines

if sys.platform != "win32":
    import fcntl
    import termios

    _ERRORS: tuple[type[Exception], ...] = (OSError, termios.error, ValueError, TypeError)

    def _shut(handle: int, shut: bool) -> None:
        """Shut an open port for other programs, or free it."""
        fcntl.ioctl(handle, termios.TIOCEXCL if shut else termios.TIOCNXCL)

    def _drop_at_close(handle: int, wanted: bool) -> bool:
        """Whether the modem lines go down when the port is closed; True if they did not so far."""
        attributes = termios.tcgetattr(handle)
        kept = not attributes[2] & termios.HUPCL
        if kept == wanted:
            attributes[2] ^= termios.HUPCL
            termios.tcsetattr(handle, termios.TCSANOW, attributes)
        return kept
else:  # there a port is always opened by one program alone, and its lines go down at the close
    _ERRORS = (OSError, ValueError, TypeError)

    def _shut(handle: int, shut: bool) -> None:
        return

    def _drop_at_close(handle: int, wanted: bool) -> bool:
        return False


#: Longest single wait inside pyserial, so that Ctrl-C and the other deadlines are heard.
_POLL: Final = 0.1

#: Bytes after which a read ends, however many more there are.
_CHUNK: Final = 4096

#: A controller that takes no byte for this long takes none at all.
_WRITE_TIMEOUT: Final = 10.0

#: Seconds for which DTR is down where a rise is wanted (common practice for boards with a
#: capacitor in the reset line).
_PULSE: Final = 0.1

Cause = Literal["absent", "busy", "permission", "lost", "refused", "unknown host", "other"]

_CAUSES: Final[Mapping[int, Cause]] = {
    errno.ENOENT: "absent",
    errno.ENODEV: "absent",
    errno.ENXIO: "absent",
    errno.EIO: "absent",  # it went while it was being opened
    errno.EBUSY: "busy",
    errno.EAGAIN: "busy",
    errno.EACCES: "permission",
    errno.EPERM: "permission",
    errno.ECONNREFUSED: "refused",
    errno.EHOSTUNREACH: "refused",
    errno.ENETUNREACH: "refused",
    errno.ETIMEDOUT: "refused",
}

#: Causes that pass by themselves: a port that was just plugged in is there before its group is
#: set, and services that look at new ports hold it for a moment.
_PASSING: Final[frozenset[Cause]] = frozenset({"absent", "busy", "permission"})

#: Seconds between two tries.
_BETWEEN: Final = 0.1

#: Seconds for which a port counts as just plugged in.
_YOUNG: Final = 5.0

#: Seconds in which a port has to be there again and open, after a reset or a pulled cable.
REOPENING: Final = 10.0


class PortFailed(LinkFailed):
    """A port that cannot be opened, or was lost."""

    def __init__(self, what: str, *, remedy: str, cause: Cause) -> None:
        super().__init__(what, remedy=remedy)
        self.cause: Cause = cause


def open_port(
    url: str, baud: int = USUAL_BAUD, *, lines: Lines = "down", alone: bool = False
) -> SerialTransport:
    """Open a device path, `socket://host:port` or `rfc2217://host:port`.

    A device is locked against every program that asks for the lock.  alone: also against those
    that do not (except root's); the mark is the port's own and outlives this process on a
    pseudo-terminal, so it is for hardware.  Raises PortFailed.
    """
    try:
        port = serial.serial_for_url(_patient(url), do_not_open=True)
        port.baudrate = baud
        port.timeout = _POLL
        if "://" not in url:
            port.exclusive = True
        if not url.startswith("rfc2217://"):
            port.write_timeout = _WRITE_TIMEOUT  # not implemented there
        _set_lines(port, url, lines)
        with warnings.catch_warnings():
            # it starts its reader thread with calls that Python means to drop
            warnings.filterwarnings("ignore", r"set\w+\(\) is deprecated", DeprecationWarning)
            port.open()
        opened = (SerialTransport if "://" in url else _OF_DEVICES)(url, port)
        if "://" not in url:
            try:
                opened.settle_in(lines, alone=alone)
            except BaseException:
                port.close()
                raise
    except _ERRORS as error:
        raise _cannot_open(url, error) from error
    return opened


def _set_lines(port: Any, url: str, lines: Lines) -> None:
    """What opening does to the modem lines."""
    if lines == "down":
        port.dtr = False
        port.rts = False
    elif lines == "keep" and url.startswith("rfc2217://"):
        # the far end holds them as they are unless it is told; pyserial would tell it
        port._update_dtr_state = port._update_rts_state = lambda: None


@dataclass(frozen=True, slots=True)
class Address(Plain):
    """Where a controller is, kept so that its port can be opened once more."""

    url: str
    baud: int = USUAL_BAUD
    lines: Lines = "down"
    port: PortInfo | None = None  #: what the port is known by; None for one that is not listed
    beside: tuple[PortInfo, ...] = ()  #: the other ports that were there

    @classmethod
    def of(cls, url: str, baud: int = USUAL_BAUD, lines: Lines = "down") -> Address:
        """The address of a port that is there now."""
        return cls(url, baud, lines)._seen()

    def _seen(self) -> Address:
        """The same address with what its port is known by at this moment."""
        if "://" in self.url:
            return self
        device = os.path.realpath(self.url)
        there = list_ports()
        port = next((p for p in there if device == os.path.realpath(p.device)), None)
        beside = tuple(p for p in there if p is not port)
        return replace(self, port=port, beside=beside) if port is not None else self

    def means(self, name: str) -> bool:
        """True if `name` is this port, by the name typed or the one it had when it was opened."""
        return name == self.url or (self.port is not None and name == self.port.device)

    @property
    def key(self) -> str:
        """What the port is remembered by between sessions."""
        return self.url if self.port is None else self.port.key

    def using(self, how: Opening) -> Address:
        """The same port, opened as is now wanted."""
        return replace(self, baud=how.baud or self.baud, lines=how.lines or self.lines)

    def open(self, until: float = 0.0) -> SerialTransport:
        """Open the port; what passes by itself is waited for until the instant `until`.

        A port that was just plugged in is given some time in any case.  Raises PortFailed.
        """
        young = time.monotonic() + _YOUNG if _is_young(self.url) else 0.0
        return _patiently(
            lambda: open_port(self.url, self.baud, lines=self.lines, alone=self.port is not None),
            max(until, young),
        )

    def found_again(self, until: float, agrees: Callable[[PortInfo], bool]) -> Address:
        """The port after it may have vanished: by what it is known by, not by its name.

        Waits until the instant `until` for it.  agrees: asked whether the one new port is it,
        where nothing tells.  Raises PortFailed if it is not there, or if several ports fit.
        """
        if self.port is None:  # not listed: a socket, a pseudo-terminal; its name is all it has
            return Address.awaited(self.url, until, like=self)
        match = _wait_for(self.port, self.beside, until)
        if match.several:
            raise PortFailed(_several(self.port, match.several), remedy=_WHICH, cause="absent")
        there = match.port or match.perhaps
        if there is None:
            raise PortFailed(
                f"{self.url} is not there any more", remedy=_REMEDIES["absent"], cause="absent"
            )
        if match.port is None and not agrees(there):
            raise PortFailed(
                f"{self.url} is not there any more, and nothing tells whether {there.device} is"
                " the same machine",
                remedy=f"'attach {there.device} --again' says that it is; without '--again' it is"
                " another one",
                cause="absent",
            )
        same_name = os.path.realpath(self.url) == os.path.realpath(there.device)
        return replace(self, url=self.url if same_name else there.device, port=there)._seen()

    @classmethod
    def awaited(cls, url: str, until: float, *, like: Address | None = None) -> Address:
        """The address of a port that may not be there yet, opened as `like` was."""
        while "://" not in url and not os.path.exists(url) and time.monotonic() < until:
            time.sleep(_BETWEEN)
        fresh = cls(url) if like is None else replace(like, url=url, port=None)
        return fresh._seen()

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> Address:
        """An address from what `to_plain` gave."""
        port = plain.get("port")
        return cls(
            str(plain["url"]),
            int(plain.get("baud", USUAL_BAUD)),
            plain.get("lines", "down"),
            None if port is None else PortInfo.from_plain(port),
            tuple(PortInfo.from_plain(other) for other in plain.get("beside", ())),
        )


def _is_young(url: str) -> bool:
    """True for a port that came, or whose owner was set, a moment ago."""
    if "://" in url or sys.platform == "win32":
        return False
    try:
        return abs(time.time() - os.stat(url).st_ctime) < _YOUNG
    except OSError:
        return False


def _patiently(attempt: Callable[[], SerialTransport], until: float) -> SerialTransport:
    """`attempt`, again and again while what hinders it may pass by itself."""
    while True:
        try:
            return attempt()
        except PortFailed as failure:
            if failure.cause not in _PASSING or time.monotonic() >= until:
                raise
        time.sleep(_BETWEEN)


def _wait_for(known: PortInfo, beside: tuple[PortInfo, ...], until: float) -> Match:
    """Wait until `known` is there; at the end, what else there is."""
    while True:
        match = same_port(known, beside, list_ports())
        if match.port is not None or time.monotonic() >= until:
            return match
        time.sleep(_BETWEEN)


def _several(known: PortInfo, found: tuple[PortInfo, ...]) -> str:
    number = f"serial number {known.serial_number}" if known.serial_number else "no serial number"
    return (
        f"{' and '.join(port.device for port in found)} both are {known.usb_name} with {number}:"
        f" which of them was {known.device} cannot be told"
    )


_WHICH: Final = (
    "Pull out the other one, or put this one back into the socket it was in. Nothing was opened"
)


class SerialTransport:
    """A port of pyserial as a Transport."""

    def __init__(self, name: str, port: serial.Serial) -> None:
        self.name = name
        self._port = port
        self._alone = False

    def settle_in(self, lines: Lines, *, alone: bool) -> None:
        """What pyserial does not do at the opening of a device; called once, by `open_port`."""
        with suppress(*_ERRORS, NotImplementedError):
            # else a USB bridge hands on what it received only 16 ms later; needs no rights
            low_latency = getattr(self._port, "set_low_latency_mode", None)
            if low_latency is not None:
                low_latency(True)
        with suppress(*_ERRORS, AttributeError):
            handle = self._port.fileno()
            if alone:
                _shut(handle, True)
                self._alone = True
            was_kept = _drop_at_close(handle, lines != "keep")
            if lines == "up" and was_kept:  # they were up all the time, and nothing rose
                self._port.dtr = self._port.rts = False
                time.sleep(_PULSE)
                self._port.dtr = self._port.rts = True

    def now(self) -> float:
        return time.monotonic()

    def write(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except _ERRORS as error:
            raise _lost(self.name, error) from error

    def read(self, until: float) -> bytes:
        while True:
            try:
                wait = max(0.0, min(_POLL, until - self.now()))
                if wait != self._port.timeout:  # setting it costs several system calls
                    self._port.timeout = wait
                data: bytes = self._port.read(self._port.in_waiting or 1)
                # behind the first byte others have come; a socket tells of one at a time
                while data and len(data) < _CHUNK and (more := self._port.in_waiting):
                    data += self._port.read(more)
            except _ERRORS as error:
                raise _lost(self.name, error) from error
            if data or self.now() >= until:
                return data

    def set_baud(self, baud: int) -> None:
        """Change the speed; has no effect behind a plain socket."""
        try:
            self._port.baudrate = baud
            self._port.reset_input_buffer()
        except _ERRORS as error:
            raise _lost(self.name, error) from error

    def close(self) -> None:
        if self._alone and self._port.is_open:
            with suppress(*_ERRORS):
                _shut(self._port.fileno(), False)
        try:
            self._port.close()
        except _ERRORS as error:
            raise _lost(self.name, error) from error


class DeviceTransport(SerialTransport):
    """A device of a POSIX system: read and written with one system call each.

    The library asks the system five times where this asks twice, and that is what limits how fast
    short moves go out.
    """

    def write(self, data: bytes) -> None:
        until = self.now() + _WRITE_TIMEOUT
        try:
            while data:
                with suppress(BlockingIOError):
                    data = data[os.write(self._port.fileno(), data) :]
                if data:
                    wait = max(0.0, until - self.now())
                    if not select.select([], [self._port.fileno()], [], wait)[1]:
                        raise serial.SerialTimeoutException
        except _ERRORS as error:
            raise _lost(self.name, error) from error

    def read(self, until: float) -> bytes:
        try:
            wait = max(0.0, until - self.now())
            if not select.select([self._port.fileno()], [], [], wait)[0]:
                return b""
            data = os.read(self._port.fileno(), _CHUNK)
        except _ERRORS as error:
            raise _lost(self.name, error) from error
        if not data:  # ready, and yet nothing there: it has gone
            raise _lost(self.name, OSError())
        return data


_OF_DEVICES: Final = SerialTransport if sys.platform == "win32" else DeviceTransport


def _patient(url: str) -> str:
    """`url`, not waiting for answers about modem lines: not every server has such lines."""
    if not url.startswith("rfc2217://") or "ign_set_control" in url:
        return url
    return f"{url}{'&' if '?' in url else '?'}ign_set_control"


# --- what can go wrong ---------------------------------------------------------------------------

_REMEDIES: Final[Mapping[Cause, str]] = {
    "absent": "Check the cable and the power; 'ports' lists what is there",
    "busy": "Close the other program that holds it; 'ports' names those that can be seen",
    "lost": "Check the cable; what was sent last may or may not have taken effect",
    "refused": "Check the address and that something serves it",
    "unknown host": "Check the name of the computer in the address",
    "other": "'ports' lists them",
}


def _lost(name: str, error: Exception) -> PortFailed:
    """What became of a port that was open."""
    if isinstance(error, serial.SerialTimeoutException):
        what = f"{name} takes no more bytes"
    else:
        what = f"{name} was lost: it has gone, or another program reads from it, too"
    return PortFailed(what, remedy=_REMEDIES["lost"], cause="lost")


def _cannot_open(name: str, error: Exception) -> PortFailed:
    """Why a port could not be opened, in our words: a library's are for its programmers."""
    number = _number(error)
    cause = _cause(number, error)
    remedy = _REMEDIES.get(cause, "")
    if cause == "absent":
        what = f"{name} is not there"
    elif cause == "busy":
        what = f"{name} is in use by {holder_of(name) or 'another program'}"
    elif cause == "permission":
        what, remedy = f"{name} may not be opened by this user", permission_remedy(name)
    elif cause == "refused":
        what = f"{name}: nothing answers there, the connection was refused or timed out"
    elif cause == "unknown host":
        what = f"{name}: no computer of that name is known"
    elif name.startswith("rfc2217://"):
        what = f"{name}: what answers there does not speak RFC 2217"
    elif number in (errno.ENOTTY, errno.EINVAL, errno.ENOTDIR, errno.EISDIR):
        what = f"{name} is not a serial port"
    elif number is not None:
        what = f"{name} cannot be opened as a serial port: {os.strerror(number).lower()}"
    elif "://" in name:
        what = f"unknown address {name!r}"
        remedy = "Use a device path, socket://HOST:PORT or rfc2217://HOST:PORT"
    else:
        what = f"{name} is not a serial port"
    return PortFailed(what, remedy=remedy, cause=cause)


def _cause(number: int | None, error: Exception) -> Cause:
    import socket

    if any(isinstance(e, socket.gaierror) for e in _chain(error)):
        return "unknown host"
    if any(isinstance(e, TimeoutError) for e in _chain(error)):
        return "refused"
    cause = _CAUSES.get(number, "other") if number is not None else "other"
    if sys.platform == "win32" and cause == "permission":
        return "busy"  # that is how a port in use is told there
    return cause


def _number(error: Exception) -> int | None:
    """The system's number of an error: pyserial keeps it, hides it behind, or prints it."""
    for one in _chain(error):
        number = getattr(one, "errno", None)
        if number is None and one.args and isinstance(one.args[0], int):
            number = one.args[0]  # termios.error
        if isinstance(number, int):
            return number
    told = re.search(r"\w+Error\((\d+),", str(error))
    return int(told[1]) if told else None


def _chain(error: BaseException | None) -> Iterator[BaseException]:
    while error is not None:
        yield error
        error = error.__cause__ or error.__context__
