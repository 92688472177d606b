"""The family that replays its settings as M-code lines: live values, one stored block."""

from __future__ import annotations

import binascii
from collections.abc import Mapping

from sim.gcode import PrinterController
from sim.words import axis_keys, read_words

#: Which setting each word of a code holds; `*` stands for the axis letter.
AXIS_CODES = {
    "M92": "steps_per_mm",
    "M203": "max_speed",
    "M201": "max_acceleration",
    "M206": "home_offset",
    "M851": "probe_offset",
    "M906": "motor_current",
}
WORD_CODES: dict[str, dict[str, str]] = {
    "M204": {"P": "acceleration.print", "R": "acceleration.retract", "T": "acceleration.travel"},
    "M205": {
        "B": "segment_time",
        "S": "min_speed.print",
        "T": "min_speed.travel",
        "J": "junction_deviation",
        "X": "jerk.x",
        "Y": "jerk.y",
        "Z": "jerk.z",
        "E": "jerk.e0",
    },
    "M301": {"P": "hotend_pid.p", "I": "hotend_pid.i", "D": "hotend_pid.d"},
    "M304": {"P": "bed_pid.p", "I": "bed_pid.i", "D": "bed_pid.d"},
}
#: Order and headings of the dump.
DUMP = (
    ("Pulses for each mm", "M92"),
    ("Highest speed, mm/s", "M203"),
    ("Highest acceleration, mm/s2", "M201"),
    ("Acceleration of laying P, drawing back R, going over T", "M204"),
    ("Lowest speeds S and T, shortest piece of a move B, corners J", "M205"),
    ("Nought of each axis", "M206"),
    ("Loop of the nozzle heater", "M301"),
    ("Loop of the bed heater", "M304"),
    ("Where the feeler stands", "M851"),
    ("Current of each motor", "M906"),
)


