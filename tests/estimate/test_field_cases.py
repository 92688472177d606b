"""Field cases of a tilted-gantry belt machine (all numbers invented) with the right answer.

Standard uncertainties are stated, so the cases do not hang on repeats.  Where a case means the
rise of a face over its foot, it is read as `pitch` or between points: no bead enters.
"""

import math
from dataclasses import replace

import pytest

from agent.estimate import solve
from agent.model.profile import Material, Mechanics, Tolerance
from tests.estimate.cases import SQUARE, by_setting, codes, reading, survey

percent = pytest.approx


def test_pure_offset_moves_no_setting():
    solution = solve(
        survey(
            reading("outside", (20, 0, 0), 20.17, 0.02),
            reading("outside", (60, 0, 0), 60.16, 0.02),
            reading("outside", (120, 0, 0), 120.18, 0.02),
            priors=SQUARE,
        )
    )
    x, offset = solution.parameters["x_scale"], solution.parameters["offset.x"]
    assert (100 * x.value, 100 * x.u) == (percent(0.012, abs=0.002), percent(0.028, abs=0.001))
    assert (offset.value, offset.u) == (percent(0.16, abs=0.005), percent(0.02, abs=0.003))
    assert offset.significant
    assert solution.corrections == ()
    assert codes(solution) == {"offset_only", "no_change"}


def swapped_digits(third):
    return survey(
        reading("outside", (30, 0, 0), 30.13, 0.025),
        reading("outside", (80, 0, 0), 80.14, 0.025),
        reading("outside", (130, 0, 0), third, 0.025),
        priors=SQUARE,
    )


def test_swapped_digits_are_asked_about_and_do_not_pull():
    """With 130.61 in the mean the scale would be +0.118 %, without it +0.028 %."""
    raw = solve(swapped_digits([130.16, 130.15, 130.61, 130.17, 130.15]))
    assert 100 * raw.parameters["x_scale"].value == percent(0.028, abs=0.002)
    assert [r.outlier for r in raw.residuals] == [False, False, True]
    assert raw.residuals[2].explanation.mistake == "one_of_n"
    assert (raw.corrections, raw.contradictory) == ((), True)
    asked = next(a.text for a in raw.advice if a.code == "outlier")
    assert "value 3" in asked
    assert "130.61" in asked


def test_after_asking_no_change_is_warranted():
    solution = solve(swapped_digits([130.16, 130.15, 130.16, 130.17, 130.15]))
    x = solution.parameters["x_scale"]
    assert (100 * x.value, 100 * x.u) == (percent(0.028, abs=0.002), percent(0.035, abs=0.001))
    assert codes(solution) >= {"no_change"}
    assert solution.corrections == ()


def test_the_span_that_would_show_a_smaller_error():
    """0.05 % at 2u with two lengths of u = 0.025 mm: 2 * 0.025 * sqrt(2) / 0.0005 = 141 mm."""
    case = replace(
        swapped_digits([130.16, 130.15, 130.16, 130.17, 130.15]),
        tolerance=Tolerance(scale_percent=0.05),
    )
    text = next(a.text for a in solve(case).advice if a.code == "no_change")
    assert "141 mm for across" in text


def tower(height, lean, *more, tall=40, u=0.03, u_lean=0.04, angle=45.0, **kind):
    return survey(
        reading("pitch", (0, 0, tall), height, u),
        reading("lean", (0, 0, tall), lean, u_lean),
        *more,
        angle=angle,
        **kind,
    )


VERIFIED_BELT = reading("travel", (0, 200, 0), 200.0, 0.08)


def test_angle_only():
    mechanics = Mechanics(gantry_angle_deg=45.0)
    solution = solve(tower(40.62, -0.60, VERIFIED_BELT, mechanics=mechanics))
    ey, delta = solution.parameters["y_scale"], solution.parameters["gantry_angle_deg"]
    assert (100 * ey.value, 100 * ey.u) == (percent(0.04, abs=0.01), percent(0.07, abs=0.01))
    assert (delta.value, delta.u) == (percent(0.87, abs=0.01), percent(0.04, abs=0.005))
    assert solution.corrections == ()
    assert solution.slicing_angle_deg == percent(45.87, abs=0.01)
    assert {"angle", "height_trap"} <= codes(solution)


