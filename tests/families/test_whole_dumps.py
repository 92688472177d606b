"""Whole dumps of each family: every key, its line, what spoils it, and the card behind it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from agent.errors import Refused
from agent.families import FAMILIES
from agent.families.base import Family
from agent.model.settings import Readback
from tests.families.told import of_reading, of_remarks, of_setting
from tests.pinned import Pinned
from tests.wire.told import Dice

#: Own numbers, in the forms that controllers print; each dump holds all that its family models.
DUMPS = {
    "replay": """\
echo:  G21    ; Units in mm (mm)
echo:; Steps per unit:
echo: M92 X80.00 Y80.25 Z1163.40 E412.70
echo:  M92 T1 E415.00
echo:; Maximum feedrates (units/s) - normal:
echo:  M203 X180.00 Y175.00 Z9.50 E62.00
echo:; Maximum feedrates (units/s) - quiet:
echo:  M203 X90.00 Y85.00 Z5.50 E31.00
echo:; Maximum Acceleration (units/s2):
echo:  M201 X640.00 Y610.00 Z85.00 E2400.00 T0
echo:  M204 P750.00 R1400.00 T900.00
echo:  M205 B20000.00 S1.00 T2.00 X11.00 Y12.00 Z0.35 E4.50 J0.02
echo:; Home offset:
echo:  M206 X-1.50 Y0.00 Z0.25
echo:  M851 X-31.50 Y4.25 Z-1.85 ; (mm)
echo:  M301 P22.20 I1.08 D114.00 C100
echo:  M301 E1 P20.00 I1.00 D110.00
echo:  M304 P10.00 I0.02 D305.40
echo:  M906 X800 Y810 Z760 E700
echo:  M906 I1 Z770
echo:  M906 T1 E650
echo:  M852 I0.001 J-0.002 K0.003
echo:  M145 S0 H200.00 B60.00 F255
echo:  M200 D1.75
echo:  M413 S1 "name" (so)
echo:a remark
Cap:EEPROM:0
Cap:AUTOREPORT:1
FIRMWARE_NAME:invented 1.0
x = 5""",
    "replay-old": """\
echo:Steps per unit:
echo:  M92 X78.74 Y78.74 Z2560.00 E530.00
echo:  M204 S1100.00 T2600.00
echo:  M205 S0.00 T0.00 Q20000 X11.00 Z0.35 E4.50
echo:  M205 E1 X3.0""",
    "replay-inches": """\
echo:  G20    ; Units in inches (in)
echo: M92 X2032.00 Y2019.30 Z29540.20 E10490.20
echo:  M203 X7.09 Y7.09 Z0.35 E2.36
echo:  M201 X25.00 Y25.00 Z3.00 E94.00
echo:  M204 P30.00 R55.00 T35.00
echo:  M205 S0.10 T0.10 B20000 X0.40 Z0.02 J0.001
echo:  M206 X0.10 Y0.10 Z0.00
echo:  M851 X-1.20 Y0.10 Z-0.07
echo:  M301 P22.20 I1.08 D114.00
echo:  M906 X800""",
    "numbered": """\
$0=10
$10=1
$11=0.012
$13=1
$30=1000.
$N0=G54G21
$N1=
$Name=bench
$100=251.300 (x, step/mm)
$101 = 249.800 (Y-axis travel resolution, step/mm)
$102=1162.500
$103=96.400
$105=91
$106=1
$110=7200.000 (x max rate, mm/min)
$111=6900.000
$112=570.000
$120=410.000 (x accel, mm/sec^2)
$121=400.000
$122=80.000 (z-axis acceleration, mm/sec^2)
$130=310.000 (x max travel, mm)
$131=300.000
$132=9000.000
$133=1
$140=500
[VER:1.1:a board]
[MSG:hello]
a remark""",
    "numbered-named": """\
$X/StepsPerMm=200.000
$Y/StepsPerMm=200.000
$Z/StepsPerMm=400.500
$A/StepsPerMm=96.000
$X/MaxRate=6000.000
$X/Acceleration=100
$X/MaxTravel=300
$X/Homing/Mpos=0
$Q/MaxRate=6000
$Name=bench""",
    "numbered-old": """\
