"""Moves without plastic: checked, approached from the feed side, read, and part of the estimate."""

from __future__ import annotations

import itertools
import json
import math
from contextlib import nullcontext
from dataclasses import replace
from typing import Any

import pytest

from agent.bench.sheet import readings_file
from agent.errors import BadInput, Refused
from agent.face.running import _mark, belt_run, run_over, show_run
from agent.model.profile import Profile
from agent.model.roles import Role
from agent.store.profiles import load_profile
from agent.store.readings import read_readings, readings_text
from agent.work.asking import places_now
from agent.work.moves import TAKE_UP_MM, Marks, marks_run, short_move, travel_move
from tests.face.bench import carry_out, desk_at, forge

STEPS = {"across": 80.0, "gantry": 80.0, "belt": 105.37}


@pytest.fixture(scope="module")
def heron() -> Profile:
    return load_profile("heron")


def moves_in(lines: tuple[str, ...]) -> list[str]:
    return [line for line in lines if line.startswith("G1 ")]


def distance(line: str) -> float:
    return float(line.split()[1][1:])


def test_the_belt_is_measured_the_way_it_feeds(heron: Profile) -> None:
    move = travel_move(heron, "belt", STEPS["belt"], at=0.0)
    assert moves_in(move.take_up) == ["G1 Z-5.0000 F1200"]
    assert moves_in(move.go) == [f"G1 Z-{move.mm:.4f} F1200"]
    assert move.feature.along == pytest.approx((0, -move.mm, 0))
    assert moves_in(move.back) == []


def test_an_axis_that_counts_the_other_way_moves_the_same_way(heron: Profile) -> None:
    other = replace(heron, axes=replace(heron.axes, belt="-z"))
    assert moves_in(travel_move(other, "belt", 105.37, at=0.0).take_up) == ["G1 Z5.0000 F1200"]


def test_every_move_is_waited_for_and_relative(heron: Profile) -> None:
    move = travel_move(heron, "across", STEPS["across"], at=0.0)
    assert move.take_up[:2] == ("G21", "G91")
    assert (move.take_up[-1], move.go[-1], move.back[-1]) == ("M400", "M400", "G90")
    there = sum(float(line.split()[1][1:]) for line in moves_in(move.take_up + move.go))
    back = sum(float(line.split()[1][1:]) for line in moves_in(move.back))
    assert there == pytest.approx(-back)


def test_an_axis_far_up_goes_back_first_so_that_there_is_room(heron: Profile) -> None:
    """Gantry at 145 of 200 mm, 160 mm and 5 of take-up wanted: 110 mm too far up."""
    move = travel_move(heron, "gantry", STEPS["gantry"], at=145.0)
    assert move.retreat_mm == pytest.approx(145 + 160 + TAKE_UP_MM - 200)
    assert moves_in(move.take_up)[0] == "G1 Y-110.0000 F1200"


@pytest.mark.parametrize(
    ("role", "at", "mm", "words"),
    [
        ("gantry", 0.0, 198.0, "no room in 200 mm"),
        ("gantry", -3.0, None, "outside its travel"),
        ("belt", 0.0, 4900.0, "beyond its travel of 5000 mm"),
    ],
)
def test_a_move_without_room_is_refused(
    heron: Profile, role: str, at: float, mm: float | None, words: str
) -> None:
    with pytest.raises(Refused, match=words):
        travel_move(heron, role, STEPS[role], at, mm)  # type: ignore[arg-type]


def test_worst_travel_is_the_low_end_of_the_bracket(heron: Profile) -> None:
    """Toothed belt good to 0.15 % (1 sigma), stored value as calculated: 2 sigma, 0.3 % more."""
    move = travel_move(heron, "across", 80.0, at=0.0)
    assert move.worst_mm == pytest.approx((move.mm + TAKE_UP_MM) / (1 - 2 * 0.0015), rel=1e-6)


def test_marks_stand_at_whole_roller_turns_and_between(heron: Profile) -> None:
    """Travel a turn of a roller of 28 mm under a belt of 1 mm: pi (28 + 1) mm."""
    run = marks_run(heron, 105.37, turns=2, per_turn=4)
    turn = math.pi * 29
    assert run.commanded == pytest.approx([turn * k / 4 for k in range(1, 9)], abs=1e-3)
    fed = -sum(float(line.split()[1][1:]) for step in run.steps for line in moves_in(step))
    assert fed == pytest.approx(2 * turn, abs=1e-3)


