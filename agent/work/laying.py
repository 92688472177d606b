"""Laying a piece line by line: how far it is, a pause in the middle, an end in order.

No printing and no questions.  What is sent are the lines of the piece and, between them, a
question for the temperatures every few seconds of planned time; nothing else unless the
technician pauses or stops.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from itertools import accumulate
from typing import TYPE_CHECKING, Final, Literal

from agent.errors import LinkFailed, Refused
from agent.families.gate import named
from agent.model.heat import WARMER_AFTER, Heats, danger_of
from agent.model.roles import Axes
from agent.model.wording import USUAL_WORDING, Wording
from agent.work.asking import PROBE, heaters_off, heats_now

if TYPE_CHECKING:
    from agent.wire.link import Direction, Link

#: Planned seconds between two such questions.
PROBE_EVERY: Final = 5.0

#: In a pause the nozzle is raised off the piece by so much up the gantry, mm, and so much filament
#: is drawn back, mm (common practice for short feed paths).
LIFT_MM: Final = 5.0
DRAW_BACK_MM: Final = 0.8

#: Of heaters that the machine's controller does not know of.
STILL_HEATED: Final = (
    "Nozzle and bed are STILL HEATED by controllers of their own, which nothing sent from here"
    " reaches: switch them off by hand"
)

#: What to do where a heater does not obey.
SWITCH_OFF: Final = (
    "Switch the machine off at the power switch, support the gantry first (it may sink), and do not"
    " leave it alone while it is hot. Whoever is licensed for it looks at heater, sensor and wiring"
)

#: Seconds that queued moves may take to end.
STANDSTILL_TIMEOUT: Final = 600.0

_HOT_WORD: Final = re.compile(r"M(104|109|140|190) S([\d.]+)")


@dataclass(frozen=True, slots=True)
class Progress:
    """How far the laying is."""

    done: int  #: lines acknowledged
    total: int
    seconds_left: float  #: of planned moves; heating is not in it
    last: str  #: line acknowledged last
    heats: Heats


@dataclass(frozen=True, slots=True)
class Left:
    """The state a stop leaves the machine in."""

    #: `off`: reported so; `sent`: acknowledged only; `by hand`: nothing sent from here reaches them
    heaters: Literal["off", "sent", "unknown", "by hand"]
    lifted: bool  #: the nozzle was raised off the piece
    heats: Heats

    def __str__(self) -> str:
        words = {
            "off": "The heaters are off, as the controller reports, and the parts still hot",
            "sent": "The heaters are off by acknowledged commands, and the parts still hot",
            "by hand": STILL_HEATED,
            "unknown": "The heaters could NOT be switched off over the link: use the power switch",
        }
        nozzle = "; the nozzle was raised off the piece" if self.lifted else ""
        return words[self.heaters] + nozzle


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the lines up to some point have led."""

    absolute: bool
    hot: float  #: target of the nozzle, degrees C
    bed: float
    feed: str  #: speed in force, as its word
    belt: float  #: command of the belt axis, mm
    least_belt: float
    laid: bool  #: plastic was pushed out


