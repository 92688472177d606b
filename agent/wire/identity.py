"""Which port is the same one again, after a reset or a pulled cable, and how it is to be opened.

Names of ports are given in the order of plugging in, so a name says nothing.  What a USB port is
known by: vendor, product, serial number, the interface of its device, and its place on the bus.
Some makers give every piece the same serial number, and many give none; where two ports fit, none
is chosen.  Pure: what is there now comes in as a value.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Final

from agent.plain import Plain

if TYPE_CHECKING:
    from agent.model.profile import Lines

#: Speed of a port of which nothing else is known.
USUAL_BAUD: Final = 115200


@dataclass(frozen=True, slots=True)
class Opening:
    """How a port is wanted to be opened; None where nothing was said."""

    baud: int | None = None
    lines: Lines | None = None
    find_speed: bool = False


@dataclass(frozen=True, slots=True)
class PortInfo(Plain):
    """A port that is there now, and what it would be known by under another name."""

    device: str
    description: str
    serial_number: str | None
    maker: str | None
    vid: int | None
    pid: int | None
    location: str | None = None  #: place on the bus, as `1-2.3` or with an interface `1-2:1.0`
    by_id: str = ""  #: name that the system makes of what the device says of itself

    @property
    def place(self) -> str:
        """The socket, without the interface of the device in it; empty where it is not known."""
        return (self.location or "").partition(":")[0]

    @property
    def interface(self) -> str:
        """Which port of a device with several; empty for one with a single port."""
        return (self.location or "").partition(":")[2]

    @property
    def usb_name(self) -> str:
        """Vendor and product as `0403:6001`; empty for what is not on the USB."""
        return "" if self.vid is None or self.pid is None else f"{self.vid:04x}:{self.pid:04x}"

    @property
    def key(self) -> str:
        """What the port is remembered by between sessions."""
        if not self.usb_name:
            return self.device
        known = self.serial_number or f"at {self.location or self.device}"
        return f"{self.usb_name} {known} {self.interface}".rstrip()

    def like(self, other: PortInfo) -> bool:
        """True if nothing that the two devices say of themselves tells them apart."""
        return (self.vid, self.pid, self.serial_number or "", self.interface) == (
            other.vid,
            other.pid,
            other.serial_number or "",
            other.interface,
        )

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> PortInfo:
        """A port from what `to_plain` gave; unknown keys are left out."""
        return cls(**{f.name: plain[f.name] for f in fields(cls) if f.name in plain})


@dataclass(frozen=True, slots=True)
class Match:
    """What became of a port; at most one of the three is there."""

    port: PortInfo | None = None  #: the same port again
    perhaps: PortInfo | None = None  #: the one new port, of which nothing says that it is the same
    several: tuple[PortInfo, ...] = ()  #: all fit, and nothing tells them apart


def same_port(known: PortInfo, beside: Sequence[PortInfo], now: Sequence[PortInfo]) -> Match:
    """The port `known` among those that are there `now`.

    beside: the other ports that were there when `known` was opened.  A twin among them (same
    vendor, product, serial number) takes from the serial number its meaning: then only the same
    place on the bus counts.
    """
    if not known.usb_name:  # built in, or a pseudo-terminal: there its name is all it has
        return Match(next((p for p in now if p.device == known.device), None))
    fits = [port for port in now if port.like(known)]
    here = [port for port in fits if known.location and port.location == known.location]
    if len(here) == 1:
        return Match(here[0])
    twins = {port.location or port.device for port in beside if port.like(known)}
    fits = [port for port in fits if (port.location or port.device) not in twins]
    if len(fits) > 1:
        return Match(several=tuple(fits))
    if not fits:
        return Match(perhaps=_only_new(known, beside, now))
    if known.serial_number and not twins:
        return Match(fits[0])
    return Match(perhaps=fits[0])


def _only_new(
    known: PortInfo, beside: Sequence[PortInfo], now: Sequence[PortInfo]
) -> PortInfo | None:
    """The one port of the same product that was not there before; a board may lose its number."""
    old = {(port.device, port.location) for port in beside}
    new = [
        port
        for port in now
        if (port.device, port.location) not in old and port.usb_name == known.usb_name
    ]
    blank = [port for port in new if not (port.serial_number and known.serial_number)]
    return blank[0] if len(blank) == 1 and len(new) == 1 else None
