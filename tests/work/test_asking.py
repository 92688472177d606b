"""What a controller is asked on the way: where it stands, how hot it is, and its heaters off."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import pytest

from agent.errors import LinkFailed
from agent.model.heat import Heat
from agent.model.roles import Axes
from agent.wire.exchange import State
from agent.work.asking import heaters_off, heats_now, places_now, said


def reply(*lines: str, ok: bool = True, behind: Sequence[str] = ()) -> Any:
    events = [SimpleNamespace(kind="unsolicited", detail={"text": text}) for text in behind]
    return SimpleNamespace(lines=lines, events=events, ok=ok)


class Line:
    """A link that answers from a list, and notes what it was asked."""

    def __init__(self, *replies: Any, state: State = State.READY) -> None:
        self.replies, self.state = list(replies), state
        self.asked: list[tuple[str, bool]] = []
        self.shouted: list[tuple[str, ...]] = []

    def ask(self, line: str, *, reads: bool = False) -> Any:
        self.asked.append((line, reads))
        found = self.replies.pop(0)
        if isinstance(found, LinkFailed):
            raise found
        return found

    def shout(self, lines: Sequence[str]) -> None:
        self.shouted.append(tuple(lines))

    def settle(self) -> None:
        self.shouted.append(("settled",))


@pytest.mark.parametrize(
    ("lines", "behind", "axes", "places"),
    [
        (("X:1.50 Y:-2 Z:3.25 E:0 Count X:120 Y:-160 Z:9",), (), Axes(), (1.5, -2.0, 3.25)),
        ((), ("X: 4.0 Y:5.0 Z:6.0",), Axes(), (4.0, 5.0, 6.0)),
        (("X:1 Y:2 Z:3",), (), Axes(across="x", gantry="z", belt="-y"), (1.0, 3.0, -2.0)),
    ],
)
def test_the_first_number_of_each_letter_is_where_the_axis_stands(
    lines: tuple[str, ...], behind: tuple[str, ...], axes: Axes, places: tuple[float, ...]
) -> None:
    """Step counts follow under the same letters; an axis may count the other way."""
    link = Line(reply(*lines, behind=behind))
    found = places_now(link, axes)  # type: ignore[arg-type]
    assert (found["across"], found["gantry"], found["belt"]) == places
    assert link.asked == [("M114", False)]


def test_a_controller_that_does_not_say_stands_nowhere() -> None:
    assert places_now(Line(reply("nothing")), Axes()) == {}  # type: ignore[arg-type]


def test_heat_is_heard_from_the_answer_and_from_behind_it() -> None:
    link = Line(reply(behind=("T:201.5 /215.0 B:59.9 /60.0",)))
    found = heats_now(link)  # type: ignore[arg-type]
    assert (found.nozzle, found.bed) == (Heat(201.5, 215.0), Heat(59.9, 60.0))
    assert link.asked == [("M105", True)]
    assert said(reply("a", behind=["b"])) == ("a", "b")


OFF = reply("T:200.0 /0.0 B:60.0 /0.0")


def test_both_heaters_are_switched_off_and_asked_once() -> None:
    link = Line(reply(), reply(), OFF)
    found = heaters_off(link)  # type: ignore[arg-type]
    assert found is not None
    assert found.off
    assert link.asked == [("M104 S0", True), ("M140 S0", True), ("M105", True)]
    assert link.shouted == []


@pytest.mark.parametrize("state", [State.DOUBT, State.WAITING])
def test_in_doubt_the_words_go_out_at_once_and_are_asked_again(state: State) -> None:
    """What answers at first may belong to other lines."""
    link = Line(reply(), reply(), reply("ok"), reply("ok"), OFF, reply(), reply(), state=state)
    found = heaters_off(link)  # type: ignore[arg-type]
    assert found is not None
    assert found.off
    assert link.shouted == [("M104 S0", "M140 S0"), ("settled",)]
    assert [line for line, _ in link.asked] == ["M104 S0", "M140 S0", *["M105"] * 3]


def test_in_doubt_it_is_asked_five_times_and_no_more() -> None:
    link = Line(*[reply("ok")] * 12, state=State.DOUBT)
    found = heaters_off(link)  # type: ignore[arg-type]
    assert found is not None
    assert found.nozzle is None
    assert [line for line, _ in link.asked].count("M105") == 5


@pytest.mark.parametrize("replies", [(reply(ok=False),), (reply(), LinkFailed("x", remedy="y"))])
def test_what_was_not_carried_is_not_off(replies: tuple[Any, ...]) -> None:
    assert heaters_off(Line(*replies)) is None  # type: ignore[arg-type]