class Replay(PrinterController):
    """Answers M503 with M-code lines, keeps them with M500, takes them back with M501."""

    family = "replay"
    layout = 4  #: version of the stored block
    stored_layout = "V3"  #: of an unreadable block; `?` where nothing was ever stored

    # ------------------------------------------------------------------ printing

    def number(self, value: float) -> str:
        return f"{value:.{self.options.decimals}f}"

    def setting_words(self, code: str, values: Mapping[str, float]) -> str:
        """`X80.00 Y80.00 ...` for one code, empty where the machine has none of its values."""
        keys = axis_keys(AXIS_CODES[code]) if code in AXIS_CODES else WORD_CODES[code]
        return " ".join(
            f"{letter}{self.number(self._in_unit(key, values[key]))}"
            for letter, key in keys.items()
            if key in values
        )

    def _in_unit(self, key: str, value: float) -> float:
        """A value as it is printed in the present length unit."""
        unit = self.motion.unit
        if unit == 1.0 or key.startswith(("hotend_pid", "bed_pid", "motor_current", "segment")):
            return value
        return value * unit if key.startswith("steps_per_mm") else value / unit

    def setting_lines(self, values: Mapping[str, float]) -> list[tuple[str, str]]:
        """(heading, line) of each line of the dump, without prefix."""
        units = "G20    ; lengths in inches" if self.motion.unit != 1 else "G21    ; lengths in mm"
        lines = [("", units)]
        for heading, code in DUMP:
            words = self.setting_words(code, values)
            if words:
                lines.append((heading, f"{code} {words}"))
        extra = sorted(key for key in values if key.startswith("steps_per_mm.e") and key[-1] != "0")
        lines += [("", f"M92 T{key[-1]} E{self.number(values[key])}") for key in extra]
        lines += [("Other", text) for text in self.other]
        return lines

    def dump(self, headings: bool = True) -> None:
        options = self.options
        last = ""
        for heading, text in self.setting_lines(self.live):
            if heading and heading != last and headings and options.headings:
                self.say(f"{options.settings_prefix}; {heading}:")
            last = heading or last
            indent = options.steps_indent if text.startswith("M92 ") else options.settings_indent
            self.say(f"{options.settings_prefix}{indent}{text}")

    def _boot(self) -> None:
        self.say("start")
        self.say("echo: power-up")
        self.say(f"echo:{self.options.name} board, simulated")
        self.say(self._load_words)
        if self.options.boot_dump:
            self.dump()
        self.say("echo:no SD card")

    _load_words = ""

    def _load_at_boot(self) -> None:
        self._load_words = self._load()

    def _block(self) -> bytes:
        lines = [text for _, text in self.setting_lines(self.live)]
        return "\n".join(lines).encode()

    def _load(self) -> str:
        """Load what is stored; returns what is said about it."""
        if self.storage_fault == "none":
            self.load_defaults()
            return "echo:no persistent store"
        if self.load():
            return f"echo:V{self.layout} stored settings retrieved {self._block_words()}"
        return (
            "echo:block of another layout, version mismatch"
            f" (held={self.stored_layout} known=V{self.layout})\n"
            "echo:Default values of the board: settings loaded"
        )

    def _block_words(self) -> str:
        block = self._block()
        return f"({len(block)} bytes; crc {binascii.crc_hqx(block, 0)})"

    # ------------------------------------------------------------------ words

    def on_M92(self, words: dict[str, float]) -> None:
        """Codes with a value per axis; without any word they report."""
        code = read_words(self.line)[0]
        kind = AXIS_CODES[code]
        if not set(words) & set("XYZE"):
            self.say(f"echo: {code} {self.setting_words(code, self.live)}")
            return
        for letter, value in words.items():
            if letter in "XYZ":
                self._set_printed(f"{kind}.{letter.lower()}", value)
            elif letter == "E":
                self._set_printed(f"{kind}.e{int(words.get('T', 0))}", value)

    on_M203 = on_M201 = on_M206 = on_M851 = on_M906 = on_M92  # noqa: N815

    def on_M204(self, words: dict[str, float]) -> None:
        """Codes whose words are settings of their own; without any they report."""
        code = read_words(self.line)[0]
        names = WORD_CODES[code]
        if not set(words) & {*names, "S"}:
            self.say(f"echo: {code} {self.setting_words(code, self.live)}")
            return
        for letter, value in words.items():
            if code == "M204" and letter == "S":
                self._set_printed("acceleration.print", value)
                self._set_printed("acceleration.travel", value)
            elif letter in names:
                self._set_printed(names[letter], value)

    on_M205 = on_M301 = on_M304 = on_M204  # noqa: N815

    def _set_printed(self, key: str, value: float) -> None:
        """Take a value in the present length unit."""
        one = self._in_unit(key, 1.0)
        self.set(key, value / one)

    def on_M900(self, words: dict[str, float]) -> None:
        """A line that is kept as text and printed again."""
        code = read_words(self.line)[0]
        self.other = [text for text in self.other if text.split()[0] != code] + [self.line]

    on_M145 = on_M200 = on_M412 = on_M413 = on_M420 = on_M852 = on_M900  # noqa: N815

    def on_M500(self, words: dict[str, float]) -> None:
        if self.storage_fault == "none":
            self.say("echo:no persistent store")
        elif not self.store():
            self.say("echo:Error writing the block")
        elif not self.options.store_silent:
            self.say(f"echo:Settings Stored {self._block_words()}")

    def on_M501(self, words: dict[str, float]) -> None:
        self.say(self._load())
        self.dump()

    def on_M502(self, words: dict[str, float]) -> None:
        self.load_defaults()
        self.say("echo:Default values of the board: settings loaded")

    def on_M503(self, words: dict[str, float]) -> None:
        self.dump(headings=words.get("S", 1.0) != 0)

    def on_M115(self, words: dict[str, float]) -> None:
        self.say(
            f"FIRMWARE_NAME:replay bench {self.layout} (simulated)"
            f" MACHINE_TYPE:{self.options.name} EXTRUDER_COUNT:1"
        )
        self.say(f"Cap:EEPROM:{0 if self.storage_fault == 'none' else 1}")
        self.say("Cap:AUTOREPORT_TEMP:1")

    def on_M999(self, words: dict[str, float]) -> None:
        self._last_line = 0
