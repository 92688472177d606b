"""The slicing angle told from the file alone, and how long pieces have to cool."""

import math
from dataclasses import replace

import pytest

from agent.errors import Refused
from agent.pieces import PIECES, toolpath
from agent.pieces.cooling import cooling_minutes
from agent.pieces.sliced import sliced_angle
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
