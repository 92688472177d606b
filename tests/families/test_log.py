"""Readings out of captured logs: own numbers, in the forms that controllers really print."""

from __future__ import annotations

from typing import Any

import pytest

from agent.families import from_log
from agent.model.settings import Readback


def values(reading: Readback) -> dict[str, float]:
    return {key: round(s.value, 6) for key, s in reading.settings.items()}


def digits(reading: Readback) -> set[int]:
    return {s.digits for s in reading.settings.values()}


def events(reading: Readback) -> list[dict[str, Any]]:
    return [event.to_plain() for event in reading.events]


def axes(kind: str, *numbers: float, names: str = "x y z e0", mode: str = "") -> dict[str, float]:
    return {f"{kind}.{a}{mode}": n for a, n in zip(names.split(), numbers, strict=False)}


PREFIXED = """\
echo:  G21    ; Units in mm (mm)
echo:; Steps per unit:
echo: M92 X81.25 Y79.60 Z1163.40 E412.70
echo:; Max feedrates (units/s):
echo:  M203 X180.00 Y175.00 Z9.50 E62.00
echo:; Max Acceleration (units/s2):
echo:  M201 X640.00 Y610.00 Z85.00 E2400.00
echo:; Z-Probe Offset:
echo:  M851 X-31.50 Y4.25 Z-1.85 ; (mm)
ok P15 B3
"""


@pytest.mark.parametrize(
    "text",
    [
        PREFIXED,
        PREFIXED.replace("\n", "\r\n"),
        "> M503\n" + PREFIXED,
        "".join(f"< {line}\n" for line in PREFIXED.splitlines()),
        PREFIXED.replace("echo:", "echo:echo:"),
        PREFIXED.replace("echo:", "").replace("  M", "M"),
        PREFIXED.replace("\necho:;", "\n\necho:;"),
        PREFIXED.replace("(mm)\n", "(mm) \t\n"),
        PREFIXED.replace("E412.70", "E412.70\0"),
    ],
)
def test_a_dump_in_all_its_framings(text: str) -> None:
    reading = from_log(text)
    assert values(reading) == {
        **axes("steps_per_mm", 81.25, 79.6, 1163.4, 412.7),
        **axes("max_speed", 180, 175, 9.5, 62),
        **axes("max_acceleration", 640, 610, 85, 2400),
        **axes("probe_offset", -31.5, 4.25, -1.85),
    }
    assert digits(reading) == {2}
    assert (reading.family, reading.damage, reading.notes) == ("replay", (), ())
    assert reading.settings["steps_per_mm.z"].unit == "step/mm"


def test_bare_lines_with_other_traffic_in_between() -> None:
    reading = from_log("""\
G21 ; (mm)
M92 X160.00 Y160.50 Z800.25 E391.00
 T:23.41 /0.00 B:22.10 /0.00 @:0 B@:0
M203 X220.00 Y220.00 Z7.00
M203 T0 E55.00
M203 T1 E48.00
echo:busy: processing
M204 P750.00 R1400.00 T900.00
M205 B20000.00 S0.00 T0.00 J0.06
ok
""")
    assert values(reading) == {
        **axes("steps_per_mm", 160, 160.5, 800.25, 391),
        **axes("max_speed", 220, 220, 7, 55, 48, names="x y z e0 e1"),
        **axes("acceleration", 750, 1400, 900, names="print retract travel"),
        "segment_time": 20000,
        "min_speed.print": 0,
        "min_speed.travel": 0,
        "junction_deviation": 0.06,
    }
    assert reading.damage == ()
    assert events(reading) == [
        {"kind": "unsolicited", "text": "T:23.41 /0.00 B:22.10 /0.00 @:0 B@:0"},
        {"kind": "busy", "reason": "processing"},
    ]


def test_the_old_form_of_accelerations_and_jerk() -> None:
    reading = from_log("""\
echo:Stored settings retrieved
echo:Steps per unit:
echo:  M92 X78.74 Y78.74 Z2560.00 E530.00
echo:Acceleration: S=acceleration, T=retract acceleration
echo:  M204 S1100.00 T2600.00
echo:Advanced variables: S=Min feedrate (mm/s), X=maximum XY jerk (mm/s)
echo:  M205 S0.00 T0.00 B20000 X11.00 Z0.35 E4.50
ok
""")
    assert values(reading) == {
        **axes("steps_per_mm", 78.74, 78.74, 2560, 530),
        "acceleration.print": 1100,
        "acceleration.retract": 2600,
        "min_speed.print": 0,
        "min_speed.travel": 0,
        "segment_time": 20000,
        **axes("jerk", 11, 11, 0.35, 4.5),
    }
    assert events(reading) == [{"kind": "loaded"}]
    assert (reading.damage, reading.notes) == ((), ("unit not stated, mm assumed",))


