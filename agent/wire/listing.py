"""The ports of this computer: what they are, who holds them, whether this user may open them."""

from __future__ import annotations

import glob
import os
import sys
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from serial.tools import list_ports as _listing

from agent.wire.identity import PortInfo

#: Where Linux keeps names of ports that follow from what the device says of itself.
BY_ID: Final = "/dev/serial/by-id"

#: What Linux calls the kind of a built-in serial port behind which no chip was found.
_NO_CHIP: Final = "0"

#: A device that goes while it is being asked makes the listing fail; it is asked again.
_TRIES: Final = 3


@dataclass(frozen=True, slots=True)
class PortState:
    """A port and what stands in the way of opening it."""

    port: PortInfo
    used_by: str = ""  #: the program that holds it, empty if none is known to
    barred: str = ""  #: what gives this user the right to open it; empty: the right is there


def list_ports() -> tuple[PortInfo, ...]:
    """The serial ports of this computer that have hardware behind them, USB ones first."""
    for _ in range(_TRIES):
        # a device that is being pulled out leaves files behind that cannot be read any more
        with suppress(TypeError, ValueError, OSError):
            names = by_id()
            found = [_info(port, names) for port in _listing.comports()]
            there = [port for port in found if port.usb_name or has_hardware(port.device)]
            return tuple(sorted(there, key=lambda port: (port.vid is None, port.device)))
    return ()


def _info(port: Any, names: dict[str, str]) -> PortInfo:
    return PortInfo(
        port.device,
        port.description,
        port.serial_number,
        port.manufacturer,
        port.vid,
        port.pid,
        getattr(port, "location", None),
        names.get(os.path.realpath(port.device), ""),
    )


def by_id() -> dict[str, str]:
    """Device -> the name that the system makes of what the device says of itself."""
    return {os.path.realpath(name): name for name in sorted(glob.glob(f"{BY_ID}/*"))}


def has_hardware(device: str) -> bool:
    """False for a name that the system keeps for a port which is not there."""
    kind = Path("/sys/class/tty") / Path(device).name / "type"
    try:
        return kind.read_text().strip() != _NO_CHIP
    except OSError:  # another system, or a driver that does not say
        return True


def states() -> tuple[PortState, ...]:
    """All ports with their holders, and with the remedy where this user may not open them."""
    holders = _holders()
    return tuple(
        PortState(port, holders.get(os.path.realpath(port.device), ""), way_in(port.device))
        for port in list_ports()
    )


# --- rights --------------------------------------------------------------------------------------


def way_in(device: str) -> str:
    """What gives this user the right to open `device`; empty if the right is there already."""
    if sys.platform == "win32" or os.access(device, os.R_OK | os.W_OK):
        return ""
    return permission_remedy(device)


def permission_remedy(device: str) -> str:
    """The exact command for the group that owns `device` on this system."""
    if sys.platform != "win32":
        import grp

        with suppress(OSError, KeyError):
            found = os.stat(device)
            group = grp.getgrgid(found.st_gid).gr_name
            if found.st_mode & 0o060 == 0o060 and found.st_gid != 0:
                if found.st_gid in os.getgroups():
                    return f"Group {group} may open it, and you are in it: log in anew"
                return f"sudo usermod -aG {group} $USER, then log out and in"
    return "Only root may open it: give its group the right by a rule, see 'help ports'"


# --- holders -------------------------------------------------------------------------------------


def _holders() -> dict[str, str]:
    """Device -> who has it open, as far as this user may see; on Linux alone."""
    found: dict[str, str] = {}
    for process in glob.glob("/proc/[0-9]*"):
        for device in _opened(process):
            with suppress(OSError):
                name = Path(process, "comm").read_text().strip()
                found[device] = f"{name} (process {process.rpartition('/')[2]})"
    return found


def _opened(process: str) -> Iterator[str]:
    try:
        handles = os.listdir(f"{process}/fd")
    except OSError:  # another user's, or just ended
        return
    for handle in handles:
        with suppress(OSError):
            target = os.readlink(f"{process}/fd/{handle}")
            if target.startswith("/dev/") and not target.startswith("/dev/null"):
                yield target


def holder_of(device: str) -> str:
    """Who has `device` open, in words; empty where that cannot be seen."""
    return _holders().get(os.path.realpath(device), "")
