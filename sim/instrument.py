"""A simulated caliper with a button and a cable of its own, and faults of that line.

It sends a line for each press, in one of a few forms, on a pseudo-terminal or a TCP port.
"""

from __future__ import annotations

import select
import threading
from collections.abc import Sequence
from dataclasses import dataclass

from agent.errors import BadInput
from sim.endings import TcpEnding, ending_at

#: Forms of a line: what stands before the number, its width with the sign, digits behind the
#: point, unit, end of the line, and the byte that asks for one.
FORMS: dict[str, tuple[str, int, int, str, bytes, bytes]] = {
    "number-unit": ("", 9, 2, " mm", b"\r\n", b""),
    "identifier-digits": ("A1", 10, 2, "", b"\r", b""),
    "request": ("", 9, 2, " mm", b"\r\n", b"\x05"),
}

#: Faults of the line, each at every so many presses.
FAULTS = {
    "cut": "the line ends in the middle",
    "double": "the line comes twice",
    "damage": "a character of it is another one",
    "low-battery": "the line says that the battery is low",
    "error": "the instrument sends that it has no reading",
    "unplug": "the cable is pulled at that press",
}


#: Longest wait until the instrument looks whether it is to end, s.
_NAP = 0.1


@dataclass(frozen=True, slots=True)
class LineFault:
    """One fault, at every `every`-th press."""

    name: str
    every: int


def line_faults(specs: Sequence[str]) -> list[LineFault]:
    """Faults from texts such as `cut` or `double:3`.  Raises BadInput with what there is."""
    found = []
    for spec in specs:
        name, _, every = spec.partition(":")
        if name not in FAULTS or not (every or "2").isdigit() or every == "0":
            listed = "; ".join(f"{name} ({what})" for name, what in FAULTS.items())
            raise BadInput(
                f"no fault of an instrument's line {spec!r}",
                remedy=f"Give NAME or NAME:EVERY, as cut:3. There are {listed}",
            )
        found.append(LineFault(name, int(every or 2)))
    return found


class PocketCaliper:
    """A caliper with a button, served on a port; `press` sends what it shows."""

    def __init__(
        self,
        listen: str = "pty",
        *,
        form: str = "number-unit",
        faults: Sequence[LineFault] = (),
    ) -> None:
        """`listen`: pty or tcp:PORT.  Raises BadInput for another place or form."""
        if form not in FORMS:
            raise BadInput(f"no form of line {form!r}", remedy=f"There are {', '.join(FORMS)}")
        self._ending = ending_at(listen, {"tcp": TcpEnding})
        self.address = self._ending.address
        self.shown = 0.0  #: mm
        self.presses = 0
        self.unplugged = False
        self._form = FORMS[form]
        self._faults = faults
        self.attended = threading.Event()  #: somebody has opened the other end
        self._ending.on_client = self.attended.set
        if listen.startswith("pty"):
            self.attended.set()  # what is sent before waits in the terminal
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="plumbelt-caliper", daemon=True)
        self._thread.start()

    def press(self, shown: float | None = None) -> None:
        """Press the button; `shown`: what it is closed to, mm."""
        with self._lock:
            if shown is not None:
                self.shown = shown
            self.presses += 1
            due = {f.name for f in self._faults if self.presses % f.every == 0}
            if "unplug" in due and not self.unplugged:
                self.unplugged = True
                self._ending.hang_up()
            if not self.unplugged:
                self._ending.send(self._bytes(due))

    def _bytes(self, due: set[str]) -> bytes:
        before, width, decimals, unit, end, _ = self._form
        number = f"{abs(self.shown):.{decimals}f}".rjust(width - 1, "0")
        sign = "-" if self.shown < 0 else "+"
        line = f"{before}{sign}{number}{unit}"
        if "error" in due:
            line = "ERR" if unit else f"{before}E1"
        elif "low-battery" in due:
            line += " B" if unit else " L"
        data = line.encode()
        if "damage" in due:
            middle = len(data) // 2
            data = data[:middle] + bytes([data[middle] ^ 0x40]) + data[middle + 1 :]
        if "cut" in due:
            return data[: len(data) // 2]
        return (data + end) * (2 if "double" in due else 1)

    def close(self) -> None:
        """Stop serving; may be called twice."""
        if self._stop.is_set():
            return
        self._stop.set()
        self._thread.join(5)
        self._ending.close()

    def _serve(self) -> None:
        request = self._form[5]
        while not self._stop.is_set():
            handles = [] if self.unplugged else self._ending.handles()
            if not handles:  # not every system waits for nothing
                self._stop.wait(_NAP)
                continue
            ready, _, _ = select.select(handles, [], [], _NAP)
            if self._stop.is_set() or not ready:
                continue
            with self._lock:
                data = b"" if self.unplugged else self._ending.receive()
            if request and request in data:
                self.press()
