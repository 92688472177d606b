"""The family whose settings stand in a start-up script and that answers in sentences.

What is live changes by M-codes and is gone with the next boot: `M500` stores heater models and
probe values, never steps, speeds or accelerations.  `M503` prints the script's text, not what is
live.  Speeds are mm/min.
"""

from __future__ import annotations

from collections.abc import Mapping

from sim.controller import ANSWERED, Hold
from sim.gcode import PrinterController
from sim.words import axis_keys


class Script(PrinterController):
    """Answers single questions in one sentence each."""

    family = "script"
    #: The script runs M501, so that stored heater models count.
    runs_override = True

    def prepare(self) -> None:
        self.file = dict(self.live)  #: values of the script

    def edit(self, key: str, value: float) -> None:
        """Change a value in the script, as the technician does with an editor."""
        self.file[key] = value

    # ------------------------------------------------------------------ settings

    def reflash(self) -> None:
        """New firmware comes with a card, and on it the board's own start-up script."""
        self.file = dict(self.defaults)

    def load(self) -> bool:
        self.live = dict(self.file)
        self._noted("load")
        self.apply()
        return True

    def store(self) -> bool:
        """Heater models and offsets only; nothing that this simulator holds as a setting."""
        return self.storage_fault not in ("fails", "none")

    def script_lines(self) -> list[str]:
        """The script, as it is in the file."""
        file = self.file
        lines = [f"; start-up script of {self.options.name}", "G90", "M83"]
        for code, kind, factor in (
            ("M92", "steps_per_mm", 1.0),
            ("M203", "max_speed", 60.0),
            ("M201", "max_acceleration", 1.0),
        ):
            words = " ".join(
                f"{letter}{file[key] * factor:.3f}"
                for letter, key in axis_keys(kind).items()
                if key in file
            )
            if words:
                lines.append(f"{code} {words}")
        lines += self.other
        if self.runs_override:
            lines.append("M501")
        return lines

    def _sentence(self, kind: str, factor: float) -> str:
        return ", ".join(
            f"{letter}: {self.live[key] * factor:.3f}"
            for letter, key in axis_keys(kind).items()
            if key in self.live
        )

    # ------------------------------------------------------------------ answers

    def not_known(self, text: str) -> None:
        self.say(f"Error: {text.split()[0]} means nothing here")
        self.ack()

    def say_busy(self) -> None:
        """This family has no word for that."""

    def cold_nozzle(self) -> None:
        self.say("Error: nozzle too cold, filament not moved")

    def _boot(self) -> None:
        self.say(f"{self.options.name} board, simulated, is up and running.")

    # ------------------------------------------------------------------ words

    def _setting(self, words: Mapping[str, float], kind: str, title: str, factor: float) -> None:
        sentence = self._sentence(kind, factor)
        if not self.set_axes(kind, words, factor) and sentence:
            self.say(f"{title}: {sentence}")

    def on_M92(self, words: dict[str, float]) -> None:
        self._setting(words, "steps_per_mm", "Steps/mm", 1.0)

    def on_M203(self, words: dict[str, float]) -> None:
        self._setting(words, "max_speed", "Speed limits (mm/min)", 60.0)

    def on_M201(self, words: dict[str, float]) -> None:
        self._setting(words, "max_acceleration", "Acceleration limits (mm/s2)", 1.0)

    def on_M566(self, words: dict[str, float]) -> None:
        self._setting(words, "jerk", "Jerk limits (mm/min)", 60.0)

    def on_M906(self, words: dict[str, float]) -> None:
        self._setting(words, "motor_current", "Current of each motor (mA)", 1.0)

    def on_M115(self, words: dict[str, float]) -> None:
        self.say(
            f"FIRMWARE_NAME: script bench FIRMWARE_VERSION: 1-simulated"
            f" ELECTRONICS: {self.options.name}"
        )

    def on_M500(self, words: dict[str, float]) -> None:
        if not self.store():
            self.say("Error: the store takes nothing")
        elif not self.runs_override:
            self.say(
                "Warning: the script has no M501 that was executed at boot,"
                " so what is stored now will not be loaded"
            )

    def on_M501(self, words: dict[str, float]) -> None:
        return

    def on_M502(self, words: dict[str, float]) -> None:
        self.load()

    def on_M503(self, words: dict[str, float]) -> None:
        for line in self.script_lines():
            self.say(line)

    def on_M999(self, words: dict[str, float]) -> Hold | None:
        self.restart()
        return ANSWERED
