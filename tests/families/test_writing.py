"""Wanted values to lines: what each family is told, and what is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.change.plan import file_lines, make_plan
from agent.errors import Refused
from agent.families import FAMILIES
from agent.model.exact import number as plain_number
from agent.model.settings import Readback

DUMPS = {
    "replay": """\
G21
M92 X80.00 Y80.00 Z1163.40
M92 T0 E412.70
M92 T1 E415.00
M203 X180.00 Y175.00 Z9.50
M204 P750.00 R1400.00 T900.00
M205 S0.00 T0.00 B20000 X11.00 Z0.35
M301 P22.20 I1.08 D114.00
M906 X800 Y800 Z760
M906 I1 Z770""",
    "numbered": "$100=80.000\n$101=80.000\n$102=1163.400 (z, step/mm)\n$112=570.000",
    "table": """\
EPR:2 75 250000 Baudrate
EPR:3 3 81.4000 X-axis steps per mm
EPR:3 1052 81.3500 X2-axis steps per mm
EPR:2 23 95 Z-axis max. feedrate [mm/s]
EPR:3 11 95.0000 Z-axis steps per mm""",
    "override": """\
M92 X80.00000 Y80.00000 Z1163.40000
M203 X180.00000 Y160.00000 Z9.50000 S-1.00000
M92 E140.00000 P57988
M92 E150.00000 P11332
M301 S0 P10.0000 I0.3000 D200.0000 X255.0000 Y255""",
    "script": """\
Steps/mm: X: 80.000, Y: 80.000, Z: 1163.400, E: 420.000:421.000
Max speeds (mm/min): X: 6000.0, Y: 6000.0, Z: 570.0, E: 1200.0:1200.0""",
}


def reading(family: str) -> Readback:
    return FAMILIES[family].parse(DUMPS[family].splitlines())


@pytest.mark.parametrize(
    ("family", "key", "value", "line"),
    [
        ("replay", "steps_per_mm.z", 1163.123456, "M92 Z1163.12346"),
        ("replay", "steps_per_mm.e1", 416.5, "M92 T1 E416.5"),
        ("replay", "max_speed.z", 8.0, "M203 Z8"),
        ("replay", "acceleration.travel", 800.0, "M204 T800"),
        ("replay", "min_speed.travel", 0.0, "M205 T0"),
        ("replay", "jerk.y", 9.0, "M205 X9"),
        ("replay", "hotend_pid.p", 20.0, "M301 P20"),
        ("replay", "motor_current.z", 700.0, "M906 Z700"),
        ("replay", "motor_current.z_2", 700.0, "M906 I1 Z700"),
        ("numbered", "steps_per_mm.z", 1163.123, "$102=1163.123"),
        ("numbered", "max_speed.z", 9.0, "$112=540"),
        ("table", "steps_per_mm.x", 81.25, "M206 T3 P3 X81.25"),
        ("table", "steps_per_mm.x_2", 81.25, "M206 T3 P1052 X81.25"),
        ("table", "max_speed.z", 90.0, "M206 T2 P23 S90"),
        ("override", "steps_per_mm.z", 1163.12, "M92 Z1163.12"),
        ("override", "steps_per_mm.e1", 151.5, "M92 P11332 E151.5"),
        ("override", "hotend_pid.p", 11.0, "M301 S0 P11"),
        ("script", "steps_per_mm.z", 1163.12, "M92 Z1163.12"),
        ("script", "steps_per_mm.e1", 422.0, "M92 E420:422"),
        ("script", "max_speed.z", 9.0, "M203 Z540"),
    ],
)
def test_the_one_line_that_sets_a_key(family: str, key: str, value: float, line: str) -> None:
    assert FAMILIES[family].write_line(key, value, reading(family)) == line


@pytest.mark.parametrize("family", FAMILIES)
def test_writing_what_was_read_reads_the_same(family: str) -> None:
    read = reading(family)
    assert read.damage == ()
    for key, setting in read.settings.items():
        assert FAMILIES[family].write_line(key, setting.value, read)


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("value", [0.0, -80.0, math.nan, math.inf, 1e9])
def test_impossible_steps_are_refused(family: str, value: float) -> None:
    key = "steps_per_mm.x"
    with pytest.raises(Refused, match=r"steps_per_mm\.x cannot be"):
        FAMILIES[family].write_line(key, value, reading(family))


@pytest.mark.parametrize("family", FAMILIES)
def test_what_was_not_read_is_refused(family: str) -> None:
    with pytest.raises(Refused, match="was not read back"):
        FAMILIES[family].write_line("steps_per_mm.e7", 80.0, reading(family))


@pytest.mark.parametrize("family", FAMILIES)
def test_nothing_is_written_from_a_damaged_reading(family: str) -> None:
    half = DUMPS[family].splitlines()
    damaged = FAMILIES[family].parse([*half, half[1]])
    with pytest.raises(Refused, match="damaged"):
        FAMILIES[family].write_line("steps_per_mm.x", 80.0, damaged)


def test_nothing_is_written_in_inches() -> None:
    read = FAMILIES["replay"].parse(["G20", "M92 X2032.00 Y2032.00 Z2032.00"])
    with pytest.raises(Refused, match="inches"):
        FAMILIES["replay"].write_line("steps_per_mm.x", 80.0, read)


def test_a_second_mode_cannot_be_addressed() -> None:
    lines = ["; Rates - normal:", "M203 X9 Y9 Z9", "; Rates - quiet:", "M203 X5 Y5 Z5"]
    read = FAMILIES["replay"].parse(["M92 X80 Y80 Z80", *lines])
    with pytest.raises(Refused, match="cannot be set"):
        FAMILIES["replay"].write_line("max_speed.x@quiet", 6.0, read)


def test_a_file_line_only_where_storing_does_not_cover_steps() -> None:
    told = {
        name: family.file_line("steps_per_mm.z", 104.98765) for name, family in FAMILIES.items()
    }
    assert told == {
        "replay": None,
        "numbered": None,
        "table": None,
        "override": None,
        "script": "M92 Z104.98765",
    }


@given(st.floats(1e-3, 1e5))
def test_numbers_are_plain_and_near(value: float) -> None:
    text = plain_number(value)
    assert set(text) <= set("0123456789.")
    assert text == text.rstrip(".")
    assert "." not in text or text == text.rstrip("0")
    assert abs(float(text) - value) <= 0.5e-5 * (1 + 1e-9)


@given(
    st.lists(st.floats(1, 9e4).map(lambda v: round(v, 2)), min_size=4, max_size=4),
    st.integers(2, 5),
)
def test_printed_values_come_back(numbers: list[float], decimals: int) -> None:
    printed = " ".join(f"{a}{n:.{decimals}f}" for a, n in zip("XYZE", numbers, strict=True))
    read = FAMILIES["replay"].parse([f"echo: M92 {printed}"])
    assert [s.value for s in read.settings.values()] == numbers
    assert {s.digits for s in read.settings.values()} == {decimals}


def test_of_several_extruders_the_line_for_the_file_holds_all() -> None:
    """One with the value of the second alone would set the first when the controller starts."""
    family = FAMILIES["script"]
    made = make_plan(reading("script"), {"steps_per_mm.e1": 425.2}, family, machine="heron")
    assert made.lines == ("M92 E420:425.2",)
    assert file_lines(family, made.changes, made.lines) == made.lines
    assert "M92 E420:425.2" in made.warnings[-1]
