"""What is told at the bench: the figures in the words, and what waits for a further reading."""

import math
from dataclasses import replace

import numpy as np
import pytest

from agent.estimate import solve
from agent.estimate.belt_findings import find
from agent.estimate.drift import Dated, drift
from agent.model.profile import Instrument, Material, Mechanics, Priors
from agent.model.survey import BeltRun, Survey
from tests.estimate.cases import NO_SHRINK, SQUARE, codes, reading, survey


def told(solution, code):
    return next(a.text for a in solution.advice if a.code == code)


# --- turns of the machine ------------------------------------------------------------------------

PLATE = (
    reading("outside", (100, 100, 0), 142.16, 0.03),
    reading("outside", (100, -100, 0), 140.68, 0.03),
    reading("outside", (100, 0, 0), 100.0, 0.03),
    reading("outside", (0, 100, 0), 100.0, 0.03),
)
SWAY = reading("sway", (0, 0, 50), -0.52, 0.05)
GAP = reading("gap", (100, 0, 0), 0.0, 0.03)

#: Yaw, rail, roll, degrees: any of them may be stated as well known.
STATED = [(1.0, 0.5, 0.5), (1.0, 0.2, 0.2), (0.2, 1.0, 0.2), (0.05, 1.0, 1.0), (1.0, 1.0, 0.05)]


@pytest.mark.parametrize("stated", STATED)
@pytest.mark.parametrize(
    ("readings", "sure"),
    [
        (PLATE, {"plan_shear"}),
        ((*PLATE, SWAY), {"plan_shear", "yaw_or_roll"}),
        ((SWAY,), {"yaw_or_roll"}),
        ((reading("gap", (100, 0, 0), -1.4, 0.03),), {"roll_or_rail"}),
    ],
    ids=["plate", "plate and sway", "sway alone", "gap alone"],
)
def test_what_such_machines_are_like_never_decides_which_turn_it_is(stated, readings, sure):
    priors = Priors(**dict(zip(("yaw_deg", "rail_deg", "roll_deg"), stated, strict=True)))
    found = codes(solve(survey(*readings, priors=priors)))
    assert not found & {"yaw", "rail", "roll"}
    # A machine that is stated to stand square this way may be leaned back to it by its priors.
    assert found & {"plan_shear", "yaw_or_roll", "roll_or_rail"} == sure
    assert "skew_words" in found


@pytest.mark.parametrize("stated", STATED[:2])
def test_the_spanner_comes_with_the_reading_that_tells_them_apart(stated):
    priors = Priors(**dict(zip(("yaw_deg", "rail_deg", "roll_deg"), stated, strict=True)))
    found = solve(survey(*PLATE, SWAY, GAP, priors=priors))
    assert codes(found) & {"yaw", "rail", "roll", "plan_shear", "yaw_or_roll", "roll_or_rail"} == {
        "yaw"
    }
    assert "3.1 mm over 300 mm" in told(found, "yaw")


def test_the_sure_combination_is_told_with_its_size():
    text = told(solve(survey(*PLATE)), "plan_shear")
    assert "+0.60° (± 0.03°)" in text


def test_a_square_plate_says_nothing_of_turns():
    square = [
        reading("outside", v, 100 * math.sqrt(2), 0.03) for v in ((100, 100, 0), (100, -100, 0))
    ]
    found = codes(solve(survey(*square, *PLATE[2:])))
    assert not found & {"plan_shear", "yaw", "rail", "roll", "skew_words"}


# --- sets that cannot be split -------------------------------------------------------------------


def test_height_and_belt_without_a_lean_name_what_is_missing():
    found = solve(
        survey(
            *(reading("pitch", (0, 0, h), h * 1.0125, 0.03) for h in (40.0, 80.0)),
            *(reading("travel", (0, s, 0), s, 0.05) for s in (200.0, 300.0)),
        )
    )
    assert (found.corrections, found.slicing_angle_deg) == ((), None)
    assert "measure the lean" in told(found, "angle_or_scale")
    with_lean = replace(
        survey(
            *(reading("pitch", (0, 0, h), h * 1.0125, 0.03) for h in (40.0, 80.0)),
            *(reading("travel", (0, s, 0), s, 0.05) for s in (200.0, 300.0)),
            reading("lean", (0, 0, 80), 0.0, 0.03),
        )
    )
    assert "angle_or_scale" not in codes(solve(with_lean))


def test_upright_faces_that_stand_off_alike_are_no_setting():
    found = solve(
        survey(
            *(reading("outside", (0, 0, h), h + 0.3, 0.02) for h in (20.0, 40.0, 80.0)),
            reading("travel", (0, 200, 0), 200.0, 0.05),
            reading("lean", (0, 0, 80), 0.0, 0.03),
            priors=SQUARE,
        )
    )
    assert found.corrections == ()
    assert "+0.30 mm" in told(found, "offset_only")


# --- figures in the words ------------------------------------------------------------------------