def test_two_modes_told_apart_by_their_headings() -> None:
    reading = from_log("""\
echo:Steps per unit:
echo:  M92 X100.25 Y99.90 Z401.00 E281.00
echo:Maximum feedrates - normal (mm/s):
echo:  M203 X190.00 Y185.00 Z11.00 E110.00
echo:Maximum feedrates - quiet (mm/s):
echo:  M203 X95.00 Y92.00 Z10.00 E90.00
echo:Maximum acceleration - normal (mm/s2):
echo:  M201 X1150 Y1150 Z900 E4500
echo:Maximum acceleration - quiet (mm/s2):
echo:  M201 X930 Y930 Z900 E4500
ok
""")
    assert values(reading) == {
        **axes("steps_per_mm", 100.25, 99.9, 401, 281),
        **axes("max_speed", 190, 185, 11, 110),
        **axes("max_speed", 95, 92, 10, 90, mode="@quiet"),
        **axes("max_acceleration", 1150, 1150, 900, 4500),
        **axes("max_acceleration", 930, 930, 900, 4500, mode="@quiet"),
    }
    assert reading.settings["max_acceleration.x@quiet"].digits == 0
    assert reading.damage == ()


def test_twice_without_different_headings_is_damage() -> None:
    reading = from_log(
        PREFIXED.replace("ok P15", "echo:  M203 X180.00 Y175.00 Z9.50 E62.00\nok P15")
    )
    assert reading.damage[0].startswith("max_speed.x is given twice")


def test_a_silent_query_and_a_resend_hold_no_settings() -> None:
    reading = from_log("ok\nError:checksum mismatch, Last Line: 40\nResend: 41\nok\n")
    assert (values(reading), reading.damage) == ({}, ())
    assert events(reading) == [
        {"kind": "line_checksum", "text": "Error:checksum mismatch, Last Line: 40"},
        {"kind": "resend", "line": 41},
    ]


def test_a_store_is_told_once_however_often_it_is_said() -> None:
    reading = from_log("""\
echo:Settings Stored (702 bytes; crc 41877)
//action:notification Settings Stored
//action:notification Settings Stored
ok P15 B31
""")
    assert events(reading) == [{"kind": "stored", "size": 702, "crc": 41877}]


def test_a_layout_mismatch_leaves_defaults_live() -> None:
    reading = from_log("""\
echo:EEPROM version mismatch (EEPROM=V71 Board=V88)
echo:Hardcoded Default Settings Loaded
echo:; Steps per unit:
echo: M92 X80.00 Y80.00 Z400.00 E93.00
ok
""")
    assert events(reading) == [
        {"kind": "layout_mismatch", "stored": 71, "running": 88},
        {"kind": "defaults_live"},
    ]
    assert values(reading) == axes("steps_per_mm", 80, 80, 400, 93)


def test_an_override_deleted_and_a_halt() -> None:
    reading = from_log(
        "config override file deleted /store/override, reboot needed\r\nok\r\n"
        "Error: axis not homed\r\nEntering Alarm/Halt state\r\n!!\r\n"
    )
    assert reading.family == "override"
    assert events(reading) == [
        {"kind": "override_deleted", "path": "/store/override"},
        {"kind": "halted", "reason": "axis not homed", "lost": []},
    ]


def test_an_acknowledgement_glued_into_a_report() -> None:
    text = "T:190.11 /190.00 B:59.90 /60.00 @:61 B@:17 @0:61 @N18ok N18 P15 B3"
    assert events(from_log(text + "\n")) == [{"kind": "unsolicited", "text": text}]


BOOT = """\
Error:heater 0 does not follow, machine stopped
Error:Printer halted. kill() called!
\udcfe\0Erstart
echo: External Reset
Board 2.1
echo: Last Updated: 2023-05-04 | Author: (nobody)
echo:Compiled: May  6 2023
echo: Free Memory: 3944  PlannerBufferBytes: 1168
echo:V88 stored settings retrieved (702 bytes; crc 41877)
echo:; Steps per unit:
echo: M92 X80.00 Y80.00 Z1161.00 E410.00
echo:SD init fail
"""


