"""`outlook`: what a short tune takes and tells, before anything is laid."""

from __future__ import annotations

import json
from types import SimpleNamespace
from typing import Any

import pytest

from agent.face import outlook
from agent.face.main import run
from agent.face.outlook import plain, sum_words
from agent.model.profile import Tolerance
from agent.store.profiles import load_profile
from tests.face.bench import desk_at


def told(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert run(["outlook", "--profile", "heron", *words]) == 0
    return capsys.readouterr().out


def test_steps_minutes_and_uncertainty_are_foretold(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--u", "0.05", "--scale", "0.1", "--angle", "0.15")
    document = json.loads(told(capsys, *words, "--json"))
    assert document["reached"]
    assert document["way_out"] == ""
    assert document["values"] == len(document["steps"]) <= 12
    assert document["minutes_laid"] <= 20
    last = document["steps"][-1]["expanded95"]
    assert last == document["expanded95"]
    assert last["x_scale"] <= 0.001
    assert last["gantry_angle_deg"] <= 0.15
    costs = [t["values"] for t in document["tolerances"]]
    assert costs == sorted(costs, reverse=True)
    text = told(capsys, *words)
    assert "stem lean" in text
    assert "What a tolerance costs" in text


def test_what_cannot_be_reached_is_said_with_the_instrument_that_would(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = told(capsys, "--scale", "0.1", "--angle", "0.15")  # a steel rule
    assert "is out of reach with" in text
    assert "Moves read to 0.1 mm would reach it: a rule with a vernier" in " ".join(text.split())


def test_the_frontier_falls_with_the_minutes(capsys: pytest.CaptureFixture[str]) -> None:
    sizes = json.loads(told(capsys, "--u", "0.05", "--sizes", "--json"))["sizes"]
    minutes = [s["minutes"] for s in sizes]
    angles = [s["angle_deg"] for s in sizes]
    assert minutes == sorted(minutes)
    assert angles == sorted(angles, reverse=True)
    assert len(sizes) >= 4


LIMITS = {"x_scale": 0.001, "y_scale": 0.001, "z_scale": 0.001, "gantry_angle_deg": 0.1}


def a_cost(laid: float = 17.26, **unreachable: float) -> Any:
    """What an invented tune costs: two values in 63.46 minutes."""
    course = SimpleNamespace(
        asks=(1, 2),
        minutes=63.46,
        slip={"x_scale": 0.0004, "y_scale": 0.0012, "z_scale": 0.0003, "gantry_angle_deg": 0.234},
        after=LIMITS,
        unreachable=unreachable,
        tolerance=LIMITS,
    )
    return SimpleNamespace(
        course=course, laid=laid, reached=not unreachable, tolerance=Tolerance(0.1, 0.2)
    )


@pytest.mark.parametrize(("laid", "pieces"), [(17.26, "1 piece, 17 min"), (0.0, "no piece, 0 min")])
def test_what_a_tune_costs_in_a_sentence(laid: float, pieces: str) -> None:
    """The worst slip of the scales is told, in percent, beside that of the angle."""
    assert sum_words(a_cost(laid)) == (
        f"2 values, {pieces} of laying, about 63 min in all with heating, cooling and gauges."
        " A slip of one value that stays unseen could then move a scale by 0.12 %,"
        " the angle by 0.23°."
    )


def test_what_a_tune_costs_for_a_program() -> None:
    found = plain(a_cost(x_scale=0.002))
    assert (found["minutes"], found["minutes_laid"], found["values"]) == (63.5, 17.3, 2)
    assert found["tolerance"] == {"scale_percent": 0.1, "angle_deg": 0.2}
    assert (found["reached"], found["unreachable"]) == (False, {"x_scale": 0.002})


@pytest.mark.parametrize(
    ("gauge", "best", "left", "words"),
    [
        ((0.02, "a dial gauge"), {}, {"x_scale": 0.002}, "Moves read to 0.02 mm would reach it: a"),
        (None, {"gantry_angle_deg": 0.2}, {"x_scale": 0.002}, "It needs a higher stem ('outlook"),
        (None, {}, {"gantry_angle_deg": 0.2}, "It needs a higher stem ('outlook --sizes' lists"),
        (
            None,
            {"x_scale": 0.002, "gantry_angle_deg": 0.2},
            {},
            "The best gauge would still leave ± 0.200 % (across), ± 0.200° (gantry angle), from",
        ),
    ],
)
def test_the_way_to_a_tolerance_that_is_out_of_reach(
    gauge: tuple[float, str] | None,
    best: dict[str, float],
    left: dict[str, float],
    words: str,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A better gauge, a higher piece, or else a better machine."""
    monkeypatch.setattr(outlook, "gauge_that_reaches", lambda profile, u: gauge)
    at_best = a_cost(**best).course
    monkeypatch.setattr(outlook, "at_best", lambda profile, u: at_best)
    assert outlook.way_out(load_profile("heron"), 0.3, a_cost(**left)).startswith(words)


def test_each_limit_that_cannot_be_reached_is_told_once() -> None:
    course = a_cost(x_scale=0.002, y_scale=0.003, gantry_angle_deg=0.25).course
    assert outlook.cannot_words(course) == (
        "The tolerance (0.1 %, 0.1°) is out of reach with this gauge and caliper: they reach"
        " ± 0.200 % (across), ± 0.300 % (gantry), ± 0.250° (gantry angle)."
    )


@pytest.mark.parametrize(
    ("words", "tolerances"),
    [
        ((), [0.05, 0.1, 0.2]),
        (("--scale", "0.15"), [0.05, 0.1, 0.15, 0.2]),  # its own angle stays, and all are in order
        (("--angle", "0.3"), [0.05, 0.05, 0.1, 0.2]),
        (("--scale", "0.2", "--angle", "0.2"), [0.05, 0.1, 0.2]),  # told once
    ],
)
def test_other_tolerances_stand_beside_the_machines_own(
    words: tuple[str, ...], tolerances: list[float], capsys: pytest.CaptureFixture[str]
) -> None:
    document = json.loads(told(capsys, *words, "--json"))
    found = [t["tolerance"]["scale_percent"] for t in document["tolerances"]]
    assert found == tolerances
    assert document["u_move_mm"] == 0.3  # a steel rule
    assert document["sizes"] == []


def test_a_rehearsal_reads_moves_with_a_gauge() -> None:
    desk = desk_at()
    profile = desk.session.profile
    assert outlook.move_u(desk, profile) == 0.05
    desk.rehearsal = None
    assert outlook.move_u(desk, profile) == 0.3
