"""Exchange engine: what has been sent, what came back, what may be sent next.

No clock, no port, no thread lives here: bytes and instants come in as arguments, bytes and
events go out as return values.  `link.py` owns the port; tests and rehearsal run this very code.

Which line an answer ends, and what goes out again, is told in `flight.py`.  After silence, a
restart or a halt the effect of the lines in flight is unknown: the state is DOUBT (or HALTED), in
which only lines that read may be sent, and which only `resync` leaves, once everything was read
back.

Line numbers make it safe to send a line again after silence: where only its answer was lost, the
controller asks for a later line, and thereby tells what it has.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from typing import Final

from agent.wire.events import (
    Acknowledged,
    Busy,
    Complaint,
    Echoed,
    Event,
    ForeignCommand,
    Halted,
    HopelessResend,
    Idle,
    Junk,
    Received,
    Rejected,
    ResendAsked,
    Resent,
    Restarted,
    Silent,
    Stray,
    Unsolicited,
)
from agent.wire.flight import Flight, Sent
from agent.wire.framing import LineCutter, frame
from agent.wire.words import (
    ACKNOWLEDGED,
    BURIED,
    GLUED,
    PLAIN,
    START,
    halt_reason,
    recognised,
    refusal,
)

#: After a request to resend, silence as long as this stands in for a missing acknowledgement.
RESEND_QUIET: Final = 1.0

#: Lines before the one asked for are taken; after this silence their acknowledgements are lost.
TAKEN_PATIENCE: Final = 5.0

#: An acknowledgement that may have been the end of some other text counts after this silence.
SUSPECT_QUIET: Final = 2.0

#: Lines that a halted controller takes.
_UNLOCK: Final = frozenset({"M999", "$X", "$H", "\x18"})

#: Codes whose answer looks like an unsolicited report.
_ASKS_FOR_REPORT: Final = re.compile(r"M(?:27|105|109|114|190)\b|[?]$")

#: Words behind an acknowledgement that mean the opposite.
_EMERGENCY: Final = re.compile(r"emergency|halt|kill|M999", re.IGNORECASE)


class State(Enum):
    """What may be done next."""

    READY = "ready"  #: nothing in flight
    WAITING = "waiting"  #: lines in flight
    DOUBT = "doubt"  #: the effect of some line is unknown until everything is read back
    HALTED = "halted"  #: the controller takes nothing until it is reset or unlocked


class LocalFault(Exception):
    """A mistake of this side: the exchange was asked for what its state does not allow."""


@dataclass(frozen=True, slots=True)
class Window:
    """How much may be in flight at once."""

    lines: int = 1
    bytes: int | None = None


#: Always safe, and fast enough for settings.
ONE_LINE: Final = Window()


class Exchange:
    """One controller's side of the talk; see the head of this module."""

    def __init__(self, window: Window = ONE_LINE, *, numbered: bool = False) -> None:
        self.window = window
        self.numbered = numbered
        self.next_number: int | None = None  #: None until the count is agreed: `number_from`
        self.heard: list[str | int] = []  #: lines of the last `receive`; sizes of what was junk
        self._cutter = LineCutter()
        self._flight = Flight()
        self._last_sent: tuple[Sent, ...] = ()  #: in flight when the last line was sent
        self._echoes_known: frozenset[str] | None = None  #: see `_echoes`
        self._doubt = False
        self._halted = False
        self._talked = False
        self._booting = False
        self._alive = 0.0  #: instant of the last sign that the line in flight is being worked on
        self._suspect: float | None = None
        self._remark = ""  #: last `Error:` text, the reason of a halt that follows

    # What may be sent

    @property
    def state(self) -> State:
        if self._halted:
            return State.HALTED
        if self._doubt:
            return State.DOUBT
        return State.WAITING if self._flight else State.READY

    @property
    def in_flight(self) -> tuple[str, ...]:
        """Lines without an answer yet, oldest first."""
        return self._flight.lines

    def has_room(self, line: str) -> bool:
        """True if `line` may be sent now without overfilling the controller."""
        waiting = self._flight.waiting
        if self._flight.again or len(waiting) >= self.window.lines:
            return False
        if self.window.bytes is None or not waiting:
            return True
        pending = sum(len(sent.data) for sent in waiting)
        return pending + len(frame(line, self.next_number)) <= self.window.bytes

    def send(self, line: str, now: float, *, timeout: float = 10.0, reads: bool = False) -> bytes:
        """The bytes to write for `line`; `reads` says that it cannot change anything.

        Raises LocalFault where the state forbids it, ValueError for what is not a line.
        """
        if self._halted and not (reads or line in _UNLOCK):
            raise LocalFault(f"the controller has halted, not sent: {line}")
        if self._doubt and not (reads or self._halted or line in _UNLOCK):
            raise LocalFault(f"in DOUBT, read back first, not sent: {line}")
        if not self.has_room(line):
            raise LocalFault(f"waiting for an answer, not sent: {line}")
        if self.numbered and self.next_number is None:
            raise LocalFault("line numbers are not agreed yet")
        return self._put(line, self.next_number, now, timeout)

    def number_from(self, number: int, now: float, *, timeout: float = 10.0) -> bytes:
        """The bytes that make the controller count from `number`; the next line is one more.

        The number stands in both places: some controllers heed only one of them.
        """
        if self.state in (State.WAITING, State.HALTED):
            raise LocalFault(f"{self.state.value}: line numbers cannot be set now")
        self.numbered, self.next_number = True, number
        return self._put(f"M110 N{number}", number, now, timeout)

    def _put(self, line: str, number: int | None, now: float, timeout: float) -> bytes:
        data = frame(line, number)
        if number is not None:
            self.next_number = number + 1
        if not self._flight:
            self._alive = now
        waiting = self._flight.waiting
        waiting.append(Sent(line, number, data, timeout))
        self._last_sent, self._echoes_known = tuple(waiting), None
        self._talked, self._booting = True, False
        return data

    def resync(self) -> None:
        """Leave DOUBT; only for who has just read everything back."""
        if self._flight:
            raise LocalFault("lines are still in flight")
        self._doubt = False

    def abandon(self) -> tuple[str, ...]:
        """Give up what is in flight after a failure on this side; the lines, now in DOUBT."""
        lost = self._lose()
        self._doubt = self._doubt or bool(lost)
        return lost

    def revive(self) -> None:
        """The controller was unlocked or reset: no longer HALTED, but in DOUBT."""
        self._halted, self._doubt = False, True

    # What comes back

    @property
    def _echoes(self) -> frozenset[str]:
        """Our lines as they would come back; put together only when something may be one."""
        if self._echoes_known is None:
            self._echoes_known = frozenset(
                text
                for sent in self._last_sent
                for text in (sent.line, sent.data[:-1].decode("ascii"))
            )
        return self._echoes_known

    def receive(self, data: bytes, now: float) -> list[Event]:
        """Events in `data`; what they are does not depend on how the bytes were cut."""
        events: list[Event] = []
        self.heard = self._cutter.feed(data)
        for text in self.heard:
            if text == "ok":  # what most lines of a piece are answered with
                self._taken(text, now, events)
            elif isinstance(text, int):
                events.append(Junk(text))
            # most lines are plain data, so they are told first, if nothing hides in them
            elif (
                PLAIN.match(text)
                and "ok" not in text
                and not text.endswith("start")
                and text not in self._echoes
            ):
                self._alive = now
                events.append(Received(text))
            elif match := recognised(text):
                self._dispatch(match, text, now, events)
            elif text:
                self._unmarked(text, now, events)
        return events

    def _dispatch(self, match: re.Match[str], text: str, now: float, out: list[Event]) -> None:
        match match.lastgroup:
            case "acknowledged":
                self._acknowledge(text, now, out)
            case "resend":
                self._resend(int(match["wanted"]), now, out)
            case "complaint":
                self._alive = now
                out.append(Complaint(text))
            case "halted":
                self._halt(text, out)
            case "rejected":
                self._reject(text, now, out)
            case "busy":
                self._alive = now
                out.append(Busy(match["reason"]))
            case "idle":
                out.append(Idle())
            case "foreign":
                out.append(ForeignCommand(match["command"]))
            case "restarted":
                self._restart(text, out)
            case _:
                self._report(text, now, out)

    def _unmarked(self, text: str, now: float, out: list[Event]) -> None:
        """A line that no word marks: data, unless something hides in it."""
        if text.endswith("start") and START.search(text):
            self._restart("start", out)
        elif text in self._echoes or text.removeprefix("echo:") in self._echoes:
            out.append(Echoed(text))
        elif "\\" in text and _is_junk(text):
            out.append(Junk(len(text) - 3 * text.count("\\x")))
        else:
            self._alive = now
            if text.startswith("Error:"):
                self._remark = text[6:].strip()
            out.append(Received(text))
            if "ok" in text:
                self._glued(text, now, out)

    def _report(self, text: str, now: float, out: list[Event]) -> None:
        waiting = self._flight.waiting
        asked = waiting and _ASKS_FOR_REPORT.match(waiting[0].line)
        if asked or BURIED.search(text, 1):
            self._alive = now
            out.append(Received(text))
        else:
            out.append(Unsolicited(text))
        self._glued(text, now, out)

    # Answers

    def _acknowledge(self, text: str, now: float, out: list[Event]) -> None:
        match = ACKNOWLEDGED.match(text)
        assert match is not None
        rest = match["rest"]
        if rest.startswith("-"):
            self._reject("error:" + rest[1:], now, out)
            return
        self._taken(text, now, out, match, rest)
        if _EMERGENCY.search(rest):
            self._halt(rest, out)

    def _glued(self, text: str, now: float, out: list[Event]) -> None:
        """Count an acknowledgement behind other text, if it names a line or the free slots."""
        match = GLUED.search(text)
        if match is None:
            return
        waiting = {str(sent.number) for sent in self._flight.waiting}
        if match["planner"] or {match["number"], match["echo"]} & waiting:
            self._taken(text, now, out, match)
        elif waiting:
            self._suspect = now

    def _taken(
        self,
        text: str,
        now: float,
        out: list[Event],
        match: re.Match[str] | None = None,
        rest: str = "",
    ) -> None:
        """An acknowledgement: end the line it belongs to, and perhaps earlier ones.

        match: what it says besides; `rest`: what stands behind it.
        """
        self._alive, self._suspect = now, None
        number = free = None
        if match is not None:
            number = int(match["number"]) if match["number"] else None
            free = (int(match["planner"]), int(match["slots"])) if match["planner"] else None
        ended = self._flight.acknowledge(number)
        if ended is None:
            out.append(Stray(text))
        elif ended:
            last = ended.pop()
            out += [Acknowledged(sent.line, sent.number) for sent in ended]
            out.append(Acknowledged(last.line, last.number, rest, free))
            if last.line in _UNLOCK:  # some controllers count from the start again
                self.next_number = None
        if self._flight.again and self._flight.all_refused:
            self._repeat(now, out)

    def _reject(self, text: str, now: float, out: list[Event]) -> None:
        reason = refusal(text)
        refused = self._flight.refuse()
        if refused is None:
            out.append(Stray(text))
        else:
            self._alive, self._suspect = now, None
            out += (Rejected(sent.line, reason) for sent in refused)
        if text == "!!" or "alarm lock" in text.lower():
            self._halt(reason, out)

    def _halt(self, text: str, out: list[Event]) -> None:
        if self._halted:
            return
        self._halted = True
        out.append(Halted(halt_reason(text) or self._remark or text, self._lose()))

    def _restart(self, cause: str, out: list[Event]) -> None:
        """Boot: whatever was in flight, and whatever was not stored, is gone."""
        if self._booting and cause != "start":
            out.append(Received(cause))
            return
        lost = self._lose()
        self._booting = True
        self._halted = False
        self._doubt = self._doubt or self._talked
        self.next_number = None
        self._remark = ""
        out.append(Restarted(cause, lost))

    def _lose(self) -> tuple[str, ...]:
        self._suspect = None
        return self._flight.lose()

    # Resending

    def _resend(self, number: int, now: float, out: list[Event]) -> None:
        self._alive, self._suspect = now, None
        out.append(ResendAsked(number))
        self._suspected(self._flight.ask_for(number, self.next_number), out)
        if self._flight.is_hopeless:
            out.append(HopelessResend(number, self.abandon()))

    def _repeat(self, now: float, out: list[Event]) -> None:
        """The wire is quiet: the refused lines go out again."""
        self._alive = now
        again = self._flight.repeat()
        out.append(Resent(again[0].number or 0, b"".join(sent.data for sent in again)))

    def _suspected(self, taken: list[Sent], out: list[Event]) -> None:
        """Lines that were taken, though no clear acknowledgement says so."""
        out += (Acknowledged(sent.line, sent.number, suspect=True) for sent in taken)

    # Time

    @property
    def deadline(self) -> float | None:
        """The instant at which `tick` will have something to say, or None."""
        if self._suspect is not None:
            return self._suspect + SUSPECT_QUIET
        waiting = self._flight.waiting
        if self._flight.again:
            return self._alive + (TAKEN_PATIENCE if waiting else RESEND_QUIET)
        return self._alive + waiting[0].timeout if waiting else None

    def tick(self, now: float) -> list[Event]:
        """Events of time passing: silence is an input too."""
        due = self.deadline
        if due is None or now < due:
            return []
        out: list[Event] = []
        flight = self._flight
        if self._suspect is not None:
            self._suspect, self._alive = None, now
            self._suspected(flight.acknowledge(None) or [], out)
        elif flight.again:
            self._suspected(flight.take_all(), out)
            self._repeat(now, out)
        elif flight.waiting[0].number is not None and not flight.waiting[0].repeated:
            self._probe(flight.waiting[0], now, out)
        else:
            out.append(Silent(self.abandon()))
        return out

    def _probe(self, oldest: Sent, now: float, out: list[Event]) -> None:
        """Only an answer may be lost: send the line again, which its number makes safe.

        A controller that has it refuses it and asks for the first line that it does not have.
        """
        oldest.repeated = True
        self._alive = now
        out.append(Resent(oldest.number or 0, oldest.data))


def _is_junk(text: str) -> bool:
    """True if a third or more of the bytes were no text, and so are spelled as escapes."""
    escapes = text.count("\\x")
    return 3 * escapes >= len(text) - 3 * escapes