def test_lean_alone_cannot_be_split_and_asks_for_the_height():
    solution = solve(survey(reading("lean", (0, 0, 40), -0.60, 0.04), VERIFIED_BELT))
    assert not solution.parameters["y_scale"].determined
    assert not solution.parameters["gantry_angle_deg"].determined
    assert (solution.corrections, solution.slicing_angle_deg) == ((), None)
    assert "angle_or_scale" in codes(solution)
    assert solution.next.along == (0.0, 0.0, 40.0)
    assert solution.next.feature in ("outside", "pitch")
    lean = solution.derived["lean_deg"]
    assert lean.value == percent(math.degrees(math.atan(-0.6 / 40)), abs=0.01)


@pytest.mark.parametrize(
    ("ey", "delta", "height"),
    [
        (-1.5, 0.0, 39.40),
        (-1.0, 0.29, 39.80),
        (-0.5, 0.57, 40.20),
        (0.0, 0.85, 40.59),
        (0.5, 1.13, 40.98),
    ],
)
def test_each_height_decides_the_lean(ey, delta, height):
    """The line of answers that one lean of -0.60 on 40 mm leaves open."""
    solution = solve(tower(height, -0.60, VERIFIED_BELT, u=0.01, u_lean=0.01))
    assert 100 * solution.parameters["y_scale"].value == percent(ey, abs=0.02)
    assert solution.parameters["gantry_angle_deg"].value == percent(delta, abs=0.02)


def test_all_three_at_once():
    solution = solve(
        survey(
            reading("outside", (0, 25, 0), 24.91, 0.025, "points"),
            reading("outside", (0, 100, 0), 99.27, 0.025, "points"),
            reading("outside", (0, 200, 0), 198.42, 0.025, "points"),
            reading("pitch", (0, 0, 60), 59.79, 0.025),
            reading("lean", (0, 0, 60), 1.46, 0.025),
        )
    )
    ez, ey = solution.parameters["z_scale"], solution.parameters["y_scale"]
    delta = solution.parameters["gantry_angle_deg"]
    assert (100 * ez.value, 100 * ez.u) == (percent(-0.851, abs=0.002), percent(0.020, abs=0.001))
    assert solution.parameters["offset.s"].value == percent(0.12, abs=0.005)
    assert 100 * ey.value == percent(0.62, abs=0.02)
    assert (delta.value, delta.u) == (percent(-0.550, abs=0.02), percent(0.025, abs=0.01))
    new = by_setting(solution)
    assert new["steps_per_mm.z"].new == percent(155.32, abs=0.01)
    assert new["steps_per_mm.y"].new == percent(79.51, abs=0.02)
    assert solution.slicing_angle_deg == percent(44.45, abs=0.02)
    offset = solution.parameters["offset.s"].value
    assert solution.expected_next == percent(
        (25 + offset, 100 + offset, 200 + offset, 60.0, 0.0), abs=0.02
    )


def test_shrinkage_only_is_the_material():
    lengths = [
        ((30, 0, 0), 30.03), ((90, 0, 0), 89.79), ((180, 0, 0), 179.44),
        ((0, 30, 0), 30.05), ((0, 90, 0), 89.82), ((0, 180, 0), 179.47),
        ((0, 0, 20), 19.95), ((0, 0, 40), 39.87), ((0, 0, 80), 79.71),
    ]  # fmt: skip
    printed = [reading("outside", v, mm, 0.02) for v, mm in lengths]
    travel = [
        reading("travel", (200, 0, 0), 199.98, 0.1),
        reading("travel", (0, 300, 0), 300.05, 0.1),
    ]
    solution = solve(survey(*printed, *travel, material=Material("", 0.0, 1.0)))
    assert solution.corrections == ()
    assert 100 * solution.parameters["shrink"].value == percent(0.39, abs=0.03)
    assert "material" in codes(solution)
    text = next(a.text for a in solution.advice if a.code == "material")
    assert "0.40 % (± 0.09)" in text
    assert "factor 1.0040" in text

    without = solve(survey(*printed))
    assert without.corrections == ()
    assert "material" in codes(without)


