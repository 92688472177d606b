"""The caliper on small pieces: nominal on a true machine, geometry by hand on an untrue one."""

import math
import statistics

import pytest

from agent.errors import BadInput, Refused
from sim.machine import build
from sim.truth import Growth, Truth
from tests.sim.laying import HERON, flat_frame, start, tell, upright_box

BOX = (12.0, 10.0, 40.0)
MID = (26.0, 15.0, 20.0)

#: Steps are whole: each face may lie half a step off, and the layer height with it.
STEP = 0.02


def feature(kind, along, first, second, between=None):
    return {"kind": kind, "along": along, "between": between, "jaws": (first, second)}


WIDTH_X = feature("outside", (12, 0, 0), (20, 15, 20), (32, 15, 20))
DEPTH_S = feature("outside", (0, 10, 0), (26, 10, 20), (26, 20, 20))
HIGH = feature("outside", (0, 0, 40), (26, 15, 0), (26, 15, 40))
LEAN = feature("lean", (0, 0, 30), (26, 10, 5), (26, 10, 35))
SWAY = feature("sway", (0, 0, 30), (20, 15, 5), (20, 15, 35))
FRAME_X = feature("outside", (60, 0, 0), (20, 30, 0.1), (80, 30, 0.1))
FRAME_S = feature("outside", (0, 40, 0), (50, 10, 0.1), (50, 50, 0.1))
INSIDE_X = feature("inside", (59, 0, 0), (20.5, 30, 0.1), (79.5, 30, 0.1))
UP = feature("outside", (60, 40, 0), (20, 10, 0.1), (80, 50, 0.1), "points")
DOWN = feature("outside", (60, -40, 0), (20, 50, 0.1), (80, 10, 0.1), "points")


def machine(lines, truth=None, seed=None, profile=HERON):
    made = build(profile, seed=seed, truth=truth)
    tell(made, [*start(), *lines, "M400"])
    return made


def box(**truth):
    return machine(upright_box(BOX), Truth(**truth))


def frame(**truth):
    return machine(flat_frame((60, 40)), Truth(**truth))


def test_a_true_machine_makes_the_box_as_planned():
    made = box()
    assert made.true_size(WIDTH_X) == pytest.approx(12, abs=STEP)
    # tilted beads stand out of upright and level faces by h/2 (1 - sin) on each side
    stands_out = 0.25 * (1 - math.sin(math.radians(45)))
    assert made.true_size(DEPTH_S) == pytest.approx(10 + stands_out, abs=STEP)
    assert made.true_size(HIGH) == pytest.approx(40 + stands_out, abs=STEP)
    assert made.true_size(LEAN) == pytest.approx(0, abs=STEP)
    assert made.true_size(SWAY) == pytest.approx(0, abs=STEP)


def test_a_true_machine_makes_the_frame_as_planned():
    made = frame()
    assert made.true_size(FRAME_X) == pytest.approx(60, abs=STEP)
    assert made.true_size(FRAME_S) == pytest.approx(40, abs=STEP)
    assert made.true_size(INSIDE_X) == pytest.approx(59, abs=STEP)
    # corners are round: w/2 (sqrt(2) - 1) of a square corner is missing at each, seen at the
    # angle of the diagonal: w/2 (cos a + sin a - 1)
    a = math.atan2(40, 60)
    missing = 0.5 * (math.cos(a) + math.sin(a) - 1)
    assert made.true_size(UP) == pytest.approx(math.hypot(60, 40) - missing, abs=STEP)
    assert made.true_size(UP) == pytest.approx(made.true_size(DOWN), abs=STEP)


def test_scale_errors_stretch_along_their_axis_only():
    made = frame(x_scale=0.01, z_scale=-0.02)
    assert made.true_size(FRAME_X) - frame().true_size(FRAME_X) == pytest.approx(0.595, abs=STEP)
    assert made.true_size(FRAME_S) - frame().true_size(FRAME_S) == pytest.approx(-0.79, abs=STEP)


@pytest.mark.parametrize("delta", [-1.5, 0.8])
def test_a_wrong_gantry_angle_leans_and_stretches_an_upright_box(delta):
    made = box(angle_deg=delta)
    # (0, 0, H) is commanded gantry H / sin t, belt -H cot t and lands at
    # s = H (cos(t + d) - cos t) / sin t,  h = H sin(t + d) / sin t
    t, d = math.radians(45), math.radians(delta)
    lean = 30 * (math.cos(t + d) - math.cos(t)) / math.sin(t)
    assert made.true_size(LEAN) == pytest.approx(lean, abs=STEP)
    grown = made.true_size(HIGH) - box().true_size(HIGH)
    assert grown == pytest.approx(39.6 * (math.sin(t + d) / math.sin(t) - 1), abs=STEP)


