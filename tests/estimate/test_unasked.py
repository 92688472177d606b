"""No mistake at the bench ends in a line that is wrong and that nobody was asked about."""

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from agent.estimate import solve
from agent.estimate.consistency import UNLIKE
from agent.model.feature import Reading
from agent.model.profile import Instrument, Mechanics, Priors
from agent.model.survey import Survey
from tests.stress import mistakes
from tests.stress.judging import Row, judge, surveys

#: The machine: x 0.4 % too far, belt 0.3 % too short, all else exact.
TRUE = {"x_scale": 0.004, "y_scale": 0.0, "z_scale": -0.003, "gantry_angle_deg": 0.0}

#: Plate of 100 x 140, post, strip, moves: kind, along.
FEATURES = (
    ("outside", (100.0, 0.0, 0.0)),
    ("outside", (30.0, 0.0, 0.0)),
    ("outside", (0.0, 140.0, 0.0)),
    ("outside", (0.0, 40.0, 0.0)),
    ("outside", (0.0, 0.0, 90.0)),
    ("outside", (0.0, 0.0, 20.0)),
    ("travel", (160.0, 0.0, 0.0)),
    ("travel", (0.0, 280.0, 0.0)),
    ("lean", (0.0, 0.0, 90.0)),
    ("sway", (0.0, 0.0, 90.0)),
)
SLANTS = ("lean", "sway")


def shown(kind: str, along: tuple[float, float, float]) -> float:
    """What the machine makes of a command, by hand: lengths along the axes, leans to first order.

    Height: ey of 0; lean of an upright face at 45 degrees: -(ez) cot(theta) of its height.
    """
    x, s, h = along
    if kind == "lean":
        return -TRUE["z_scale"] * h
    if kind == "sway":
        return 0.0
    return x * (1 + TRUE["x_scale"]) + s * (1 + TRUE["z_scale"]) + h


def reading(kind: str, along: tuple[float, float, float], seed: int) -> Reading:
    rng = np.random.default_rng(seed)
    repeats = 1 if kind == "travel" else 3
    mm = tuple(round(shown(kind, along) + x, 2) for x in rng.normal(0, 0.01, repeats))
    return Reading(kind, along, mm, u_mm=0.05 if kind == "travel" else None, name=f"{kind} {seed}")


GOOD = Survey(
    tuple(reading(kind, along, i) for i, (kind, along) in enumerate(FEATURES)),
    Mechanics(gantry_angle_deg=45.0),
    {"x": 80.0, "y": 80.0, "z": 105.0},
    instrument=Instrument(resolution_mm=0.01, repeatability_mm=0.015),
    priors=Priors(),
)


def right(survey: Survey) -> None:
    """Whatever is proposed is right, or nothing is proposed."""
    found = judge(survey, TRUE, (), frozenset())
    assert not found.failed
    assert not found.wrong


def test_the_sound_readings_move_what_is_off() -> None:
    assert {c.setting for c in solve(GOOD).corrections} == {"steps_per_mm.x", "steps_per_mm.z"}
    right(GOOD)


def numbers(r: Reading, repeats: int) -> tuple[float, ...]:
    """Values of one reading in the number of another, as they would be typed into its place."""
    return (r.mm * repeats)[:repeats]


LENGTHS = [i for i, (kind, _) in enumerate(FEATURES) if kind not in SLANTS]


def exchanged(i: int, j: int) -> Survey:
    readings = list(GOOD.readings)
    a, b = readings[i], readings[j]
    readings[i] = replace(a, mm=numbers(b, len(a.mm)))
    readings[j] = replace(b, mm=numbers(a, len(b.mm)))
    return replace(GOOD, readings=tuple(readings))


@pytest.mark.parametrize(("i", "j"), list(itertools.combinations(LENGTHS, 2)))
def test_no_two_exchanged_readings_end_in_a_wrong_line(i: int, j: int) -> None:
    right(exchanged(i, j))


def test_what_nothing_checks_is_told_beside_what_rests_on_it() -> None:
    """One lean and one sway, exchanged, agree with everything: no statistics can show it.

    Then the slip that would stay unseen is told, and it is far beyond the tolerance.
    """
    lean, sway = (i for i, (kind, _) in enumerate(FEATURES) if kind in SLANTS)
    angle = solve(exchanged(lean, sway)).parameters["gantry_angle_deg"]
    assert angle.unseen_slip is not None
    assert angle.unseen_slip > 10 * GOOD.tolerance.angle_deg


def test_a_plate_whose_x_and_s_are_exchanged_proposes_nothing() -> None:
    """100 x 140: once a scale of 49.6 % was proposed of it, and a sound reading accused."""
    readings = list(GOOD.readings)
    for i, j in ((0, 2), (1, 3)):
        a, b = readings[i], readings[j]
        readings[i], readings[j] = replace(a, mm=b.mm), replace(b, mm=a.mm)
    found = solve(replace(GOOD, readings=tuple(readings)))
    assert (found.corrections, found.slicing_angle_deg) == ((), None)
    assert found.contradictory
    alone = solve(replace(GOOD, readings=tuple(readings[:4])))
    assert (alone.corrections, alone.slicing_angle_deg) == ((), None)
    assert {a.code for a in alone.advice} & {"unlike", "contradiction", "outlier"}


@pytest.mark.parametrize("name", list(mistakes.MISTAKES))
def test_no_family_of_mistakes_ends_in_a_wrong_line(name: str) -> None:
    [(survey, true, names, where, _)] = surveys(Row(name, "mistake"), 5, 0, 1)
    assert not judge(survey, true, names, where).wrong


@pytest.mark.parametrize("factor", [2.0, 0.5, 4.0])
@pytest.mark.parametrize("wrong", [0, 2, 4])
def test_wrong_microsteps_switch_no_check_off(factor: float, wrong: int) -> None:
    """The belt moves twice as far: no steps for it, and another wrong reading is still found."""
    readings = [
        replace(r, mm=tuple(x * factor for x in r.mm)) if r.along[1] else r for r in GOOD.readings
    ]
    doubled = solve(replace(GOOD, readings=tuple(readings)))
    assert doubled.corrections == ()
    readings[wrong] = replace(readings[wrong], mm=tuple(x + 3.0 for x in readings[wrong].mm))
    found = solve(replace(GOOD, readings=tuple(readings)))
    assert (found.corrections, found.slicing_angle_deg) == ((), None)


@pytest.mark.parametrize("i", [0, 2, 4])
@pytest.mark.parametrize("by", [1.1, 0.7, 1.5, 3.0])
def test_nothing_is_proposed_beyond_what_is_thinkable(i: int, by: float) -> None:
    """One direction, all its readings alike; guards ask about each such change besides."""
    along = np.array(GOOD.readings[i].along) > 0
    readings = tuple(
        replace(r, mm=tuple(x * by for x in r.mm))
        if r.kind not in SLANTS and np.array_equal(np.array(r.along) > 0, along)
        else r
        for r in GOOD.readings
    )
    found = solve(replace(GOOD, readings=readings))
    most = UNLIKE * 0.01 * GOOD.priors.scale_percent
    assert all(abs(c.old / c.new - 1) <= 1.1 * most for c in found.corrections)
    angle = found.slicing_angle_deg
    assert angle is None or math.isclose(angle, 45.0, abs_tol=UNLIKE * GOOD.priors.angle_deg)
