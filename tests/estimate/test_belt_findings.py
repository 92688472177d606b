"""Belt runs of a readings file: what they say and what they add to the estimate."""

import math
from dataclasses import replace

import numpy as np
import pytest

from agent.errors import BadInput
from agent.estimate import solve
from agent.estimate.belt_findings import find
from agent.model.drive import Drive, Roller
from agent.model.profile import Instrument, Mechanics
from agent.model.survey import BeltRun, Survey
from tests.estimate.cases import by_setting, codes
from tests.estimate.test_belt_run import COMMANDED, ERROR

OVAL = Mechanics(drives={"belt": Drive(200, 16, 5, Roller(30.0, 1.0, neutral=0.5))})


def survey(*runs, mechanics=OVAL, steps=164.20):
    return Survey(
        (),
        mechanics,
        {"z": steps},
        instrument=Instrument(repeatability_mm=0.03),
        belt_runs=tuple(runs),
    )


def run(errors, commanded=COMMANDED, **kw):
    return BeltRun(
        tuple(map(float, commanded)),
        tuple(c + e for c, e in zip(commanded, errors, strict=True)),
        **kw,
    )


def test_oval_roller_is_mechanics_and_the_slope_is_the_setting():
    """Scale +0.210 %, run-out 0.24 mm: new steps 164.20 / 1.0021 = 163.86."""
    solution = solve(survey(run(ERROR)))
    correction = by_setting(solution)["steps_per_mm.z"]
    assert (correction.new, correction.u) == (
        pytest.approx(163.86, abs=0.02),
        # 0.02 of the run itself, the rest the belt's scale from piece to piece and the gauge
        pytest.approx(164.2 * math.hypot(1e-4, 2e-4, 1e-4), abs=0.01),
    )
    text = next(a.text for a in solution.advice if a.code == "run_out")
    assert "0.24 mm" in text
    assert "97.4, 194.8, 292.2 mm" in text
    plain = solution.to_plain()["belt_run"]
    assert plain["runs"][0]["scale"] == pytest.approx(0.0021, abs=7e-5)
    assert plain["runs"][0]["waves"][0]["significant"]


def test_reversal_from_marks_reached_both_ways():
    """Forward 50.03 100.02 150.05 200.04, backward 49.86 99.85 149.87 199.88: 0.170, constant."""
    both = BeltRun(
        (50, 100, 150, 200, 200, 150, 100, 50),
        (50.03, 100.02, 150.05, 200.04, 199.88, 149.87, 99.85, 49.86),
        approach="both",
    )
    solution = solve(survey(both, mechanics=Mechanics()))
    found = solution.to_plain()["belt_run"]["reversal"]["belt"]
    assert found["mm"] == pytest.approx(0.170, abs=0.002)
    assert found["constant"]
    assert "reversal" in codes(solution)
    assert solution.corrections == ()


@pytest.mark.parametrize(
    ("axis", "unit", "remedy"),
    [
        ("across", (1.0, 0.0, 0.0), "pulley"),
        ("gantry", (0.0, math.sqrt(0.5), math.sqrt(0.5)), "nut or screw"),  # at 45 degrees
    ],
)
def test_reversal_of_any_axis_and_its_scale(axis, unit, remedy):
    """Marks as above; u = sqrt(2) 0.03 / sqrt(4) = 0.0212, with the display's step 0.0213."""
    of_axis = BeltRun(
        (50, 100, 150, 200, 200, 150, 100, 50),
        (50.03, 100.02, 150.05, 200.04, 199.88, 149.87, 99.85, 49.86),
        approach="both",
        axis=axis,
    )
    belt = run([0.0] * 4, (50, 100, 150, 200))
    found = find(survey(belt, of_axis, mechanics=Mechanics(gantry_angle_deg=45.0)))
    assert found.reversals.keys() == {axis}
    assert found.reversals[axis].mean == pytest.approx(0.170, abs=0.002)
    assert found.positioning is None
    ours = [reading for reading in found.readings if reading.name == f"{axis} run"]
    assert [math.hypot(*r.along) for r in ours] == pytest.approx([150, 75])
    assert np.array(ours[0].along) / 150 == pytest.approx(unit)
    (text,) = (
        a.text
        for a in solve(survey(belt, of_axis, mechanics=Mechanics(gantry_angle_deg=45.0))).advice
        if a.code == "reversal"
    )
    assert f"0.170 mm (± 0.043) of the {axis} axis" in text
    assert remedy in text