def test_marks_from_both_sides_are_passed_before_they_are_come_back_to(heron: Profile) -> None:
    run = marks_run(heron, 105.37, every=50, count=3, approach="both")
    assert run.commanded == (50, 100, 150, 150, 100, 50)
    assert [moves_in(step) for step in run.steps] == [
        ["G1 Z-50.0000 F1200"],
        ["G1 Z-50.0000 F1200"],
        ["G1 Z-50.0000 F1200"],
        ["G1 Z-5.0000 F1200", "G1 Z5.0000 F1200"],
        ["G1 Z50.0000 F1200"],
        ["G1 Z50.0000 F1200"],
    ]


def test_turns_without_a_roller_are_refused(heron: Profile) -> None:
    bare = replace(heron, mechanics=replace(heron.mechanics, drives={}))
    with pytest.raises(BadInput, match="knows no roller"):
        marks_run(bare, 105.37, turns=3)
    assert len(marks_run(bare, 105.37).commanded) == 12


def test_a_run_over_marks_is_kept_and_solved(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at(seed=3)
    capsys.readouterr()
    assert carry_out(desk, ["attach", "marks --turns 4 --json"]) == [0, 0]
    document = json.loads(capsys.readouterr().out.partition("\n{")[2].join(["{", ""]))
    assert len(document["measured"]) == 16
    written = readings_text(readings_file(desk.session.bench))
    assert read_readings(written.encode(), "test").survey.belt_runs == desk.session.now.runs
    assert carry_out(desk, ["solve"]) == [0]
    assert desk.rehearsal is not None
    found = desk.session.now.solution
    assert found is not None
    z = found.parameters["z_scale"]
    assert abs(z.value - desk.rehearsal.truth()["z_scale"]) <= z.expanded95
    assert z.expanded95 < 0.001


def test_lost_motion_shows_in_a_run_from_both_sides() -> None:
    desk = desk_at(seed=3)
    assert desk.rehearsal is not None
    desk.rehearsal.machine.plant.belt.reversal = 0.4
    assert carry_out(desk, ["attach", "marks --turns 2 --both", "solve"]) == [0] * 3
    solution = desk.session.now.solution
    assert solution is not None
    assert solution.belt is not None
    assert abs(solution.belt.reversals["belt"].mean) == pytest.approx(0.4, abs=0.06)


@pytest.mark.parametrize("axis", ["across", "gantry"])
def test_any_axis_shows_its_lost_motion_there_and_back(axis: str) -> None:
    desk = desk_at(seed=3)
    assert desk.rehearsal is not None
    getattr(desk.rehearsal.machine.plant, axis).reversal = 0.4
    lines = ["attach", f"marks --axis {axis} --both", "marks --turns 2 --both", "solve"]
    assert carry_out(desk, lines) == [0] * 4
    solution = desk.session.now.solution
    assert solution is not None
    assert solution.belt is not None
    found = solution.belt.reversals
    ours = found[axis]  # type: ignore[index]
    assert ours.mean == pytest.approx(-0.4, abs=3 * ours.u)  # on the way back it lags behind
    assert ours.u < 0.04
    assert abs(found["belt"].mean) < 0.1
    assert any("Lost motion" in a.text and f"{axis} axis" in a.text for a in solution.advice)
    kinds = [event.kind for event in desk.session.book.events if event.kind.endswith("run")]
    assert kinds == ["axis_run", "run"]  # who knows belt runs alone passes the other over
    # the way back ends where the run began
    assert desk.session.moves.places()[axis] == pytest.approx(0.0, abs=0.01)  # type: ignore[index]


def test_marks_of_an_axis_that_ends_have_room(heron: Profile) -> None:
    """Travel of 220 mm: from 100 on it goes back first, and no more marks than fit."""
    run = marks_run(heron, 80.0, "across", 100.0, approach="both")
    assert run.commanded == (25, 50, 75, 100, 125, 150, 175, 175, 150, 125, 100, 75, 50, 25)
    assert run.retreat_mm == pytest.approx(100 + 175 + 2 * TAKE_UP_MM - 220)
    moves = [*moves_in(run.take_up), *(m for step in run.steps for m in moves_in(step))]
    places = list(itertools.accumulate((distance(m) for m in moves), initial=100.0))
    assert 0 <= min(places) <= max(places) <= 220
    assert sum(map(distance, [*moves, *moves_in(run.after)])) == pytest.approx(0)
    with pytest.raises(Refused, match="could reach"):
        marks_run(heron, 80.0, "across", 100.0, every=50, count=5)
    with pytest.raises(BadInput, match="the belt alone"):
        marks_run(heron, 80.0, "across", 0.0, turns=3)


def test_a_loaded_run_beside_an_empty_one_shows_slip() -> None:
    desk = desk_at(seed=3)
    assert carry_out(desk, ["attach", "marks --turns 3"]) == [0, 0]
    assert desk.rehearsal is not None
    desk.rehearsal.machine.plant.belt.slip = 0.01
    assert carry_out(desk, ["marks --turns 3 --load part", "solve"]) == [0, 0]
    solution = desk.session.now.solution
    assert solution is not None
    assert solution.belt is not None
    assert solution.belt.slip is not None
    assert solution.belt.slip.difference == pytest.approx(0.01, abs=0.002)


def test_marks_that_were_left_out_are_no_part_of_the_run(heron: Profile) -> None:
    run = marks_run(heron, 105.37, every=50, count=4)
    kept = belt_run(run, [50.1, None, 150.2, 200.4])
    assert kept is not None
    assert (kept.commanded, kept.measured) == ((50, 150, 200), (50.1, 150.2, 200.4))
    assert belt_run(run, [50.1, None, None, 200.4]) is None


def test_the_gap_is_read_with_its_sign() -> None:
    desk = desk_at(seed=3)
    assert carry_out(desk, ["attach", "gauge gap"]) == [0, 0]
    reading = desk.session.now.taken[0].reading
    assert reading.kind == "gap"
    assert reading.along[0] > 100


def test_where_the_axes_stand_is_read_from_the_first_letters() -> None:
    desk = desk_at()
    carry_out(desk, ["attach"])
    link, _ = desk.session.contact.joined()
    desk.session.contact.send_lines(["G91", "G1 Y12.5 F600", "M400", "G90"])
    assert places_now(link, desk.session.profile.axes) == {"across": 0, "gantry": 12.5, "belt": 0}


def test_after_a_write_the_first_move_is_short_and_seen(heron: Profile) -> None:
    desk = desk_at(answers={"move by about": "no"})
    carry_out(desk, ["attach"])
    forge(desk, untried=frozenset({"belt"}))
    assert desk.rehearsal is not None
    before = len(desk.rehearsal.received)
    assert carry_out(desk, ["gauge travel-belt"]) == [1]
    moved = [line for line in desk.rehearsal.received[before:] if line.startswith("G1 ")]
    assert moved == ["G1 Z-10.0000 F1200"]
    assert short_move(heron, "gantry", 195.0)[2] == "G1 Y-10.0000 F1200"


def test_nothing_moves_without_room_confirmed() -> None:
    desk = desk_at(answers={"clear": "no"})
    assert carry_out(desk, ["attach", "marks", "gauge travel", "gauge gap"]) == [0, 1, 1, 1]
    assert desk.rehearsal is not None
    assert not any(line.startswith("G1 ") for line in desk.rehearsal.received)


def interrupted(_question: str) -> str:
    raise KeyboardInterrupt


def test_after_an_interrupt_nothing_moves_any_more() -> None:
    desk = desk_at(answers={"Enter takes this": interrupted})
    carry_out(desk, ["attach"])
    assert desk.rehearsal is not None
    assert carry_out(desk, ["gauge travel-gantry"]) == [130]
    moves = [line for line in desk.rehearsal.received if line.startswith("G1 ")]
    assert moves == ["G1 Y5.0000 F1200", "G1 Y160.0000 F1200"]
    assert desk.rehearsal.received[-1] == "G90"


def test_a_run_that_is_broken_off_keeps_the_marks_it_has() -> None:
    count = 0

    def third_then_interrupt(_question: str) -> str:
        nonlocal count
        count += 1
        if count > 3:
            raise KeyboardInterrupt
        return ""

    desk = desk_at(answers={"'all' takes": third_then_interrupt})
    assert carry_out(desk, ["attach", "marks"]) == [0, 130]
    assert [len(run.measured) for run in desk.session.now.runs] == [3]


def test_advance_feeds_the_belt_forward_and_nothing_else() -> None:
    desk = desk_at()
    assert carry_out(desk, ["attach", "advance 250"]) == [0, 0]
    assert desk.rehearsal is not None
    assert desk.rehearsal.received[-5:] == ("G21", "G91", "G1 Z-250.0000 F1200", "M400", "G90")
    assert carry_out(desk, ["advance 6000"]) == [1]
    assert desk.rehearsal.received[-1] == "G90"


def a_run(**changes: Any) -> Marks:
    """Three marks of the belt, as a person would want them."""
    usual: dict[str, Any] = {
        "role": "belt", "commanded": (50.0, 100.0, 150.0), "approach": "forward", "load": "empty",
        "turn_mm": 100.0, "retreat_mm": 0.0, "worst_mm": 180.0, "take_up": (), "steps": ((),) * 3,
        "after": (),
    }  # fmt: skip
    return Marks(**{**usual, **changes})


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({}, "The belt axis over 3 marks, one way, belt empty"),
        ({"approach": "both", "load": "part"}, "marks, there and back, belt part"),
        ({}, "Every 50.00 mm up to 150.0 mm, 1.50 roller turns, the way the belt feeds, after a"),
        ({"turn_mm": None}, "up to 150.0 mm, the way the belt feeds, after a take-up move; waits"),
        ({"retreat_mm": 12.0}, "take-up move; goes back by 12.0 mm first; waits at each mark."),
        ({}, "At worst the axis runs 180.0 mm."),
        ({"worst_mm": math.inf}, "At worst the axis runs not known."),
        ({}, "Lay a rule or tape along the belt"),
        ({"role": "across", "turn_mm": None}, "The across axis over 3 marks, one way -----"),
        ({"role": "across", "turn_mm": None}, "up to 150.0 mm, after a take-up move;"),
        ({"role": "across", "turn_mm": None}, "Fix a rule, a scale or a gauge along the axis"),
    ],
)
def test_a_run_is_described_before_it_begins(
    changes: dict[str, Any], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    show_run(desk_at(), a_run(**changes))
    words = " ".join(capsys.readouterr().out.split())
    assert said in words
    assert ("Lay a rule or tape" in words) != ("Fix a rule" in words)


def test_marks_are_read_at_each_stop_or_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    """At a real bench a mark may be pencilled and measured at the end; Enter leaves it out."""
    desk = desk_at(answers={"mark 1 of 3": "50,1", "mark 2,": "100.2"})
    desk.rehearsal = None
    sent: list[object] = []
    monkeypatch.setattr(
        type(desk.session.contact), "send_lines", lambda self, lines, **how: sent.append(lines)
    )
    monkeypatch.setattr("agent.face.running.absolute_after", lambda desk: nullcontext())
    measured: list[float | None] = []
    run_over(desk, a_run(take_up=("t",), steps=(("1",), ("2",), ("3",)), after=("a",)), measured)
    assert measured == [50.1, 100.2, None]
    assert sent == [("t",), ("1",), ("2",), ("3",), ("a",)]
    asked = desk.screen._ask.asked  # type: ignore[attr-defined]
    assert asked[0] == "Set the rule to zero at the pointer, or pencil the first mark. Enter:"
    assert "mark 3 of 3, 150.00 mm commanded; measured, mm (Enter: later)?" in asked[3]
    assert [line.split(" mm")[0] for line in asked[4:]] == ["mark 2, 100.00", "mark 3, 150.00"]


def test_in_a_rehearsal_enter_takes_a_mark_and_all_takes_the_rest(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answers = iter(["", "100,7", "x", "all"])
    desk = desk_at(answers={"'all' takes": lambda question: next(answers)})
    shown = iter((50.1, 100.1, 150.1, 200.1, 250.1))
    assert desk.rehearsal is not None
    monkeypatch.setattr(desk.rehearsal, "measure", lambda *given: (next(shown),))
    monkeypatch.setattr(type(desk.session.contact), "send_lines", lambda self, lines, **how: None)
    monkeypatch.setattr("agent.face.running.absolute_after", lambda desk: nullcontext())
    measured: list[float | None] = []
    marks = tuple(50.0 * n for n in range(1, 6))
    run_over(desk, a_run(commanded=marks, steps=((),) * 5), measured)
    assert measured == [50.1, 100.7, 150.1, 200.1, 250.1]
    said = capsys.readouterr().out
    assert "  mark 2 of 5, 100.00 mm commanded: the simulated scale shows 100.10\n" in said
    assert "; 150.10 is taken.\n" in said
    assert "mark 5 of 5" not in said


@pytest.mark.parametrize(
    ("role", "along"),
    [("belt", (0.0, -50.0, 0.0)), ("across", (50.0, 0.0, 0.0))],
)
def test_a_mark_is_as_far_as_the_axis_has_gone(
    role: Role, along: tuple[float, float, float]
) -> None:
    """The belt feeds against s; the gantry climbs at its angle: half of 45 degrees each way."""
    desk = desk_at()
    assert _mark(desk, role, 50.0).along == pytest.approx(along)
    x, s, h = _mark(desk, "gantry", 50.0).along
    assert (x, abs(s), h) == pytest.approx((0.0, 50 / math.sqrt(2), 50 / math.sqrt(2)))
