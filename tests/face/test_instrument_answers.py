"""A button beside the keyboard: whatever comes first answers a question for a reading."""

from __future__ import annotations

import queue
import sys
import threading
import time
from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.output import DummyOutput

from agent.errors import BadInput, LinkFailed
from agent.face.desk import Desk
from agent.face.pressing import _shared_lines, open_instrument, pressed
from agent.face.screen import Screen
from agent.instruments.lines import Damaged, Failed, Measured
from agent.instruments.reader import Doubled, Event
from tests.face.bench import desk_at
from tests.patience import PATIENCE

GONE = LinkFailed("the cable is out", remedy="Put it in")

#: What one look at the instrument brings; None: nothing comes there, but a line is typed.
Look = Sequence[Event] | LinkFailed | None


def measured(mm: float, text: str = "", *, inch: bool = False, low: bool = False) -> Measured:
    return Measured(mm, text or f"{mm} mm", inch, low)


class Instrument:
    """An instrument whose every look is written down beforehand."""

    transport = SimpleNamespace(name="tty")
    kind = SimpleNamespace(what="digits")

    def __init__(self, looks: Sequence[Look], early: int | LinkFailed = 0) -> None:
        self.looks, self.early, self.asked, self.closed = list(looks), early, 0, 0

    def discard(self) -> int:
        early, self.early = self.early, 0
        if isinstance(early, LinkFailed):
            raise early
        return early

    def ask(self) -> None:
        self.asked += 1

    def poll(self, seconds: float) -> list[Event]:
        assert 0 < seconds < 1
        look = self.looks.pop(0) if self.looks else []
        if isinstance(look, LinkFailed):
            raise look
        return list(look or ())

    def close(self) -> None:
        self.closed += 1
        raise GONE  # a port that is gone cannot be closed either, and nobody need know


def heard(
    monkeypatch: pytest.MonkeyPatch,
    looks: Sequence[Look],
    *,
    early: int | LinkFailed = 0,
    typed: Sequence[str] = (),
    desk: Desk | None = None,
) -> tuple[str, Instrument]:
    """The answer to one question, and the instrument afterwards."""
    instrument = Instrument(looks, early)
    lines = list(typed)

    def get(_seconds: float) -> str:
        if instrument.looks and instrument.looks[0] is None:
            instrument.looks.pop(0)
            return lines.pop(0)
        raise queue.Empty

    monkeypatch.setattr("agent.face.pressing.open_instrument", lambda desk, link: instrument)
    monkeypatch.setattr("agent.face.pressing._shared_lines", lambda: SimpleNamespace(readline=get))
    at = desk or Desk(Screen(lambda question: "by hand"))
    with pressed(at, "tty"):
        answer = at.screen.ask("How long?", reading=True)
        assert at.screen.ask("How long, typed?") == "by hand" or desk is not None
    assert at.screen.ask("And now?", reading=True) == "by hand" or desk is not None
    assert instrument.closed == 1
    return answer, instrument