def test_a_span_that_shrink_hides_is_not_promised():
    """(tolerance/2)^2 = 2 u^2/S^2 + u(m)^2: u = 0.02, u(m) = 0.02 %, 0.1 %: S = 62 mm, not 57."""
    lengths = [reading("outside", (x, 0, 0), x, 0.02) for x in (20.0, 45.0)]
    for u_percent, said in ((0.0, "57 mm for across"), (0.02, "62 mm for across")):
        material = Material(shrink_percent=0.0, shrink_u_percent=u_percent)
        assert said in told(solve(survey(*lengths, material=material, priors=SQUARE)), "no_change")
    hidden = Material(shrink_percent=0.0, shrink_u_percent=0.2)
    text = told(solve(survey(*lengths, material=hidden, priors=SQUARE)), "no_change")
    assert "must be far apart" not in text
    assert "a direct travel reading does" in text


# --- belt runs -----------------------------------------------------------------------------------


def along_belt(errors, marks, **more):
    return BeltRun(
        tuple(map(float, marks)),
        tuple(c + e for c, e in zip(map(float, marks), errors, strict=True)),
        **more,
    )


def belt_survey(*runs):
    return Survey(
        (),
        Mechanics(),
        {"z": 160.0},
        instrument=Instrument(repeatability_mm=0.03),
        material=NO_SHRINK,
        belt_runs=runs,
    )


def test_six_times_one_length_tell_a_slope_through_zero():
    run = BeltRun((300.0,) * 6, (300.5, 300.55, 300.6, 300.52, 300.48, 300.55))
    found = find(belt_survey(run)).runs[0]
    values = np.array(run.measured)
    assert found.scale == pytest.approx(values.mean() / 300 - 1)
    assert found.u_scale == pytest.approx(values.std(ddof=1) / math.sqrt(6) / 300)
    assert found.factor95 == pytest.approx(2.571, abs=1e-3)  # 5 degrees of freedom


# --- over the record -----------------------------------------------------------------------------


def test_wild_results_count_by_students_t():
    """Four results leave two degrees of freedom: t = 4.303 (table), Birge ratio sqrt(chi2/2)."""
    days, values, u = np.array([0.0, 30.0, 60.0, 90.0]), np.array([0.0, 0.003, 0.0, 0.003]), 1e-4
    found = drift([Dated(d, v, u) for d, v in zip(days, values, strict=True)])
    slope, _ = np.polyfit(days, values, 1)
    left = values - np.polyval(np.polyfit(days, values, 1), days)
    s = math.sqrt(float(left @ left) / 2) / math.sqrt(float(np.sum((days - days.mean()) ** 2)))
    assert not found.consistent
    assert found.per_year == pytest.approx(slope * 365.25)
    assert found.u == pytest.approx(s * 365.25)
    assert found.expanded95 / found.u == pytest.approx(4.303, abs=1e-3)


def test_a_run_that_fits_too_well_is_not_believed_beyond_its_gauge():
    """Three marks nearly on a line by luck: the gauge's repeatability of 0.03 mm still counts."""
    x = np.array([100.0, 200.0, 300.0])
    run = find(belt_survey(along_belt((0.1, 0.201, 0.3), x))).runs[0]
    u = math.hypot(0.03, 0.01 / math.sqrt(12))
    assert run.u_scale == pytest.approx(u / math.sqrt(2 * 100.0**2), rel=1e-3)


def test_what_is_unlike_all_such_machines_is_told_against_what_is_stated_of_them() -> None:
    """31 % too far where 3 % is usual; 12 degrees where 1.5 is."""
    lengths = (reading("travel", (x, 0, 0), 1.31 * x, 0.02) for x in (60.0, 100.0, 140.0))
    text = told(solve(survey(*lengths)), "unlike")
    assert "+31.000 % where ±3 % is stated" in text
    leans = [reading("lean", (0, 0, h), -h * math.sin(math.radians(12)), 0.05) for h in (40, 90)]
    heights = [reading("pitch", (0, 0, h), h * math.cos(math.radians(12)), 0.05) for h in (40, 90)]
    moves = [reading("travel", (0, 0, h), h, 0.05) for h in (40, 90)]
    upright = solve(survey(*leans, *heights, *moves, angle=90.0, priors=SQUARE))
    assert "gantry angle +12.0° where ±1.5° is stated" in told(upright, "unlike")


@pytest.mark.parametrize(("angle", "warned"), [(45.0, True), (80.0, True), (90.0, False)])
def test_of_an_upright_machine_no_scale_is_tempting_for_its_lean(
    angle: float, warned: bool
) -> None:
    """There cot(angle) is 0: neither the gantry's steps nor the belt's change any lean."""
    cot = 1 / math.tan(math.radians(angle))
    turned = math.radians(0.6)
    solution = solve(
        survey(
            reading("lean", (0, 0, 60), -60 * turned, 0.02),
            reading("pitch", (0, 0, 60), 60 * (1 + turned * cot), 0.02),
            reading("travel", (0, 200, 0), 200.0, 0.02),
            angle=angle,
        )
    )
    assert "angle" in codes(solution)
    assert ("height_trap" in codes(solution)) == warned
