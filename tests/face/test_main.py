"""The one entry of every line: options before a verb, what went wrong, and how the process ends."""

from __future__ import annotations

import errno
import sys
from types import SimpleNamespace

import pytest

from agent.errors import Declined, LinkFailed, Refused, Unknown
from agent.face import main as entry
from agent.face.desk import Desk
from agent.face.main import plumbelt, profile_given, run, show_error
from tests.face.bench import carry_out, desk_at


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (["--port", "x", "next"], "--port and --profile are for one-shot use"),
        (["--profile", "heron", "next"], "--port and --profile are for one-shot use"),
        ([], "This is a shell already"),
        (["next"], ""),
    ],
)
def test_a_shell_is_not_begun_inside_a_shell(
    line: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(line, desk_at()) == (2 if said else 0)
    assert said in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "coloured", "pages"),
    [([], True, True), (["--no-color"], False, True), (["--no-pager"], True, False)],
)
def test_colours_and_pages_are_left_out_where_they_are_not_wanted(
    options: list[str], coloured: bool, pages: bool
) -> None:
    desk = desk_at()
    desk.screen.coloured = desk.screen.pages = True
    assert run([*options, "status"], desk) == 0
    assert (desk.screen.coloured, desk.screen.pages) == (coloured, pages)
    desk.screen.coloured = desk.screen.pages = False
    assert run([*options, "status"], desk) == 0
    assert (desk.screen.coloured, desk.screen.pages) == (False, False)


@pytest.mark.parametrize(
    ("line", "port", "name"),
    [
        ([], None, "unnamed"),
        (["--port", "/dev/x"], "/dev/x", "unnamed"),
        (["--profile", "heron"], None, "heron"),
    ],
)
def test_without_a_verb_the_shell_is_begun(
    line: list[str], port: str | None, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At the port and with the profile that were named; its code is that of the command."""
    begun: list[tuple[str | None, str]] = []

    def run_shell(desk: Desk, *, port: str | None = None) -> int:
        begun.append((port, desk.session.profile.name))
        return 7

    monkeypatch.setattr("agent.face.shell.run_shell", run_shell)
    assert run(line) == 7
    assert begun == [(port, name)]


@pytest.mark.parametrize("verb", ["attach", "sim", "demo", "rehearse", "ports", "cautions"])
def test_a_port_before_a_verb_that_needs_none_has_no_meaning(
    verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["--port", "/dev/x", verb]) == 2
    assert f"--port before '{verb}' has no meaning" in capsys.readouterr().err


def test_a_profile_before_a_verb_is_that_of_the_machine(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert run(["--profile", "egret", "mechanics"]) == 0
    assert capsys.readouterr().out.startswith("egret: gantry at")


# --- what is asked for on the way ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "found"),
    [
        ("lay strip", (None, True)),
        ("lay strip --profile heron", ("heron", True)),
        ("--profile=heron lay strip", ("heron", True)),
        ("--profile own/heron.yaml lay strip", ("own/heron.yaml", False)),
        ("lay strip --profile=own/heron.yaml", ("own/heron.yaml", False)),
        ("lay strip --profile", (None, True)),
    ],
)
def test_whose_profile_a_line_names(line: str, found: tuple[str | None, bool]) -> None:
    """An answer can be kept in one that goes by its name; a file is its owner's."""
    assert profile_given(line.split()) == found


@pytest.mark.parametrize(
    ("in_shell", "line", "told", "asked", "code"),
    [
        (True, "lay strip", True, [None], 0),
        (True, "lay strip --profile heron", True, ["heron"], 0),
        (True, "lay strip", False, [None], 1),
        (True, "lay strip --profile own/heron.yaml", True, [], 1),
        (False, "lay strip", True, [], 1),
    ],
    ids=["told", "told, of a profile", "not told", "somebody's own file", "nobody sits there"],
)
def test_what_nobody_has_told_yet_is_asked_and_then_the_line_is_carried_out(
    in_shell: bool,
    line: str,
    told: bool,
    asked: list[str | None],
    code: int,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    missing = Unknown("mechanics.travel_mm.belt", "the travel is not known")
    tries: list[list[str]] = []
    names: list[str | None] = []

    def carried_out(arguments: list[str], **_: object) -> None:
        tries.append(arguments)
        if len(tries) == 1:
            raise missing

    def told_now(_: Desk, what: Unknown, name: str | None) -> bool:
        assert what is missing
        names.append(name)
        return told

    monkeypatch.setattr(plumbelt, "main", carried_out)
    monkeypatch.setattr("agent.face.profiling.told_now", told_now)
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: False))
    assert run(line.split(), Desk(in_shell=in_shell)) == code
    assert names == asked
    assert tries == [line.split()] * (1 if code else 2)
    assert ("The travel is not known" in capsys.readouterr().err) is bool(code)