$0 = 755.906 (steps/mm x)
$1 = 755.906 (steps/mm y)
$2 = 2560.000 (steps/mm z)
$3 = 600 (steps/mm a)
$4 = 30 (pulse)
$5 = 500 (x max. rate, mm/min)
$8 = 10.5 (acceleration x, mm/sec^2)
$9 = 0.05 (junction deviation, mm)
$11 = 0.05 (arc, mm)""",
    "table": """\
EPR:0 1028 0 Language
EPR:2 75 250000 Baudrate
EPR:3 129 NAN Filament printed [m]
EPR:3 3 81.4000 X-axis steps per mm
EPR:3 1052 81.3500 X2-axis steps per mm
EPR:3 7 79.9500 Y-axis steps per mm
EPR:3 11 95.0000 Z-axis steps per mm
EPR:3 15 8400.000 X-axis max. feedrate [mm/min]
EPR:3 19 140.000 Y-axis max. feedrate [mm/s]
EPR:2 23 95 Z-axis max. feedrate [mm/s]
EPR:3 27 140.000 X-axis homing feedrate [mm/s]
EPR:3 39 11.000 Max. jerk [mm/s]
EPR:3 47 0.300 Max. Z-jerk [mm/s]
EPR:3 51 500.000 X-axis acceleration [mm/s^2]
EPR:3 55 510.000 Y-axis acceleration [mm/s^2]
EPR:3 59 80.000 Z-axis acceleration [mm/s^2]
EPR:3 145 220.000 X max length [mm]
EPR:3 149 200.000 Y max length [mm]
EPR:3 153 5000.000 Z max length [mm]
EPR:3 200 412.0000 Extr.1 steps per mm
EPR:3 204 50.000 Extr.1 max. feedrate [mm/s]
EPR:3 216 4000.000 Extr.1 acceleration [mm/s^2]
EPR:3 218 7.0000 Extr.1 PID P-gain
EPR:3 222 2.0000 Extr.1 PID I-gain
EPR:3 226 40.0000 Extr.1 PID D-gain
EPR:3 300 415.0000 Extr.2 steps per mm
EPR:3 318 7.0000 Extr.2 PID P-gain
EPR:1 106 0 Bed Heat Manager [0-3]
EPR:3 108 196.000 Bed PID P-gain
EPR:3 112 33.000 Bed PID I-gain
EPR:3 116 290.000 Bed PID D-gain
EPR:3 120 9.0 Q-axis acceleration [furlongs]
EPR:3 124 9.0 X-axis acceleration [furlongs]
a remark""",
    "override": """\
; config override present: /sd/config-override
;Steps per unit:
M92 X80.00000 Y80.12500 Z1163.20000
;Acceleration mm/sec^2:
M204 S500.00000 E-1.00000
M201 X500.00000 Y510.00000 Z80.00000
;X- Junction Deviation, S - Minimum Planner speed mm/sec:
M205 X0.05000 Z-1.00000 S0.00000
;Max cartesian feedrates in mm/sec:
M203 X180.00000 Y160.00000 Z60.00000 S-1.00000
;Max actuator feedrates in mm/sec:
M203.1 X180.00000 Y160.00000 Z60.00000
;Home offset (mm):
M206 X1.00000 Y-2.00000 Z0.00000
M851 X1.00000 Y-2.00000 Z-0.50000
;E Steps per mm:
M92 E140.00000 P57988
M92 E150.00000 P11332
M203 E50.00000 P57988
M204 E900.00000 P57988
M204 E910.00000 P11332
M301 S0 P10.0000 I0.3000 D200.0000 X255.0000 Y255
M301 S1 P11.0000 I0.4000 D210.0000 X255.0000
M304 P9.0000 I0.1000 D100.0000
M907 X1.50000 Y1.50000
a remark""",
    "script": """\
Steps/mm: X: 80.000, Y: 80.000, Z: 1163.400, E: 420.000:421.000
Max speeds (mm/min): X: 6000.0, Y: 6000.0, Z: 570.0, E: 1200.0:1200.0, min. speed 30.00
Accelerations (mm/sec^2): X: 500.0, Y: 510.0, Z: 80.0, E: 1000.0
Maximum jerk rates (mm/min): X: 900.0, Y: 900.0, Z: 30.0, E: 3000.0, jerk policy: 0
Motor current (mA) - X:800, Y:810, Z:760, E:700:710, idle factor 30%
M92 X90 Y90 Z450 E420:420
a remark""",
    "script-seconds": """\
