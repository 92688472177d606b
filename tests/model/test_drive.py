import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.model.drive import (
    Drive,
    Roller,
    Screw,
    Toothed,
    right_steps,
    steps_after_change,
)
from agent.model.replaced import with_parts


def test_roller_change_from_the_old_measured_value():
    """200 full steps, 16 microsteps, 5:1, roller 28.0 -> 31.5, belt 0.9, well measured 176.02."""
    old = Drive(200, 16, 5, Roller(28.0, 0.9, u_diameter=0.05, u_belt=0.0, neutral=0.45))
    new = Drive(200, 16, 5, Roller(31.5, 0.9, u_diameter=0.05, u_belt=0.0, neutral=0.45))
    assert old.steps_per_mm == pytest.approx(176.23, abs=0.005)
    assert new.steps_per_mm == pytest.approx(157.19, abs=0.005)
    value, u = steps_after_change(176.02, old, new)
    assert value == pytest.approx(157.0, abs=0.05)
    assert u == pytest.approx(0.3, abs=0.1)


def test_same_output_carries_no_uncertainty_over():
    old = Drive(200, 16, 5, Roller(31.0, 0.9))
    new = Drive(200, 64, 5, Roller(31.0, 0.9))
    assert steps_after_change(159.65, old, new) == (pytest.approx(638.6, abs=0.01), 0.0)


@given(d=st.floats(5, 80), t=st.floats(0.2, 3))
def test_thicker_belt_or_larger_roller_wants_fewer_steps(d, t):
    here = Drive(200, 16, 3, Roller(d, t)).steps_per_mm
    assert Drive(200, 16, 3, Roller(d + 1, t)).steps_per_mm < here
    assert Drive(200, 16, 3, Roller(d, t + 0.1)).steps_per_mm < here


@given(
    micro=st.sampled_from([1, 2, 4, 8, 16, 32]), ratio=st.floats(0.2, 20), lead=st.floats(0.5, 40)
)
def test_motor_turn_travel_is_the_same_fact_turned_round(micro, ratio, lead):
    drive = Drive(200, micro, ratio, Screw(lead))
    assert drive.mm_per_motor_turn * drive.steps_per_mm == pytest.approx(200 * micro)


def test_assumed_neutral_line_is_the_least_known_part():
    assumed, known = Roller(28.0, 1.0), Roller(28.0, 1.0, neutral=0.5)
    assert assumed.travel_per_turn == known.travel_per_turn == pytest.approx(math.pi * 29)
    assert assumed.u_travel_per_turn > 3 * known.u_travel_per_turn


@pytest.mark.parametrize(
    "bad",
    [
        lambda: Roller(0, 1),
        lambda: Roller(28, -1),
        lambda: Roller(28, 1, neutral=1.2),
        lambda: Toothed(0, 2),
        lambda: Screw(math.nan),
        lambda: Drive(200, 0, 1, Screw(8)),
        lambda: Drive(200, 16, math.inf, Screw(8)),
    ],
)
def test_impossible_parts_are_refused(bad):
    with pytest.raises(ValueError, match="must"):
        bad()


def test_a_screw_is_as_sure_as_a_share_of_its_lead():
    assert Screw(8.0, 0.001).u_travel_per_turn == pytest.approx(0.008)


def test_the_right_steps_carry_both_uncertainties_to_first_order():
    """JCGM 100:2008, 5.1.3, with the sensitivities by difference quotients instead of the formula.

    The error is taken far larger than any real one, so that 1 + e is not 1 to the eye.
    """
    steps, e, u, half = 80.0, 0.25, 0.01, 0.5
    right, u_right = right_steps(steps, e, u, half)
    assert right == pytest.approx(64.0)  # a quarter too far: four fifths of the steps
    d = 1e-6
    by_e = (right_steps(steps, e + d, 0.0)[0] - right_steps(steps, e - d, 0.0)[0]) / (2 * d)
    by_steps = (right_steps(steps + d, e, 0.0)[0] - right_steps(steps - d, e, 0.0)[0]) / (2 * d)
    assert u_right == pytest.approx(math.hypot(by_e * u, by_steps * half / math.sqrt(3)), rel=1e-6)


def test_a_neutral_line_that_was_measured_is_of_its_belt():
    """Another roller under the same belt keeps it; with another belt it is not known."""
    old = Drive(200, 16, 5, Roller(28.0, 0.9, neutral=0.3))
    assert with_parts(old, {"roller": 31.5}).output == Roller(31.5, 0.9, neutral=0.3)
    assert with_parts(old, {"belt": 1.2}).output == Roller(28.0, 1.2, neutral=None)
    assert with_parts(old, {"belt": 1.2, "neutral": 0.5}).output == Roller(28.0, 1.2, neutral=0.5)
