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


@pytest.mark.parametrize(
    ("slopes", "screws", "left"),
    [
        ((0.002, 0.001), CORNERS, "rear-left"),  # 0, 0.48 and 0.3 mm high
        ((0.001, 0.002), CORNERS, "front-right"),  # 0, 0.24 and 0.6
        ((-0.002, 0.001), CORNERS, "front-left"),  # 0, -0.48 and 0.3
        ((0.002, 0.001), {"low": (0, 0), "high": (100, 0)}, "high"),
    ],
)
def test_the_screw_in_the_middle_is_left_alone_where_none_is_named(slopes, screws, left):
    """The median leaves the others the least to do; of two the higher one."""
    found = plane(at_corners(lambda x, s: slopes[0] * x + slopes[1] * s, CORNERS))
    told = {turn.screw: turn for turn in turns_of(found, screws, 0.7)}
    assert (told[left].direction, told[left].turns, told[left].u_turns) == ("leave", 0, 0)
    assert all(turn.turns > 0 for name, turn in told.items() if name != left)


def test_turns_have_the_uncertainty_of_the_difference_in_height():
    """Two heights of 0.03 mm, three points, no scatter: sqrt(2) * 0.03 mm from corner to corner."""
    found = plane(at_corners(lambda x, s: 0.001 * x, CORNERS), 0.03)
    told = {turn.screw: turn for turn in turns_of(found, CORNERS, 0.5, "front-left")}
    for name in ("front-right", "rear-left"):
        assert told[name].u_turns == pytest.approx(math.sqrt(2) * 0.03 / 0.5)
    assert told["front-right"].mm == pytest.approx(-0.24)
    assert (told["rear-left"].direction, told["rear-left"].mm) == ("leave", pytest.approx(0))


@pytest.mark.parametrize(("turns", "direction"), [(0.0049, "leave"), (0.0051, "raise")])
def test_less_than_half_a_hundredth_of_a_turn_is_none(turns, direction):
    found = plane(at_corners(lambda x, s: -0.7 * turns / 240 * x, CORNERS))
    told = {turn.screw: turn for turn in turns_of(found, CORNERS, 0.7, "front-left")}
    assert told["front-right"].direction == direction
    assert told["front-right"].turns == pytest.approx(turns)


@pytest.mark.parametrize(
    ("screws", "pitch", "fixed", "why"),
    [
        ({"a": (0, 0)}, 0.7, None, "two screws"),
        (CORNERS, 0, None, "positive"),
        (CORNERS, math.inf, None, "positive"),
        (CORNERS, 0.7, "middle", "none of the screws"),
    ],
)
def test_screws_that_cannot_be_turned(screws, pitch, fixed, why):
    found = plane(at_corners(lambda x, s: 0.001 * x, CORNERS))
    with pytest.raises(ValueError, match=why):
        turns_of(found, screws, pitch, fixed)
    assert len(turns_of(found, {"a": (0, 0), "b": (1, 0)}, 0.7)) == 2


def test_heights_of_the_plane_and_between_two_places():
    """u of a difference: sqrt(x^2 c11 + s^2 c22 + 2 x s c12), here against the points' own."""
    points = at_corners(lambda x, s: 1 + 0.01 * x - 0.02 * s, CORNERS)
    found = plane(points, 0.03)
    assert found.at(10, 20) == pytest.approx(1 + 0.1 - 0.4)
    assert found.u_between(240, -300) == pytest.approx(math.sqrt(2) * 0.03)  # b to c
    assert found.u_between(240, 0) == pytest.approx(math.sqrt(2) * 0.03)
    assert found.dof == 0
    assert not found.twisted  # three points lie in a plane, whatever they are


@pytest.mark.parametrize(("corner", "twisted"), [(0.24, False), (0.28, True)])
def test_a_bed_is_twisted_beyond_what_the_heights_are_uncertain_by(corner, twisted):
    """A quarter of the corner's height is left at each; the limit is 3 * 0.03 / sqrt(2) = 0.064 mm.

    What a twist makes of the scatter must not hide it: four points scatter by twice what is left.
    """
    points = [*at_corners(lambda x, s: 0.0, CORNERS), Point(240, 300, corner)]
    found = plane(points, 0.03)
    assert found.twist_mm == pytest.approx(corner / 4)
    assert found.u_height == pytest.approx(corner / 2)
    assert found.twisted is twisted
    assert not plane(points, 0.04).twisted


def test_the_number_of_points_and_their_uncertainty_are_bounded():
    points = at_corners(lambda x, s: 0.0, CORNERS)
    for wrong in (0.0, -0.01, math.nan, math.inf):
        with pytest.raises(ValueError, match="uncertainty"):
            plane(points, wrong)
    assert plane(points).dof == 0
    assert plane(at_corners(lambda x, s: 0.0, FOUR)).dof == 1


def test_the_short_way_of_few_and_of_many_places():
    assert short_path({}) == ()
    assert short_path({"a": (0, 0), "b": (5, 0)}) == ("a", "b")
    assert short_path({"a": (0, 0), "b": (9, 0), "c": (5, 0)}) == ("a", "c", "b")
    row = {str(n): (10.0 * ((n * 3) % 8), 0.0) for n in range(8)}  # 0 30 60 10 40 70 20 50
    assert [row[name][0] for name in short_path(row)] == [0, 10, 20, 30, 40, 50, 60, 70]
