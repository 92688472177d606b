"""Single terms of the estimate, each by hand or against a general library."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from agent.estimate import solve
from agent.estimate.consistency import _likeliest, _settled, copied_rows, examine
from agent.estimate.effects import layout, shared
from agent.estimate.fit import _inside
from agent.estimate.mistakes import OFF, SIDE, Suspicion, _mistyped, suspicions, undone
from agent.estimate.observation import observe
from agent.estimate.planning import _by_moves, _by_printing
from agent.estimate.positioning import positioning
from agent.estimate.repeats import apart
from agent.model.budget import Budget
from agent.model.feature import Reading, direction_group
from agent.model.geometry import DELTA, ERRORS, EX
from agent.model.profile import Instrument, Mechanics
from agent.model.survey import BeltRun, Survey
from tests.estimate.cases import reading, survey


@pytest.mark.parametrize("alpha", [0.01, 0.001])
def test_two_values_stand_apart_by_the_deviate_of_their_difference(alpha: float) -> None:
    limit = norm.ppf(1 - alpha / 2, scale=0.02 * math.sqrt(2))
    assert not apart((20.0, 20.0 + 0.999 * limit), 0.02, alpha)
    assert apart((20.0, 20.0 + 1.001 * limit), 0.02, alpha)


@pytest.mark.parametrize("seed", range(6))
def test_positioning_takes_both_ways_into_both_ends(seed: int) -> None:
    """E and A of ISO 230-2 (from memory), written out target by target."""
    dice = np.random.default_rng(seed)
    forward = dice.normal(0.05, 0.01, (5, 4))
    backward = dice.normal(-0.05, 0.03, (5, 4)) * (-1) ** seed
    ends = []
    for runs in (forward, backward):
        for target in runs:
            mean, s = sum(target) / len(target), float(np.std(target, ddof=1))
            ends += [(mean, mean + 2 * s, mean - 2 * s)]
    found = positioning(forward, backward)
    means = [mean for mean, _, _ in ends]
    assert pytest.approx(max(means) - min(means)) == found.E
    assert pytest.approx(max(e[1] for e in ends) - min(e[2] for e in ends)) == found.A


def test_reversal_of_marks_passed_often_is_known_better() -> None:
    """A mean of n passes has the n-th part of the variance."""
    marks = (0.0, 50.0, 100.0, 150.0)
    once = (*marks, *reversed(marks))

    def u(passes: int) -> float:
        run = BeltRun(once * passes, once * passes, approach="both", u_mm=0.02)
        belt = solve(Survey((), belt_runs=(run,))).belt
        assert belt is not None
        return belt.reversals["belt"].u

    assert u(1) == pytest.approx(0.02 * math.sqrt(2) / math.sqrt(len(marks)))
    assert u(4) == pytest.approx(u(1) / 2)


def test_a_wider_first_layer_counts_on_both_sides_of_flat_pieces_alone() -> None:
    read = (
        Reading("outside", (0.0, 80.0, 0.0), (80.0,), "edges", name="strip s1"),
        Reading("inside", (0.0, 60.0, 0.0), (60.0,), "edges", name="strip s2"),
        Reading("outside", (0.0, 0.0, 60.0), (60.0,), name="post h1"),
        Reading("travel", (100.0, 0.0, 0.0), (100.0,), u_mm=0.05, name="travel across"),
    )
    laid = survey(*read, budget=Budget())
    of = layout(laid)
    assert list(of.piece) == ["strip", "strip", "post", ""]
    J = observe(laid)[0].predict(observe(laid)[1].mean)[1]
    [layer] = [s for s in shared(laid, of, J) if s.component == "first_layer_mm"]
    assert layer.column.tolist() == [2.0, -2.0, 0.0, 0.0]


def test_what_is_planned_lies_in_one_direction_and_inside_the_travel() -> None:
    short = survey(mechanics=Mechanics(45.0, travel_mm={"across": 120.0, "gantry": 90.0}))
    theta = short.mechanics.gantry_angle
    groups = [(r.kind, direction_group(r.along, theta)) for r in _by_printing(short)]
    assert groups == [
        *(("pitch", axis) for axis in "xsh"),
        *((kind, "h") for kind in ("lean", "sway")),
        ("outside", "gantry"),
        *[("outside", "diagonal")] * 2,
    ]
    moves = {r.kind + direction_group(r.along, theta): r for r in _by_moves(short)}
    assert math.hypot(*moves["travelx"].along) <= 120
    assert math.hypot(*moves["travelgantry"].along) <= 90
    assert moves["gapx"].along[0] == moves["travelx"].along[0]


def test_nominals_are_mistyped_to_either_side() -> None:
    guesses = dict(_mistyped(120.0))
    assert sum(guesses.values()) == pytest.approx(1.0)
    assert {110.0, 115.0, 118.0, 119.0, 121.0, 122.0, 125.0, 130.0, 12.0, 1200.0} <= set(guesses)
    assert 120.0 not in guesses
    assert guesses[210.0] < guesses[121.0]  # two digits swapped, rather than a millimetre


@given(
    st.floats(20, 160), st.floats(-0.3, 0.3), st.floats(-3.0, 3.0), st.floats(-2.0, 2.0)
)  # fmt: skip
def test_a_step_never_leaves_the_machines_that_can_exist(
    theta_deg: float, there: float, turn: float, stretch: float
) -> None:
    theta = math.radians(theta_deg)
    p, step = np.zeros(len(ERRORS)), np.zeros(len(ERRORS))
    p[DELTA], step[DELTA], step[EX] = there, turn, stretch
    share = _inside(theta, p, step)
    assert 0 < share <= 1
    assert 0 < theta + there + share * turn < math.pi
    assert 1 + share * stretch > 0
    if abs(turn) < 0.01 and abs(stretch) < 0.5:
        assert share == 1


def test_alike_values_are_luck_while_few_could_have_been() -> None:
    """Five values on one step of 0.01 with a repeatability of 0.015: (0.266)^4 = 0.5 %."""

    def read(alike: int, others: int) -> Survey:
        rows = [reading("outside", (20 + i, 0, 0), [20.0 + i] * 5) for i in range(alike)]
        for i in range(others):
            mm = [round(60 + i + x, 2) for x in (-0.02, 0.02, 0.0, 0.02, -0.02)]
            rows.append(reading("outside", (60 + i, 0, 0), mm))
        instrument = Instrument(resolution_mm=0.01, repeatability_mm=0.015)
        return replace(survey(*rows), instrument=instrument)

    assert copied_rows(read(1, 0)) == (0,)
    assert copied_rows(read(1, 9)) == ()  # ten chances for it
    assert copied_rows(read(3, 3)) == (0, 1, 2)  # so many are no luck


def test_the_other_side_of_the_walls_has_the_odds_of_the_estimate_with_it_undone() -> None:
    """The formula for one reading at a time, against the whole estimate made anew."""
    true = {"outside": 0.25, "inside": -0.25}
    rows = [
        reading(kind, (mm, 0, 0), [mm + true[kind] + e for e in (-0.01, 0.0, 0.01)])
        for kind, mm in (("outside", 20), ("outside", 60), ("inside", 40), ("outside", 100))
    ]
    moves = [reading("travel", (160, 0, 0), 160.0, u=0.03)]
    laid = survey(*rows, *moves)
    for wrong in (None, 1, 2):
        told = list(laid.readings)
        if wrong is not None:
            kind = "inside" if told[wrong].kind == "outside" else "outside"
            told[wrong] = replace(told[wrong], kind=kind)
        now = replace(laid, readings=tuple(told))
        obs, unknowns = observe(now)
        at, grid = _settled(obs, unknowns, [])
        for found in suspicions(now, at, grid):
            if found.mistake == SIDE:
                anew = _settled(*observe(undone(now, found)), [])[1].evidence
                assert found.log_odds - found.before == pytest.approx(
                    anew - grid.evidence, abs=0.02
                ), (wrong, found)
        if wrong is not None:
            assert [a.row for a in examine(now).accused] == [wrong]


@pytest.mark.parametrize(("log_odds", "wrong"), [(-2000.0, False), (-0.1, False), (0.1, True)])
def test_a_reading_is_called_wrong_where_that_is_the_likelier(log_odds: float, wrong: bool) -> None:
    found = _likeliest([Suspicion(OFF, (3,), (0.0,), log_odds)], 10)
    assert (found is not None) == wrong
    assert _likeliest([Suspicion(OFF, (3,), (0.0,), -900.0)] * 2, 10**6) is None
