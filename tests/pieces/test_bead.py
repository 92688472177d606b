import pytest

from agent.pieces.bead import bead_area, filament_area, filament_length


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


@pytest.mark.parametrize(("width", "height"), [(0.2, 0.3), (0.4, 0), (-1, -2), (float("nan"), 0.2)])
def test_impossible_beads_are_refused(width, height):
    with pytest.raises(ValueError, match="bead"):
        bead_area(width, height)
