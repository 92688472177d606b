"""The family that lists its settings as `$n=value` and writes them straight into storage.

Every line earns exactly one `ok` or `error:n`.  A few bytes act at once, wherever they stand:
`?` asks for the state, `!` holds, `~` goes on, 0x18 resets.  While storage is written nobody
listens: bytes that arrive then are lost.
"""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Final

from sim.controller import ANSWERED, Hold
from sim.gcode import MovingController

_AXES: Final = ("x", "y", "z", "e0")

#: Kinds of settings by the number of their first axis, factor from ours to the printed unit,
#: and the text some builds print behind the value.
_PER_AXIS: Final = {
    100: ("steps_per_mm", 1.0, "step/mm"),
    110: ("max_speed", 60.0, "mm/min"),
    120: ("max_acceleration", 1.0, "mm/sec^2"),
    130: ("max_travel", 1.0, "mm max"),
}
#: Settings that are no tuning of ours: pulses, reports, limits, homing, spindle.
_PLAIN: Final = {
    0: 10.0, 1: 25.0, 2: 0.0, 3: 0.0, 4: 0.0, 5: 0.0, 6: 0.0, 10: 1.0, 12: 0.002, 13: 0.0,
    20: 0.0, 21: 0.0, 22: 0.0, 23: 0.0, 24: 25.0, 25: 500.0, 26: 250.0, 27: 1.0,
    30: 1000.0, 31: 0.0, 32: 0.0,
}  # fmt: skip
_DECIMAL: Final = {11, 12, 24, 25, 27, 30, 31}

BAD_NUMBER, NOT_KNOWN, NEGATIVE, STORAGE_READ = 2, 3, 4, 7
NOT_IDLE, LOCKED, TOO_LONG, TOO_FAST, NO_SUCH_WORD = 8, 9, 11, 12, 20

_AT_ONCE: Final = (b"?", b"!", b"~", b"\x18")
_GCODE: Final = re.compile(r"[A-Z]\s*[-+.\d]")


