"""Link: one exchange paired with one transport; asks, streams, and never hangs.

A failure on either side raises LinkFailed and leaves the exchange in DOUBT: what was in flight
may or may not have taken effect, and only reading back can tell.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import islice
from typing import Final, Literal, Protocol

from agent.errors import BrokenByRestart, LinkFailed, Refused, Unanswered
from agent.model import settings as model
from agent.wire import events as wire
from agent.wire.exchange import Exchange, LocalFault, State, Window
from agent.wire.notices import SAID_TWICE, narrate
from agent.wire.transport import Transport

#: How a reply ends: at its acknowledgement, or (families that acknowledge on reception) at an
#: idle word or silence.
End = Literal["ack", "quiet"]

#: Of lines on the wire: out, or in.
Direction = Literal[">", "<"]

#: Command slots that such controllers have at least.
USUAL_WINDOW: Final = Window(lines=4)

#: Most lines taken as one reply; a settings list has some hundred.
MOST_LINES: Final = 5000

#: However often a controller says that it is busy, a reply may take this many timeouts.
MOST_TIMEOUTS: Final = 12

#: Seconds for the answers that agree on line numbers.
_PATIENCE: Final = 5.0

#: After the first word of a boot a controller may be deaf for this long.
AFTER_BOOT: Final = 2.0

#: Most lines that say nothing of an answer, before a stream is given up: a report ten times a
#: second during half an hour of heating is well below it.
MOST_CHATTER: Final = 20_000

_SPEED: Final = (
    "The speed is wrong, or the cable is bad; `attach PORT --find-speed` tries the usual ones"
)
_SILENT: Final = (
    "Nothing has answered yet: check that the controller has power, that this is its port, "
    "and its speed (`attach PORT --find-speed`); a halted controller stays silent until it is reset"
)
_DOUBT: Final = "What was sent last may or may not have taken effect; read the settings back"
_RESTARTED: Final = "What was not stored is gone; read the settings back"
_HALTED: Final = "Make the machine safe, reset or unlock it, then read the settings back"

#: Silence that ends a reply whose acknowledgement came first.
QUIET_END: Final = 0.5

#: Silence behind an idle word that ends it; somebody else may be idle in the middle of a list.
IDLE_END: Final = 0.1

#: Lines of a stream that are looked at before there is room for them.
_AHEAD: Final = 8

#: Lines kept for error messages.
_KEPT: Final = 12

#: Commands that may be silent for long while a piece is laid.
_LONG: Final = frozenset({"G4", "G28", "G29", "M0", "M1", "M109", "M116", "M190", "M226", "M400"})
_LONG_TIMEOUT: Final = 1800.0


@dataclass(frozen=True, slots=True)
class Reply:
    """What one line brought."""

    line: str
    lines: tuple[str, ...]  #: data, in order, without acknowledgement and unsolicited reports
    ok: bool  #: acknowledged; no proof that it had an effect
    error: str | None = None  #: what the controller complained of, if it did
    events: tuple[model.Event, ...] = ()


class Traffic(Protocol):
    """Is told of the lines that went out (`>`) or came in (`<`) together, and when."""

    def __call__(self, at: float, way: Direction, *lines: str) -> None: ...


class Link:
    """A controller at the other end of a transport."""

    def __init__(
        self,
        transport: Transport,
        *,
        numbered: bool = False,
        window: Window = USUAL_WINDOW,
        pause: float = 0.0,
    ) -> None:
        self.transport = transport
        self.exchange = Exchange(numbered=numbered)
        self.window = window  #: how much `stream` keeps in flight
        self.identity = ""  #: how the controller names itself, once it was asked
        self.pause = pause  #: seconds between an answer and the next question
        self.junk = 0  #: bytes received that were no text
        self.ack_first = False  #: acknowledges on reception, data after it
        self.events: list[model.Event] = []  #: of each kind the first `MOST_LINES`
        self._kinds: Counter[str] = Counter()
        self._now_told: list[model.Event] = []  #: since the present question was asked
        self.on_traffic: Traffic | None = None
        self.gate: Callable[[str], None] | None = None  #: raises Refused for what may not go out
        self._last: deque[tuple[Direction, str]] = deque(maxlen=_KEPT)
        self._untold: list[tuple[float, Direction, Sequence[str]]] = []
        self._answered = float("-inf")

    @property
    def state(self) -> State:
        return self.exchange.state

    def close(self) -> None:
        self._tell()
        self.transport.close()

    # Asking

    def ask(
        self, line: str, *, end: End | None = None, timeout: float = 10.0, reads: bool = False
    ) -> Reply:
        """Send `line` and wait for its whole reply.

        end: how the reply ends; None: as is usual for the controller (`ack_first`).
        timeout: seconds without any sign of work on the line (data and busy words are such)
        after which the answer is given up.  reads: the line cannot change anything, so that it
        may be sent in DOUBT.  Raises LinkFailed on silence, a restart, a halt, a lost port, an
        endless reply, or in a state that forbids the line; Refused for what is not one line of
        plain text.  That the controller refuses is no exception: the reply is not `ok`.
        """
        self._let_out(line)
        if end is None:
            end = "quiet" if self.ack_first else "ack"
        with self._honest():
            self._agree_numbers()
            self._rest()
            self._pump(self.transport.now())  # what has come already is no answer to this line
            self._send(line, timeout, reads=reads)
            return self._reply(line, end, MOST_TIMEOUTS * timeout)

    def _rest(self) -> None:
        """Leave the controller alone for a moment after its last answer."""
        until = self._answered + self.pause
        while self.transport.now() < until:
            self._pump(until)

    def _reply(self, line: str, end: End, patience: float) -> Reply:
        self._now_told = []
        limit = self.transport.now() + patience
        quiet_at = limit
        lines: list[str] = []
        answer: wire.Acknowledged | wire.Rejected | None = None
        ended = False
        while not ended and self.transport.now() < quiet_at:
            for event in self._pump(quiet_at):
                match event:
                    case wire.Received(text) if not ended:
                        lines.append(text)
                    case wire.Acknowledged(data=data):
                        answer, ended = event, end == "ack"
                        lines += [data] if data else []
                    case wire.Rejected():
                        answer, ended = event, True
                if answer is None or isinstance(event, wire.Unsolicited):
                    continue
                now = self.transport.now()
                if not isinstance(event, wire.Idle):
                    quiet_at = min(limit, now + QUIET_END)
                elif lines:  # it waits for us; who says so again and again delays no end
                    quiet_at = min(quiet_at, now + IDLE_END)
            if len(lines) > MOST_LINES:
                break
        if answer is None or len(lines) > MOST_LINES:
            raise self._failed(f"the reply to {line} does not end")
        return Reply(
            line,
            tuple(lines),
            ok=isinstance(answer, wire.Acknowledged),
            error=answer.reason if isinstance(answer, wire.Rejected) else _complaint(lines),
            events=tuple(self._now_told),
        )

    def stream(
        self,
        lines: Iterable[str],
        *,
        window: int | Window | None = None,
        on_progress: Callable[[int], None] | None = None,
        stop: Callable[[], bool] | None = None,
        timeout: float = 300.0,
    ) -> int:
        """Send many lines, keeping the controller's queue filled; how many were acknowledged.

        Comments and empty lines are left out.  `stop` is asked whenever there is room for more;
        what is in flight is then still waited for.  `on_progress` is told how many were
        acknowledged, once for all that one read brought.  Raises LinkFailed as `ask` does, and
        for a line that the controller refuses, and for a controller that talks on and on and
        answers nothing.
        """
        source: Iterator[str] = map(self._let_out, filter(None, map(_without_comment, lines)))
        acknowledged = chatter = 0
        with self._honest(), self._window(window):
            self._agree_numbers()
            ready = deque(islice(source, _AHEAD))
            while ready or self.state is State.WAITING:
                if ready and stop is not None and stop():
                    ready.clear()
                    source = iter(())
                now, batch = self.transport.now(), b""
                try:
                    while ready and self.exchange.has_room(ready[0]):
                        line = ready.popleft()
                        word = line.partition(" ")[0]
                        patience = _LONG_TIMEOUT if word in _LONG else timeout
                        batch += self.exchange.send(line, now, timeout=patience)
                finally:  # what the exchange takes to be in flight must be
                    if batch:
                        self._write(batch)
                ready.extend(islice(source, _AHEAD - len(ready)))  # while the controller works
                if self.state is not State.WAITING:
                    continue
                before = acknowledged
                try:
                    for event in self._pump():
                        if isinstance(event, wire.Acknowledged):
                            acknowledged, chatter = acknowledged + 1, 0
                        elif isinstance(event, wire.Rejected):
                            raise self._failed(f"refused: {event.line}: {event.reason}")
                        else:
                            chatter += 1
                finally:
                    if on_progress is not None and acknowledged > before:
                        on_progress(acknowledged)
                if chatter > MOST_CHATTER:
                    raise self._failed(
                        f"the controller talks without end and does not answer {self._oldest}"
                    )
        return acknowledged

    def settle(self, quiet: float = 0.5, *, limit: float = 15.0) -> tuple[str, ...]:
        """Listen until the controller has been quiet for `quiet` seconds; the lines it sent.

        Opening a port may have restarted it; what a boot prints answers no question.
        """
        heard: list[str] = []
        give_up = self.transport.now() + limit
        quiet_at = self.transport.now() + quiet
        with self._honest():
            while self.transport.now() < min(quiet_at, give_up):
                events = self._pump(quiet_at)
                if any(isinstance(event, wire.Restarted) for event in events):
                    quiet = max(quiet, AFTER_BOOT)
                waits = bool(events) and all(isinstance(event, wire.Idle) for event in events)
                if any(self.exchange.heard) and not waits:
                    heard += (
                        line for line in self.exchange.heard if line and isinstance(line, str)
                    )
                    quiet_at = self.transport.now() + quiet
        return tuple(filter(None, heard[:MOST_LINES]))

    def shout(self, lines: Iterable[str]) -> None:
        """Write lines at once, without numbers, behind what is in flight; nothing is waited for.

        For what must reach a controller that hears nothing until its present work has ended; what
        was in flight is in DOUBT, and answers come later.  Raises LinkFailed if the port is gone.
        """
        data = "".join(f"{self._let_out(line)}\n" for line in lines).encode("ascii")
        self.exchange.abandon()
        self._write(data)

    def resync(self) -> None:
        """Leave DOUBT; only for who has just read everything back."""
        self.exchange.resync()

    def revive(self) -> None:
        """The controller was unlocked: from HALTED to DOUBT."""
        self.exchange.revive()

    @property
    def _oldest(self) -> str:
        return next(iter(self.exchange.in_flight), "the last line")

    # The wire

    def _let_out(self, line: str) -> str:
        if self.gate is not None:
            self.gate(line)
        return line

    def _send(self, line: str, timeout: float, *, reads: bool = False) -> None:
        self._write(self.exchange.send(line, self.transport.now(), timeout=timeout, reads=reads))

    def _write(self, data: bytes) -> None:
        self._keep(self.transport.now(), ">", data.decode("ascii").splitlines())
        try:
            self.transport.write(data)
        finally:
            self._tell()

    def _keep(self, now: float, way: Direction, lines: Sequence[str]) -> None:
        self._last.extend((way, line) for line in lines[-_KEPT:])
        self._untold.append((now, way, lines))

    def _tell(self) -> None:
        """Tell of what went over the wire: while the controller works, that costs no time."""
        untold, self._untold = self._untold, []
        if self.on_traffic is not None:
            for at, way, lines in untold:
                self.on_traffic(at, way, *lines)

    def _pump(self, until: float = float("inf")) -> list[wire.Event]:
        """One read; the events in it and of the time that passed.  Raises LinkFailed."""
        self._tell()
        due = self.exchange.deadline
        data = self.transport.read(until if due is None else min(until, due))
        now = self.transport.now()
        events = self.exchange.receive(data, now)
        if heard := [
            line if isinstance(line, str) else f"({line} bytes without an end)"
            for line in self.exchange.heard
            if line
        ]:
            self._keep(now, "<", heard)
        events += self.exchange.tick(now)
        # most events acknowledge, and there is no more to them
        others = [event for event in events if not isinstance(event, wire.Acknowledged)]
        if len(others) < len(events):
            self._answered = now
        for event in others:
            self._note(event)
        for event in others:
            self._check(event)
        return events

    def _note(self, event: wire.Event) -> None:
        match event:
            case wire.Resent(data=data):
                self._write(data)
            case wire.Rejected():
                self._answered = self.transport.now()
            case wire.Junk(size):
                self.junk += size
        told = narrate(event)
        if told is None:
            return
        for kept, full in (
            (self._now_told, len(self._now_told) >= MOST_LINES),
            (self.events, self._kinds[told.kind] >= MOST_LINES),
        ):
            if not full and not (told.kind in SAID_TWICE and kept and told == kept[-1]):
                kept.append(told)
        self._kinds[told.kind] += 1

    def _check(self, event: wire.Event) -> None:
        match event:
            case wire.Silent(lost):
                raise self._silence(lost[0])
            case wire.Restarted(_, lost) if lost:
                raise BrokenByRestart(
                    f"the controller restarted during {lost[0]}",
                    remedy=_RESTARTED,
                    wire=self.last_lines,
                )
            case wire.Halted(reason):
                raise self._failed(f"the controller has halted: {reason}", _HALTED)
            case wire.HopelessResend(number):
                raise self._failed(f"the controller keeps asking for line {number}", _DOUBT)

    def _silence(self, line: str) -> LinkFailed:
        """What was not answered, and what that most likely means."""
        if self.junk:
            what = f"no answer to {line}, only {self.junk} bytes that are no text"
            return self._failed(what, _SPEED)
        what = f"no answer to {line}"
        if self._answered > float("-inf"):
            return self._failed(what, _DOUBT)
        if any(way == "<" for way, _ in self._last):
            return self._failed(what, _SILENT)
        return Unanswered(what, remedy=_SILENT, wire=self.last_lines)

    @property
    def last_lines(self) -> tuple[str, ...]:
        """The last lines on the wire, for people."""
        return tuple(f"{way} {line[:200]}" for way, line in self._last)

    def _failed(self, what: str, remedy: str = "") -> LinkFailed:
        return LinkFailed(what, remedy=remedy or _DOUBT, wire=self.last_lines)

    @contextmanager
    def _honest(self) -> Iterator[None]:
        """Whatever breaks, what was in flight is in doubt; our own mistakes become errors."""
        try:
            yield
            self._tell()
        except LocalFault as fault:
            raise self._failed(str(fault)) from fault
        except ValueError as error:
            raise Refused(str(error), remedy="Nothing was sent") from error
        except BaseException:
            self.exchange.abandon()
            raise

    @contextmanager
    def _window(self, window: int | Window | None) -> Iterator[None]:
        usual = self.exchange.window
        chosen = self.window if window is None else window
        self.exchange.window = Window(chosen) if isinstance(chosen, int) else chosen
        try:
            yield
        finally:
            self.exchange.window = usual

    def _agree_numbers(self) -> None:
        """Start the count, and prove with a harmless line that it was understood."""
        exchange, now = self.exchange, self.transport.now
        while exchange.numbered and exchange.next_number is None:
            self._write(exchange.number_from(0, now(), timeout=_PATIENCE))
            self._reply("M110", "ack", MOST_TIMEOUTS * _PATIENCE)
            self._write(exchange.send("M105", now(), timeout=_PATIENCE, reads=True))
            self._reply("M105", "ack", MOST_TIMEOUTS * _PATIENCE)


def _complaint(lines: Iterable[str]) -> str | None:
    """What an acknowledged line was told all the same."""
    return next((text[6:].strip() for text in lines if text.startswith("Error:")), None)


def _without_comment(line: str) -> str:
    return line.partition(";")[0].strip()
