"""One rule for what stands behind a printed number, and one for how numbers are written."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.change.plan import make_plan
from agent.families import FAMILIES
from agent.families.values import PER_MINUTE, setting
from agent.model import exact as rule
from agent.model.settings import Readback, Setting

STEPS = setting("steps_per_mm.x", "80.61", "M92 X80.61")
SPEED = setting("max_speed.x", "500.000", "$110=500.000", PER_MINUTE)


def test_a_written_value_stands_for_the_print_only_while_it_would_be_printed_so() -> None:
    assert rule.exact(STEPS, 80.61234) == 80.61234
    assert rule.exact(STEPS, 80.6, None, 80.6051) == 80.6051
    assert rule.exact(STEPS, 80.62) == 80.61
    assert rule.exact(STEPS) == 80.61


def test_a_value_per_minute_is_rounded_in_the_unit_of_the_controller() -> None:
    assert rule.sendable(500 / 60, SPEED) == pytest.approx(500 / 60, abs=1e-12)
    assert rule.on_line(500 / 60, SPEED) == "500"
    assert rule.on_line(rule.sendable(8.3333333, SPEED), SPEED) == "500"


def test_a_value_per_minute_shows_what_its_print_can_tell() -> None:
    assert rule.as_printed(SPEED) == "8.33333"
    assert rule.as_printed(setting("max_speed.x", "500.", "", PER_MINUTE)) == "8.33"
    assert rule.as_printed(STEPS) == "80.61"


def test_more_decimals_than_usual_are_kept_where_the_controller_prints_them() -> None:
    fine = setting("junction_deviation", "0.0123456", "")
    assert rule.on_line(rule.sendable(0.0123457, fine), fine) == "0.0123457"


def test_what_is_undone_on_a_controller_of_millimetres_a_minute_is_the_very_value() -> None:
    family = FAMILIES["numbered"]
    lines = ["$100=250.000", "$101=250.000", "$102=250.000"]
    held = family.parse([*lines, "$110=500.000", "$111=500.000", "$112=500.000"])
    changed = family.parse([*lines, "$110=510.000", "$111=500.000", "$112=500.000"])
    wanted = {"max_speed.x": held.settings["max_speed.x"].value}
    assert make_plan(changed, wanted, family, machine="heron").lines == ("$110=500",)


def test_two_tools_of_one_line_are_both_as_planned() -> None:
    family = FAMILIES["script"]
    readback = family.parse(["Steps/mm: X: 80.000, Y: 80.000, Z: 400.000, E: 420.000:420.000"])
    wanted = {"steps_per_mm.e0": 421.5, "steps_per_mm.e1": 422.5}
    plan = make_plan(readback, wanted, family, machine="heron")
    assert plan.lines[-1] == "M92 E421.5:422.5"


@given(st.floats(-1e5, 1e5), st.integers(0, 9), st.sampled_from([None, PER_MINUTE]))
def test_plan_and_line_mean_the_same_number(value: float, digits: int, unit: float | None) -> None:
    tolerance = None if unit is None else 0.5 * 10.0**-digits * unit
    read = Setting(1.0, "mm", digits, tolerance=tolerance)
    sent = rule.sendable(value, read)
    line = rule.on_line(sent, read)
    assert "e" not in line
    assert line != "-0"
    assert float(line) * rule.factor(read) == pytest.approx(sent, abs=1e-9)
    assert rule.sendable(sent, read) == pytest.approx(sent, rel=1e-15, abs=1e-12)


def test_a_reading_per_minute_tells_two_speeds_apart_by_its_snapshot() -> None:
    from agent.change.plan import snapshot_digest

    def read(printed: str) -> Readback:
        return Readback("numbered", {"max_speed.x": setting("max_speed.x", printed, "", 1 / 60)})

    assert snapshot_digest(read("500.")) != snapshot_digest(read("510."))
