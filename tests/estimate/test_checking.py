"""The check of an instrument: by hand, and its decision rule at the borders."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import BadInput
from agent.estimate import solve
from agent.estimate.checking import checked, zero_and_scale
from agent.model.budget import Budget
from agent.model.profile import Instrument, Material
from agent.model.survey import Check
from agent.store.readings import ReadingsFile, read_readings, readings_text
from tests.estimate.cases import reading, survey

CALIPER = Instrument(resolution_mm=0.01, mpe_mm=0.03, repeatability_mm=0.005)


def test_by_hand():
    found = checked(50.0, (50.01, 50.00, 50.02), CALIPER)
    # s = 0.01 is more than the stated 0.005; d^2 / 12 = 8.3e-6
    assert found.deviation_mm == pytest.approx(0.01)
    assert found.u_mm == pytest.approx(math.sqrt(1e-4 / 3 + 1e-4 / 12 + 1e-6))
    assert found.verdict == "conforms"


@pytest.mark.parametrize(
    ("off", "verdict"),
    [
        (0.0, "conforms"),
        (0.03, "not decided"),
        (0.06, "does not conform"),
        (-0.06, "does not conform"),
    ],
)
def test_the_decision_rule(off, verdict):
    assert checked(100.0, [100 + off] * 5, CALIPER).verdict == verdict


@given(st.floats(1, 200), st.lists(st.floats(-0.2, 0.2), min_size=1, max_size=8))
def test_a_proved_instrument_is_within_its_limits(known, off):
    found = checked(known, [known + x for x in off], CALIPER)
    assert found.u_mm > 0
    if found.verdict == "conforms":
        assert abs(found.deviation_mm) < found.mpe_mm
    if found.verdict == "does not conform":
        assert abs(found.deviation_mm) > found.mpe_mm


def test_what_is_no_check_is_refused():
    with pytest.raises(BadInput, match="only one number"):
        checked(50.0, (), CALIPER)
    with pytest.raises(BadInput, match="was read on a length of 50 mm"):
        checked(50.0, (1.97,), CALIPER)


def test_checks_against_least_squares():
    """Zero and scale from two checks: the rows of an ordinary regression, priors as rows."""
    budget = Budget(zero_mm=0.02, caliper_scale_percent=0.04, by_length_mm=0.01)
    checks = (Check(20.0, 0.012, 0.004), Check(120.0, 0.035, 0.006))
    rows = np.array([[1.0, c.known_mm] for c in checks] + [[1.0, 0.0], [0.0, 1.0]])
    seen = np.array([c.deviation_mm for c in checks] + [0.0, 0.0])
    # the prior of the zero is not better than the largest deviation, here 0.035
    sd = np.array([*(math.hypot(c.u_mm, 0.01) for c in checks), 0.035, 4e-4])
    wanted = np.linalg.lstsq(rows / sd[:, None], seen / sd, rcond=None)[0]
    u = np.sqrt(np.diag(np.linalg.inv((rows.T / sd**2) @ rows)))
    bare = survey(reading("lean", (0, 0, 60), 0.0), budget=budget, instrument=CALIPER)
    zero, scale = zero_and_scale(replace(bare, checks=checks))
    assert [zero.mean, scale.mean] == pytest.approx(wanted.tolist())
    assert [zero.u, scale.u] == pytest.approx(u.tolist())
    assert zero_and_scale(bare) == ((0.0, pytest.approx(0.02)), (0.0, pytest.approx(4e-4)))


def test_a_checked_caliper_tells_more():
    """A caliper that shows 0.05 mm too much: told, it neither turns the gantry nor widens U."""
    lean = [reading("lean", (0, 0, height), [0.05] * 3) for height in (30, 60)]
    lengths = [reading("travel", (0, s, 0), s, 0.02) for s in (100, 300)]
    heights = [reading("outside", (0, 0, h), [h + 0.05] * 3) for h in (30, 60)]
    bare = survey(*lean, *lengths, *heights, budget=Budget(foot_mm=0.0), instrument=CALIPER)
    known = replace(bare, checks=(Check(50.0, 0.05, 0.004, "2026-11-02"),))
    angle, told = (solve(s).parameters["gantry_angle_deg"] for s in (bare, known))
    assert abs(told.value) < 0.5 * abs(angle.value)
    assert told.u < angle.u

    def share(parameter):
        return next((s.share for s in parameter.budget if s.component == "zero_mm"), 0.0)

    assert share(told) < 0.5 * share(angle)


def test_checks_stand_in_a_readings_file():
    kept = (Check(50.0, 0.01, 0.004, "2026-11-02"), Check(100.0, -0.02, 0.005))
    file = ReadingsFile(survey(reading("lean", (0, 0, 60), 0.0), checks=kept, material=Material()))
    assert read_readings(readings_text(file).encode(), "a file").survey.checks == kept