@pytest.mark.parametrize(
    ("looks", "answer", "told"),
    [
        ([[measured(20.01)]], "20.01", "  <- 20.01 mm\n"),
        ([[], [], [measured(20.0123456)]], "20.0123", "  <- 20.0123456 mm\n"),
        ([[measured(25.4, "1.000 in", inch=True)]], "25.4", "  <- 1.000 in = 25.400 mm\n"),
        (
            [[measured(20.0), measured(21.0)]],
            "20",
            "  <- 20.0 mm\n  21.0 mm came before it was asked for: left out.\n",
        ),
        (
            [[Failed("ERR")], [measured(1.5)]],
            "1.5",
            "  ! The instrument has no reading (ERR). Press again.\n  <- 1.5 mm\n",
        ),
        (
            [[Damaged("2..0")], [measured(1.5)]],
            "1.5",
            "  ! Not a whole line, so no reading: '2..0'. Press again.\n  <- 1.5 mm\n",
        ),
        (
            [[Doubled("1.5")], [measured(1.5)]],
            "1.5",
            "  The line came twice (1.5); it counts once.\n  <- 1.5 mm\n",
        ),
        (
            [[measured(1.5, low=True)]],
            "1.5",
            "  <- 1.5 mm\n  ! The instrument says that its battery is low: change it soon.\n",
        ),
    ],
)
def test_a_press_answers_and_what_is_no_reading_is_told(
    looks: list[Look],
    answer: str,
    told: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    got, instrument = heard(monkeypatch, looks)
    said = capsys.readouterr()
    assert got == answer
    assert instrument.asked == 1
    assert said.out == f"Readings come from tty: digits. Typing goes on working beside it.\n{told}"
    assert said.err == "How long? \n"


def test_a_typed_line_answers_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    assert heard(monkeypatch, [[], None], typed=["  19.98 "])[0] == "19.98"


def test_a_press_before_the_question_answers_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert heard(monkeypatch, [[measured(7.0)]], early=2)[0] == "7"
    assert "  Pressed before it was asked for, left out: 2.\n" in capsys.readouterr().out


@pytest.mark.parametrize(("looks", "early"), [([GONE], 0), ([], GONE)])
def test_without_the_instrument_the_keyboard_goes_on(
    looks: list[Look],
    early: int | LinkFailed,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert heard(monkeypatch, looks, early=early)[0] == "by hand"
    said = " ".join(capsys.readouterr().out.split())
    assert "The instrument is gone: the cable is out. Nothing is lost; type" in said


def test_a_low_battery_is_told_once(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    low = [measured(1.0, low=True)]
    instrument = Instrument([low, low])
    nothing = SimpleNamespace(readline=lambda _seconds: (_ for _ in ()).throw(queue.Empty))
    monkeypatch.setattr("agent.face.pressing.open_instrument", lambda desk, link: instrument)
    monkeypatch.setattr("agent.face.pressing._shared_lines", lambda: nothing)
    desk = Desk()
    with pressed(desk, "tty"):
        assert [desk.screen.ask("?", reading=True) for _ in range(2)] == ["1", "1"]
    assert capsys.readouterr().out.count("battery") == 1


def test_the_word_press_presses_in_a_rehearsal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the press sends is heard; a damaged line asks again; elsewhere it is a typed word."""
    desk = desk_at()
    presses: list[int] = []
    assert desk.rehearsal is not None
    desk.rehearsal.pocket = SimpleNamespace(close=lambda: None)  # type: ignore[assignment]
    monkeypatch.setattr(desk.rehearsal, "press", lambda: presses.append(1))
    looks: list[Look] = [None, [Damaged("x")], None, [], [measured(3.5)]]
    assert heard(monkeypatch, looks, typed=["press", " Press"], desk=desk)[0] == "3.5"
    assert presses == [1, 1]
    assert heard(monkeypatch, [None], typed=["press"])[0] == "press"


def test_a_press_that_brings_nothing_is_asked_again(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = desk_at()
    assert desk.rehearsal is not None
    desk.rehearsal.pocket = SimpleNamespace(close=lambda: None)  # type: ignore[assignment]
    monkeypatch.setattr(desk.rehearsal, "press", lambda: None)
    looks: list[Look] = [None, *([[]] * 20), None]
    assert heard(monkeypatch, looks, typed=["press", "2.5"], desk=desk)[0] == "2.5"
    assert heard(monkeypatch, [None, GONE], typed=["press"], desk=desk)[0] == ""


@pytest.mark.parametrize(
    ("link", "opened"),
    [
        ("/dev/x", ("/dev/x", 9600, "number-unit")),
        ("/dev/x 4800", ("/dev/x", 4800, "number-unit")),
        ("/dev/x request", ("/dev/x", 9600, "request")),
        ("/dev/x identifier-digits 2400", ("/dev/x", 2400, "identifier-digits")),
        ("/dev/x 2400 identifier-digits", ("/dev/x", 2400, "identifier-digits")),
    ],
)
def test_a_link_names_port_line_and_speed_in_any_order(
    link: str, opened: tuple[str, int, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    ports: list[tuple[str, int]] = []

    def open_port(url: str, baud: int) -> Any:
        ports.append((url, baud))
        return SimpleNamespace(name=url)

    monkeypatch.setattr("agent.wire.port.open_port", open_port)
    found = open_instrument(Desk(), link)
    assert (*ports[0], found.kind.name) == opened


def test_a_rehearsal_has_an_instrument_of_its_own_and_nobody_else(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(
        "agent.wire.port.open_port", lambda url, baud: SimpleNamespace(name=url, baud=baud)
    )
    desk = desk_at()
    assert desk.rehearsal is not None
    forms: list[str] = []

    def instrument(form: str) -> Any:
        forms.append(form)
        return SimpleNamespace(address="pty:7")

    monkeypatch.setattr(desk.rehearsal, "instrument", instrument)
    assert open_instrument(desk, "rehearsal request").transport.name == "pty:7"
    assert forms == ["request"]
    with pytest.raises(BadInput, match="of the rehearsal alone"):
        open_instrument(Desk(), "rehearsal")
    with pytest.raises(BadInput):
        open_instrument(Desk(), "/dev/x nonsense")


# -- at a terminal, and from a pipe -----------------------------------------------------------


def at_a_terminal(
    monkeypatch: pytest.MonkeyPatch, looks: Sequence[Look], typed: str = ""
) -> tuple[str, Instrument]:
    """The answer at a line editor into which `typed` is typed."""
    instrument = Instrument(looks)
    monkeypatch.setattr("agent.face.pressing.open_instrument", lambda desk, link: instrument)
    monkeypatch.setattr("sys.stdin", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "80")
    desk = Desk(Screen(lambda question: "by hand"))
    with create_pipe_input() as keys, create_app_session(input=keys, output=DummyOutput()):
        keys.send_text(typed)
        with pressed(desk, "tty"):
            return desk.screen.ask("How long?", reading=True), instrument


@pytest.mark.parametrize(
    ("looks", "typed", "answer"),
    [
        ([[measured(20.01)]], "", "20.01"),
        ([[], [Failed("ERR")], [], [measured(7.5)]], "", "7.5"),
        ([], "19.98\r", "19.98"),
        ([], "\x04", ""),  # Ctrl-D: no answer
        ([[], GONE], "", "by hand"),
    ],
)
def test_at_a_line_editor_too_whatever_comes_first_answers(
    looks: list[Look], typed: str, answer: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    got, instrument = at_a_terminal(monkeypatch, looks, typed)
    assert got == answer
    assert instrument.asked == 1
    assert instrument.closed == 1


def test_nobody_listens_to_the_instrument_any_more_once_a_line_was_typed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Two listeners would take each other's presses at the next question."""

    def waits(self: Instrument, seconds: float) -> list[Event]:
        time.sleep(seconds)  # as a port on which nothing comes
        return []

    monkeypatch.setattr(Instrument, "poll", waits)
    assert at_a_terminal(monkeypatch, [], "19.98\r")[0] == "19.98"
    assert "plumbelt-instrument" not in [thread.name for thread in threading.enumerate()]


def test_lines_of_a_pipe_are_read_ahead_and_its_end_stays_its_end(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A reading may be waited for with a limit; other questions read the same lines."""
    come: queue.Queue[str] = queue.Queue()
    monkeypatch.setattr("sys.stdin", iter(come.get, ""))
    lines = _shared_lines()
    with pytest.raises(queue.Empty):
        lines.readline(0.001)
    for line in (" 20.01 \n", "yes\n", "20.02\n", ""):
        come.put(line)
    assert lines.readline(PATIENCE) == " 20.01 \n"
    assert sys.stdin.readline() == "yes\n"
    assert not sys.stdin.isatty()
    assert _shared_lines().readline(PATIENCE) == "20.02\n"  # the one reader goes on
    assert [_shared_lines().readline(PATIENCE) for _ in range(2)] == ["", ""]
    assert [sys.stdin.readline() for _ in range(2)] == ["", ""]
    assert lines.readline(PATIENCE) == ""