def test_a_trend_withholds_the_scale_of_its_own_axis_only():
    x = np.arange(30.0, 601.0, 30.0)
    bent = run(0.004 * x + 1e-6 * x**2 * 3, x, axis="across")
    straight = run(0.004 * x, x)
    found = find(survey(straight, bent, mechanics=Mechanics()))
    assert found.withheld == {"across": "trend"}
    assert find(survey(straight, mechanics=Mechanics())).withheld == {}
    assert by_setting(
        solve(
            replace(
                survey(straight, bent, mechanics=Mechanics()), steps_per_mm={"x": 80, "z": 164.2}
            )
        )
    ).keys() == {"steps_per_mm.z"}


def test_a_slipping_belt_leaves_the_runs_of_other_axes_in():
    rng = np.random.default_rng(8)
    x = np.arange(30.0, 600.0, 30.0)
    empty = run(0.004 * x + rng.normal(0, 0.02, x.size), x)
    pulled = run(-0.006 * x + rng.normal(0, 0.02, x.size), x, load="part")
    across = run(rng.normal(0, 0.02, x.size), x, axis="across", load="part")
    found = find(survey(empty, pulled, across, mechanics=Mechanics()))
    assert found.slips
    assert {reading.name for reading in found.readings} == {"across run"}


def test_several_passes_give_the_positioning_figures():
    rng = np.random.default_rng(4)
    marks = (50.0, 100.0, 150.0, 200.0)
    there_and_back = (*marks, *reversed(marks))
    commanded = there_and_back * 3
    backlash = [0.0] * 4 + [-0.1] * 4
    measured = [c + b + rng.normal(0, 0.01) for c, b in zip(commanded, backlash * 3, strict=True)]
    both = BeltRun(commanded, tuple(measured), approach="both")
    figures = solve(survey(both, mechanics=Mechanics())).to_plain()["belt_run"]["positioning"]
    assert figures["B_mean"] == pytest.approx(0.1, abs=0.02)
    assert figures["M"] < 0.03


def test_a_slipping_belt_gets_no_new_steps():
    rng = np.random.default_rng(8)
    x = np.arange(30.0, 600.0, 30.0)
    empty = run(0.004 * x + rng.normal(0, 0.02, x.size), x)
    pulled = run(-0.006 * x + rng.normal(0, 0.02, x.size), x, load="part")
    solution = solve(survey(empty, pulled, mechanics=Mechanics()))
    assert "slip" in codes(solution)
    assert solution.corrections == ()
    alone = solve(survey(empty, mechanics=Mechanics()))
    assert "steps_per_mm.z" in by_setting(alone)


def test_joint_of_the_belt():
    mechanics = Mechanics(belt_loop_mm=1460.0)
    x = np.arange(40.0, 1500.0, 40.0)
    solution = solve(survey(run(0.3 * np.sin(2 * math.pi * x / 1460), x), mechanics=mechanics))
    assert "belt_joint" in codes(solution)


def test_neither_readings_nor_runs():
    with pytest.raises(BadInput, match="no readings"):
        solve(Survey(()))
    with pytest.raises(ValueError, match="three different"):
        BeltRun((10.0, 20.0, 10.0), (10.0, 20.1, 10.0))
    with pytest.raises(ValueError, match="twice at least"):
        BeltRun((10.0,), (10.1,))


def test_positions_off_a_rule_tell_less_than_the_instrument_would() -> None:
    """Slope through n marks: u(e) goes as the uncertainty of one position (GUM H.3)."""
    marks = tuple(50.0 * k for k in range(1, 7))
    fine, rough = (
        find(Survey((), belt_runs=(BeltRun(marks, marks, u_mm=u),))) for u in (0.05, 0.5)
    )
    assert fine is not None
    assert rough is not None
    assert rough.runs[0].u_scale == pytest.approx(10 * fine.runs[0].u_scale)


@pytest.mark.parametrize("passes", [1, 2, 4])
def test_a_reversal_is_known_better_by_the_root_of_its_passes(passes):
    """u = sqrt(2) u_1 / sqrt(marks passes), as of any mean."""
    marks = (50.0, 100.0, 150.0, 200.0)
    commanded = (*marks, *reversed(marks)) * passes
    measured = tuple(c - 0.1 * (k % 8 > 3) for k, c in enumerate(commanded))
    both = BeltRun(commanded, measured, approach="both", u_mm=0.03)
    found = find(survey(both, mechanics=Mechanics()))
    of_belt = found.reversals["belt"]
    assert of_belt.mean == pytest.approx(0.1)
    assert of_belt.u == pytest.approx(math.sqrt(2) * 0.03 / math.sqrt(4 * passes))