def test_what_a_boot_prints_answers_no_question() -> None:
    reading = from_log("> M92 X80.9\nok\n> M503\n" + BOOT)
    assert values(reading) == axes("steps_per_mm", 80, 80, 1161, 410)
    assert reading.damage == ("this was printed by a boot, it answers no question: read again",)
    assert events(reading) == [
        {"kind": "halted", "reason": "heater 0 does not follow, machine stopped", "lost": []},
        {"kind": "restarted", "cause": "start", "lost": []},
        {"kind": "loaded", "version": 88, "size": 702, "crc": 41877},
        {"kind": "unsolicited", "text": "echo:SD init fail"},
    ]


def test_the_answer_behind_a_boot_counts() -> None:
    reading = from_log(BOOT + PREFIXED)
    assert reading.settings["steps_per_mm.z"].value == 1163.4
    assert reading.damage == ()


def test_a_numbered_list() -> None:
    reading = from_log("""\
$0=10\r
$10=1\r
$11=0.012\r
$13=1\r
$100=251.300 (x, step/mm)\r
$101 = 249.800 (Y-axis travel resolution, step/mm)\r
$102=1162.500\r
$103=96.400\r
$110=7200.000\r
$111=6900.000\r
$112=570.000\r
$120=410.000\r
$130=310.000\r
$30=1000.\r
ok\r
""")
    assert values(reading) == {
        "junction_deviation": 0.012,
        **axes("steps_per_mm", 251.3, 249.8, 1162.5, 96.4),
        **axes("max_speed", 120, 115, 9.5),
        "max_acceleration.x": 410,
        "max_travel.x": 310,
    }
    assert digits(reading) == {3}
    assert reading.settings["max_speed.x"].half_digit == pytest.approx(0.0005 / 60)
    assert reading.other == ("$0=10", "$10=1", "$13=1", "$30=1000.")
    assert (reading.family, reading.damage, reading.notes) == ("numbered", (), ())


def test_refusals_and_an_alarm() -> None:
    reading = from_log("""\
error:8\r
<Run|MPos:12.000,0.000,3.250|FS:1500,0>\r
error:12\r
ALARM:1\r
[MSG:Reset to continue]\r
""")
    assert reading.family == "numbered"
    assert reading.notes == (
        "a line was refused: 8 (not idle)",
        "a line was refused: 12 (step rate too high)",
    )
    assert events(reading) == [
        {"kind": "unsolicited", "text": "<Run|MPos:12.000,0.000,3.250|FS:1500,0>"},
        {"kind": "halted", "reason": "alarm 1: hard limit", "lost": []},
        {"kind": "unsolicited", "text": "[MSG:Reset to continue]"},
    ]


def test_a_table_behind_its_acknowledgement() -> None:
    reading = from_log("""\
ok 5
EPR:0 1028 0 Language
EPR:2 75 250000 Baudrate
EPR:3 129 NAN Filament printed [m]
EPR:3 3 81.4000 X-axis steps per mm
EPR:3 1052 81.3500 X2-axis steps per mm
EPR:3 7 79.9500 Y-axis steps per mm
EPR:3 15 140.000 X-axis max. feedrate [mm/s]
wait
""")
    assert values(reading) == {
        **axes("steps_per_mm", 81.4, 81.35, 79.95, names="x x_2 y"),
        "max_speed.x": 140,
    }
    assert reading.settings["steps_per_mm.x"].digits == 4
    assert (reading.family, reading.damage) == ("table", ())
    assert reading.notes == (
        "not a number, but no setting of the motion: EPR:3 129 NAN Filament printed [m]",
    )
    assert "EPR:2 75 250000 Baudrate" in reading.other


def test_an_inch_dump_is_converted_and_says_so() -> None:
    reading = from_log("""\
echo:  G20    ; Units in inches (in)
echo:; Steps per unit:
echo: M92 X2032.00 Y2019.30 Z29540.20 E10490.20
echo:; Maximum feedrates (units/s):
echo:  M203 X7.09 Y7.09 Z0.35 E2.36
ok
""")
    assert values(reading) == {
        **axes("steps_per_mm", 80, 79.5, 1163, 413),
        **axes("max_speed", 180.086, 180.086, 8.89, 59.944),
    }
    assert reading.settings["steps_per_mm.x"].half_digit == pytest.approx(0.005 / 25.4)
    assert reading.settings["max_speed.x"].half_digit == pytest.approx(0.127)
    assert reading.notes == (
        "the dump is in inches: switch the controller to mm (G21) and read again",
    )