def test_the_jaws_lie_along_leaning_faces():
    # faces lean by gamma from upright, 10 mm apart along the belt: jaws see cos(gamma) of it
    made = box(angle_deg=3)
    t, d = math.radians(45), math.radians(3)
    gamma = math.atan((math.cos(t + d) - math.cos(t)) / math.sin(t + d))
    seen = made.true_size(DEPTH_S) - box().true_size(DEPTH_S)
    assert seen == pytest.approx(9.7 * (math.cos(gamma) - 1), abs=0.03)


def test_the_edge_of_a_single_layer_does_not_turn_the_jaws():
    # a gantry 3 degrees off leans faces, but a layer of 0.25 mm has none to lean against:
    # the caliper lies along the belt
    assert frame(angle_deg=3).true_size(FRAME_S) == pytest.approx(40, abs=STEP)


def test_a_yawed_gantry_shears_the_plan():
    made = frame(yaw_deg=1.0)
    psi = math.radians(1.0)
    up = math.hypot(59.5 * math.cos(psi), 59.5 * math.sin(psi) + 39.5) + 0.5
    down = math.hypot(59.5 * math.cos(psi), 59.5 * math.sin(psi) - 39.5) + 0.5
    assert made.true_size(UP) == pytest.approx(up, abs=STEP)
    assert made.true_size(DOWN) == pytest.approx(down, abs=STEP)


def test_yaw_and_roll_sway_an_upright_face():
    # x of (0, 0, H): yaw turns the climb's forward part, roll tips its upward part:
    # H / sin t * (-sin psi cos t + sin rho sin t), cosines of small angles left out
    made = box(yaw_deg=0.5, roll_deg=-0.4)
    psi, rho = math.radians(0.5), math.radians(-0.4)
    assert made.true_size(SWAY) == pytest.approx(30 * (-math.sin(psi) + math.sin(rho)), abs=STEP)


def test_growth_of_faces_adds_outside_and_takes_inside():
    grown, plain = frame(growth=Growth(x=0.2, s=-0.1)), frame()
    assert grown.true_size(FRAME_X) - plain.true_size(FRAME_X) == pytest.approx(0.2)
    assert grown.true_size(FRAME_S) - plain.true_size(FRAME_S) == pytest.approx(-0.1)
    assert grown.true_size(INSIDE_X) - plain.true_size(INSIDE_X) == pytest.approx(-0.2)


def test_squash_widens_only_what_lies_on_the_belt():
    assert frame(squash_mm=0.1).true_size(FRAME_X) - frame().true_size(FRAME_X) == pytest.approx(
        0.1
    )
    assert box(squash_mm=0.1).true_size(WIDTH_X) == pytest.approx(box().true_size(WIDTH_X))


def test_shrink_takes_its_share_of_everything():
    assert frame(shrink=0.004).true_size(FRAME_X) == pytest.approx(
        0.996 * frame().true_size(FRAME_X)
    )


def test_readings_scatter_about_a_common_error_and_show_whole_hundredths():
    made = machine(flat_frame((60, 40)), Truth(reading_sd_mm=0.015, instrument_mm=0.02), seed=4)
    readings = made.measure(FRAME_X, "", 400)
    assert statistics.fmean(readings) == pytest.approx(made.true_size(FRAME_X) + 0.02, abs=0.004)
    assert statistics.stdev(readings) == pytest.approx(0.015, abs=0.003)
    assert all(abs(r * 100 - round(r * 100)) < 1e-6 for r in readings)


def test_the_gauge_reads_the_move_that_was_made():
    made = build(HERON, seed=None, truth=Truth(x_scale=0.01, reversal_mm={"across": 0.3}))
    tell(made, ["G91", "G1 X-5 F3000", "G1 X100 F3000", "M400"])
    move = {"kind": "travel", "along": (100, 0, 0)}
    # the move turned back first: play is in it
    assert made.measure(move, "", 1) == [pytest.approx(101.0 - 0.3, abs=0.02)]


def test_the_gauge_makes_the_move_itself_where_none_was_made():
    made = build(HERON, seed=None, truth=Truth(y_scale=-0.01, reversal_mm={"gantry": 0.3}))
    r = math.sqrt(0.5)
    # run up from the same side: play is taken up before
    assert made.measure({"kind": "travel", "along": (0, 50 * r, 50 * r)}, "", 1) == [
        pytest.approx(49.5, abs=0.02)
    ]
    assert made.plant.travel == (0, 0, 0)