def plate(sway):
    return survey(
        reading("outside", (100, 100, 0), 142.16, 0.03),
        reading("outside", (100, -100, 0), 140.68, 0.03),
        reading("outside", (100, 0, 0), 100.0, 0.03),
        reading("outside", (0, 100, 0), 100.0, 0.03),
        *sway,
    )


def test_plan_shear_from_two_diagonals_is_known_although_its_parts_are_not():
    shear = solve(plate([])).derived["plan_shear_deg"]
    assert (shear.value, shear.u) == (percent(0.60, abs=0.005), percent(0.02, abs=0.02))


def test_whole_gantry_against_the_belt():
    gap = reading("gap", (100, 0, 0), 0.0, 0.03)
    solution = solve(plate([reading("sway", (0, 0, 50), -0.52, 0.05), gap]))
    assert solution.parameters["yaw_deg"].value == percent(0.60, abs=0.01)
    assert "yaw" in codes(solution)
    assert "rail" not in codes(solution)
    assert solution.corrections == ()
    text = next(a.text for a in solution.advice if a.code == "yaw")
    assert "3.1 mm over 300 mm" in text
    assert "skew_words" in codes(solution)


def test_upright_tower_says_it_is_the_rail():
    gap = reading("gap", (100, 0, 0), 1.05, 0.03)
    solution = solve(plate([reading("sway", (0, 0, 50), 0.0, 0.05), gap]))
    assert solution.parameters["rail_deg"].value == percent(0.85, abs=0.02)
    assert codes(solution) >= {"rail", "skew_words"}


def test_roll_shows_as_sway_and_gap_without_shear():
    roll = math.radians(0.8)
    square = [
        reading("outside", v, 100 * math.sqrt(2), 0.03) for v in ((100, 100, 0), (100, -100, 0))
    ]
    solution = solve(
        survey(
            *square,
            reading("sway", (0, 0, 50), 50 * roll, 0.05),
            reading("gap", (100, 0, 0), -100 * roll, 0.03),
        )
    )
    assert solution.parameters["roll_deg"].value == percent(0.8, abs=0.03)
    assert codes(solution) >= {"roll", "skew_words"}
    assert not codes(solution) & {"yaw", "rail", "plan_shear"}


def test_pulse_rate_after_a_finer_microstep():
    mechanics = Mechanics(gantry_angle_deg=45, max_pulse_rate=40_000)
    steady = reading("travel", (0, 300, 0), 300.0, 0.1)
    solution = solve(
        survey(steady, mechanics=mechanics, steps={"z": 638.62}, max_speed={"z": 80.0})
    )
    text = next(a.text for a in solution.advice if a.code == "pulse_rate")
    assert "51090" in text or "51089" in text
    assert "62.6 mm/s" in text
    assert "50 mm/s with margin" in text


def coupled(how):
    return survey(
        reading("travel", (200, 0, 0), 200 * 1.004, 0.02),
        reading("pitch", (120, 0, 0), 120 * 1.004, 0.02),
        reading("travel", (0, 100 * math.sqrt(2), 100 * math.sqrt(2)), 200 * 0.998, 0.02),
        reading("pitch", (0, 50 * math.sqrt(2), 50 * math.sqrt(2)), 100 * 0.998, 0.02),
        mechanics=Mechanics(gantry_angle_deg=45, coupling=how),
    )


def test_coupled_motors_with_steps_of_the_axes():
    new = by_setting(solve(coupled("axes")))
    assert new["steps_per_mm.x"].new == percent(79.68, abs=0.01)
    assert new["steps_per_mm.y"].new == percent(80.16, abs=0.01)


@pytest.mark.parametrize("how", ["motors", "unknown"])
def test_coupled_motors_may_only_take_the_mean(how):
    solution = solve(coupled(how))
    assert [c.new for c in solution.corrections] == percent([79.92, 79.92], abs=0.01)
    assert [c.setting for c in solution.corrections] == ["steps_per_mm.x", "steps_per_mm.y"]
    assert "coupled_motors" in codes(solution)