# --- what went wrong -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "text"), [("a\0b", False), ("a\ud800b", False), ("a\udcffb", True), ("no entry", True)]
)
def test_a_word_that_no_file_could_have_as_its_name_is_no_text(
    word: str, text: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """A byte that is no UTF-8 may stand in a file's name; a nought or half a sign may not.

    No word here begins an identity: those are drawn.
    """
    assert run(["log", "show", word]) in ((1, 2) if text else (2,))
    assert ("is no text. Type it again" not in capsys.readouterr().err) is text


@pytest.mark.parametrize(
    ("error", "noted"),
    [(Refused("no"), "no"), (Declined("no"), None), (LinkFailed("gone"), None)],
)
def test_a_refused_step_is_noted_and_a_declined_one_is_not(
    error: Exception, noted: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What the technician said no to may be offered again at once."""

    def fails(*_: object, **__: object) -> None:
        raise error

    desk = desk_at()
    assert carry_out(desk, ["attach"]) == [0]
    monkeypatch.setattr(plumbelt, "main", fails)
    assert run(["store", "--json"], desk) == getattr(error, "exit_code", None)
    refused = desk.session.bench.refused
    assert (None if refused is None else (refused.line, refused.why)) == (
        None if noted is None else ("store", noted)
    )


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (Refused("it is not safe"), "Stop: It is not safe.\n"),
        (LinkFailed("it is gone"), "Stop: It is gone.\n"),
        (Declined("not written"), "Not written.\n"),
        (
            LinkFailed("it is gone", wire=("< 1", "> 2", "< 3", "> 4")),
            "Stop: It is gone.\nlast on the wire:\n  > 2\n  < 3\n  > 4\n",
        ),
    ],
)
def test_an_error_says_what_stopped_it_and_the_last_of_the_wire(
    error: Refused, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = Desk()
    show_error(error, desk)
    told = capsys.readouterr()
    assert (told.out, told.err) == ("", said)
    desk.screen.json = True
    show_error(error, desk)
    assert error.what in capsys.readouterr().out
    desk.screen.answered = True  # there is one document for each line
    show_error(error, desk)
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("terminal", [True, False])
def test_a_mistake_is_wrapped_where_a_person_reads_it(
    terminal: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program finds each in one line."""
    said: list[str] = []
    stream = SimpleNamespace(isatty=lambda: terminal, write=said.append)
    monkeypatch.setattr(sys, "stderr", stream)
    entry._show_problem("word " * 20 + "a-long-word")
    text = "".join(said)
    assert text == (
        "word " * 15 + "word\n    " + "word " * 4 + "a-long-word\n"
        if terminal
        else "word " * 20 + "a-long-word\n"
    )


# --- the installed command -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("platform", "number", "file", "gone"),
    [
        ("win32", errno.EINVAL, None, True),
        ("win32", errno.EINVAL, "a.txt", False),
        ("win32", errno.ENOSPC, None, False),
        ("linux", errno.EINVAL, None, False),
    ],
)
def test_how_a_reader_that_has_gone_is_told_elsewhere(
    platform: str, number: int, file: str | None, gone: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sys, "platform", platform)
    assert entry._is_broken_pipe_elsewhere(OSError(number, "", file)) is gone


@pytest.mark.parametrize("code", [0, 1])
def test_what_comes_next_is_told_behind_what_was_done_and_all_is_let_go_of(
    code: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []
    monkeypatch.setattr(entry, "end_in_order", lambda: done.append("signals"))
    monkeypatch.setattr(entry, "run", lambda *_: done.append("run") or code)
    monkeypatch.setattr(entry, "tell_noted", lambda desk: done.append("next"))
    monkeypatch.setattr(Desk, "close", lambda desk: done.append("close"))
    flush = SimpleNamespace(flush=lambda: done.append("flush"))
    monkeypatch.setattr(sys, "stdout", flush)
    with pytest.raises(SystemExit) as ended:
        entry.main()
    assert ended.value.code == code
    assert done == ["signals", "run", *(() if code else ("next",)), "close", "flush"]
