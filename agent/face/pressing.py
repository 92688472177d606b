"""Readings by the button of an instrument, with typing beside it at every question.

At a question for a reading whatever comes first answers it: a line that is typed, or a press.  A
press at any other time is left out, so that no question is answered by it.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from agent.errors import BadInput, LinkFailed
from agent.face.desk import Desk
from agent.instruments.lines import Damaged, Failed, Measured, kind_named
from agent.instruments.reader import Doubled, Instrument

if TYPE_CHECKING:
    from agent.instruments.reader import Event

#: Kind of line and speed of an instrument that says neither.
USUAL: Final = ("number-unit", 9600)

#: How long one look at the instrument waits, s.
_LOOK: Final = 0.05

#: The word that presses the button of a rehearsal's instrument.
PRESS: Final = "press"


def open_instrument(desk: Desk, link: str) -> Instrument:
    """The instrument that `link` names: `PORT [KIND-OF-LINE] [BAUD]`, or `rehearsal`.

    Raises BadInput for a link that says something else, LinkFailed if it cannot be opened.
    """
    from agent.wire.port import open_port

    url, *rest = link.split()
    kind, baud = USUAL
    for word in rest:
        if word.isdigit():
            baud = int(word)
        else:
            kind = word
    known = kind_named(kind)
    if url == "rehearsal":
        if desk.rehearsal is None:
            raise BadInput(
                "'rehearsal' is an instrument of the rehearsal alone",
                remedy="Name the instrument's port: 'ports' lists what is there",
            )
        url = desk.rehearsal.instrument(kind).address
    return Instrument(open_port(url, baud), known)


@contextmanager
def pressed(desk: Desk, link: str) -> Iterator[None]:
    """While it lasts, the instrument's button answers questions for readings."""
    instrument = open_instrument(desk, link)
    desk.screen.say(
        f"Readings come from {instrument.transport.name}: {instrument.kind.what}. Typing goes on"
        " working beside it."
    )
    asking = _Asking(desk, instrument)
    desk.screen.reading = asking
    try:
        yield
    finally:
        desk.screen.reading = None
        asking.close()