def test_the_gap_follows_rail_and_roll():
    made = build(HERON, seed=None, truth=Truth(rail_deg=0.5, roll_deg=0.3))
    rail, roll = math.radians(0.5), math.radians(0.3)
    # up the plane by sin(rail), of which sin(45) is height; down by sin(roll)
    by_hand = 100 * (
        math.sin(rail) * math.sin(math.radians(45)) * math.cos(roll)
        - math.cos(rail) * math.sin(roll)
    )
    gap = made.measure({"kind": "gap", "along": (100, 0, 0)}, "", 1)
    assert gap == [pytest.approx(by_hand, abs=0.01)]


def test_pieces_are_found_by_name_or_by_where_their_faces_are():
    made = build(HERON, seed=None)
    tell(made, [*start(), "M117 frame", *flat_frame((60, 40)), "G92 Z0", "M117 box"])
    tell(made, [*upright_box(BOX), "M400"])
    assert made.true_size(FRAME_X, "frame") == pytest.approx(60, abs=STEP)
    assert made.true_size(WIDTH_X, "anything") == pytest.approx(12, abs=STEP)
    with pytest.raises(Refused, match="no faces"):
        made.true_size(FRAME_X, "box")
    with pytest.raises(BadInput, match="1 of that name"):
        made.true_size(FRAME_X, "frame:2")


def test_nothing_laid_cannot_be_measured():
    with pytest.raises(Refused, match="nothing has been laid"):
        build(HERON, seed=None).measure(FRAME_X, "", 1)


def test_an_unknown_kind_of_feature_is_named():
    with pytest.raises(BadInput, match="no kind of feature 'depth'"):
        frame().true_size({**FRAME_X, "kind": "depth"})


def test_a_feature_without_jaws_is_named():
    with pytest.raises(BadInput, match="no jaw positions"):
        frame().true_size({"kind": "outside", "along": (60, 0, 0), "name": "width"})


def test_the_gauge_adds_up_moves_made_in_a_row():
    made = build(HERON, seed=None, truth=Truth(z_scale=0.01))
    tell(made, ["G91", *["G1 Z25 F3000", "M400"] * 4])
    for position in (25, 50, 100):
        move = {"kind": "travel", "along": (0, position, 0)}
        assert made.measure(move, "", 1) == [pytest.approx(1.01 * position, abs=0.02)]


def test_an_eccentric_roller_shows_in_a_run_of_marks():
    # one roller turn of the true machine is 9600 / 105.37 mm; the swing is gone after a whole one
    made = build(HERON, seed=None, truth=Truth(eccentricity_mm=0.2, eccentricity_phase_deg=90))
    turn = 9600 / 105.37
    tell(made, ["G91", *[f"G1 Z{turn / 4:.4f} F3000"] * 4, "M400"])
    errors = [
        made.measure({"kind": "travel", "along": (0, k * turn / 4, 0)}, "", 1)[0] - k * turn / 4
        for k in (1, 2, 3, 4)
    ]
    # the last k quarters of the turn: from psi - (4 - k) quarters on, e [sin a - sin(a - phi)]
    by_hand = [
        0.2 * (math.sin(a) - math.sin(a - k * math.pi / 2))
        for k in (1, 2, 3, 4)
        for a in [math.pi / 2 - (4 - k) * math.pi / 2]
    ]
    assert errors == pytest.approx(by_hand, abs=0.01)


def test_feeds_of_filament_free_and_hot():
    made = build(HERON, seed=None, truth=Truth(extruder_scale=-0.04, feed_slip=0.02))
    tell(made, ["M83", "M109 S215", *["G1 E50 F60", "M400"] * 2])
    assert made.measure_feeds(2, hot=False) == pytest.approx([48.0, 48.0], abs=0.01)
    assert made.measure_feeds(2, hot=True) == pytest.approx([47.04, 47.04], abs=0.01)
    with pytest.raises(Refused, match="2 feeds have been made, not 3"):
        made.measure_feeds(3, hot=False)


def test_a_slipping_drive_lays_thinner_beads():
    def width(slip):
        made = machine(flat_frame((60, 40)), Truth(feed_slip=slip))
        return made.true_size(FRAME_X)

    # 2 % of the section (0.1116 mm2) over a height of 0.2475 mm
    assert width(0.02) - width(0) == pytest.approx(-0.02 * 0.1116 / 0.2475, abs=0.001)


def test_a_stopped_piece_leaves_what_was_laid_and_cold_heaters():
    made = build(HERON, seed=None)
    tell(made, [*start(), *list(flat_frame((60, 40)))[:3], "M104 S0", "M140 S0", "M400"])
    assert made.controller.hotend.target == 0
    assert len(made.bed.laid_jobs[-1].rows) == 2
