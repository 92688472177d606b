"""The family that prints a table of its memory: `EPR:type position value text`.

A line is acknowledged when it is received, its data come after; while nothing is asked, `wait`
is sent each second.  `M206` writes raw memory: type and position must be those just read.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from sim.controller import ANSWERED, Hold
from sim.gcode import PrinterController
from sim.words import read_words

#: Types of the entries.
BYTE, SHORT, LONG, FLOAT = 0, 1, 2, 3
_LEAST: Final = {BYTE: 0, SHORT: -32768, LONG: -(2**31), FLOAT: -3.4e38}
_MOST: Final = {BYTE: 255, SHORT: 32767, LONG: 2**31 - 1, FLOAT: 3.4e38}


@dataclass(frozen=True, slots=True)
class Entry:
    """One place in memory."""

    type: int
    position: int
    text: str
    decimals: int = 0
    key: str = ""  #: of the setting it holds; empty: a value of no concern to us


#: What this build keeps where; another build has other positions.
ENTRIES: Final = (
    Entry(BYTE, 1028, "Words of the display"),
    Entry(LONG, 75, "Speed of this link"),
    Entry(FLOAT, 129, "Filament laid so far [m]", 3),
    Entry(LONG, 125, "Seconds in use [s]"),
    Entry(LONG, 79, "Sleep after [ms]"),
    Entry(FLOAT, 3, "X-axis steps per mm", 4, "steps_per_mm.x"),
    Entry(FLOAT, 7, "Y-axis steps per mm", 4, "steps_per_mm.y"),
    Entry(FLOAT, 11, "Z-axis steps per mm", 4, "steps_per_mm.z"),
    Entry(FLOAT, 15, "X-axis max. feedrate [mm/s]", 3, "max_speed.x"),
    Entry(FLOAT, 19, "Y-axis max. feedrate [mm/s]", 3, "max_speed.y"),
    Entry(FLOAT, 23, "Z-axis max. feedrate [mm/s]", 3, "max_speed.z"),
    Entry(FLOAT, 51, "X-axis acceleration [mm/s^2]", 3, "max_acceleration.x"),
    Entry(FLOAT, 55, "Y-axis acceleration [mm/s^2]", 3, "max_acceleration.y"),
    Entry(FLOAT, 59, "Z-axis acceleration [mm/s^2]", 3, "max_acceleration.z"),
    Entry(FLOAT, 145, "Lower end of X [mm]", 3),
    Entry(FLOAT, 200, "Extr.1 steps per mm", 3, "steps_per_mm.e0"),
    Entry(FLOAT, 204, "Extr.1 max. feedrate [mm/s]", 3, "max_speed.e0"),
    Entry(FLOAT, 212, "Extr.1 acceleration [mm/s^2]", 3, "max_acceleration.e0"),
)


class Table(PrinterController):
    """Answers M205 with its table."""

    family = "table"
    #: A written value is permanent at once; else M500 keeps it.
    writing_stores = True

    def prepare(self) -> None:
        self.options = replace(self.options, idle_word="wait")
        #: values of entries that are no setting of ours, by position; text is printed as it is
        self.plain: dict[int, float | str] = {75: 115200.0, 129: 12.5}

    def entries(self) -> Iterator[tuple[Entry, str]]:
        """Entries that this machine has, with the value as printed."""
        for entry in ENTRIES:
            if entry.key:
                if entry.key in self.live:
                    yield entry, f"{self.live[entry.key]:.{entry.decimals}f}"
            else:
                value = self.plain.get(entry.position, 0.0)
                shown = value if isinstance(value, str) else f"{value:.{entry.decimals}f}"
                yield entry, shown

    # ------------------------------------------------------------------ answers

    def work(self, text: str) -> Hold | None:
        code, words = read_words(text)
        handler = self._handlers.get(code)
        moves = code in ("G0", "G1")
        if not moves:  # on reception; what the line brings comes behind it
            self.ack()
        if handler is None:
            self.not_known(text)
            return ANSWERED
        hold = handler(words)
        if hold is None and moves:  # once there was room for the move
            self.ack()
        return hold

    def ack(self, data: str = "") -> None:
        self.say("ok" if self._number is None else f"ok {self._number}")
        if data:
            self.say(data)

    def _ack_and_go_on(self) -> None:
        """A command that took time was acknowledged when it came."""

    def not_known(self, text: str) -> None:
        number = "" if self._number is None else f"N{self._number} "
        self.say(f"Unknown command:{number}{text}")

    def say_busy(self) -> None:
        self.say("busy:processing")

    def cold_nozzle(self) -> None:
        self.say("Info:nozzle too cold, filament not moved")

    def _boot(self) -> None:
        self.say("start")
        self.say(f"Info:{self.options.name} board, simulated")
        self._say_loaded(self._loaded)

    def _say_loaded(self, stored: bool) -> None:
        self.say("Info:Configuration loaded" if stored else "Info:values of the board are live")

    _loaded = True

    def _load_at_boot(self) -> None:
        self._loaded = self.load()

    # ------------------------------------------------------------------ words

    def on_M105(self, words: dict[str, float]) -> None:
        self.say(self.temperatures())

    def on_M115(self, words: dict[str, float]) -> None:
        self.say(
            f"FIRMWARE_NAME:table bench (simulated) MACHINE_TYPE:{self.options.name}"
            " EXTRUDER_COUNT:1"
        )

    def on_M92(self, words: dict[str, float]) -> None:
        self.set_axes("steps_per_mm", words)

    def on_M205(self, words: dict[str, float]) -> None:
        for entry, shown in self.entries():
            self.say(f"EPR:{entry.type} {entry.position} {shown} {entry.text}")

    def on_M206(self, words: dict[str, float]) -> None:
        """Write raw memory; a wrong type or position is not complained of, nothing is written."""
        kind, position = int(words.get("T", -1)), int(words.get("P", -1))
        value = words.get("X" if kind == FLOAT else "S")
        entry = next(
            (e for e, _ in self.entries() if (e.type, e.position) == (kind, position)), None
        )
        if entry is None or value is None or not _LEAST[kind] <= value <= _MOST[kind]:
            return
        if entry.key:
            self.set(entry.key, value)
        else:
            self.plain[position] = value
        if self.writing_stores:
            self.store()

    def on_M500(self, words: dict[str, float]) -> None:
        done = self.store()
        self.say("Info:Settings stored" if done else "Error:storage not written")

    def on_M501(self, words: dict[str, float]) -> None:
        self._say_loaded(self.load())

    def on_M502(self, words: dict[str, float]) -> None:
        self.load_defaults()
        self._say_loaded(False)
