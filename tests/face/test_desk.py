"""The desk: what it holds, who may be asked at it, and how it is left."""

from __future__ import annotations

import sys
from types import SimpleNamespace
from typing import Any

import pytest

from agent.errors import LinkFailed
from agent.face.desk import Desk, fitted, heater_sentence
from agent.model.heat import Heat, Heats
from agent.wire.port import Address
from tests.face.bench import forge, told

# --- the session ---------------------------------------------------------------------------------


def test_a_session_is_begun_when_it_is_first_wanted_and_knows_the_word_halt() -> None:
    desk = Desk()
    assert not desk._halted_by_word()
    assert desk.session is desk.session
    assert desk.screen.on_halt == desk._halted_by_word
    assert not desk._halted_by_word(), "nothing is attached that could halt"


def test_the_word_halt_halts_what_is_attached(desk: Desk) -> None:
    assert desk._halted_by_word()
    assert desk.session.bench.halted
    assert desk.rehearsal is not None
    assert desk.rehearsal.received[-1] == "M112"


def test_the_port_of_before_is_the_one_that_answered(desk: Desk) -> None:
    """Else the one that the record knows; one that was opened in vain is not it."""
    assert desk.last_port == "memory://"
    desk.opening = Address("/dev/vain")
    assert desk.last_port == "memory://"
    desk.opened()
    assert desk.last_port == "/dev/vain"
    desk.opening = None
    desk.opened()
    assert desk.last_port == "/dev/vain"


@pytest.mark.parametrize(
    ("rehearsal", "port", "own"),
    [(True, "memory://", True), (True, "/dev/x", False), (False, "memory://", False)],
)
def test_a_rehearsal_has_a_port_of_its_own(
    rehearsal: bool, port: str, own: bool, desk: Desk
) -> None:
    desk.rehearsal = desk.rehearsal if rehearsal else None
    assert desk.rehearses(port) is own