class Laying:
    """One piece under way on one link."""

    def __init__(
        self,
        link: Link,
        timed: Sequence[tuple[str, float]],
        axes: Axes,
        name: str = "piece",
        *,
        wording: Wording = USUAL_WORDING,
        standstill: str = "M400",
    ) -> None:
        """`timed`: lines of the piece, each with its seconds, as `timed_toolpath` gives them.

        wording     that they were made with
        standstill  line that is answered once every move has ended
        """
        self.link = link
        self.wording = wording
        self._standstill = standstill
        self.name = name  #: of the piece
        self.axes = axes
        self.lines = tuple(line for line, _ in timed)
        self.heats = Heats()
        self._watched: tuple[float, Heats] | None = None  # the report that later ones are held to
        self._sent = tuple(_with_probes(timed) if wording.heats else (line for line, _ in timed))
        self._done = tuple(accumulate((line != PROBE for line in self._sent), initial=0))
        self._left = tuple(
            reversed(tuple(accumulate((seconds for _, seconds in reversed(timed)), initial=0.0)))
        )
        self._at = 0  #: of what is sent, how much was acknowledged
        self._lifted = False

    @property
    def done(self) -> int:
        """Lines of the piece that were acknowledged."""
        return self._done[self._at]

    @property
    def finished(self) -> bool:
        return self._at == len(self._sent)

    @property
    def progress(self) -> Progress:
        last = self.lines[self.done - 1] if self.done else ""
        return Progress(self.done, len(self.lines), self._left[self.done], last, self.heats)

    @property
    def heating(self) -> tuple[float, float]:
        """Targets of nozzle and bed, degrees C, after the lines that may have been taken."""
        ahead = min(len(self.lines), self.done + self.link.window.lines)
        places = [self._place(self.done), self._place(ahead)]
        return max(p.hot for p in places), max(p.bed for p in places)

    def go_on(
        self,
        *,
        on_progress: Callable[[Progress], None] | None = None,
        stop: Callable[[], bool] | None = None,
    ) -> bool:
        """Send on from where it stands; True once all is laid and the machine stands still.

        False: `stop` said so; what was sent has been acknowledged.  Raises LinkFailed.
        """
        if self._lifted:
            self._lower()
        began = self._at

        def count(acknowledged: int) -> None:
            self._at = began + acknowledged
            if on_progress is not None:
                on_progress(self.progress)

        with self._listening(on_progress):
            with named(self.link, self._sent[began:], "move"):
                self.link.stream(self._sent[began:], on_progress=count, stop=stop)
            if self.finished:
                self.link.ask(self._standstill, timeout=STANDSTILL_TIMEOUT)
                if self.wording.heats:
                    self.heats = heats_now(self.link)
        return self.finished

    def hold(self) -> bool:
        """Wait for standstill and raise the hot nozzle off the piece; True if it was raised.

        Before heating and after it nothing is moved.  Raises LinkFailed.
        """
        self.link.ask(self._standstill, timeout=STANDSTILL_TIMEOUT)
        place = self._place(self.done)
        if self._lifted or not (place.absolute and place.laid):
            return self._lifted
        plastic = self.wording.plastic
        self._send(
            "G91", f"G1 {plastic}-{DRAW_BACK_MM:g} F1800", f"G1 {self._up(LIFT_MM)} F600", "G90"
        )
        self.link.ask(self._standstill, timeout=STANDSTILL_TIMEOUT)
        self._lifted = True
        return True

    def _lower(self) -> None:
        """Undo `hold`; the modes and the speed are again what the piece's lines count on."""
        place = self._place(self.done)
        plastic = self.wording.plastic
        self._send("G91", f"G1 {self._up(-LIFT_MM)} F600", f"G1 {plastic}{DRAW_BACK_MM:g} F1800")
        modes = ("G90", "M83") if self.wording.relative else ("G90",)
        self._send(*modes, *([f"G1 {place.feed}"] if place.feed else []))
        self._lifted = False

    def stop(self) -> Left:
        """Switch the heaters off, first of all, then raise the nozzle; never raises LinkFailed."""
        if not self.wording.heats:
            with suppress(LinkFailed):
                self.hold()
            return Left("by hand", self._lifted, self.heats)
        heats = heaters_off(self.link)
        if heats is None:
            return Left("unknown", self._lifted, self.heats)
        with suppress(LinkFailed):
            self.hold()
        self.heats = heats
        return Left("off" if heats.off else "sent", self._lifted, heats)

    def lost(self, failure: LinkFailed) -> tuple[LinkFailed, bool]:
        """What a failure in the middle means for the machine, and whether heaters may be on.

        The heaters are switched off if they still can be.
        """
        from agent.wire.exchange import State

        nozzle, bed = self.heating
        halted = self.link.state is State.HALTED
        left = self.stop()
        heats = f"nozzle {nozzle:g} °C, bed {bed:g} °C" if nozzle or bed else ""
        if left.heaters == "by hand":
            told = (
                f"{STILL_HEATED}. The machine carries out the moves it has already taken and then"
                " stands still"
                + (", the nozzle on the piece" if self._place(self.done).laid else "")
            )
            then = "Support the gantry before you switch the machine off: it may sink"
        elif left.heaters != "unknown":
            told = f"{left}. Moves already taken still run out"
            then = "'readback' before anything else is sent"
        elif halted:
            told = (
                "A halted controller drops its moves and as a rule switches its heaters off, but"
                " nothing sent from here can prove it"
            )
            then = "Switch it off at the power switch and support the gantry first: it may sink"
        else:
            told = (
                "The machine carries out the moves it has already taken and then stands still"
                + (", the nozzle on the piece" if self._place(self.done).laid else "")
                + (f", its heaters ON ({heats})" if heats else "")
            )
            then = (
                "Nothing sent from here reaches it: switch it off at the power switch, and support"
                " the gantry first: it may sink"
            )
        lost = LinkFailed(
            f"{failure.what}, after {self.done} of {len(self.lines)} lines",
            remedy=f"{told}. {then}. Where the axes stand is not known any more: home across and"
            " gantry before the next move",
            wire=failure.wire,
        )
        return lost, left.heaters == "unknown" and bool(heats)

    @property
    def clear_feed_mm(self) -> float | None:
        """Belt feed that brings what was laid clear of the nozzle, mm; None: nothing was laid."""
        place = self._place(self.done)
        if not place.laid or not place.absolute:
            return None
        from agent.pieces.toolpath import END_FEED_MM

        return place.belt - place.least_belt + END_FEED_MM

    def feed_clear(self) -> None:
        """Feed the belt forward by `clear_feed_mm` and wait.  Raises LinkFailed."""
        feed = self.clear_feed_mm
        if feed is None:
            return
        letter, sign = self.axes.letter("belt").upper(), self.axes.sign("belt")
        self._send("G91", f"G1 {letter}{-sign * feed:.3f} F1200", "G90")
        self.link.ask(self._standstill, timeout=STANDSTILL_TIMEOUT)

    # --- how it is done ---

    def _up(self, mm: float) -> str:
        return f"{self.axes.letter('gantry').upper()}{self.axes.sign('gantry') * mm:g}"

    def _send(self, *lines: str) -> None:
        with named(self.link, lines, "move"):
            for line in lines:
                self.link.ask(line, timeout=60.0)

    def _place(self, count: int) -> _Place:
        """Where the first `count` lines have led."""
        absolute, hot, bed, feed = True, 0.0, 0.0, ""
        belt = least = 0.0
        laid = False
        letter, sign = self.axes.letter("belt").upper(), self.axes.sign("belt")
        for line in self.lines[:count]:
            words = line.split()
            match words[0]:
                case "G90" | "G91":
                    absolute = words[0] == "G90"
                case "M104" | "M109" | "M140" | "M190":
                    found = _HOT_WORD.match(line)
                    target = float(found[2]) if found else 0.0
                    hot, bed = (target, bed) if words[0] in ("M104", "M109") else (hot, target)
                case "G1":
                    for word in words[1:]:
                        if word[0] == letter and absolute:
                            belt = sign * float(word[1:])
                            least = min(least, belt)
                        elif word[0] == "F":
                            feed = word
                        elif word[0] == self.wording.plastic and float(word[1:]) > 0:
                            laid = True
        return _Place(absolute, hot, bed, feed, belt, least, laid)

    def _watch(self, at: float, heats: Heats) -> None:
        """Raise Refused once a part that is told to heat gets no warmer."""
        if self._watched is None or at - self._watched[0] < WARMER_AFTER:
            self._watched = self._watched or (at, heats)
            return
        since, before = self._watched
        self._watched = (at, heats)
        if danger := danger_of(before, heats, at - since):
            raise Refused(danger, remedy=SWITCH_OFF)

    @contextmanager
    def _listening(self, on_progress: Callable[[Progress], None] | None) -> Iterator[None]:
        """Keep what the controller reports of its heaters while lines go out."""
        link, before = self.link, self.link.on_traffic

        def hear(at: float, way: Direction, *lines: str) -> None:
            if before is not None:
                before(at, way, *lines)
            for line in lines if way == "<" else ():
                if ":" not in line:
                    continue
                heats = self.heats.seen(line)
                self._watch(at, heats)
                if heats != self.heats:
                    self.heats = heats
                    if on_progress is not None:
                        on_progress(self.progress)

        link.on_traffic = hear
        try:
            yield
        finally:
            link.on_traffic = before


def _with_probes(timed: Sequence[tuple[str, float]]) -> Iterator[str]:
    """The lines, and a question for the temperatures every few seconds of planned time."""
    since = 0.0
    for line, seconds in timed:
        yield line
        since += seconds
        if since >= PROBE_EVERY:
            yield PROBE
            since = 0.0
