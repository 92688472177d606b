"""The slicing angle told from the file alone, and how long pieces have to cool."""

import math
from dataclasses import replace

import pytest

from agent.errors import Refused
from agent.model.roles import Axes
from agent.pieces import PIECES, toolpath
from agent.pieces.cooling import cooling_minutes
from agent.pieces.sliced import (
    Sliced,
    _line,
    _lowest_by_layer,
    _of_face,
    sliced_angle,
    words_of,
)
from agent.store.profiles import load_profile


@pytest.fixture(scope="module")
def heron():
    return load_profile("heron")


def at_angle(profile, degrees):
    return replace(profile, mechanics=replace(profile.mechanics, gantry_angle_deg=degrees))


@pytest.mark.parametrize("degrees", [35.0, 44.8, 45.0, 45.2, 46.0])
def test_the_posts_file_tells_its_angle(heron, degrees):
    made = at_angle(heron, degrees)
    post = PIECES["post"](made)
    found = sliced_angle(toolpath(post, made), post, made.axes)
    assert found.angle_deg == pytest.approx(degrees, abs=0.03)
    assert found.fits(degrees)
    assert not found.fits(degrees + 0.2)


def test_relative_and_absolute_files_tell_the_same(heron):
    # an upright wall in words of another maker: absolute E, comments, several moves a layer
    angle, lines, e = math.radians(45.2), ["G90 ; absolute", "M82", "G92 E0 Z0 Y0"], 0.0
    for layer in range(200):
        belt = -0.35 * layer
        gantry = -belt / math.cos(angle)  # the back face S = 0
        e += 1
        lines.append(f"G0 X10 Y{gantry:.3f} Z{belt:.3f}")
        lines.append(f"G1 X30 Y{gantry:.3f} E{e:.3f} F1200 ; wall")
        e += 1
        lines.append(f"G1 X30 Y{gantry + 12:.3f} E{e:.3f}")
    post = PIECES["post"](heron)
    found = sliced_angle(lines, post, heron.axes)
    assert found.angle_deg == pytest.approx(45.2, abs=0.01)
    assert not found.fits(45.0)


def test_a_file_that_cannot_tell_is_refused(heron):
    strip = PIECES["strip"](heron)
    with pytest.raises(Refused, match="no upright face"):
        sliced_angle(toolpath(strip, heron), strip, heron.axes)
    post = PIECES["post"](heron)
    with pytest.raises(Refused, match="only 0 layers"):
        sliced_angle(["M105", "G28"], post, heron.axes)


def test_cooling_times_by_hand(heron):
    # two walls of 0.5 mm: tau = 1240 * 1800 * 0.001 / 10 = 223 s; 40 K down to 1 K: ln 40
    post, strip = (PIECES[name](heron) for name in ("post", "strip"))
    assert cooling_minutes(post, heron) == pytest.approx(223.2 * math.log(40) / 60, rel=1e-3)
    # a single layer of 0.25 mm
    assert cooling_minutes(strip, heron) == pytest.approx(55.8 * math.log(40) / 60, rel=1e-3)


def wall(rise, count=40, belt=-0.35):
    """Lines of a face whose gantry place changes by `rise` for each mm of belt, a bead each."""
    lines = ["G90", "M83"]
    for n in range(count):
        lines += [f"G1 Y{n * belt / rise + 50:.4f} Z{n * belt:.4f}", "G1 X30 E1"]
    return lines


def test_a_slope_that_no_angle_has_is_refused(heron):
    """The slope is minus the cosine of the angle: 1 and -1 stand for no gantry at all."""
    post = PIECES["post"](heron)
    assert sliced_angle(wall(-0.5), post, heron.axes).angle_deg == pytest.approx(60.0, abs=0.01)
    assert sliced_angle(wall(0.5), post, heron.axes).angle_deg == pytest.approx(120.0, abs=0.01)
    for rise in (1.0, -1.0, 1.2, -1.2):
        # commands in eighths of a millimetre, which are exact
        with pytest.raises(Refused, match="which no gantry angle gives"):
            sliced_angle(wall(rise, 100, -0.375), post, heron.axes)


@pytest.mark.parametrize(("count", "fine"), [(16, True), (15, False)])
def test_twelve_layers_of_the_face_are_needed(heron, count, fine):
    """15 % at either end are left out: of gantry places 1 to 16 those from 2.4 to 13.6, of 1 to 15
    those from 2.25 to 12.75; of 17 to 32 there are more."""
    lines = ["G90", "M83"]
    for n in range(1, count + 2):
        lines += [f"G1 Y{n} Z{-0.5 * n}", "G1 X30 E1"]
    post = PIECES["post"](heron)
    if fine:
        assert sliced_angle(lines, post, heron.axes).layers == 12
    else:
        with pytest.raises(Refused, match="only 11 layers"):
            sliced_angle(lines, post, heron.axes)


