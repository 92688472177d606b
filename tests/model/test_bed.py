import math

import pytest

from agent.model.bed import shim_mm, thread_pitch, tilt


def test_lower_end_is_raised():
    found = tilt(span_mm=320, front_mm=0.9, back_mm=0.2, pitch_mm=0.7)
    assert (found.which, found.turns) == ("back", pytest.approx(1.0))
    assert found.tilt_deg == pytest.approx(math.degrees(math.atan(0.7 / 320)))
    assert tilt(320, 0.2, 0.9, 0.7).which == "front"
    assert tilt(320, 0.5, 0.5, 0.7).which == "none"


def test_shim_for_an_angle():
    """0.87 degrees at a lever of 320 mm: 4.9 mm."""
    assert shim_mm(0.87, 320) == pytest.approx(4.86, abs=0.005)


def test_unknown_thread_names_the_table():
    with pytest.raises(ValueError, match=r"M7.*M2, M2\.5, M3"):
        thread_pitch("M7")
    assert thread_pitch(" m4 ") == 0.7


@pytest.mark.parametrize(("span", "pitch"), [(0, 0.7), (-1, 0.7), (320, 0), (math.nan, 0.7)])
def test_impossible_spans_are_refused(span, pitch):
    with pytest.raises(ValueError, match="positive"):
        tilt(span, 0, 0, pitch)
