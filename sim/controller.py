"""A controller on a serial wire: bytes and instants in, bytes out, no I/O and no real clock.

`Controller` holds what all families share: lines out of bytes, one command at a time, commands
that take time, keep-alives, heaters, moves, and settings that are live or stored.  A family adds
its own words (`replay.py`, `numbered.py`, ...).

Facts of the wire, which a client depends on, are: codes and their letters, `ok`, `error:n`,
`Resend` and the four complaints about line numbers, `busy`, `wait`, reports of temperature and
place, the frames `EPR:`, `$n=`, `<...>`, `[...]`, `['$' for help]`, the names of places in the
table, and in notices the words by which they are told (`settings stored`, `stored settings
retrieved`, `settings loaded`, `version mismatch (..=.. ..=..)`, `error writing`, `no persistent`,
`unknown command`, `config override`, `M501 .. executed`).  All other text is the simulator's own
and may be reworded freely: banners, headings, remarks, help, names of places that are no setting.
"""

from __future__ import annotations

import functools
import operator
import re
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, Protocol

from sim.heat import Heater
from sim.motion import Motion
from sim.options import Change, ChangeKind, Options
from sim.words import axis_keys, read_words

#: Direction of bytes, as the client sees it.
Way = Literal["sent", "received"]


_NUMBER = re.compile(r"N\s*(-?\d+)\s*")


@dataclass(slots=True)
class Hold:
    """A command that is not answered yet."""

    until: float
    then: Callable[[], Hold | None]
    next_busy: float
    next_report: float | None = None


class Watcher:
    """Sees every command line; a way to make things go wrong at a certain one."""

    def before(self, controller: Controller, text: str) -> bool:
        """True: the line is not done now."""
        return False

    def after(self, controller: Controller, text: str) -> bool:
        """True: the line was done, but its answer is lost."""
        return False


class Wire(Protocol):
    """What a trouble may know of the cable that it sits on, and do to it."""

    client_baud: int | None  #: speed the client has set, where it is known

    def unplug(self) -> None:
        """Pull the cable."""


class Trouble:
    """Something that happens to bytes on the cable; the base does nothing."""

    def carry(self, data: bytes, way: Way, cable: Wire) -> bytes:
        """What comes out at the other end."""
        return data

    def delay(self) -> float:
        """Seconds that an answer comes later."""
        return 0.0

    def opened(self, controller: Controller) -> None:
        """A client has opened the port (raised DTR)."""