def test_damaged_values_are_named_and_the_sound_ones_shown() -> None:
    reading = from_log("""\
echo:; Steps per unit:
echo: M92 X80.20 Y80.05 Z0.00 E411.00
echo:; Maximum feedrates (units/s):
echo:  M203 Xnan Ynan Z8.00 E50.00
echo:; Maximum Acceleration (units/s2):
echo:  M201 X600 Y600 Z4294967295 E4294967295
echo:; Home offset:
echo:  M206 X5 Y
echo:echo:  M218 T1 X-3.50 Y0.25\0
ok
""")
    assert values(reading) == {
        **axes("steps_per_mm", 80.2, 80.05, 411, names="x y e0"),
        **axes("max_speed", 8, 50, names="z e0"),
        **axes("max_acceleration", 600, 600),
        "home_offset.x": 5,
    }
    assert reading.other == ("M218 T1 X-3.50 Y0.25",)
    assert [said.partition(":")[0] for said in reading.damage] == [
        "steps_per_mm.z is 0.00, which is impossible",
        "max_speed.x is nan, not a number",
        "max_speed.y is nan, not a number",
        "max_acceleration.z is 4294967295, which is impossible",
        "max_acceleration.e0 is 4294967295, which is impossible",
        "home_offset.y has no number",
    ]


# Further forms of the same kinds


def test_a_letter_twice_on_a_line_is_the_next_tool() -> None:
    reading = from_log("M92 X80.00 Y80.00 Z400.00 E866.00 E1800.00\nok\n")
    assert values(reading) == axes("steps_per_mm", 80, 80, 400, 866, 1800, names="x y z e0 e1")


def test_motors_tools_loops_and_what_stays_text() -> None:
    reading = from_log("""\
echo:  G21
echo:  M92 X80.00 Y80.00 Z400.00
  M92 T0 E410.00
  M92 T1 E415.00
echo:  M200 D1.75
echo:  M200 D0
echo:  M145 S0 H200.00 B60.00 F255 ; (100% 0%)
echo:  M301 P22.20 I1.08 D114.00
echo:  M304 P10.00 I0.02 D305.40
echo:  M569 S1 X Y Z
echo:  M906 X800 Y800 Z760
echo:  M906 I1 Z770
echo:  M906 T0 E650
echo:  M900 T1 K0.05
echo:  G29 S3 X1 Y1 Z0.5
echo:  M149 C
echo:Active Mesh Slot: -1
S=Min feedrate (mm/s),
ok
""")
    assert values(reading) == {
        **axes("steps_per_mm", 80, 80, 400, 410, 415, names="x y z e0 e1"),
        **axes("hotend_pid", 22.2, 1.08, 114, names="p i d"),
        **axes("bed_pid", 10, 0.02, 305.4, names="p i d"),
        **axes("motor_current", 800, 800, 760, 770, 650, names="x y z z_2 e0"),
    }
    assert reading.other == (
        "M200 D1.75",
        "M200 D0",
        "M145 S0 H200.00 B60.00 F255",
        "M569 S1 X Y Z",
        "M900 T1 K0.05",
        "G29 S3 X1 Y1 Z0.5",
        "M149 C",
    )
    assert (reading.damage, reading.notes) == ((), ("echo:Active Mesh Slot: -1",))


@pytest.mark.parametrize(
    ("line", "damage"),
    [
        ("echo:  M20500.00 T1000.00", "unknown code M20500.00"),
        ("echo:  M218 T1 X0.em v1.01", "M218 has X0.em, which is no field"),
        ("echo:  M203 X180.00Y175.00 Z9.50 E62.00", "max_speed.x is 180.00Y175.00, not a number"),
        ("echo:  M203 X180.00 Z9.50 E62.00", "M203 lacks Y"),
        ("echo:  M2\0X80", "the remains of a line"),
        ("03 X180.00 Y175.00", "the remains of a line"),
        (" T:23.41 /0.00 B:2echo:  M203 X180.00 Y175.00", "the remains of a line"),
        (" T:23.41 /0.00 B:22.10 M203 X180.00 Y175.00", "the remains of a line"),
    ],
)
def test_lines_that_lost_bytes(line: str, damage: str) -> None:
    reading = from_log(f"echo: M92 X80.00 Y80.00 Z400.00 E93.00\n{line}\nok\n")
    assert any(said.startswith(damage) for said in reading.damage), reading.damage


