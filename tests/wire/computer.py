"""A computer for tests: pseudo-terminals behind a list of ports that the test writes itself."""

from __future__ import annotations

import contextlib
import errno
import os
import tty
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
import serial


@dataclass
class Listed:
    """A port as the system lists it; `device` is a pseudo-terminal's."""

    device: str
    serial_number: str | None = "A50285BI"
    location: str | None = "1-2"
    vid: int | None = 0x0403
    pid: int | None = 0x6001
    description: str = "a bridge"
    manufacturer: str = "maker"


@dataclass
class Computer:
    """What is plugged in, and how openings fail; `opened` tells what was opened, in order."""

    listed: list[Listed] = field(default_factory=list)
    fail: list[int] = field(default_factory=list)  #: numbers of errors of the next openings
    opened: list[str] = field(default_factory=list)
    low_latency: list[str] = field(default_factory=list)
    _handles: list[int] = field(default_factory=list)

    def terminal(self) -> tuple[int, str]:
        """A pseudo-terminal: the far end's handle, and the device to open."""
        ours, theirs = os.openpty()
        tty.setraw(theirs)
        self._handles += [ours, theirs]
        return ours, os.ttyname(theirs)

    def plug(self, **known: Any) -> Listed:
        """A pseudo-terminal that is listed as a port."""
        port = Listed(self.terminal()[1], **known)
        self.listed.append(port)
        return port

    def close(self) -> None:
        for handle in self._handles:
            with contextlib.suppress(OSError):
                os.close(handle)


@pytest.fixture
def computer(monkeypatch: pytest.MonkeyPatch) -> Iterator[Computer]:
    here = Computer()
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: list(here.listed))
    really = serial.Serial.open

    def opening(port: serial.Serial) -> None:
        if here.fail:
            number = here.fail.pop(0)
            raise serial.SerialException(number, f"could not open port: {os.strerror(number)}")
        really(port)
        here.opened.append(str(port.port))

    def low_latency(port: serial.Serial, wanted: bool) -> None:
        here.low_latency.append(str(port.port))
        raise ValueError("a pseudo-terminal has no such thing")

    monkeypatch.setattr(serial.Serial, "open", opening)
    monkeypatch.setattr(serial.Serial, "set_low_latency_mode", low_latency)
    yield here
    here.close()


#: How an opening fails while a port is just coming.
COMING = (errno.ENOENT, errno.EACCES, errno.EACCES, errno.EBUSY)