def test_what_lies_at_the_ends_of_a_face_is_left_out():
    """15 % of its height: of 20 mm all below 3 and above 17; the lowest bead of a layer counts."""
    beads = {0.0: (0.0, 20.0), 1.0: (3.0, 9.0), 2.0: (2.9, 9.0), 3.0: (17.0, 17.5), 4.0: (17.1, 18)}
    assert _of_face(beads) == [(1.0, 3.0), (3.0, 17.0)]
    assert _of_face({}) == []


@pytest.mark.parametrize(
    ("lines", "found"),
    [
        # absolute and relative places; a travel lays nothing
        (("G1 Y5 Z-1 E1", "G91", "G1 Y2 Z-1", "G90"), {-1.0: (5.0, 5.0)}),
        (("M83", "G1 Y5 Z-1 E1", "G91", "G1 Y2 Z-1 E1"), {-1.0: (5.0, 5.0), -2.0: (7.0, 7.0)}),
        # absolute filament: what falls back is drawn back
        (("G1 Y1 E1", "G1 Y2 E0.5", "G1 Y3 E0.9", "G1 Y4 E0.9"), {0.0: (1.0, 3.0)}),
        (("M83", "G1 Y1 E1", "G1 Y2 E-0.5", "G1 Y3 E0.1"), {0.0: (1.0, 3.0)}),
        # G90 and G91 speak of the filament too, M82 and M83 of it alone
        (("G91", "G1 Y1 E1", "M82", "G1 Y1 E0.5", "G1 Y1 E0.7"), {0.0: (1.0, 3.0)}),
        # G92 says where it stands and how much was pushed
        (("G92 Y10 Z-2 E5", "G1 Y11 E4", "G1 Y12 E6"), {-2.0: (12.0, 12.0)}),
        (("G92 Y10", "G1 X3 E0", "G1 X4 E1"), {0.0: (10.0, 10.0)}),
        # the highest and the lowest of a layer; belt places that print alike are one
        (("M83", "G0 Y4 E1", "G1 Y2 E1", "G1 Y9 Z0.00001 E1"), {0.0: (2.0, 9.0)}),
        (("G2 Y4 E1", "; G1 Y4 E1", ""), {}),
    ],
)
def test_beads_are_where_the_words_of_a_file_put_them(lines, found):
    assert _lowest_by_layer(lines, Axes()) == found


def test_an_axis_that_counts_the_other_way_is_read_so():
    turned = _lowest_by_layer(["M83", "G92 Z3", "G1 Y5 Z4 E1"], Axes(belt="-z"))
    assert turned == {-4.0: (5.0, 5.0)}
    relative = _lowest_by_layer(["G91", "G1 Y5 Z4 E1", "G1 Y1 Z4 E1"], Axes(belt="-z"))
    assert relative == {-4.0: (5.0, 5.0), -8.0: (6.0, 6.0)}


def test_words_stand_behind_a_number_and_around_comments():
    assert words_of("/n12 g1 x-1.5 (to (the left) Y+.5 ; E9") == [
        ("G", 1.0),
        ("X", -1.5),
        ("Y", 0.5),
    ]
    assert words_of("N7 G 1 X 2.") == [("G", 1.0), ("X", 2.0)]


def test_a_line_through_places_by_hand():
    """Through 0, 2, 1 at 0, 1, 2 the slope is 1/2; what is left, 1.5, over one degree of freedom
    and a spread of 2 is sqrt(0.75).  Two places leave nothing, one has no slope."""
    slope, u = _line([0.0, 1.0, 2.0], [0.0, 2.0, 1.0])
    assert (slope, u) == pytest.approx((0.5, math.sqrt(0.75)))
    assert _line([1.0, 3.0], [5.0, 9.0]) == pytest.approx((2.0, 0.0))
    assert _line([1.0, 1.0], [5.0, 9.0]) == (math.inf, math.inf)


def test_an_angle_fits_within_its_own_uncertainty():
    """Within 0.05 degrees, or three standard uncertainties where that is more."""
    assert Sliced(45.05, 0.001, 20).fits(45.0)
    assert not Sliced(45.06, 0.001, 20).fits(45.0)
    assert Sliced(45.0, 0.5, 20).fits(46.5)
    assert not Sliced(45.0, 0.5, 20).fits(46.51)
