"""Dialogues with the family that has an override file."""

from tests.sim.talk import boot, machine, say


def test_the_dump_has_headings_five_decimals_and_lines_of_its_own_for_the_extruder():
    assert say(machine("override"), "M503") == [
        "; No config override",
        ";Pulses for each mm:",
        "M92 X80.00000 Y80.00000 Z105.37000",
        ";Acceleration of every move in mm/s2:",
        "M204 S700.00000",
        ";X how far a corner may be cut in mm, S lowest speed in mm/s:",
        "M205 X0.03000 Z-1.00000 S0.00000",
        ";Highest speed of each direction in mm/s:",
        "M203 X180.00000 Y160.00000 Z60.00000 S-1.00000",
        ";Highest speed of each motor in mm/s:",
        "M203.1 X180.00000 Y160.00000 Z60.00000",
        ";Highest acceleration of each direction in mm/s2:",
        "M201 X1200.00000 Y900.00000 Z300.00000",
        ";Pulses for each mm of filament:",
        "M92 E412.00000 P43060",
        ";Highest speed of the filament in mm/s:",
        "M203 E50.00000 P43060",
        "",
        "ok",
    ]


def test_the_override_file_is_written_and_wins_at_boot():
    made = machine("override")
    assert say(made, "M92 Z106.5") == ["ok"]
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 105.37
    say(made, "M92 Z106.5")
    assert say(made, "M500", wait=1.0) == ["Settings Stored to /store/override", "ok"]
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 106.5
    made.controller.file["steps_per_mm.z"] = 99.0
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 106.5
    assert say(made, "M503")[0] == "; config override present: /store/override"


def test_a_power_cut_while_it_is_written_leaves_it_empty():
    made = machine("override")
    say(made, "M92 Z106.5")
    say(made, "M500", wait=0.05)
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 105.37
    assert say(made, "M503")[0] == "; config override present: /store/override"


def test_deleting_the_override_leaves_what_is_live_until_the_boot():
    made = machine("override")
    say(made, "M92 Z106.5")
    say(made, "M500", wait=1.0)
    assert say(made, "M502") == [
        "config override file deleted /store/override, reboot needed",
        "ok",
    ]
    assert made.controller.live["steps_per_mm.z"] == 106.5
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 105.37


def test_halted_it_answers_two_marks_until_unlocked():
    made = machine("override")
    assert say(made, "M112") == ["ok emergency stop, reset or M999 needed"]
    assert say(made, "M92 X90") == ["!!"]
    assert made.controller.live["steps_per_mm.x"] == 80
    heard = say(made, "M999")
    assert heard[0].startswith("WARNING")
    assert heard[1] == "ok"
    assert say(made, "M92 X90") == ["ok"]


def test_a_single_question_may_stay_unanswered():
    made = machine("override")
    assert say(made, "M92") == ["ok"]
    made.controller.reports_single = True
    assert say(made, "M92") == ["M92 X80.00000 Y80.00000 Z105.37000", "ok"]


def test_a_bad_line_is_asked_for_in_its_own_form():
    assert say(machine("override"), "N1 M92 X99*0") == ["rs N1"]


def test_storage_that_fails_says_so():
    made = machine("override", faults=["storage:does=fails"])
    say(made, "M92 Z106.5")
    assert say(made, "M500", wait=1.0) == ["Error writing /store/override", "ok"]
    assert made.controller.stored is None
