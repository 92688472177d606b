"""Dialogues with the family whose settings stand in a start-up script."""

from tests.sim.talk import boot, machine, say


def test_single_questions_are_answered_in_sentences():
    made = machine("script")
    assert say(made, "M92") == [
        "Steps/mm: X: 80.000, Y: 80.000, Z: 105.370, E: 412.000",
        "ok",
    ]
    assert say(made, "M203")[0] == (
        "Speed limits (mm/min): X: 10800.000, Y: 9600.000, Z: 3600.000, E: 3000.000"
    )


def test_speeds_are_set_in_millimetres_a_minute():
    made = machine("script")
    say(made, "M203 X6000")
    assert made.controller.live["max_speed.x"] == 100


def test_storing_does_not_cover_steps():
    made = machine("script")
    say(made, "M92 Z106.5")
    assert say(made, "M500") == ["ok"]
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 105.37


def test_the_text_of_the_script_is_not_what_is_live():
    made = machine("script")
    say(made, "M92 Z106.5")
    heard = say(made, "M503")
    assert "M92 X80.000 Y80.000 Z105.370 E412.000" in heard
    assert heard[-2:] == ["M501", "ok"]


def test_an_edited_script_counts_from_the_next_boot():
    made = machine("script")
    made.controller.edit("steps_per_mm.z", 106.5)
    assert made.controller.live["steps_per_mm.z"] == 105.37
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 106.5


def test_a_script_without_the_override_word_is_warned_of():
    made = machine("script")
    made.controller.runs_override = False
    assert "no M501 that was executed" in say(made, "M500")[0]


def test_unknown_words():
    assert say(machine("script"), "M9999 X1") == ["Error: M9999 means nothing here", "ok"]


def test_a_reset_by_word():
    made = machine("script")
    say(made, "M92 Z106.5")
    say(made, "M999", wait=2.0)
    assert made.controller.live["steps_per_mm.z"] == 105.37