class _Asking:
    """Asks for a reading of the keyboard and of the instrument at once."""

    def __init__(self, desk: Desk, instrument: Instrument) -> None:
        self.desk = desk
        self.instrument: Instrument | None = instrument
        self.low_told = False

    def __call__(self, question: str, ask: Callable[[str], str]) -> str:
        """The answer; `ask` asks the keyboard alone."""
        try:
            if self.instrument is not None and (early := self.instrument.discard()):
                self.desk.screen.say(f"  Pressed before it was asked for, left out: {early}.")
        except LinkFailed as gone:
            self._lost(gone)
        while self.instrument is not None:
            answer = self._either(question)
            bench = self.desk.rehearsal
            if answer is None:
                continue
            if answer.strip().lower() != PRESS or bench is None or bench.pocket is None:
                return answer
            bench.press()
            if (heard := self._wait()) is not None:
                return heard
        return ask(question)

    def _wait(self) -> str | None:
        """The reading that a press in the rehearsal sends; None if its line was no reading."""
        try:
            for _ in range(20):
                if self.instrument is not None and (events := self.instrument.poll(_LOOK)):
                    return self._heard(events)
        except LinkFailed as gone:
            self._lost(gone)
        return None

    def _either(self, question: str) -> str | None:
        """Whatever comes first; None if the instrument went and the question stands again."""
        assert self.instrument is not None
        if sys.stdin.isatty() and os.environ.get("TERM", "") != "dumb":
            return self._on_a_terminal(question)
        sys.stderr.write(question)
        sys.stderr.flush()
        lines = _shared_lines()
        self.instrument.ask()
        while True:
            try:
                return lines.readline(_LOOK).strip()
            except queue.Empty:
                pass
            try:
                heard = self._heard(self.instrument.poll(_LOOK))
            except LinkFailed as gone:
                self._lost(gone)
                return None
            if heard is not None:
                sys.stderr.write("\n")
                return heard

    def _on_a_terminal(self, question: str) -> str | None:
        """The line editor, left by a press from another thread."""
        from prompt_toolkit import PromptSession
        from prompt_toolkit.patch_stdout import patch_stdout

        instrument = self.instrument
        assert instrument is not None
        session: PromptSession[str | None] = PromptSession()
        done = threading.Event()
        failed: list[LinkFailed] = []

        def leave(answer: str | None) -> None:
            loop = session.app.loop
            if loop is None or done.is_set():
                return
            done.set()

            def end() -> None:
                if session.app.is_running:
                    session.app.exit(result=answer)
                else:  # it has drawn its question but does not take an answer yet
                    loop.call_later(_LOOK, end)

            loop.call_soon_threadsafe(end)

        def watch() -> None:
            try:
                instrument.ask()
                while not done.is_set():
                    heard = self._heard(instrument.poll(_LOOK))
                    if heard is not None:
                        leave(heard)
            except LinkFailed as gone:
                failed.append(gone)
                leave(None)

        watcher = threading.Thread(target=watch, name="plumbelt-instrument", daemon=True)
        try:
            with patch_stdout():
                answer = session.prompt(question, pre_run=watcher.start)
        except EOFError:
            answer = ""
        finally:
            done.set()
            if watcher.is_alive():
                watcher.join(2)
        if failed:
            self._lost(failed[0])
        return answer

    def _heard(self, events: list[Event]) -> str | None:
        """The first reading among events as typed text; the rest is told."""
        say = self.desk.screen.say
        first: Measured | None = None
        for event in events:
            if isinstance(event, Measured) and first is None:
                first = event
                say(f"  <- {event.text}" + (f" = {event.mm:.3f} mm" if event.inch else ""))
                if event.low_battery and not self.low_told:
                    self.low_told = True
                    say("  ! The instrument says that its battery is low: change it soon.")
            elif isinstance(event, Measured):
                say(f"  {event.text} came before it was asked for: left out.")
            elif isinstance(event, Failed):
                say(f"  ! The instrument has no reading ({event.text}). Press again.")
            elif isinstance(event, Damaged):
                say(f"  ! Not a whole line, so no reading: {event.text!r}. Press again.")
            elif isinstance(event, Doubled):
                say(f"  The line came twice ({event.text}); it counts once.")
        return None if first is None else f"{first.mm:.6g}"

    def _lost(self, gone: LinkFailed) -> None:
        self.close()
        self.desk.screen.say(
            f"! The instrument is gone: {gone.what}. Nothing is lost; type the readings from here."
        )

    def close(self) -> None:
        if self.instrument is not None:
            instrument, self.instrument = self.instrument, None
            try:
                instrument.close()
            except LinkFailed:
                return


class _SharedInput:
    """Standard input whose lines a thread reads ahead, so that one can wait with a limit."""

    def __init__(self, source: object) -> None:
        self.lines: queue.Queue[str] = queue.Queue()
        self._source = source
        threading.Thread(target=self._read, name="plumbelt-lines", daemon=True).start()

    def _read(self) -> None:
        for line in self._source:  # type: ignore[attr-defined]
            self.lines.put(line)
        self.lines.put("")

    def readline(self, timeout: float | None = None) -> str:
        """The next line.  Raises queue.Empty if it has not come in time."""
        line = self.lines.get(timeout=timeout)
        if not line:
            self.lines.put("")  # the end stays the end
        return line

    def isatty(self) -> bool:
        return False


def _shared_lines() -> _SharedInput:
    """Standard input, from now on read by a thread of its own."""
    if not isinstance(sys.stdin, _SharedInput):
        sys.stdin = _SharedInput(sys.stdin)
    assert isinstance(sys.stdin, _SharedInput)
    return sys.stdin