class Controller:
    """Base of the families; see the module."""

    family = ""
    takes_line_numbers = True

    def __init__(
        self,
        motion: Motion,
        live: Mapping[str, float],
        *,
        defaults: Mapping[str, float] | None = None,
        other: Sequence[str] = (),
        options: Options | None = None,
    ) -> None:
        self.motion = motion
        self.options = options or Options()
        self.stored: dict[str, float] | None = dict(live)
        self.defaults: dict[str, float] = dict(defaults or live)
        self.live: dict[str, float] = dict(live)
        self.other = list(other)  #: setting lines kept as text
        self.received: list[str] = []  #: accepted command lines, framing removed
        self.changes: list[Change] = []
        self.hotend = Heater(rate=3.0, cooling=120.0)
        self.bed = Heater(rate=0.7, cooling=600.0)
        self.halted = False
        self.now = 0.0  #: instant up to which everything has happened
        self.line = ""  #: the command being worked on
        self.lock = threading.RLock()  #: held by whoever works with it from several threads
        self.watchers: list[Watcher] = []
        self.troubles: list[Trouble] = []  #: on any cable that is plugged in
        self.storage_fault: Literal["", "lies", "fails", "unreadable", "none"] = ""
        self._out = bytearray()
        self._ring = bytearray()
        self._slots: deque[str] = deque()
        self._free_at = 0.0
        self._hold: Hold | None = None
        self._booting: float | None = None
        self.busy_seconds = self.options.busy_seconds
        self._last_line = 0
        self._number: int | None = None
        self._report_every = 0.0
        self._next_report = 0.0
        self._next_idle = 1.0
        self.lost_bytes = 0  #: received while there was no room or nobody listened
        self._handlers: dict[str, Callable[[dict[str, float]], Hold | None]] = {
            name.removeprefix("on_"): getattr(self, name)
            for name in dir(self)
            if re.fullmatch(r"on_[GMT]\d+(_\d+)?", name)
        }
        self.motion.unit = 25.4 if self.options.inches else 1.0
        self.apply()
        self.prepare()

    def prepare(self) -> None:
        """What a family has besides, set up once when all else is there."""

    def set_options(self, **changed: Any) -> None:
        """Change how the board is built, by the names of `Options`."""
        self.options = replace(self.options, **changed)
        self.busy_seconds = self.options.busy_seconds

    # ------------------------------------------------------------------ bytes and time

    def receive(self, data: bytes, now: float) -> None:
        """Bytes arrive at the instant `now`; what finds no room is lost."""
        self.run(now)
        if self._booting is not None:  # nobody listens while the board boots
            self.lost_bytes += len(data)
            return
        ring = self._ring
        for piece in data.splitlines(keepends=True):
            ring += piece
            if self.urgent():
                continue
            self._take_lines()
            self._pump(now)
            room = self.options.ring_bytes
            if len(ring) > room:
                self.lost_bytes += len(ring) - room
                del ring[room:]

    def run(self, now: float) -> None:
        """Let time pass up to the instant `now`."""
        if self._booting is not None:
            if self._booting > now:
                self.now = max(self.now, now)
                return
            self.now = max(self.now, self._booting)
            self._booting = None
            self._next_idle = self.now + 1.0
            self._boot()
        self._pump(now)
        self.now = max(self.now, now)
        self.motion.settle(now)

    def take(self) -> bytes:
        """Bytes sent since the last call."""
        data = bytes(self._out)
        self._out.clear()
        return data

    def next_instant(self) -> float | None:
        """When something will be sent next if nothing more arrives; None if nothing will."""
        if self._booting is not None:
            return self._booting
        if self.halted:
            return None
        times: list[float] = []
        hold = self._hold
        if hold is not None:
            times.append(hold.until)
            if self.busy_seconds:
                times.append(hold.next_busy)
            if hold.next_report is not None:
                times.append(hold.next_report)
        elif self._slots:
            times.append(max(self._free_at, self.now))
        elif self.options.idle_word:
            times.append(self._next_idle)
        if self._report_every:
            times.append(self._next_report)
        return min(times) if times else None

    @property
    def working(self) -> bool:
        """True while a command waits for its answer."""
        return self._hold is not None or bool(self._slots) or self._booting is not None

    def power_on(self, now: float) -> None:
        """Switch on or reset: forgets all that was not stored, says so a moment later."""
        self.run(now)
        self.restart()

    def restart(self) -> None:
        """Reset at the present instant."""
        self._drop_all()
        self.motion.reset()
        self.motion.unit = 25.4 if self.options.inches else 1.0
        self._ring.clear()
        self._report_every = 0.0
        self._last_line = 0
        self.halted = False
        self._booting = self.now + self.options.boot_seconds
        self.line = ""
        self._load_at_boot()

    def finish_moves(self) -> None:
        """Let everything that is queued happen now."""
        self.motion.settle(float("inf"))

    def _pump(self, now: float) -> None:
        while not self.halted:
            hold = self._hold
            if hold is not None:
                at = hold.until
                if self.busy_seconds and hold.next_busy < at:
                    at = hold.next_busy
                if hold.next_report is not None and hold.next_report < at:
                    at = hold.next_report
                if self._report_due(min(at, now)):
                    continue
                if at > now:
                    return
                self.now = max(self.now, at)
                if at >= hold.until:
                    self._hold = None
                    self._free_at = self.now
                    self._hold = hold.then()
                    self._take_lines()
                elif hold.next_report is not None and at >= hold.next_report:
                    hold.next_report += 1.0
                    self.say(f" {self.temperatures()} W:?")
                else:
                    hold.next_busy += self.busy_seconds
                    self.say_busy()
            elif self._slots:
                at = max(self._free_at, self.now)
                if at > now:
                    return
                self.now = at
                line = self._slots.popleft()
                self._free_at = at + self.options.seconds_per_line
                self._hold = self._accept(line)
                self._next_idle = at + 1.0
                self._take_lines()
            elif self._report_due(now):
                continue
            elif self.options.idle_word and self._next_idle <= now:
                self.now = max(self.now, self._next_idle)
                self._next_idle += 1.0
                self.say(self.options.idle_word)
            else:
                return

    def _report_due(self, now: float) -> bool:
        if not self._report_every or self._next_report > now:
            return False
        self.now = max(self.now, self._next_report)
        self._next_report += self._report_every
        self.say(" " + self.temperatures())
        return True

    def _take_lines(self) -> None:
        ring = self._ring
        while len(self._slots) < self.options.slots:
            end = ring.find(b"\n")
            if end < 0 and (end := ring.find(b"\r")) < 0:
                return
            raw = bytes(ring[: min(end, self.options.line_bytes)])
            del ring[: end + 1]
            text = raw.decode("latin-1").rstrip("\r")
            if text.strip() or not self.takes_line_numbers:
                self._slots.append(text)

    # ------------------------------------------------------------------ lines

    def urgent(self) -> bool:
        """Act on words that do not wait behind others; True if the bytes are dealt with."""
        if b"M112" not in self._ring or re.search(rb"(^|\s)M112\b", self._ring) is None:
            return False
        self._ring.clear()
        self.received.append("M112")
        self.emergency()
        return True

    def emergency(self) -> None:
        self.halt("emergency word received")

    def _accept(self, text: str) -> Hold | None:
        """Check the framing of one line, then do it."""
        text = text.split(";", 1)[0].strip()
        self._number = None
        if not text:
            self.empty()
            return None
        if self.options.echo:
            self.say(f"echo:{text}")
        if self.takes_line_numbers and (text[0] == "N" or "*" in text):
            reason = self._misframed(text)
            if reason:
                self._ask_again(reason)
                return None
            text = self._unframed(text)
        self.received.append(text)
        if any(watcher.before(self, text) for watcher in self.watchers):
            return self._hold
        return self.do(text)

    def do(self, text: str) -> Hold | None:
        """Do one command line without its framing."""
        self.line = text
        mark = len(self._out)
        hold = self.work(text)
        for watcher in self.watchers:
            if watcher.after(self, text):
                del self._out[mark:]
                return self._hold
        return None if hold is ANSWERED else hold

    def stall(self, seconds: float, text: str) -> None:
        """Do `text` only `seconds` later, without a word in between."""
        self._hold = Hold(
            until=self.now + seconds, then=lambda: self.do(text), next_busy=float("inf")
        )

    def _misframed(self, text: str) -> str:
        """What is wrong with the number or the checksum of a line; empty if nothing is."""
        body, star, given = text.partition("*")
        match = _NUMBER.match(body)
        if match is None:
            return "No Line Number with checksum"
        if not star:
            return "No Checksum with line number"
        wanted = functools.reduce(operator.xor, body.encode("latin-1"), 0)
        if not given.strip().isdecimal() or int(given) != wanted:
            return "checksum mismatch"
        restarts = body[match.end() :].startswith("M110")
        if int(match[1]) != self._last_line + 1 and not restarts:
            return "Line Number is not Last Line Number+1"
        return ""

    def _unframed(self, text: str) -> str:
        """The command in a well-framed line, which is counted."""
        body = text.partition("*")[0]
        match = _NUMBER.match(body)
        assert match is not None
        command = body[match.end() :].strip()
        self._number = self._last_line = int(match[1])
        if command.startswith("M110") and (inner := re.search(r"N\s*(-?\d+)", command)):
            self._last_line = int(inner[1])
        return command

    def _ask_again(self, reason: str) -> None:
        """Ask for the line again; what else waited in the buffers is thrown away."""
        self._slots.clear()
        self._ring.clear()
        self.say(f"Error:{reason}, Last Line: {self._last_line}")
        self.say(f"Resend: {self._last_line + 1}")
        if self.options.resend_ok:
            self.ack()

    def work(self, text: str) -> Hold | None:
        """Do one command line and answer it."""
        code, words = read_words(text)
        handler = self._handlers.get(code)
        if handler is None:
            self.not_known(text)
            return ANSWERED
        hold = handler(words)
        if hold is None and not self.halted:
            self.ack()
        return hold

    # ------------------------------------------------------------------ what is sent

    def say(self, text: str) -> None:
        """Send a line, or several joined by line feeds."""
        end = self.options.line_end
        self._out += (text.replace("\n", end) + end).encode("latin-1", "replace")

    def ack(self, data: str = "") -> None:
        """Acknowledge the command being worked on."""
        style = self.options.ack
        parts = ["ok"]
        if data:
            parts.append(data)
        elif style != "plain":
            if style == "line" and self._number is not None:
                parts.append(f"N{self._number}")
            free = max(0, self.options.slots - 1 - len(self._slots))
            parts.append(f"P{self.motion.free_slots} B{free}")
        self.say(" ".join(parts))

    def say_busy(self) -> None:
        self.say("echo:busy: processing")

    def not_known(self, text: str) -> None:
        """Answer a command that this family does not have."""
        self.say(f'echo:Unknown command: "{text}"')
        self.ack()

    def empty(self) -> None:
        """A line without a command in it: most families say nothing."""

    def halt(self, reason: str) -> None:
        """Stop everything; nothing is answered until a reset."""
        self._drop_all()
        self._ring.clear()
        self.say(f"Error:{reason}")
        self.say("Error:machine halted until reset")
        self.halted = True

    def _drop_all(self) -> None:
        """Throw away what waits, and switch the heaters off."""
        self.motion.drop_queue(self.now)
        self.hotend.set(0.0, self.now)
        self.bed.set(0.0, self.now)
        self._hold = None
        self._slots.clear()

    def temperatures(self) -> str:
        hotend, bed = self.hotend, self.bed
        return (
            f"T:{hotend.at(self.now):.2f} /{hotend.target:.2f}"
            f" B:{bed.at(self.now):.2f} /{bed.target:.2f} @:0 B@:0"
        )

    # ------------------------------------------------------------------ time

    def hold(
        self, until: float, then: Callable[[], Hold | None] | None = None, *, report: bool = False
    ) -> Hold:
        """Answer the present command at `until`, after `then`."""
        return Hold(
            until=max(until, self.now),
            then=then or self._ack_and_go_on,
            next_busy=self.now + self.busy_seconds,
            next_report=self.now + 1.0 if report else None,
        )

    def _ack_and_go_on(self) -> None:
        self.ack()

    # ------------------------------------------------------------------ settings

    def apply(self) -> None:
        """Let the live settings govern the moves."""
        self.motion.use(self.live)

    def set(self, key: str, value: float) -> None:
        """Change one live setting."""
        self.changes.append(Change(self.now, "set", self.line, key, self.live.get(key), value))
        self.live[key] = value
        self.apply()

    def set_axes(self, kind: str, words: Mapping[str, float], factor: float = 1.0) -> bool:
        """Change a setting of each axis that a line names; False where it names none."""
        keys = axis_keys(kind)
        named = [letter for letter in words if letter in keys]
        for letter in named:
            self.set(keys[letter], words[letter] / factor)
        return bool(named)

    def _noted(self, kind: ChangeKind) -> None:
        """Something happened to all settings at once."""
        self.changes.append(Change(self.now, kind, self.line))

    def store(self) -> bool:
        """Make what is live permanent; False where storage said no."""
        if self.storage_fault in ("fails", "none"):
            return False
        if self.storage_fault == "unreadable":  # a block of another layout is overwritten
            self.storage_fault = ""
        if self.storage_fault != "lies":
            self.stored = dict(self.live)
            self._noted("store")
        return True

    def load(self) -> bool:
        """Put what is stored into life; False where it cannot be read (defaults then)."""
        if self.stored is None or self.storage_fault in ("unreadable", "none"):
            self.load_defaults()
            return False
        self.live = dict(self.stored)
        self._noted("load")
        self.apply()
        return True

    def load_defaults(self) -> None:
        self.live = dict(self.defaults)
        self._noted("defaults")
        self.apply()

    def reflash(self) -> None:
        """What new firmware does to what was kept: a block of another layout is unreadable.

        From the next boot on the defaults are live.
        """
        self.storage_fault = "unreadable"

    def _load_at_boot(self) -> None:
        self.load()

    def _boot(self) -> None:
        """What is said after a reset."""


#: Returned by a handler that has acknowledged its line itself.
ANSWERED = Hold(until=0.0, then=lambda: None, next_busy=0.0)
