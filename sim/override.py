"""The family whose settings stand in a file, with an override file beside it.

`M500` writes the override file; while there is one, edits of the main file have no effect on what
it holds.  `M502` deletes it at once and leaves what is live alone until the next boot.  A halted
controller answers `!!` to everything.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from sim.controller import ANSWERED, Hold
from sim.gcode import PrinterController

#: Id of the extruder's own lines; a number the build makes up.
_EXTRUDER_ID = 43060

_PATH = "/store/override"


class Override(PrinterController):
    """Answers M503 with `;` headings and bare lines of five decimals."""

    family = "override"
    #: `M92` alone reports; some builds answer with a bare `ok`.
    reports_single = False

    def prepare(self) -> None:
        self.file = dict(self.live)  #: values of the main configuration file
        self.stored = None  #: values of the override file, None where there is none
        self.alarm = False

    # ------------------------------------------------------------------ answers

    def work(self, text: str) -> Hold | None:
        if self.alarm and not re.match(r"M999\b", text):
            self.say("!!")
            return ANSWERED
        return super().work(text)

    def emergency(self) -> None:
        self._stop()
        self.say("ok emergency stop, reset or M999 needed")

    def halt(self, reason: str) -> None:
        """Something went wrong: complain, then answer `!!` until unlocked."""
        self._stop()
        self.say(f"Error: {reason}")
        self.say("Entering Alarm/Halt state")

    def _stop(self) -> None:
        self._drop_all()
        self.alarm = True

    def not_known(self, text: str) -> None:
        self.say(f"error:Unsupported command - {text}")

    def say_busy(self) -> None:
        """This family has no word for that."""

    def _ask_again(self, reason: str) -> None:
        self._slots.clear()
        self._ring.clear()
        self.say(f"rs N{self._last_line + 1}")

    def _boot(self) -> None:
        self.say("")
        self.say(f"{self.options.name} board, simulated, running")

    def restart(self) -> None:
        self.alarm = False
        super().restart()

    # ------------------------------------------------------------------ settings

    def reflash(self) -> None:
        """New firmware comes with a card: the board's own main file, and no second one."""
        self.file = dict(self.defaults)
        self.stored = None

    def load(self) -> bool:
        """The main file, and the override file over it."""
        present = self.stored is not None and self.storage_fault not in ("unreadable", "none")
        self.live = {**self.file, **(self.stored or {})} if present else dict(self.file)
        self._noted("load")
        self.apply()
        return present

    def number(self, value: float) -> str:
        return f"{value:.5f}"

    def _axis_line(self, code: str, kind: str, extra: str = "") -> str:
        words = " ".join(
            f"{axis.upper()}{self.number(self.live[f'{kind}.{axis}'])}"
            for axis in "xyz"
            if f"{kind}.{axis}" in self.live
        )
        return f"{code} {words}{extra}" if words else ""

    def setting_lines(self) -> list[tuple[str, str]]:
        """(heading, line) of each line of the dump."""
        live = self.live
        lines = [
            ("Pulses for each mm:", self._axis_line("M92", "steps_per_mm")),
            ("Acceleration of every move in mm/s2:", self._acceleration_line()),
            ("X how far a corner may be cut in mm, S lowest speed in mm/s:", self._junction_line()),
            (
                "Highest speed of each direction in mm/s:",
                self._axis_line("M203", "max_speed", " S-1.00000"),
            ),
            ("Highest speed of each motor in mm/s:", self._axis_line("M203.1", "max_speed")),
            (
                "Highest acceleration of each direction in mm/s2:",
                self._axis_line("M201", "max_acceleration"),
            ),
        ]
        if "steps_per_mm.e0" in live:
            steps = self.number(live["steps_per_mm.e0"])
            lines.append(("Pulses for each mm of filament:", f"M92 E{steps} P{_EXTRUDER_ID}"))
        if "max_speed.e0" in live:
            speed = self.number(live["max_speed.e0"])
            lines.append(
                ("Highest speed of the filament in mm/s:", f"M203 E{speed} P{_EXTRUDER_ID}")
            )
        if "hotend_pid.p" in live:
            p, i, d = (f"{live[f'hotend_pid.{letter}']:.4f}" for letter in "pid")
            lines.append(("Loop of the nozzle heater:", f"M301 S0 P{p} I{i} D{d} X255.0000 Y255"))
        return [(heading, line) for heading, line in lines if line]

    def _acceleration_line(self) -> str:
        value = self.live.get("acceleration.print")
        return "" if value is None else f"M204 S{self.number(value)}"

    def _junction_line(self) -> str:
        value = self.live.get("junction_deviation")
        return "" if value is None else f"M205 X{self.number(value)} Z-1.00000 S0.00000"

    # ------------------------------------------------------------------ words

    def _set_words(self, words: Mapping[str, float], kind: str, code: str) -> None:
        if not self.set_axes(kind, words) and self.reports_single:
            self.say(self._axis_line(code, kind))

    def on_M92(self, words: dict[str, float]) -> None:
        self._set_words(words, "steps_per_mm", "M92")

    def on_M203(self, words: dict[str, float]) -> None:
        self._set_words(words, "max_speed", "M203")

    on_M203_1 = on_M203  # noqa: N815

    def on_M201(self, words: dict[str, float]) -> None:
        self._set_words(words, "max_acceleration", "M201")

    def on_M204(self, words: dict[str, float]) -> None:
        if "S" in words:
            self.set("acceleration.print", words["S"])

    def on_M205(self, words: dict[str, float]) -> None:
        if "X" in words:
            self.set("junction_deviation", words["X"])

    def on_M301(self, words: dict[str, float]) -> None:
        for letter in "PID":
            if letter in words:
                self.set(f"hotend_pid.{letter.lower()}", words[letter])

    def on_M112(self, words: dict[str, float]) -> Hold | None:
        self.emergency()
        return ANSWERED

    def on_M115(self, words: dict[str, float]) -> None:
        self.say(
            f"FIRMWARE_NAME:override bench, FIRMWARE_VERSION:1-simulated,"
            f" X-NAME:{self.options.name}, X-AXES:5"
        )

    def on_M500(self, words: dict[str, float]) -> Hold | None:
        before = self.stored

        def write() -> None:
            self.stored = before
            if self.store():
                self.say(f"Settings Stored to {_PATH}")
            else:
                self.say(f"Error writing {_PATH}")
            self.ack()

        # waits for standstill; a power cut from here on leaves the file empty
        self.stored = {}
        return self.hold(max(self.motion.idle_at, self.now) + 0.2, write)

    def on_M501(self, words: dict[str, float]) -> None:
        if self.load():
            self.say(f"Loading config override file: {_PATH}...")
        else:
            self.say("; No config override")

    def on_M502(self, words: dict[str, float]) -> None:
        """Delete the override file; what is live stays until the next boot."""
        self.stored = None
        self._noted("erase")
        self.say(f"config override file deleted {_PATH}, reboot needed")

    def on_M503(self, words: dict[str, float]) -> None:
        if self.stored is None:
            self.say("; No config override")
        else:
            self.say(f"; config override present: {_PATH}")
        for heading, line in self.setting_lines():
            self.say(f";{heading}")
            self.say(line)
        for line in self.other:
            self.say(line)
        self.say("")

    def on_M999(self, words: dict[str, float]) -> None:
        if self.alarm:
            self.alarm = False
            self.say("WARNING: after a halt the position is not known, home first")
