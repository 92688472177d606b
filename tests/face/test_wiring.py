"""`send`: which lines go out by hand, and what is known of the machine after them."""

from __future__ import annotations

import json
from typing import Any

import pytest

from agent.errors import Refused
from agent.face.desk import Desk
from agent.face.wiring import LONGEST, check, homes
from tests.face.bench import carry_out, desk_at


@pytest.fixture
def desk(capsys: pytest.CaptureFixture[str]) -> Desk:
    desk = desk_at()
    assert carry_out(desk, ["attach"]) == [0]
    capsys.readouterr()
    return desk


@pytest.mark.parametrize(
    ("line", "goes"),
    [
        ("M114", True),
        ("M" * LONGEST, True),
        ("M" * (LONGEST + 1), False),
        ("", False),
        ("M114\t", False),
        ("M114 ä", False),
    ],
)
def test_only_plain_characters_are_a_line(line: str, goes: bool) -> None:
    """As many as fit into any controller's buffer, and at least one."""
    if goes:
        check(line)
        return
    with pytest.raises(Refused, match="no line for a controller"):
        check(line)


@pytest.mark.parametrize(
    ("line", "roles"),
    [
        ("G28 X Y", ("across", "gantry")),
        ("G28 Y X", ("gantry", "across")),
        ("G28 X", ("across",)),
        ("G28 Y", ("gantry",)),
        ("G28", ()),
        ("G28 Z", ()),
        ("G28 X Z", ()),
        ("M114", ()),
    ],
)
def test_which_axes_a_line_homes(line: str, roles: tuple[str, ...], desk: Desk) -> None:
    """The belt has no end to find."""
    family = desk.session.contact.family
    assert family is not None
    assert homes(desk, line, family) == roles


@pytest.mark.parametrize(
    ("line", "placed", "heaters", "said"),
    [
        ("M114", 0, 0, "(taken)"),
        ("M105", 0, 1, "(taken)"),
        ("M104 S0", 0, 1, "(taken; only a read-back proves it)"),
        ("G28 X", 0, 0, "(taken; only a read-back proves it)"),
        ("G28 X Y", 1, 0, "(taken; only a read-back proves it)"),
        ("G28 Y X", 1, 0, "(taken; only a read-back proves it)"),
        ("M31", 0, 0, "(not understood by the controller)"),
    ],
)
def test_what_is_known_after_a_line(
    line: str,
    placed: int,
    heaters: int,
    said: str,
    desk: Desk,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Where the axes stand once both were homed, and whether something is hot once it was told."""
    calls: list[Any] = []
    session = desk.session
    monkeypatch.setattr(type(session.moves), "place", lambda self, **how: calls.append(how))
    monkeypatch.setattr(type(session.contact), "ask_heaters", lambda self: calls.append("heat"))
    code = int("not understood" in said)
    assert carry_out(desk, [f"send {line}"]) == [code]
    assert calls == [{"lost": False}] * placed + ["heat"] * heaters
    assert capsys.readouterr().out.splitlines()[-1] == said


def test_the_answer_to_a_line_for_a_program(desk: Desk, capsys: pytest.CaptureFixture[str]) -> None:
    assert carry_out(desk, ["send m114 --json"]) == [0]
    found = json.loads(capsys.readouterr().out)
    assert (found["line"], found["ok"], found["error"]) == ("M114", True, None)
    assert "X:" in "".join(found["reply"])
    assert carry_out(desk, ["send M31 --json"]) == [1]
    found = json.loads(capsys.readouterr().out)
    assert found["ok"] is False
    assert carry_out(desk, ["send"]) == [2]


def test_a_line_that_may_move_something_wants_a_word(
    desk: Desk, capsys: pytest.CaptureFixture[str]
) -> None:
    desk.screen.ask_with(lambda question: "understood" if "understood" in question else "no")
    assert desk.rehearsal is not None
    before = desk.rehearsal.received
    assert carry_out(desk, ["send G28 X"]) == [1]
    assert desk.rehearsal.received == before
    assert "Nothing was sent" in capsys.readouterr().err
