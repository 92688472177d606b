"""The check of an instrument: by hand, and its decision rule at the borders."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.errors import BadInput
from agent.estimate.checking import checked
from agent.model.profile import Instrument

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
