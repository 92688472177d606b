"""The short tune at the desk: what is asked, how near it is to enough, and when it is enough."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import pytest

from agent.bench.rounds import Round
from agent.errors import Refused
from agent.estimate.design import Course
from agent.face import short
from agent.face.desk import Desk
from agent.face.guide import standing_errors, step_now
from agent.face.shell import run_line
from agent.model.feature import length
from agent.model.profile import Tolerance
from agent.model.roles import ROLES
from tests.face.bench import carry_out, desk_at, forge_round

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


#: An invented state: across known well enough, gantry not at all, belt and angle nearly.
NOW = {"x_scale": 0.00123, "y_scale": 20.0, "z_scale": 0.0005, "gantry_angle_deg": 0.1604}
LIMITS = {"x_scale": 0.002, "y_scale": 0.002, "z_scale": 0.002, "gantry_angle_deg": 0.15}
KNOWN = dict.fromkeys(LIMITS, 0.001)


def a_course(now: dict[str, float] = NOW, **more: Any) -> Course:
    given: dict[str, Any] = {"slip": {}, "asks": (), "unreachable": {}, **more}
    return Course(wanted=tuple(LIMITS), tolerance=LIMITS, now=now, **given)


@pytest.fixture
def course(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What is said of the course from now on, under `now`."""
    said: dict[str, Any] = {"now": a_course()}
    monkeypatch.setattr(short, "course_now", lambda desk, u_mm=None: said["now"])
    return said


def test_how_near_it_is_stands_in_the_foot_in_long_and_short_words(course: dict[str, Any]) -> None:
    """Scales in percent, no wider than their place: nothing known is told as 999.9 %."""
    desk = desk_at()
    assert short.foot(desk) == (
        "± across 0.123  gantry 999.900  belt 0.050 of 0.2 %  angle 0.160 of 0.15°",
        "± 0.123 999.900 0.050/0.2 % 0.160/0.15°",
    )
    course["now"] = None
    assert short.foot(desk) == ("", "")


@pytest.mark.parametrize(
    ("left", "words"),
    [(0, "proof: all read"), (1, "proof: 1 reading left"), (2, "proof: 2 readings left")],
)
def test_the_foot_of_a_proof_says_what_is_left(
    left: int, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = desk_at()
    forge_round(desk, follows=Round(45.0))
    again = SimpleNamespace(name="stem lean", piece="stem", mm=90.0, values=3)
    monkeypatch.setattr(short, "still_to_prove", lambda profile, now: [again] * left)
    assert short.foot(desk) == (words, words)
    assert short.wishes(desk) == (short.Wish("stem lean", "stem", 90.0, 3),) * left


@pytest.mark.parametrize(
    ("before", "now", "told"),
    [
        ((1,), (), True),
        ((1,), (1,), False),
        ((), (), False),  # it was told before
        (None, (), False),
        ((1,), None, False),
    ],
)
def test_enough_is_told_once_when_a_reading_brought_it(
    before: tuple[int, ...] | None,
    now: tuple[int, ...] | None,
    told: bool,
    course: dict[str, Any],
    capsys: pytest.CaptureFixture[str],
) -> None:
    def of(asks: tuple[int, ...] | None) -> Course | None:
        return None if asks is None else a_course(KNOWN, asks=asks)

    desk = desk_at()
    course["now"] = of(now)
    short.tell(desk, of(before))
    assert capsys.readouterr().out == (f"{short.ENOUGH}\n" if told else "")
    forge_round(desk, follows=Round(45.0))
    short.tell(desk, of(before))
    assert capsys.readouterr().out == ""  # a proof has an end of its own


def test_what_more_would_bring_is_told_of_the_one_that_is_least_within_its_tolerance() -> None:
    """The angle uses up 0.1 of 0.15, the belt 0.001 of 0.002: the angle is told of."""
    now = {**KNOWN, "gantry_angle_deg": 0.1}
    more = a_course(now, more="stem lean", more_after={"gantry_angle_deg": 0.09})
    words = "More would bring little: 'stem lean' takes gantry angle from ± 0.100° to ± 0.090°."
    assert short.enough_words(more) == f"{short.ENOUGH}\n{words}"
    assert short.enough_words(a_course(now)) == short.ENOUGH
    assert short.enough_words(a_course()) == (
        "This is as far as it pays: scale, gantry ± 2000.000 %, gantry angle ± 0.160°."
        " More readings of this kind would hardly help."
    )


@pytest.mark.parametrize(
    ("shows", "words"),
    [
        ((0.00123, 0.254), "an error of 0.12 % or 0.25° with"),
        ((0.00123, 0.0), "an error of 0.12 % with"),
        ((0.0, 0.254), "an error of 0.25° with"),
        ((0.0, 0.0), ""),
    ],
)
def test_what_a_proof_would_show(
    shows: tuple[float, float], words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(short, "proof_of", lambda profile, now: ())
    monkeypatch.setattr("agent.estimate.proof.shown_errors", lambda proofs: shows)
    said = f"This would show {words} a probability of 95 %." if words else ""
    assert short.power_words(desk_at()) == said


def test_what_cannot_be_reached_is_told_before_a_proof_only(
    course: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    desk = desk_at()
    monkeypatch.setattr("agent.face.outlook.cannot_words", lambda course: "Out of reach.")
    monkeypatch.setattr("agent.face.outlook.way_out", lambda profile, u, cost: f"Way at {u:g}.")
    monkeypatch.setattr("agent.work.costs.cost_of", lambda profile, u: None)
    assert short.out_of_reach(desk) == short.cannot(desk) == ""
    course["now"] = a_course(unreachable={"x_scale": 0.01})
    assert short.out_of_reach(desk) == "Out of reach."
    assert short.cannot(desk) == "Out of reach. Way at 0.05."  # as a gauge reads, by default
    assert short.cannot(desk, 0.2) == "Out of reach. Way at 0.2."
    course["now"] = None
    assert short.out_of_reach(desk) == ""
    course["now"] = a_course(unreachable={"x_scale": 0.01})
    forge_round(desk, follows=Round(45.0))
    assert short.out_of_reach(desk) == short.cannot(desk) == ""


def test_moves_are_read_by_a_rule_at_a_real_bench_and_by_a_gauge_in_a_rehearsal() -> None:
    desk = desk_at()
    assert short.u_move(desk) == short.U_GAUGE
    assert short.u_move(desk, 0.0) == 0.0  # as it was told
    desk.rehearsal = None
    assert short.u_move(desk) == short.U_RULE


def test_a_course_is_worked_out_once_for_what_it_rests_on(monkeypatch: pytest.MonkeyPatch) -> None:
    """Readings that lead nowhere have none, and nothing is wished for then."""
    asked: list[float] = []

    def course_of(profile: object, survey: object, now: object, u: float) -> Course:
        asked.append(u)
        if u > 1:
            raise Refused("nothing to be said")
        return a_course()

    monkeypatch.setattr(short, "_KEPT", {})
    monkeypatch.setattr(short, "course_of", course_of)
    desk = desk_at()
    assert [short.course_now(desk, u) is not None for u in (0.1, 0.1, 0.2, 0.2)] == [True] * 4
    assert asked == [0.1, 0.2]
    assert len(short._KEPT) == 1, "only what was looked at last is kept"
    assert short.course_now(desk, 2.0) is None
    assert short.wishes(desk, 2.0) == ()
