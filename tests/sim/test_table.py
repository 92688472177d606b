"""Dialogues with the family that prints a table of its memory."""

from tests.sim.talk import boot, machine, say


def test_the_ok_comes_first_and_the_table_ends_with_an_idle_word():
    heard = say(machine("table"), "M205", wait=1.5)
    assert heard[0] == "ok"
    assert "EPR:3 3 80.0000 X-axis steps per mm" in heard
    assert "EPR:3 11 105.3700 Z-axis steps per mm" in heard
    assert "EPR:3 15 180.000 X-axis max. feedrate [mm/s]" in heard
    assert "EPR:2 75 115200 Speed of this link" in heard
    assert heard[-1] == "wait"


def test_line_numbers_come_back_with_the_ok():
    made = machine("table")
    # checksum: exclusive or of all bytes before the asterisk
    assert say(made, "N1 M105*38")[0] == "ok 1"


def test_a_written_value_is_live_and_kept():
    made = machine("table")
    assert say(made, "M206 T3 P11 X106.25") == ["ok"]
    assert made.controller.live["steps_per_mm.z"] == 106.25
    assert "Info:Configuration loaded" in boot(made)
    assert made.controller.live["steps_per_mm.z"] == 106.25


def test_another_build_keeps_it_only_when_told():
    made = machine("table")
    made.controller.writing_stores = False
    say(made, "M206 T3 P11 X106.25")
    say(made, "M501")
    assert made.controller.live["steps_per_mm.z"] == 105.37
    say(made, "M206 T3 P11 X106.25")
    assert say(made, "M500") == ["ok", "Info:Settings stored"]
    say(made, "M501")
    assert made.controller.live["steps_per_mm.z"] == 106.25


def test_a_wrong_type_or_place_writes_nothing_and_says_nothing():
    made = machine("table")
    before = dict(made.controller.live)
    wrong = (
        "M206 T2 P11 X106",
        "M206 T3 P12 X106",
        "M206 T3 P11",
        "M206 X5",
        "M206 T9 P11 X1",
    )
    for line in wrong:
        assert say(made, line) == ["ok"]
    assert made.controller.live == before


def test_an_entry_that_is_no_number():
    made = machine("table")
    made.controller.plain[129] = "NAN"
    assert "EPR:3 129 NAN Filament laid so far [m]" in say(made, "M205")
    say(made, "M206 T3 P129 X1.5")
    assert "EPR:3 129 1.500 Filament laid so far [m]" in say(made, "M205")


def test_unknown_words_are_told_after_the_ok():
    assert say(machine("table"), "M503") == ["ok", "Unknown command:M503"]


def test_moves_wait_for_room_before_they_are_acknowledged():
    made = machine("table")
    for k in range(17):
        say(made, f"G1 X{10 * (k + 1)} F600", wait=0.01)
    assert len(made.controller.motion.queue) == 16
    assert say(made, b"", wait=1.5).count("ok") == 1


def test_heating_is_acknowledged_at_once_and_blocks_what_follows():
    made = machine("table")
    assert say(made, "M109 S40")[0] == "ok"
    assert say(made, "M114") == []
    assert "ok" in say(made, b"", wait=8.0)
