import math

import pytest

from agent.model.profile import Bead
from agent.pieces.bead import bead_area, bead_pitch, filament_area, filament_length, flow


@pytest.mark.parametrize(
    ("width", "height", "area"),
    # own arithmetic: rectangle with half-round sides; w = h is a circle of that diameter
    [(0.45, 0.2, 0.081416), (0.6, 0.3, 0.160686), (0.4, 0.4, 0.125664)],
)
def test_bead_section(width, height, area):
    assert bead_area(width, height) == pytest.approx(area, abs=1e-6)


@pytest.mark.parametrize(
    ("diameter", "width", "height", "length"),
    # own arithmetic: E = A L / (pi d^2 / 4), for 100 mm of bead
    [(1.75, 0.45, 0.2, 3.384881), (1.75, 0.6, 0.3, 6.680541), (2.85, 0.45, 0.2, 1.276232)],
)
def test_filament_for_a_length_of_bead(diameter, width, height, length):
    assert filament_length(100, width, height, diameter) == pytest.approx(length, abs=1e-6)


def test_filament_section_and_what_a_thicker_filament_does():
    # own arithmetic: pi d^2 / 4, and 2 dd / d to first order for + 0.05 mm
    assert filament_area(1.75) == pytest.approx(2.405282, abs=1e-6)
    assert filament_area(2.85) == pytest.approx(6.379397, abs=1e-6)
    slope = (filament_area(1.75 + 1e-6) - filament_area(1.75)) / 1e-6
    assert slope * 0.05 / filament_area(1.75) == pytest.approx(0.057143, abs=1e-6)


@pytest.mark.parametrize(
    ("width", "height"),
    [(0.2, 0.3), (0.4, 0), (-1, -2), (math.nan, 0.2), (math.inf, 0.2), (math.inf, math.inf)],
)
def test_impossible_beads_are_refused(width, height):
    with pytest.raises(ValueError, match="bead"):
        bead_area(width, height)


@pytest.mark.parametrize("diameter", [0.0, -1.75, math.inf, math.nan])
def test_impossible_filament_is_refused(diameter):
    with pytest.raises(ValueError, match="filament diameter must be positive"):
        filament_area(diameter)


def test_beads_that_are_wider_than_planned_are_more_flow():
    """0.45 by 0.2 mm is 0.081416 mm2, 0.05 mm more width is 0.01 mm2 more: 12.28 %; a micrometre is
    0.2 / 81.4 of it.  The pitch is the section by the height."""
    bead = Bead(0.45, 0.2)
    assert bead_pitch(bead) == pytest.approx(0.407080, abs=1e-6)
    found = flow(bead, 0.05, 0.001)
    assert (found.factor, found.u_factor) == pytest.approx((1.122827, 0.002457), abs=1e-6)
    assert found.planned_mm == 0.45
    # narrower than high no bead can be: then it is round
    assert flow(bead, -0.4, 0.01).factor == pytest.approx(math.pi * 0.01 / 0.081416, abs=1e-5)


def test_growth_is_told_beyond_twice_its_uncertainty():
    bead = Bead(0.45, 0.2)
    assert [flow(bead, mm, 0.25).told for mm in (0.5, 0.51, -0.5, -0.51)] == [
        False, True, False, True,
    ]  # fmt: skip
