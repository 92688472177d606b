"""What drives an axis, inferred from what a controller tells."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.model.drive import Roller, Toothed
from agent.model.inference import (
    _FULL,
    _KIND,
    _LEAD,
    _MICRO,
    _PULLEY_RATIO,
    _ROLLER_RATIO,
    _SCREW_RATIO,
    _TEETH,
    Sign,
    infer,
    microsteps_told,
    signs_of,
)
from agent.model.roles import Axes
from agent.model.settings import Readback, Setting
from tests.drives import figures


def first(role, steps, **more):
    return infer({role: Sign(steps, **more)})[role][0]


def test_a_trimmed_value_still_names_its_pulley():
    """78.74 is the value of 16 microsteps on 20 teeth (80), trimmed by 1.6 %."""
    found = infer({"across": Sign(78.74)})["across"]
    assert found[0].output == Toothed(20, 2.0)
    assert found[0].steps_per_mm == pytest.approx(80.0)
    assert found[0].off == pytest.approx(-0.01575)
    assert "200 steps, 16 microsteps, 2 mm belt, 20 teeth: 80.00 step/mm" in str(found[0])
    assert "1.6 % below" in str(found[0])


def test_sixteen_teeth_are_a_hundred():
    assert first("across", 100.4).output == Toothed(16, 2.0)


def test_a_screw_is_told_from_a_belt():
    assert "screw of 8 mm lead" in first("gantry", 401.0, max_speed=20.0).parts


def test_a_roller_is_known_by_its_diameter_over_the_belt():
    """pi * 29 mm a turn, geared 3:1 at 3200 steps: 105.37 step/mm."""
    found = infer({"across": Sign(80.0), "gantry": Sign(80.0), "belt": Sign(105.37)})["belt"]
    geared = next(c for c in found if c.output is None and c.ratio == 3.0)
    assert geared.roller_mm == pytest.approx(29.0, abs=0.01)
    assert geared.drive(belt_mm=1.0).steps_per_mm == pytest.approx(105.37)


def test_the_board_serves_all_axes_with_the_same_microsteps():
    """160 step/mm alone may be a gear; beside 32 microsteps elsewhere it is 20 teeth."""
    together = infer({"across": Sign(160.0), "gantry": Sign(200.0)})
    assert together["across"][0].output == Toothed(20, 2.0)
    assert together["gantry"][0].output == Toothed(16, 2.0)
    assert together["across"][0].microsteps == together["gantry"][0].microsteps == 32


def test_microsteps_that_the_controller_tells_are_taken():
    told = microsteps_told(("echo:  M350 X16 Y16 Z8 E16", "M906 X800"))
    assert told == {"x": 16, "y": 16, "z": 8, "e": 16}
    for candidate in infer({"belt": Sign(105.37, microsteps=told["z"])})["belt"]:
        assert candidate.microsteps == 8


@given(st.floats(0.01, 1e6), st.sampled_from(["across", "gantry", "belt"]))
def test_any_value_gives_drives_that_fit_it_or_none(steps, role):
    found = infer({role: Sign(steps)})[role]
    assert all(abs(c.off) <= 0.06 + 1e-9 for c in found)
    assert [c.share for c in found] == sorted((c.share for c in found), reverse=True)
    assert sum(c.share for c in found) <= 1 + 1e-9


@pytest.mark.parametrize("steps", [0.0, -80.0, math.nan, math.inf])
def test_no_drive_is_inferred_from_no_value(steps):
    with pytest.raises(ValueError, match="positive number"):
        infer({"across": Sign(steps)})


def test_the_true_drive_stands_first_or_near():
    """Part of the campaign of `python -m tests.drives`; its table is written apart from ours."""
    found = figures(150, seed=20)["all"]
    assert found["first"] >= 0.8
    assert found["first_three"] >= 0.93  # 450 drives: 0.95 less two standard deviations


SHARES = {
    "full steps": _FULL,
    "microsteps": _MICRO,
    "teeth": {(pitch, n): share for pitch, of in _TEETH.items() for n, share in of.items()},
    "leads": _LEAD,
    "gears of pulleys": _PULLEY_RATIO,
    "gears of screws": _SCREW_RATIO,
    "gears of rollers": _ROLLER_RATIO,
    **{f"kinds of {role}": kinds for role, kinds in _KIND.items()},
}


@pytest.mark.parametrize("name", SHARES)
def test_what_is_usual_is_told_in_shares_of_one(name):
    assert sum(SHARES[name].values()) == pytest.approx(1, abs=0.02)
    assert all(share > 0 for share in SHARES[name].values())


def test_a_planetary_gear_of_57_over_11():
    found = infer({"across": Sign(80 * 57 / 11)})["across"]
    assert any(c.ratio == pytest.approx(5.1818, abs=1e-4) for c in found)


def test_the_steps_of_parts_are_those_of_the_drive_that_is_made_of_them():
    """Two ways to one number: parts of the list, and the drive that they make."""
    signs = {"across": Sign(81.0), "gantry": Sign(400.0), "belt": Sign(105.0)}
    for role, candidates in infer(signs).items():
        for c in candidates:
            assert c.drive().steps_per_mm == pytest.approx(c.steps_per_mm)
            assert c.off == pytest.approx(signs[role].steps_per_mm / c.steps_per_mm - 1)
            if c.output is None:
                assert c.drive(1.2, 30.0).output == Roller(30.0, 1.2)


def test_words_of_a_value_above_below_and_as_calculated():
    def words(steps):
        return str(next(c for c in infer({"across": Sign(steps)})["across"] if c.ratio == 1))

    assert words(80.0).endswith("20 teeth: 80.00 step/mm")
    assert words(80.8).endswith("the stored value is 1 % above it")
    assert words(79.2).endswith("the stored value is 1 % below it")


def test_signs_are_those_of_the_axes_letters():
    settings = {
        "steps_per_mm.x": Setting(80.0, "step/mm", 3),
        "max_speed.x": Setting(200.0, "mm/s", 1),
        "steps_per_mm.y": Setting(0.0, "step/mm", 2),
        "steps_per_mm.z": Setting(105.0, "step/mm", 2),
        "max_speed.z": Setting(0.0, "mm/s", 1),
    }
    read = Readback("numbered", settings, ("M350 X16 Z2 E3",))
    assert signs_of(read, Axes("x", "y", "-z")) == {
        "across": Sign(80.0, 3, 200.0, 16),
        "belt": Sign(105.0, 2, None, 2),
    }