def test_a_dump_without_its_end_may_be_cut() -> None:
    reading = from_log(PREFIXED.removesuffix("ok P15 B3\n"))
    assert reading.damage == ("the reply does not end with an acknowledgement: it may be cut",)


def test_commands_of_others_and_echoes_are_no_settings() -> None:
    reading = from_log(
        "> M92 X99\necho:M92 X99\nok\n> M503\n"
        'echo:enqueueing "M84 X Y"\necho:Unknown command: "M92 X1"\n'
        "echo:N12 M92 X80.5*99\necho:M92 X70.5\n" + PREFIXED
    )
    assert reading.settings["steps_per_mm.x"].value == 81.25
    assert reading.damage == ()
    assert events(reading) == [
        {"kind": "foreign_command", "text": "M84 X Y"},
        {"kind": "unknown_command", "text": "M92 X1"},
        {"kind": "foreign_command", "text": "M92 X80.5"},
        {"kind": "foreign_command", "text": "M92 X70.5"},
    ]


def test_the_last_of_several_replies_counts() -> None:
    later = PREFIXED.replace("X81.25", "X82.00")
    assert from_log(PREFIXED + later).settings["steps_per_mm.x"].value == 82
    assert from_log(PREFIXED + later).damage == ()


def test_a_key_that_the_last_reply_lacks_is_damage() -> None:
    later = PREFIXED.replace("echo:  M851 X-31.50 Y4.25 Z-1.85 ; (mm)\n", "")
    assert from_log(PREFIXED + later).damage == (
        "probe_offset.x is missing in the last reply",
        "probe_offset.y is missing in the last reply",
        "probe_offset.z is missing in the last reply",
    )


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("echo:Error writing to EEPROM!\n" * 4, [{"kind": "storage_write_failed"}]),
        ("echo:EEPROM disabled\n", [{"kind": "no_storage"}]),
        ("echo:No EEPROM.\n", [{"kind": "no_storage"}]),
        (
            "Error:EEPROM CRC mismatch - (stored) 12345 != 54321 (calculated)!\n",
            [{"kind": "checksum_of_storage", "stored": 12345, "computed": 54321}],
        ),
        (
            "echo:EEPROM version mismatch (EEPROM=? Board=V88)\n" * 2,
            [{"kind": "layout_mismatch", "stored": None, "running": 88}],
        ),
        (
            "Error:EEPROM datasize error.\nIndex: 706 Size: 702\n",
            [{"kind": "layout_mismatch"}, {"kind": "layout_mismatch", "index": 706, "size": 702}],
        ),
        ("echo:V88 Stored settings retreived\n", [{"kind": "loaded", "version": 88}]),
        ("info: EEPROM configuration loaded\n", [{"kind": "loaded"}]),
        ('Unknown command:"N5 M503"\n', [{"kind": "unknown_command", "text": "N5 M503"}]),
        ("Settings stored to /sd/config-override\n",
         [{"kind": "stored", "path": "/sd/config-override"}]),
        ("; config override present: /sd/config-override\n",
         [{"kind": "override_present", "path": "/sd/config-override"}]),
        ("[MSG:Restoring defaults]\n", [{"kind": "defaults_live"}]),
        ("error:3\n", [{"kind": "unknown_command", "text": "error:3"}]),
    ],
)  # fmt: skip
def test_notices(text: str, told: list[dict[str, Any]]) -> None:
    got = events(from_log(text + "ok\n"))
    assert len(got) == len(told)
    for event, wanted in zip(got, told, strict=True):
        assert event.items() >= wanted.items()


