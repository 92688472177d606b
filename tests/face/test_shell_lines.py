"""The shell in its own process: lines of a pipe and of an editor, and its ways out."""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.completion import CompleteEvent
from prompt_toolkit.document import Document
from prompt_toolkit.history import FileHistory, InMemoryHistory
from prompt_toolkit.input import PipeInput, create_pipe_input
from prompt_toolkit.output import ColorDepth, DummyOutput

from agent.errors import BadInput
from agent.face.desk import Desk
from agent.face.shell import (
    GREETING,
    _questions,
    editor,
    leaves,
    offers,
    run_line,
    run_shell,
    split,
    wants_file,
)
from tests.face.bench import Technician, desk_at, forge

# --- lines from a pipe ---------------------------------------------------------------------------


class Lines(io.StringIO):
    def isatty(self) -> bool:
        return False


def piped(desk: Desk, text: str, monkeypatch: pytest.MonkeyPatch, port: str | None = None) -> int:
    monkeypatch.setattr(sys, "stdin", Lines(text))
    return run_shell(desk, port=port)


def test_lines_of_a_pipe_are_carried_out_and_the_first_failure_is_told(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = desk_at()
    assert piped(desk, "attach\nfly\nlay cube\nstore\nmechanics\n", monkeypatch) == 2
    said = capsys.readouterr()
    assert said.out.startswith(GREETING)
    assert "family 'replay', 16 settings read" in said.out
    assert "heron: gantry at 45°" in said.out, "what stands behind a failure is carried out"
    assert desk.session.contact.link is None, "it lets go at the end"


@pytest.mark.parametrize("word", ["quit", " leave "])
def test_the_shell_is_left_by_a_word(word: str, monkeypatch: pytest.MonkeyPatch) -> None:
    desk = desk_at()
    assert piped(desk, f"attach\n{word}\nfly\n", monkeypatch) == 0


def test_without_its_port_no_line_is_read(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert piped(desk_at(), "mechanics\n", monkeypatch, port="/dev/nothing-there") == 3
    assert "gantry at" not in capsys.readouterr().out
    assert piped(desk_at(), "mechanics\n", monkeypatch, port="memory://") == 0
    assert "gantry at" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("gauge strip-s1 20.1", ["gauge", "strip-s1", "20.1"]),
        ("run 'a b' # behind", ["run", "a b", "#", "behind"]),
        ("", []),
        ('say "x y"', ["say", "x y"]),
        ("a|b;c&d", ["a|b;c&d"]),
    ],
)
def test_a_line_is_taken_apart_at_blanks_alone(line: str, words: list[str]) -> None:
    assert split(line) == words


