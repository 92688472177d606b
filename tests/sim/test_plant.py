"""The plant against hand calculation and textbook values."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.plant import (
    Axis,
    EvenOutput,
    RollerOutput,
    build_plant,
    directions,
    nominal_mm_per_turn,
)
from sim.truth import Truth
from tests.sim.laying import HERON


@pytest.mark.parametrize(
    ("drive", "steps_per_mm"),
    [
        # full steps * microsteps / (teeth * pitch): 80 is the common trade value
        ({"full_steps": 200, "microsteps": 16, "teeth": 20, "pitch_mm": 2}, 80.0),
        ({"full_steps": 200, "microsteps": 16, "teeth": 16, "pitch_mm": 2}, 100.0),
        ({"full_steps": 400, "microsteps": 16, "teeth": 20, "pitch_mm": 2}, 160.0),
        # screws: lead = starts * pitch
        ({"full_steps": 200, "microsteps": 16, "lead_mm": 8}, 400.0),
        ({"full_steps": 200, "microsteps": 16, "lead_mm": 2}, 1600.0),
    ],
)
def test_steps_that_move_one_millimetre(drive, steps_per_mm):
    axis = Axis(drive["full_steps"] * drive["microsteps"], EvenOutput(nominal_mm_per_turn(drive)))
    assert axis.move(int(steps_per_mm)) == pytest.approx(1.0, rel=1e-12)


def test_a_belt_on_a_roller_runs_at_its_neutral_layer():
    # Belt drives of the usual theory of machines: speed ratio (d1 + t) / (d2 + t); from it one
    # turn of a roller D = 20 under a belt of t = 1.5 moves pi (D + t) = 67.544242 mm
    assert RollerOutput(20.0, 0.75).travel(1.0) == pytest.approx(67.544242, abs=1e-6)
    ratio = RollerOutput(11.0, 1.5).mm_per_turn / RollerOutput(14.0, 1.5).mm_per_turn
    assert ratio == pytest.approx(14 / 17, rel=1e-12)


def test_an_eccentric_roller_swings_by_twice_its_eccentricity():
    # By hand: e [sin psi - sin(psi - phi)], e = 0.05, the high side a quarter turn before the
    # run-off point, after 1/4, 1/2, 3/4 and 1 turn
    roller = RollerOutput(20.0, 0.0, eccentricity=0.05, phase=math.pi / 2)
    swing = [roller.travel(t) - roller.mm_per_turn * t for t in (0.25, 0.5, 0.75, 1.0)]
    assert swing == pytest.approx([0.05, 0.1, 0.05, 0.0], abs=1e-12)


def test_eccentric_travel_is_the_integral_of_belt_speed():
    # The second derivation: belt speed = omega * (r + e cos(psi - phi)), summed numerically
    r, e, psi, steps = 14.5, 0.3, 1.0, 20000
    turn = 0.37
    step = 2 * math.pi * turn / steps
    summed = sum((r + e * math.cos(psi - (i + 0.5) * step)) * step for i in range(steps))
    roller = RollerOutput(2 * 14.0, 0.5, eccentricity=e, phase=psi)
    assert roller.travel(turn) == pytest.approx(summed, abs=1e-6)


def test_play_is_taken_up_before_the_axis_turns_back():
    axis = Axis(100, EvenOutput(10.0), reversal=0.3)
    forward = axis.move(100)
    back = axis.move(-100)
    assert forward - back == pytest.approx(10 - 0.3)


def test_slip_takes_its_share_of_every_move():
    axis = Axis(100, EvenOutput(10.0), slip=0.02)
    assert axis.move(1000) == pytest.approx(98.0)
    assert axis.move(-500) == pytest.approx(49.0)


def test_scattered_slip_repeats_with_its_seed():
    def run(seed):
        axis = Axis(100, EvenOutput(10.0), slip=0.02, slip_scatter=0.01, rng=random.Random(seed))
        return [axis.move(100) for _ in range(5)]

    assert run(1) == run(1) != run(2)


def test_a_true_gantry_climbs_at_its_angle():
    frame = directions(math.radians(60), 0, 0, 0)
    assert frame.across == pytest.approx((1, 0, 0))
    assert frame.gantry == pytest.approx((0, 0.5, math.sqrt(3) / 2))
    assert frame.layer_normal == pytest.approx((0, -math.sqrt(3) / 2, 0.5))


@pytest.mark.parametrize(
    ("yaw", "roll", "rail", "across", "gantry"),
    [
        # quarter turns, worked by hand at a gantry of 45 degrees: r = sqrt(1/2)
        (90, 0, 0, (0, 1, 0), (-math.sqrt(0.5), 0, math.sqrt(0.5))),
        (0, 90, 0, (0, 0, -1), (math.sqrt(0.5), math.sqrt(0.5), 0)),
        (0, 0, 90, (0, math.sqrt(0.5), math.sqrt(0.5)), (0, math.sqrt(0.5), math.sqrt(0.5))),
    ],
)
def test_turned_gantry(yaw, roll, rail, across, gantry):
    frame = directions(math.radians(45), math.radians(yaw), math.radians(roll), math.radians(rail))
    assert frame.across == pytest.approx(across, abs=1e-12)
    assert frame.gantry == pytest.approx(gantry, abs=1e-12)


@given(st.floats(0.3, 1.57), *[st.floats(-0.3, 0.3)] * 3)
def test_turning_keeps_rail_and_climb_square_unless_the_rail_is_off(angle, yaw, roll, rail):
    frame = directions(angle, yaw, roll, rail)
    dot = sum(a * b for a, b in zip(frame.across, frame.gantry, strict=True))
    assert dot == pytest.approx(math.sin(rail), abs=1e-12)
    assert math.hypot(*frame.across) == pytest.approx(1)
    assert math.hypot(*frame.gantry) == pytest.approx(1)


def test_scale_errors_are_meant_against_the_settings():
    plant = build_plant(
        HERON, Truth(x_scale=0.01, z_scale=-0.02), {"across": 80, "gantry": 80, "belt": 105.37}
    )
    # ten roller turns, so that nothing of a turn is left over
    turns = 10 * 9600
    plant.move((8000, 8000, turns))
    across, gantry, belt = plant.travel
    assert across == pytest.approx(101.0)
    assert gantry == pytest.approx(100.0)
    assert belt == pytest.approx(turns / 105.37 * 0.98)
