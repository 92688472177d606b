"""The short tune at the desk: what is asked, how near it is to enough, and when it is enough."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest

from agent.face import short
from agent.face.desk import Desk
from agent.face.guide import standing_errors, step_now
from agent.face.shell import run_line
from agent.model.feature import length
from agent.model.profile import Tolerance
from agent.model.roles import ROLES
from tests.face.bench import carry_out, desk_at

REACHED = Tolerance(0.1, 0.15)


def desk_with(
    tolerance: Tolerance = REACHED,
    answers: dict[str, str | Callable[[str], str]] | None = None,
    seed: int = 3,
) -> Desk:
    desk = desk_at(seed, answers=dict(answers or {}))
    desk.session.contact.use(replace(desk.session.profile, tolerance=tolerance))
    carry_out(desk, ["attach"])
    return desk


def typed(line: str) -> Callable[[str], str]:
    """Answers the first question for the lean with a line, and takes what is offered else."""
    return lambda question: line if "stem lean, 1" in question else ""


def values(desk: Desk) -> int:
    return sum(len(t.reading.mm) for t in desk.session.now.taken)


def test_a_move_that_was_not_shown_is_told_before_it_is_made(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What was read before may make another length worth more; a longer one is shown anew."""
    desk = desk_at(seed=7)
    assert carry_out(desk, ["attach", "gauge travel --enough"]) == [0, 0]
    said = " ".join(capsys.readouterr().out.split())
    table = said[said.index("worst case, mm") : said.index("Worst case:")]
    for taken in desk.session.now.taken:
        (role,) = (word for word in ROLES if word in taken.reading.name)
        mm = f"{length(taken.reading.along):.2f}"
        shown = re.search(rf"{role} [-0-9. ]* {re.escape(mm)} ", table)
        assert shown or f"{role} by {mm} mm tells more" in said
    assert "tells more" in said
    assert "may take the place" in said


def test_it_says_that_it_is_enough_and_stops_asking(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_with()
    assert carry_out(desk, ["gauge travel --enough", "lay stem"]) == [0, 0]
    assert short.ENOUGH not in capsys.readouterr().out
    assert carry_out(desk, ["gauge stem --enough"]) == [0]
    told = " ".join(capsys.readouterr().out.split())
    assert told.count(short.ENOUGH) == 1
    assert "More would bring little" in told
    assert values(desk) <= 12
    assert step_now(desk).line == "solve"
    # nothing is asked twice for nothing
    before = values(desk)
    carry_out(desk, ["gauge travel --enough", "gauge stem --enough"])
    assert values(desk) == before


def test_the_foot_shows_the_four_falling_while_readings_are_taken() -> None:
    feet: list[str] = []

    def look(_question: str) -> str:
        feet.append(desk.status(80))
        return ""

    desk = desk_at(answers={"Enter takes": look, "'all' takes": look})
    desk.session.contact.use(replace(desk.session.profile, tolerance=REACHED))
    carry_out(desk, ["attach", "gauge travel --enough", "lay stem", "gauge stem --enough"])
    assert all(len(foot) <= 80 for foot in feet)
    across = [float(foot.split("across ")[1].split()[0]) for foot in feet]
    angle = [float(foot.split("angle ")[1].split()[0]) for foot in feet]
    # but for what the scatter of the readings themselves adds
    assert all(after <= 1.1 * before for before, after in pairwise(across))
    assert across[0] > 1 > 0.1 > across[-1]
    assert angle[0] > 1 > angle[-1]
    assert "of 0.15°" in feet[0]
    assert "across" not in desk.status(80)  # not while nothing is read


def test_what_cannot_be_reached_is_said_before_anything_moves(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = desk_with(Tolerance(0.02, 0.02), {"clear": "no"})
    assert carry_out(desk, ["gauge travel --enough"]) == [1]
    assert "is out of reach with" in capsys.readouterr().out
    assert desk.rehearsal is not None
    assert not [line for line in desk.rehearsal.received if line.startswith("G1 ")]


def test_readings_in_another_order_are_as_welcome() -> None:
    desk = desk_with()
    assert carry_out(desk, ["lay stem", "gauge stem --enough"]) == [0, 0]
    assert step_now(desk).line == "gauge travel --enough"
    assert carry_out(desk, ["gauge travel --enough"]) == [0]
    assert step_now(desk).line == "solve"


def test_several_values_on_a_line_are_several() -> None:
    desk = desk_with(answers={"'all' takes": typed("0.41 0.42")})
    carry_out(desk, ["lay stem"])
    assert desk.rehearsal is not None
    carry_out(desk, ["gauge stem --enough"])
    lean = next(t.reading for t in desk.session.now.taken if t.reading.name == "stem lean")
    assert lean.mm[:2] == (0.41, 0.42)


def test_two_values_that_stand_apart_want_a_third() -> None:
    desk = desk_with(answers={"'all' takes": typed("0.41 0.61"), "stem lean, 3": "0.42"})
    carry_out(desk, ["lay stem", "gauge stem --enough"])
    lean = next(t.reading for t in desk.session.now.taken if t.reading.name == "stem lean")
    assert len(lean.mm) >= 3


def test_where_something_stands_askew_the_gap_is_asked_and_nothing_is_called_done() -> None:
    desk = desk_with(seed=5)
    carry_out(desk, ["gauge travel --enough", "lay strip", "gauge strip", "solve"])
    assert standing_errors(desk), "this machine is out of square"
    lines = []
    for _ in range(4):
        step = step_now(desk)
        lines.append(step.line)
        if step.line == "gauge gap":
            break
        assert carry_out(desk, [step.line]) == [0]
    assert "gauge gap" in lines
    assert "stands outside the tolerance" in step.why


def test_enter_does_the_step_and_shows_the_next_one(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_with()
    assert run_line(desk, "next") == 0
    assert "gauge travel --enough" in capsys.readouterr().out
    assert run_line(desk, "") == 0
    assert desk.offered == "lay stem"
    assert "lay stem" in capsys.readouterr().out.splitlines()[-1]