class Numbered(MovingController):
    """Answers `$$`; writing is storing."""

    family = "numbered"
    takes_line_numbers = False
    heats = False

    #: Steps per second that the controller can make at most.
    max_step_rate = 30_000.0
    #: Seconds for which nobody listens while storage is written.
    write_seconds = 0.03
    #: Prints axis and unit behind each value.
    with_text = False

    def prepare(self) -> None:
        self.plain = dict(_PLAIN)
        self.alarm = 0  #: number of the alarm that locks it, 0 for none
        self.needs_reset = False
        self._deaf_until = 0.0
        self._held = False
        self.motion.index["A"] = self.motion.index.pop("E")  # a fourth axis like the others
        # lines of 80 bytes, one at a time from a ring of 128
        longest = min(self.options.line_bytes, 81)
        self.options = replace(self.options, line_bytes=longest, slots=1, line_end="\r\n")

    # ------------------------------------------------------------------ bytes

    def receive(self, data: bytes, now: float) -> None:
        self.run(now)
        for piece in re.findall(rb"[?!~\x18]|[^?!~\x18\n]*\n|[^?!~\x18\n]+", data):
            if self._booting is None and now < self._deaf_until:
                self.lost_bytes += len(piece)
            elif piece in _AT_ONCE:
                self._at_once(piece, now)
            else:
                super().receive(piece, now)

    def _at_once(self, byte: bytes, now: float) -> None:
        if byte == b"\x18":
            moving = bool(self.motion.queue)
            self.power_on(now)
            self.alarm = 3 if moving else 0
        elif self._booting is None and byte == b"?":
            self.say(self.status())
        elif byte in (b"!", b"~"):
            self._held = byte == b"!"

    def urgent(self) -> bool:
        return False

    def status(self) -> str:
        """State, machine position, feed."""
        motion = self.motion
        place = ",".join(f"{position:.3f}" for position in motion.position[:3])
        if self.alarm:
            state = "Alarm"
        elif self._held:
            state = "Hold:0"
        else:
            state = "Run" if motion.queue else "Idle"
        room = f"|Bf:{motion.free_slots},{self.options.ring_bytes}" if self.plain[10] >= 2 else ""
        return f"<{state}|MPos:{place}{room}|FS:{motion.feed * 60:.0f},0>"

    # ------------------------------------------------------------------ lines

    def work(self, text: str) -> Hold | None:
        if self.needs_reset:  # a hard limit: nothing but a reset is heard
            return ANSWERED
        if len(text) > self.options.line_bytes - 1:
            return self._error(TOO_LONG)
        text = re.sub(r"\([^)]*\)|\s", "", text)
        if text[0] == "$":
            return self._dollar(text)
        if self.alarm:
            return self._error(LOCKED)
        if not _GCODE.match(text.upper()):
            return self._error(1)
        if re.search(r"E[-+.\d]", text.upper()):
            return self._error(NO_SUCH_WORD)
        return super().work(text.upper())

    def not_known(self, text: str) -> None:
        self._error(NO_SUCH_WORD)

    def empty(self) -> None:
        """An empty line earns its answer like any other."""
        if not self.needs_reset:
            self.ack()

    def ack(self, data: str = "") -> None:
        self.say("ok")

    def _error(self, number: int) -> Hold:
        """Refuse the line; this is its answer."""
        self.say(f"error:{number}")
        return ANSWERED

    def say_busy(self) -> None:
        """This family has no word for that."""

    def raise_alarm(self, number: int) -> None:
        """Something happened to the machine: 1 hard limit, 2 soft limit, ..."""
        self.motion.drop_queue(self.now)
        self.alarm = number
        self.needs_reset = number in (1, 2)
        self.say(f"ALARM:{number}")
        if self.needs_reset:
            self.say("[MSG:a reset wakes it]")

    def restart(self) -> None:
        self.needs_reset = False
        self.alarm = 0
        self._held = False
        self._deaf_until = 0.0
        super().restart()

    def _boot(self) -> None:
        self.say("")
        self.say(f"{self.options.name} 1.1 ['$' for help]")
        if self.alarm:
            self.say("[MSG:locked, $X or $H wakes it]")
        if self._read_failed:
            self._read_failed = False
            self._error(STORAGE_READ)
            self.say("[MSG:Restoring defaults]")

    _read_failed = False

    def _load_at_boot(self) -> None:
        self._read_failed = not self.load()

    # ------------------------------------------------------------------ settings

    def settings(self) -> dict[int, tuple[float, str]]:
        """Number -> (printed value, text behind it), in the order of the list."""
        listed: dict[int, tuple[float, str]] = {n: (v, "") for n, v in self.plain.items()}
        if "junction_deviation" in self.live:
            listed[11] = (self.live["junction_deviation"], "junction deviation, mm")
        for first, (kind, factor, unit) in _PER_AXIS.items():
            for i, axis in enumerate(_AXES):
                value = self.live.get(f"{kind}.{axis}")
                if value is not None:
                    listed[first + i] = (value * factor, f"{'xyza'[i]}, {unit}")
        return dict(sorted(listed.items()))

    def _dollar(self, text: str) -> Hold | None:
        upper = text.upper()
        if "=" in text:
            return self._assign(upper)
        if upper == "$$":
            if self.motion.queue:
                return self._error(NOT_IDLE)
            for number, (value, behind) in self.settings().items():
                note = f" ({behind})" if behind and self.with_text else ""
                self.say(f"${number}={self._print(number, value)}{note}")
        elif upper == "$I":
            self.say(f"[VER:1.1:{self.options.name}]")
            self.say(f"[OPT:V,{self.options.queue_length - 1},{self.options.ring_bytes}]")
        elif upper == "$G":
            distance = "G90" if self.motion.absolute else "G91"
            unit = "G21" if self.motion.unit == 1 else "G20"
            self.say(f"[GC:G0 G54 G17 {distance} {unit} G94 M5 M9 T0 F0 S0]")
        elif upper == "$N":
            self.say("$N0=")
            self.say("$N1=")
        elif upper == "$X":
            if self.alarm:
                self.say("[MSG:awake, its place is not known]")
            self.alarm = 0
        elif upper == "$H":
            self.alarm = 0
            return self.hold(self.motion.home({}, self.now))
        elif upper == "$":
            self.say("[HLP:$$ lists, $n=value sets and stores, $I names, $X wakes]")
        else:
            return self._error(NOT_KNOWN)
        self.ack()
        return None

    def _print(self, number: int, value: float) -> str:
        whole = number in self.plain and number not in _DECIMAL
        return f"{value:.0f}" if whole else f"{value:.3f}"

    def _assign(self, text: str) -> Hold | None:
        if text.startswith("$RST="):
            return self._restore(text[5:])
        match = re.fullmatch(r"\$(\d+)=(.*)", text)
        if match is None:
            return self._error(NOT_KNOWN)
        if self.motion.queue:
            return self._error(NOT_IDLE)
        number = int(match[1])
        number_match = re.match(r"[-+]?(\d+\.?\d*|\.\d+)", match[2])
        if number_match is None or number_match.end() != len(match[2]):
            return self._error(BAD_NUMBER)
        return self._write(number, float(number_match[0]))

    def _write(self, number: int, printed: float) -> Hold | None:
        if printed < 0:
            return self._error(NEGATIVE)
        first, i = number - number % 10, number % 10
        if first in _PER_AXIS and i < len(_AXES):
            kind, factor, _ = _PER_AXIS[first]
            key = f"{kind}.{_AXES[i]}"
            if key not in self.live:
                return self._error(NOT_KNOWN)
            if self._too_fast(kind, _AXES[i], printed / factor):
                return self._error(TOO_FAST)
            self.set(key, printed / factor)
        elif number == 11 and "junction_deviation" in self.live:
            self.set("junction_deviation", printed)
        elif number in self.plain:
            self.plain[number] = printed
        else:
            return self._error(NOT_KNOWN)
        self.store()
        self._deaf_until = self.now + self.write_seconds
        return self.hold(self._deaf_until)

    def _too_fast(self, kind: str, axis: str, value: float) -> bool:
        if kind not in ("steps_per_mm", "max_speed"):
            return False
        other = "max_speed" if kind == "steps_per_mm" else "steps_per_mm"
        return value * self.live.get(f"{other}.{axis}", 0.0) > self.max_step_rate

    def _restore(self, what: str) -> Hold | None:
        if what not in ("$", "*"):
            return self._error(NOT_KNOWN)
        self.load_defaults()
        self.store()
        self.say("[MSG:Restoring defaults]")
        self.ack()
        return None
