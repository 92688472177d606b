"""Moves: whole steps without drift, signs, caps, and time in the queue."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.model.roles import Axes
from sim.beads import Bed
from sim.bends import Bends
from sim.machine import build
from sim.motion import Motion
from sim.plant import build_plant
from sim.truth import Truth
from tests.sim.laying import HERON, tell

SETTINGS = {
    "steps_per_mm.x": 80.0,
    "steps_per_mm.y": 80.0,
    "steps_per_mm.z": 105.37,
    "steps_per_mm.e0": 412.0,
    "max_speed.x": 100.0,
    "acceleration.print": 500.0,
}


def motion(axes=None):
    plant = build_plant(HERON, Truth(), {"across": 80, "gantry": 80, "belt": 105.37})
    made = Motion(plant, Bed(), axes or Axes())
    made.use(SETTINGS)
    return made


@given(st.lists(st.tuples(*[st.floats(-3, 3)] * 3), min_size=1, max_size=60))
def test_many_small_relative_moves_never_drift_by_more_than_half_a_step(moves):
    made = motion()
    made.absolute = False
    for x, y, z in moves:
        made.move({"X": x, "Y": y, "Z": z}, 0.0)
    made.settle(math.inf)
    for travel, total, step in zip(
        made.plant.travel,
        (sum(move[i] for move in moves) for i in range(3)),
        (1 / 80, 1 / 80, 1 / 105.37),
        strict=True,
    ):
        assert abs(travel - total) <= step / 2 + 1e-4


def test_setting_coordinates_anew_loses_no_part_of_a_step():
    made = motion()
    made.absolute = False
    for _ in range(1000):
        made.move({"X": 0.004}, 0.0)
        made.set_position({"X": 0.0})
    made.settle(math.inf)
    assert made.plant.travel[0] == pytest.approx(4.0, abs=1 / 160)


def test_letters_and_signs_follow_the_axes_map():
    made = motion(Axes(across="y", gantry="x", belt="-z"))
    made.move({"Y": 10, "X": 20, "Z": -30}, 0.0)
    made.settle(math.inf)
    assert made.plant.travel == pytest.approx((10, 20, 30), abs=0.01)


def test_a_positive_belt_command_moves_the_nozzle_forward_over_the_belt():
    made = motion()
    made.move({"Z": 25}, 0.0)
    made.settle(math.inf)
    assert Bends().places(made.plant.frame, made.plant.travel) == pytest.approx(
        (0, 25, 0), abs=0.01
    )


def test_a_move_takes_its_time_and_happens_at_its_end():
    made = motion()
    made.move({"X": 100, "F": 3000}, 10.0)
    made.settle(11.9)
    assert made.plant.travel[0] == 0
    # 2 s at 50 mm/s and the two ramps, v/a = 0.1 s
    assert made.idle_at == pytest.approx(12.1)
    made.settle(12.1)
    assert made.plant.travel[0] == pytest.approx(100)


def test_a_capped_axis_sets_the_pace():
    made = motion()
    made.move({"X": 100, "F": 60000}, 0.0)
    assert made.idle_at >= 1.0


def test_new_steps_move_nothing_and_apply_to_the_next_move():
    made = motion()
    made.move({"X": 50}, 0.0)
    made.settle(math.inf)
    made.use({**SETTINGS, "steps_per_mm.x": 88.0})
    assert made.plant.travel[0] == pytest.approx(50)
    made.move({"X": 60}, 0.0)
    made.settle(math.inf)
    assert made.plant.travel[0] == pytest.approx(61)


def test_a_full_queue_holds_the_answer_back():
    machine = build(HERON, seed=None)
    controller = machine.controller
    for k in range(17):
        controller.receive(f"G1 X{10 * (k + 1)} F600\n".encode(), 0.01 * k)
    assert controller.take().count(b"ok") == 16
    controller.run(1.2)
    assert controller.take() == b"ok\n"


def test_a_reset_leaves_the_rest_of_the_queue_undone():
    machine = build(HERON, seed=None)
    controller = machine.controller
    for k in range(4):
        controller.receive(f"G1 X{10 * (k + 1)} F600\n".encode(), 0.0)
    controller.power_on(2.5)
    controller.run(60.0)
    assert machine.plant.travel[0] == pytest.approx(20)


def test_homing_brings_across_and_gantry_back_and_leaves_the_belt():
    machine = build(HERON, seed=None)
    tell(machine, ["G1 X50 Y40 Z30 F3000", "M400"])
    machine.controller.power_on(machine.controller.now)
    machine.controller.run(machine.controller.now + 2)
    tell(machine, ["G28 X Y", "M400"])
    assert machine.plant.travel == pytest.approx((0, 0, 30), abs=0.01)


def test_inch_moves():
    machine = build(HERON, seed=None)
    tell(machine, ["G20", "G1 X1 F100", "M400"])
    assert machine.plant.travel[0] == pytest.approx(25.4, abs=0.01)


def test_flow_factor_scales_what_is_laid():
    def volume(flow):
        machine = build(HERON, seed=None)
        tell(machine, ["M109 S200", "M83", f"M221 S{flow}", "G1 X50 E2 F1200", "M400"])
        return machine.bed.laid_jobs[0].rows[0][4]

    assert volume(110) == pytest.approx(1.1 * volume(100), rel=1e-3)


def test_truth_is_relative_to_what_is_live():
    machine = build(HERON, seed=None, truth=replace(Truth(), x_scale=0.02, angle_deg=-0.7))
    assert machine.truth()["x_scale"] == pytest.approx(0.02)
    tell(machine, [f"M92 X{80 / 1.02:.5f}"])
    truth = machine.truth()
    assert truth["x_scale"] == pytest.approx(0, abs=1e-6)
    assert truth["gantry_angle_deg"] == pytest.approx(44.3)
