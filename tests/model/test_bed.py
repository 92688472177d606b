import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.model.bed import Point, plane, shim_mm, short_path, thread_pitch, tilt, turns_of


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


CORNERS = {"front-left": (0, 0), "front-right": (240, 0), "rear-left": (0, 300)}
FOUR = {**CORNERS, "rear-right": (240, 300)}


def at_corners(height, screws):
    return [Point(x, s, height(x, s)) for x, s in screws.values()]


@given(st.floats(-0.02, 0.02), st.floats(-0.02, 0.02), st.floats(-5, 5))
def test_turned_as_told_the_bed_is_level(across, along, offset):
    """Raise each screw as told: the plane through the new heights has no tilt."""

    def height(x, s):
        return offset + across * x + along * s

    for screws in (CORNERS, FOUR):
        for fixed in (None, *screws):
            told = turns_of(plane(at_corners(height, screws)), screws, 0.7, fixed)
            signs = {"raise": 1, "lower": -1, "leave": 0}
            moved = {t.screw: 0.7 * t.turns * signs[t.direction] for t in told}
            after = [Point(*screws[name], height(*screws[name]) + moved[name]) for name in screws]
            level = plane(after)
            assert max(abs(level.slope_x), abs(level.slope_s)) < 0.7 * 0.005 / 100


def test_the_screw_left_alone_is_not_turned_and_the_worst_comes_first():
    found = plane(at_corners(lambda x, s: 0.002 * x, FOUR))
    told = turns_of(found, FOUR, 0.5, "front-left")
    assert [t.screw for t in told[:2]] == ["front-right", "rear-right"]
    assert told[0].direction == "lower"
    assert told[0].turns == pytest.approx(0.48 / 0.5)
    assert next(t for t in told if t.screw == "front-left").direction == "leave"


def test_a_twisted_bed_has_no_certain_tilt():
    """One corner 0.4 mm up: a plane leaves 0.1 mm at each corner, and the tilt is less certain."""
    points = [*at_corners(lambda x, s: 0.0, CORNERS), Point(240, 300, 0.4)]
    found = plane(points, 0.03)
    assert found.residuals == pytest.approx((0.1, -0.1, -0.1, 0.1))
    assert found.twist_mm == pytest.approx(0.1)
    assert found.u_height == pytest.approx(0.2)
    sound = plane(at_corners(lambda x, s: 0.001 * x, FOUR), 0.03)
    assert sound.u_deg[0] < found.u_deg[0] / 5


def test_tilts_are_those_of_the_slopes():
    found = plane(at_corners(lambda x, s: math.tan(math.radians(0.3)) * s, FOUR))
    assert found.tilt_along_deg == pytest.approx(0.3)
    assert found.tilt_across_deg == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("points", "why"),
    [
        ([Point(0, 0, 0), Point(1, 0, 0)], "three points"),
        ([Point(0, 0, 0), Point(10, 10, 0), Point(20, 20, 1)], "one line"),
        ([Point(0, 0, 0), Point(0, 0, 1), Point(0, 0, 2)], "one line"),
        ([Point(0, 0, math.nan), Point(10, 0, 0), Point(0, 10, 0)], "finite"),
    ],
)
def test_points_that_make_no_plane(points, why):
    with pytest.raises(ValueError, match=why):
        plane(points)


def test_the_way_round_four_corners_is_round_them():
    order = short_path({"a": (0, 0), "b": (200, 200), "c": (200, 0), "d": (0, 200)})
    assert order in (("a", "c", "b", "d"), ("a", "d", "b", "c"))