def test_an_override_dump() -> None:
    reading = from_log("""\
; config override present: /sd/config-override\r
;Steps per unit:\r
M92 X80.00000 Y80.12500 Z1163.20000\r
;Acceleration mm/sec^2:\r
M204 S500.00000\r
;X- Junction Deviation, Z- Z junction deviation, S - Minimum Planner speed mm/sec:\r
M205 X0.05000 Z-1.00000 S0.00000\r
;Max cartesian feedrates in mm/sec:\r
M203 X180.00000 Y160.00000 Z60.00000 S-1.00000\r
;Max actuator feedrates in mm/sec:\r
M203.1 X180.00000 Y160.00000 Z60.00000\r
;E Steps per mm:
M92 E140.00000 P57988
M204 E900.00000 P57988\r
;PID settings:\r
M301 S0 P10.0000 I0.3000 D200.0000 X255.0000 Y255\r
\r
ok\r
""")
    assert reading.family == "override"
    assert values(reading) == {
        **axes("steps_per_mm", 80, 80.125, 1163.2, 140),
        "acceleration.print": 500,
        "max_acceleration.e0": 900,
        "junction_deviation": 0.05,
        "min_speed.print": 0,
        **axes("max_speed", 180, 160, 60),
        **axes("hotend_pid", 10, 0.3, 200, names="p i d"),
    }
    assert reading.settings["steps_per_mm.z"].digits == 5
    assert reading.damage == ()
    assert [e["kind"] for e in events(reading)] == ["override_present"]


def test_sentences_of_a_script_controller() -> None:
    reading = from_log("""\
> M92
Steps/mm: X: 80.000, Y: 80.000, Z: 400.000, E: 420.000:421.000
ok
> M203
Max speeds (mm/min): X: 6000.0, Y: 6000.0, Z: 180.0, E: 1200.0:1200.0, min. speed 30.00
ok
> M503
M92 X90 Y90 Z450 E420:420
ok
""")
    assert reading.family == "script"
    assert values(reading) == {
        **axes("steps_per_mm", 80, 80, 400, 420, 421, names="x y z e0 e1"),
        **axes("max_speed", 100, 100, 3, 20, 20, names="x y z e0 e1"),
    }
    assert reading.damage == ()


def test_a_very_old_sentence() -> None:
    reading = from_log("Steps/mm: X: 80, Y: 80, Z: 4000, E: 420:\nok\n")
    assert values(reading) == axes("steps_per_mm", 80, 80, 4000, 420)


def test_named_and_very_old_numbered_settings() -> None:
    named = from_log("$X/StepsPerMm=200.000\n$X/MaxRate=6000.000\n$Name=bench\nok\n")
    assert values(named) == {"steps_per_mm.x": 200, "max_speed.x": 100}
    old = from_log("$0 = 755.906 (steps/mm x)\n$2 = 2560.000 (steps/mm z)\n$4 = 30 (pulse)\nok\n")
    assert values(old) == {"steps_per_mm.x": 755.906, "steps_per_mm.z": 2560}
    assert old.other == ("$4 = 30 (pulse)",)


def test_a_list_behind_a_banner_is_an_answer() -> None:
    reading = from_log("""\
bench 1.1 ['$' for help]\r
[MSG:'$H'|'$X' to unlock]\r
>G54G20:ok\r
$100=80.000\r
$101=80.000\r
$102=400.000\r
$N0=G54\r
ok\r
""")
    assert values(reading) == axes("steps_per_mm", 80, 80, 400)
    assert (reading.identity, reading.damage) == ("bench 1.1", ())


def test_a_broken_memory() -> None:
    reading = from_log("$0=255\n$100=2147483.648\n$0=0.00000000000000000000214\n$151=\n$151=\nok\n")
    assert [said.partition(",")[0].partition(":")[0] for said in reading.damage] == [
        "steps_per_mm.x is 2147483.648",
        "$0 is given twice",
        "$151 is empty",
        "$151 is given twice",
    ]


@pytest.mark.parametrize("text", ["", "\n\n", "hello\nworld\n", "ok\n"])
def test_what_no_family_sends_is_unknown(text: str) -> None:
    reading = from_log(text)
    assert (reading.family, values(reading), reading.damage) == ("unknown", {}, ())


def test_junk_is_named() -> None:
    reading = from_log("\udcff\udcfe\udcfd\n" * 50)
    assert reading.damage == ("150 bytes that are no text: a wrong speed or a bad cable",)


def test_hostile_text_is_spelled_and_bounded() -> None:
    text = "\x1b[2J\x1b]0;x\x07\n" * 1000 + "x" * 1_000_000 + "\n" + PREFIXED
    reading = from_log(text)
    assert reading.settings["steps_per_mm.x"].value == 81.25
    assert len(reading.notes) < 300
    assert all(note.isprintable() for note in reading.notes)
