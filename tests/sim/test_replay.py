"""Dialogues with the family that replays M-code lines."""

from dataclasses import replace

import pytest

from sim.machine import build
from sim.options import Options
from sim.words import read_words
from tests.sim.laying import HERON


def machine(**options):
    return build(HERON, seed=None, options=Options(name="heron", **options))


def say(made, data, now=None):
    controller = made.controller
    controller.receive(data, controller.now if now is None else now)
    controller.run(controller.now + 0.05)
    return controller.take().decode()


def test_a_dump_ends_with_ok_and_shows_two_decimals():
    assert say(machine(), b"M503\n").splitlines() == [
        "echo:  G21    ; lengths in mm",
        "echo:; Pulses for each mm:",
        "echo: M92 X80.00 Y80.00 Z105.37 E412.00",
        "echo:; Highest speed, mm/s:",
        "echo:  M203 X180.00 Y160.00 Z60.00 E50.00",
        "echo:; Highest acceleration, mm/s2:",
        "echo:  M201 X1200.00 Y900.00 Z300.00 E4000.00",
        "echo:; Acceleration of laying P, drawing back R, going over T:",
        "echo:  M204 P700.00 R1500.00 T900.00",
        "echo:; Lowest speeds S and T, shortest piece of a move B, corners J:",
        "echo:  M205 J0.03",
        "ok",
    ]


def test_other_dump_styles():
    bare = machine(headings=False, settings_prefix="", settings_indent="", steps_indent="")
    assert say(bare, b"M503\n").splitlines()[:2] == [
        "G21    ; lengths in mm",
        "M92 X80.00 Y80.00 Z105.37 E412.00",
    ]
    assert "M92 X80.0000" in say(machine(decimals=4), b"M503 S0\n")


def test_a_change_lives_until_it_is_stored():
    made = machine()
    assert say(made, b"M92 X80.1234\n") == "ok\n"
    assert say(made, b"M92\n") == "echo: M92 X80.12 Y80.00 Z105.37 E412.00\nok\n"
    assert made.controller.stored["steps_per_mm.x"] == 80.0
    assert say(made, b"M501\n").splitlines()[3] == "echo: M92 X80.00 Y80.00 Z105.37 E412.00"
    say(made, b"M92 X80.1234\n")
    assert say(made, b"M500\n").startswith("echo:Settings Stored (")
    assert made.controller.stored["steps_per_mm.x"] == 80.1234
    made.controller.power_on(10.0)
    made.controller.run(12.0)
    assert made.controller.live["steps_per_mm.x"] == 80.1234
    assert [(c.kind, c.line) for c in made.controller.changes] == [
        ("set", "M92 X80.1234"),
        ("load", "M501"),
        ("set", "M92 X80.1234"),
        ("store", "M500"),
        ("load", ""),
    ]


def test_defaults_are_live_only():
    made = machine()
    say(made, b"M502\n")
    assert made.controller.live["steps_per_mm.z"] == 4000.0
    assert made.controller.stored["steps_per_mm.z"] == 105.37


def test_kept_text_lines_come_back():
    made = machine()
    say(made, b"M900 K0.05\nM206 X1.5\nM851 Z-1.25\nM301 P20 I1.5 D60\n")
    dump = say(made, b"M503 S0\n")
    for line in ("M900 K0.05", "M301 P20.00 I1.50 D60.00"):
        assert f"echo:  {line}\n" in dump
    assert "M206 X1.50\n" in dump
    assert "M851 Z-1.25\n" in dump


def test_an_inch_dump_converts_every_length():
    dump = say(machine(inches=True), b"M503 S0\n")
    assert "G20" in dump
    assert "M92 X2032.00 Y2032.00" in dump
    # 180 mm/s = 7.09 in/s
    assert "M203 X7.09" in dump


def test_numbered_lines_with_their_checksums():
    made = machine(ack="line")
    # XOR of all bytes before the asterisk; 57 and 67 as in public G-code references
    assert say(made, b"N0 M110 N0*125\n") == "ok N0 P15 B3\n"
    assert say(made, b"N1 M105*38\n").startswith("ok T:22.00")
    assert made.received == ["M110 N0", "M105"]