Steps/mm: X: 80, Y: 80, Z: 4000, E: 420:
Max speeds (mm/sec): X: 100.0, Y: 100.0, Z: 9.5
Motor current (mA): X:800, Z:760""",
}


def _family(dump: str) -> Family:
    return FAMILIES[dump.partition("-")[0]]


def _read(dump: str) -> Readback:
    return _family(dump).parse(DUMPS[dump].splitlines())


@pytest.mark.parametrize("dump", DUMPS)
def test_a_whole_dump_is_read_to_the_last_digit(dump: str, pinned: Pinned) -> None:
    pinned(f"families/read-{dump}", "\n".join(of_reading(_read(dump))))


def _written(family: Family, key: str, value: float, reading: Readback) -> str:
    try:
        return family.write_line(key, value, reading)
    except Refused as refused:
        return f"refused: {refused}"


def _for_writing(dump: str) -> Readback:
    """The reading as if its damage were none: what a line would be."""
    found = _read(dump)
    return Readback(found.family, found.settings, notes=found.notes)


@pytest.mark.parametrize("dump", DUMPS)
def test_each_key_has_its_line_or_a_reason_why_it_has_none(dump: str, pinned: Pinned) -> None:
    family, reading, said = _family(dump), _for_writing(dump), []
    for key, found in reading.settings.items():
        value = round(found.value * 1.01 + 0.003, 4)
        said.append(f"{key} {value:.4f}: {_written(family, key, value, reading)}")
        line = family.file_line(key, value)
        said += [f"    in the file: {line}"] if line else []
    pinned(f"families/lines-{dump}", "\n".join(said))


@pytest.mark.parametrize("dump", DUMPS)
def test_a_line_that_was_written_reads_as_the_value_it_was_to_set(dump: str) -> None:
    """Lines of code families are of the same form both ways."""
    family, reading = _family(dump), _for_writing(dump)
    if family.name not in ("replay", "numbered") or "inches" in dump:
        return
    for key, found in reading.settings.items():
        if "@" in key:
            continue
        value = round(found.value * 1.01 + 0.003, 4)
        again = family.parse([family.write_line(key, value, reading)]).settings
        if "_per_mm.e1" in key or key.endswith(("_2", ".e1")) or key in again:
            assert again[key].value == pytest.approx(value, abs=1e-5), key


@pytest.mark.parametrize("name", FAMILIES)
def test_what_no_line_may_set(name: str, pinned: Pinned) -> None:
    """Bounds of each kind of key: the last value that goes, the first that does not."""
    family, reading, said = FAMILIES[name], _for_writing(name), []
    kinds: set[str] = set()
    for key in reading.settings:
        kind = key.partition(".")[0]
        if kind in kinds or "@" in key:
            continue
        kinds.add(kind)
        goes, first = [], True
        for value in (-1e5, -1000.0, -1.0, 0.0, 0.001, 1.0, 1e4, 2e4, 1e5, 1e6, 1e7):
            for given in (value - 0.0001, value, value + 0.0001):
                line = _written(family, key, given, reading)
                goes += [] if line.startswith("refused") else [f"{given:.4f}"]
                said += [line] if first and line.startswith("refused") else []
                first &= not line.startswith("refused")
        said.append(f"{key} goes with {', '.join(goes)}")
    for value in (float("nan"), float("inf")):
        said.append(_written(family, "steps_per_mm.x", value, reading))
    said.append(_written(family, "steps_per_mm.q", 80.0, reading))
    damaged = Readback(reading.family, reading.settings, damage=("it is cut", "and more"))
    said.append(_written(family, "steps_per_mm.x", 80.0, damaged))
    pinned(f"families/bounds-{name}", "\n".join(said))


def _spoiled(text: str, dice: Dice) -> str:
    """One line with one thing wrong with it."""
    place = dice.below(len(text))
    match dice.below(6):
        case 0:
            return text[:place] + text[place + 1 :]
        case 1:
            return text[:place] + text[place] + text[place:]
        case 2:
            return text[:place] + "79-. XPM$E:"[dice.below(11)] + text[place + 1 :]
        case 3:
            return text[:place]
        case 4:
            return text[place:]
        case _:
            return text[: place + 1] + text[max(0, place - 12) :]


@pytest.mark.parametrize("name", FAMILIES)
def test_what_is_said_of_a_spoiled_line(name: str, pinned: Pinned) -> None:
    """As a bad wire would make it, by chance; what else the dump holds is not told again."""
    family, dice, said = FAMILIES[name], Dice(len(name)), []
    lines = DUMPS[name].splitlines()
    whole = set(_told(family.parse(lines)))
    for number in range(80):
        place = number % len(lines)
        spoiled = [*lines]
        spoiled[place] = _spoiled(lines[place], dice)
        now = _told(family.parse(spoiled))
        said.append(spoiled[place])
        said += [f"    + {line}" for line in now if line not in whole]
        said += [f"    - {len(whole.difference(now))}"]
    pinned(f"families/spoiled-{name}", "\n".join(said))


def _told(reading: Readback) -> list[str]:
    """Each line of a reading, without the text that it was read from where that is long."""
    settings = (
        of_setting(key, found).partition(" | ")[0] for key, found in reading.settings.items()
    )
    return [*settings, *(line[:70] for line in of_remarks(reading))]


@pytest.mark.parametrize("name", FAMILIES)
def test_lines_twice_lost_and_in_another_order(name: str, pinned: Pinned) -> None:
    family, said = FAMILIES[name], []
    lines = DUMPS[name].splitlines()
    whole = set(_told(family.parse(lines)))
    for place, line in enumerate(lines):
        for what, other in (
            ("without", [*lines[:place], *lines[place + 1 :]]),
            ("twice", [*lines[: place + 1], *lines[place:]]),
        ):
            new = [text for text in _told(family.parse(other)) if text not in whole]
            said.append(f"{what} {line}")
            said += [f"    + {text}" for text in new]
    pinned(f"families/lost-{name}", "\n".join(said))


def _card(family: Family) -> Iterator[str]:
    yield f"{family.name}: {family.sends}"
    yield from (f"evidence {one.weight}: {one.pattern}" for one in family.evidence)
    yield f"decided by {', '.join(sorted(family.decided_by))}"
    yield f"dumps at boot {family.dumps_at_boot}; numbers lines {family.numbered_lines}"
    asked = [*family.query_settings, *([family.names_itself] if family.names_itself else [])]
    yield from (f"asked {one.line}, ends at {one.end}, {one.timeout:.1f} s" for one in asked)
    window = family.window
    yield f"acknowledges first {family.ack_first}"
    yield f"window {window.lines} lines, {window.bytes} bytes"
    yield f"pause {family.pause:.2f} s; heats {family.heats}; standstill {family.standstill}"
    words = family.words
    yield f"stores {words.store}, reloads {words.reload}, covers steps {words.covers_steps}"
    yield f"kept by {words.kept_by}, writing stores {words.writing_stores}, file {words.file!r}"
    yield f"reads {', '.join(sorted(family.reads))}"
    yield f"sets {', '.join(sorted(family.sets))}"
    yield f"wakes {', '.join(sorted(family.unlocks))}"
    yield f"stops {family.stop.word} {family.stop.data!r}"
    how = family.wording
    yield f"wording {how.plastic}, relative {how.relative}, heats {how.heats}, homes {how.homes}"
    yield f"homes {family.homes(['X', 'Y'])}"
    for letter in "xyz":
        yield f"shown {family.as_shown(letter, 105.123456)}"
    for key in ("steps_per_mm.x", "steps_per_mm.e1", "max_speed.z", "jerk.y", "skew.i"):
        yield f"file {key}: {family.file_line(key, 9.123456)}"


@pytest.mark.parametrize("name", FAMILIES)
def test_a_card_says_what_it_said(name: str, pinned: Pinned) -> None:
    pinned(f"families/card-{name}", "\n".join(_card(FAMILIES[name])))


@pytest.mark.parametrize("name", [name for name in FAMILIES if name != "script"])
def test_only_a_family_with_a_file_has_one_edited(name: str) -> None:
    with pytest.raises(Refused, match="by its store word, not in a file of lines") as caught:
        FAMILIES[name].edited("M92 X80\n", {"steps_per_mm.x": 81.0})
    assert "'store'" in caught.value.remedy


#: A file of lines, what is wanted, and the file as it then is.
EDITS: list[tuple[str, dict[str, float], str]] = [
    ("M92 X80 Y80\n", {"steps_per_mm.x": 80.5}, "M92 X80.5 Y80\n"),
    ("m92 x80 y80 ; so\n", {"steps_per_mm.y": 80.5}, "m92 x80 y80.5 ; so\n"),
    ("M92 X80.00\n", {"steps_per_mm.x": 80.0}, "M92 X80.00\n"),
    ("M92 Xhm\n", {"steps_per_mm.x": 80.0}, "M92 Xhm\nM92 X80\n"),
    ("M92 X1.2.3\n", {"steps_per_mm.x": 80.0}, "M92 X80\n"),
    ("M92 X80\nM92 X90\n", {"steps_per_mm.x": 91.0}, "M92 X80\nM92 X91\n"),
    ("M92 X80\nM92 Y90\n", {"steps_per_mm.x": 91.0}, "M92 X91\nM92 Y90\n"),
    ("M92 X80\nM203 X9\n", {"steps_per_mm.z": 91.0}, "M92 X80\nM92 Z91\nM203 X9\n"),
    ("M92 X80\nM92 Y80\nG28\n", {"steps_per_mm.z": 9.0}, "M92 X80\nM92 Y80\nM92 Z9\nG28\n"),
    ("G28\n", {"steps_per_mm.z": 91.0}, "G28\nM92 Z91\n"),
    ("G28", {"steps_per_mm.z": 91.0}, "G28\nM92 Z91\n"),
    ("G28\nG21", {"steps_per_mm.z": 91.0}, "G28\nG21\nM92 Z91\n"),
    ("G28\r\nG21\r\n", {"steps_per_mm.z": 91.0}, "G28\r\nG21\r\nM92 Z91\r\n"),
    ("", {"steps_per_mm.z": 91.0}, "M92 Z91\n"),
    ("M92 X80 E420:421\n", {"steps_per_mm.e1": 422.0}, "M92 X80 E420:422\n"),
    ("M92 X80 E420:421\n", {"steps_per_mm.e0": 419.5}, "M92 X80 E419.5:421\n"),
    ("M92 E420\n", {"steps_per_mm.e0": 419.5}, "M92 E419.5\n"),
    ("M203 X6000\n", {"max_speed.x": 90.0}, "M203 X5400\n"),
    ("M201 X6000\n", {"max_acceleration.x": 90.0}, "M201 X90\n"),
    ("M566 X900\n", {"jerk.x": 10.0}, "M566 X600\n"),
    ("M920 X80\n; M92 X80\n", {"steps_per_mm.x": 81.0}, "M920 X80\n; M92 X80\nM92 X81\n"),
    ("M92.1 X80\n", {"steps_per_mm.x": 81.0}, "M92.1 X80\nM92 X81\n"),
    ("M92 X80 ; not X90\n", {"steps_per_mm.x": 81.0}, "M92 X81 ; not X90\n"),
    ("M906 X800\n", {"motor_current.x": 810.0}, "M906 X810\n"),
    ("  M92 X80\n", {"steps_per_mm.x": 81.0, "steps_per_mm.y": 1.0}, "  M92 X81\nM92 Y1\n"),
]


@pytest.mark.parametrize(("text", "wanted", "edited"), EDITS)
def test_a_start_up_script_is_edited_where_it_says_it(
    text: str, wanted: dict[str, float], edited: str
) -> None:
    assert FAMILIES["script"].edited(text, wanted) == edited


def test_what_a_start_up_script_cannot_say() -> None:
    with pytest.raises(Refused, match=r"skew\.i has no line in the controller's start-up script"):
        FAMILIES["script"].edited("M92 X80\n", {"skew.i": 0.1})
    with pytest.raises(Refused, match="No line of M92 has a value for tool 2") as caught:
        FAMILIES["script"].edited("M92 E420:421\n", {"steps_per_mm.e2": 5.0})
    assert caught.value.remedy == "Put it in by hand: M92 E5"