@pytest.mark.parametrize(
    ("system", "words"), [("win32", ["run", "C:\\a\\b"]), ("linux", ["run", "C:ab"])]
)
def test_a_backslash_is_part_of_a_path_where_paths_have_them(
    system: str, words: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Elsewhere it takes the meaning from the character behind it, as in any shell (POSIX)."""
    monkeypatch.setattr(sys, "platform", system)
    assert split("run C:\\a\\b") == words


@pytest.mark.parametrize("line", ["run 'a", 'run "a'])
def test_an_open_quote_is_told(line: str) -> None:
    with pytest.raises(BadInput, match="the line cannot be taken apart: no closing quotation"):
        split(line)


def test_several_lines_at_once_are_not_begun(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_line(desk, "mechanics\nstore\n") == 2
    said = " ".join(capsys.readouterr().err.split())
    assert said.startswith("Several lines were pasted at once. Nothing was done.")


@pytest.mark.parametrize(
    ("state", "unstored", "asked"),
    [("off", False, 0), ("on", False, 1), ("unknown", False, 1), ("off", True, 1)],
)
def test_whoever_leaves_something_hot_or_not_stored_is_asked_once(
    state: str,
    unstored: bool,
    asked: int,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    forge(desk, heater_state=state)
    monkeypatch.setattr(type(desk.session.bench), "unstored", unstored)
    technician = Technician()
    desk.screen.ask_with(technician)
    assert leaves(desk) is (asked == 0)
    assert len(technician.asked) == asked
    desk.screen.ask_with(Technician({"Leave": "yes"}))
    assert leaves(desk)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: False))
    desk.screen.ask_with(Technician())
    assert leaves(desk), "nobody sits there"


def test_what_may_stand_behind_a_word(desk: Desk) -> None:
    assert ("quit", "end the session") in offers(desk, [], "")
    assert offers(desk, [], "qui") == [("quit", "end the session")]
    assert ("quit", "end the session") not in offers(desk, [], "a")
    names = [name for name, _ in offers(desk, ["lay"], "")]
    assert names[:2] == ["strip", "rail"]
    assert wants_file(desk, ["run"], "")
    assert not wants_file(desk, ["lay"], "")


def test_what_is_let_go_of_where_nothing_answered_at_the_port(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The record is closed and the workshop told, whatever ended the shell."""
    closed: list[Desk] = []
    monkeypatch.setattr(Desk, "close", lambda self: closed.append(self))
    desk = desk_at()
    assert piped(desk, "", monkeypatch, port="/dev/nothing-there") == 3
    assert closed == [desk]


def test_whoever_came_meanwhile_is_told_before_the_next_line(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    desk._presence = SimpleNamespace(  # type: ignore[assignment]
        news=lambda: ["somebody has come to heron"], close=lambda: None
    )
    capsys.readouterr()
    assert run_line(desk, "mechanics") == 0
    assert capsys.readouterr().out.startswith("Warning: somebody has come to heron.\nheron: ")


@pytest.mark.parametrize(
    ("sits", "line", "named"),
    [
        (True, "readback", True),
        (True, "readback --json", False),  # a program reads it
        (True, "ports", False),  # leads to nothing here
        (True, "readback nowhere.txt", False),  # failed
        (False, "readback", False),  # nobody sits there
    ],
)
def test_a_typed_line_that_leads_on_ends_with_what_comes_next(
    sits: bool,
    line: str,
    named: bool,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: sits))
    run_line(desk, line)
    assert ("Next: " in capsys.readouterr().out) is named


def test_enter_on_a_step_that_fails_leads_no_further(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.offered = "undo"
    assert run_line(desk, "") == 1
    assert capsys.readouterr().out == "  undo\n"
    assert desk.offered == ""


# --- lines of an editor --------------------------------------------------------------------------


@pytest.fixture
def keys(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Iterator[PipeInput]:
    """What is typed at a terminal that shows nothing."""
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("COLUMNS", "80")
    with create_pipe_input() as keys, create_app_session(input=keys, output=DummyOutput()):
        yield keys


def test_a_typed_session_asks_and_ends_well_whatever_failed_in_it(
    keys: PipeInput, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Ctrl-C at the prompt only drops the line; an answer is kept in no history."""
    desk = desk_at()
    keys.send_text("fly\rnothing\x03gauge travel\runderstood\r\x04mechanics\rquit\r")
    assert run_shell(desk, port="memory://") == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.index("BEFORE THE MACHINE MOVES") < said.index("heron: gantry at 45")
    assert "Next" in said, "at a terminal the next step is told after the attach"
    history = (tmp_path / "home" / "history").read_text()
    assert [line for line in history.splitlines() if line.startswith("+")] == [
        "+fly",
        "+gauge travel",
        "+mechanics",
        "+quit",
    ]


@pytest.mark.parametrize("asked", ["\r", "yes\r"])
def test_a_shell_with_something_hot_is_left_only_by_a_yes(
    asked: str, keys: PipeInput, desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    forge(desk, heater_state="on")
    capsys.readouterr()
    keys.send_text(f"quit\r{asked}mechanics\r\x04")
    assert run_shell(desk) == 0
    assert ("gantry at 45" in capsys.readouterr().out) == (asked == "\r")


def test_the_foot_of_a_question_is_there_while_readings_are_taken(
    keys: PipeInput, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = desk_at()
    widths: list[int] = []
    foot_bar = desk.foot_bar
    monkeypatch.setattr(desk, "foot_bar", lambda width: (widths.append(width), foot_bar(width))[1])
    ask = _questions(desk)
    keys.send_text("a\r")
    assert (ask("?"), widths) == ("a", [])
    desk.foot = lambda: ("nearly", "near")
    keys.send_text("b\r")
    assert ask("?") == "b"
    assert set(widths) == {80}  # columns of that terminal


def test_the_editor_keeps_history_and_looks_as_it_was_wished(
    keys: PipeInput, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = desk_at()
    session = editor(desk)
    assert isinstance(session.history, FileHistory)
    assert session.history.filename == str(tmp_path / "home" / "history")
    assert session.complete_while_typing is False  # Tab alone completes
    assert session.color_depth is None
    assert callable(session.message)
    assert session.message() == "heron : "
    assert callable(session.bottom_toolbar)
    assert session.bottom_toolbar() == desk.foot_bar(80)
    assert session.style is not None
    assert ("danger", "reverse bold ansired") in session.style.style_rules
    assert ("bottom-toolbar", "reverse") in session.style.style_rules
    desk.screen.coloured = False
    session = editor(desk)
    assert session.color_depth == ColorDepth.DEPTH_1_BIT
    assert session.style is not None
    assert ("danger", "reverse bold") in session.style.style_rules
    (tmp_path / "home").rmdir()
    (tmp_path / "home").write_text("a file")
    assert isinstance(editor(desk).history, InMemoryHistory)
    assert "No history is kept" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("typed", "offered"),
    [
        ("readb", [("readback", -5)]),
        ("  help  lea", [("lean", -3), ("lean-returns", -3)]),
        ("solve rea", [("dings.yaml", 0)]),  # what is left of the name of a file
        ("lay rea", []),
    ],
)
def test_tab_offers_words_and_files(
    typed: str,
    offered: list[tuple[str, int]],
    keys: PipeInput,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    """How many characters before the cursor each takes the place of stands beside it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "readings.yaml").touch()
    completer = editor(desk_at()).completer
    assert completer is not None
    found = completer.get_completions(Document(typed), CompleteEvent())
    assert [(one.text, one.start_position) for one in found] == offered