@pytest.mark.parametrize(
    ("line", "complaint"),
    [
        (b"N1 M92 X99*0\n", "checksum mismatch"),
        (b"N5 M92 X99*101\n", "Line Number is not Last Line Number+1"),
        (b"N1 M92 X99\n", "No Checksum with line number"),
        (b"M92 X99*25\n", "No Line Number with checksum"),
    ],
)
@pytest.mark.parametrize("resend_ok", [True, False])
def test_a_bad_line_is_asked_for_again_and_has_no_effect(line, complaint, resend_ok):
    made = machine(resend_ok=resend_ok)
    heard = say(made, line).splitlines()
    assert heard == [
        f"Error:{complaint}, Last Line: 0",
        "Resend: 1",
        *(["ok"] if resend_ok else []),
    ]
    assert made.received == []
    assert made.controller.live["steps_per_mm.x"] == 80.0


def test_heating_takes_time_and_keeps_alive():
    made = machine()
    controller = made.controller
    say(made, b"M109 S50\n")
    controller.run(2.5)
    assert controller.take().decode().splitlines() == [
        " T:25.00 /50.00 B:22.00 /0.00 @:0 B@:0 W:?",
        " T:28.00 /50.00 B:22.00 /0.00 @:0 B@:0 W:?",
        "echo:busy: processing",
    ]
    controller.run(9.0)  # 27 degrees at 3 degrees a second
    assert controller.take().endswith(b"ok\n")


def test_reports_on_their_own():
    made = machine()
    assert say(made, b"M155 S2\n") == "ok\n"
    made.controller.run(4.1)
    assert made.controller.take().decode().count(" T:22.00 /0.00") == 2


def test_what_finds_no_room_is_lost():
    made = machine()
    say(made, b"G4 S5\n")
    say(made, b"M92 X81\n" * 60)
    made.controller.run(10.0)
    assert made.controller.take().count(b"ok") < 40
    assert made.controller.lost_bytes > 0


def test_the_emergency_word_does_not_wait_and_silences_the_board():
    made = machine()
    say(made, b"M104 S200\nG1 X100 F600\nM400\n", 1.0)
    made.controller.take()
    heard = say(made, b"M112\n", 3.0)
    assert heard.splitlines() == [
        "Error:emergency word received",
        "Error:machine halted until reset",
    ]
    assert made.controller.hotend.target == 0
    assert say(made, b"M105\n", 4.0) == ""
    made.controller.finish_moves()
    assert made.plant.travel[0] == 0
    made.controller.power_on(5.0)
    made.controller.run(7.0)
    assert made.controller.take().startswith(b"start\n")
    assert say(made, b"M105\n", 8.0).startswith("ok T:")


def test_nobody_listens_while_the_board_boots():
    made = machine(boot_dump=True)
    made.controller.power_on(0.0)
    assert say(made, b"M92 X99\n", 0.5) == ""
    made.controller.run(2.0)
    boot = made.controller.take().decode()
    assert boot.startswith("start\n")
    assert "M92 X80.00" in boot
    assert "ok" not in boot


def test_unknown_words_are_named_and_acknowledged():
    assert say(machine(), b"M9999 X1\n") == 'echo:Unknown command: "M9999 X1"\nok\n'


def test_one_line_each_is_received_without_framing_or_comment():
    made = machine()
    say(made, b"M92 X80.5 ; trial\n\n; nothing\r\nM503\n")
    assert made.received == ["M92 X80.5", "M503"]


@pytest.mark.parametrize(
    ("text", "code", "words"),
    [
        ("G1 X1 Y-2.5 E.03", "G1", {"X": 1, "Y": -2.5, "E": 0.03}),
        ("G1X1Y2", "G1", {"X": 1, "Y": 2}),
        ("g01 x1", "G1", {"X": 1}),
        ("M203.1 X5", "M203_1", {"X": 5}),
        ("M92 X80,5", "M92", {"X": 80}),
        ("M206 X5 Y", "M206", {"X": 5, "Y": 0}),
        ("G28 X Y", "G28", {"X": 0, "Y": 0}),
        ("nonsense", "nonsense", {}),
        ("", "", {}),
    ],
)
def test_words_of_a_line(text, code, words):
    assert read_words(text) == (code, words)


def test_options_are_a_plain_value():
    assert replace(Options(), ack="slots").ack == "slots"