def test_a_port_that_has_gone_is_lost_and_a_silent_one_is_not(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(type(desk.session.contact), "gone", False)
    desk.note_lost()
    assert desk.lost == ""
    monkeypatch.setattr(type(desk.session.contact), "gone", True)
    desk.note_lost()
    assert desk.lost == "memory://"
    Desk().note_lost()  # nothing is attached, nothing is lost


def test_a_step_is_refused_of_a_machine(desk: Desk) -> None:
    desk.note_refused("store", "no")
    assert desk.session.bench.refused is not None
    nobody = Desk()
    nobody.note_refused("store", "no")
    assert nobody._session is None
    assert nobody.session.bench.refused is None
    nobody.note_refused("store", "no")
    assert nobody.session.bench.refused is None


# --- the foot ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("width", "bar"),
    [
        (20, ["", "aaa", " | ", "HOT", " | ", "ccc", "     "]),
        (15, ["", "aaa", " | ", "HOT", " | ", "ccc", ""]),
        (14, ["", "aaa", " | ", "HOT", "\n", "ccc", "           "]),
        (9, ["", "aaa", " | ", "HOT", "\n", "ccc", "      "]),
        (8, ["", "aaa", "\n", "HOT", "\n", "ccc", "     "]),
    ],
)
def test_a_bar_breaks_between_its_words(
    width: int, bar: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three words of three letters and two bars of three signs: 15 columns in one line."""
    desk = Desk()
    monkeypatch.setattr(desk, "status", lambda width: "aaa | HOT | ccc")
    monkeypatch.setattr(desk, "_dangers", lambda: [("HEATERS ON", "HOT")])
    found = desk.foot_bar(width)
    assert [text for _, text in found] == bar
    styles = {text: style for style, text in found if text.strip(" |\n")}
    usual = "class:bottom-toolbar"
    assert styles == {"aaa": usual, "HOT": "class:danger", "ccc": usual}


def test_dangers_stand_first_whatever_else_is_told(desk: Desk) -> None:
    forge(desk, heater_state="on")
    desk.foot = lambda: ("how near it is to enough", "near")
    assert desk.status() == "HEATERS ON | how near it is to enough"
    assert desk.status(20) == "HEATERS ON | near"
    assert desk.status(12) == "HOT | near"
    assert desk.status(5) == "HOT"
    desk.foot = lambda: ("", "")
    assert desk.status().startswith("HEATERS ON | heron | memory:// | replay")


def test_of_a_machine_that_is_not_attached_little_is_known(desk: Desk) -> None:
    forge(desk, stored_otherwise="x 80", done=None)
    desk.session.contact.detach()
    assert desk.status() == "STORED OTHERWISE | heron | not attached | heaters unknown"
    assert desk.status(20) == "STORED BAD | heron"


@pytest.mark.parametrize(
    ("parts", "width", "line"),
    [
        ([("long", "s"), "b"], 8, "long | b"),
        ([("long", "s"), "b"], 7, "s | b"),
        ([("long", "s"), "b"], 5, "s | b"),
        ([("long", "s"), "b"], 4, "s"),
    ],
)
def test_a_line_is_as_long_as_the_window(parts: list[Any], width: int, line: str) -> None:
    assert fitted(parts, width) == line


def test_what_heats_is_told_where_it_is_known(desk: Desk) -> None:
    forge(desk, heater_state="on", heats=Heats(Heat(201.4, 215.0)))
    assert heater_sentence(desk.session.bench).startswith("THE HEATERS ARE ON (nozzle 201")
    forge(desk, heats=Heats())
    assert heater_sentence(desk.session.bench).startswith("THE HEATERS ARE ON: 'cool'")


# --- whoever sits there --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("in_shell", "terminal", "as_json", "may"),
    [
        (True, False, True, True),
        (False, True, False, True),
        (False, True, True, False),
        (False, False, False, False),
    ],
)
def test_who_may_be_asked(
    in_shell: bool, terminal: bool, as_json: bool, may: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: terminal))
    desk = Desk(in_shell=in_shell)
    desk.screen.json = as_json
    assert desk.may_ask is may


class Word:
    """Stands for the word that the workshop is given of who is at a machine."""

    def __init__(self) -> None:
        self.taken: list[str] = []
        self.closed = 0

    def take(self, machine: str, say: Any) -> str:
        self.taken.append(machine)
        return "the door has it, too"

    def news(self) -> tuple[str, ...]:
        return ("the door let go of it",)

    def close(self) -> None:
        self.closed += 1


def test_the_workshop_knows_who_is_at_a_real_machine(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    word = Word()
    monkeypatch.setattr("agent.face.shop.holding.Presence", lambda: word)
    assert desk.at_machine() == "", "a rehearsal is nobody's machine"
    desk.tell_news()
    desk.leave()
    assert (word.taken, word.closed, told(capsys)) == ([], 0, "")
    desk.rehearsal = None
    assert [desk.at_machine(), desk.at_machine()] == ["the door has it, too"] * 2
    assert word.taken == [desk.session.bench.machine] * 2
    desk.tell_news()
    assert told(capsys) == "Warning: the door let go of it."
    desk.leave()
    assert word.closed == 1


def test_closing_lets_go_of_everything(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[str] = []
    monkeypatch.setattr(desk.session, "close", lambda: done.append("session"))
    monkeypatch.setattr(desk, "leave", lambda: done.append("workshop"))
    rehearsal = SimpleNamespace(close=lambda: done.append("rehearsal"))
    monkeypatch.setattr(desk, "rehearsal", rehearsal)
    desk.close()
    assert done == ["session", "workshop", "rehearsal"]


def test_an_end_from_outside_is_told_where_something_was_attached_here(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A session that attached nothing ends without a word; a terminal that went is no obstacle."""
    done: list[str] = []
    monkeypatch.setattr(desk.session.heaters, "leave_cold", lambda: done.append("cold"))

    def close() -> None:
        done.append("closed")
        raise LinkFailed("gone")

    monkeypatch.setattr(desk.session, "close", close)
    desk.end_safely()
    assert done == ["cold", "closed"]
    assert told(capsys).startswith("Ended. The heaters are off")
    for session in ("", "another"):
        forge(desk, session=session)
        desk.end_safely()
        assert told(capsys) == ""
    forge(desk, session=desk.session.book.session)

    def gone(_: str) -> None:
        raise OSError("the terminal is gone")

    monkeypatch.setattr(desk.screen, "complain", gone)
    desk.end_safely()
    assert done[-1] == "closed"
    monkeypatch.undo()


def test_after_a_sleep_what_is_known_of_the_heaters_is_told(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked: list[int] = []
    monkeypatch.setattr(desk.session.contact, "ask_heaters", lambda: asked.append(1))
    for seconds, words in ((0.0, ""), (90.0, "slept for 2 min"), (150.0, "slept for 2 min")):
        desk.sleep = SimpleNamespace(seconds=lambda s=seconds: s)  # type: ignore[assignment]
        desk.wake()
        said = told(capsys)
        assert words in said
        assert ("The heaters are off" in said) is bool(words)
    assert len(asked) == 2
