"""Dialogues with the family that lists `$n=value`."""

import pytest

from tests.sim.talk import boot, machine, say


def test_the_list_and_its_units():
    heard = say(machine("numbered"), "$$")
    assert heard[-1] == "ok"
    listed = dict(line.split("=") for line in heard[:-1])
    assert listed["$100"] == "80.000"
    assert listed["$102"] == "105.370"
    assert listed["$110"] == "10800.000"  # 180 mm/s in mm/min
    assert listed["$122"] == "300.000"
    assert listed["$11"] == "0.030"
    assert listed["$10"] == "1"


def test_text_behind_the_values():
    made = machine("numbered")
    made.controller.with_text = True
    assert "$100=80.000 (x, step/mm)" in say(made, "$$")


def test_writing_is_storing():
    made = machine("numbered")
    assert say(made, "$102=106.5") == ["ok"]
    assert made.controller.stored["steps_per_mm.z"] == 106.5
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 106.5
    assert [change.kind for change in made.controller.changes] == ["set", "store", "load"]


def test_lying_storage_shows_only_after_a_reset():
    made = machine("numbered", faults=["storage:does=lies"])
    say(made, "$102=106.5")
    assert "$102=106.500" in say(made, "$$")
    boot(made)
    assert "$102=105.370" in say(made, "$$")


@pytest.mark.parametrize(
    ("line", "answer"),
    [
        ("$100=abc", "error:2"),
        ("$100=", "error:2"),
        ("$100=8x", "error:2"),
        ("$199=1", "error:3"),
        ("$frog", "error:3"),
        ("$100=-5", "error:4"),
        ("$100=300", "error:12"),  # 300 step/mm at 180 mm/s are 54 000 steps a second
        ("$110=60000", "error:12"),
        ("M115", "error:20"),
        ("frog", "error:1"),
        ("$100=" + "0" * 90, "error:11"),
        ("", "ok"),
        ("G1 X1 F600", "ok"),
        ("$X", "ok"),
    ],
)
def test_every_line_earns_one_answer(line, answer):
    made = machine("numbered")
    before = dict(made.controller.live)
    assert say(made, line) == [answer]
    assert made.controller.live == before


def test_nothing_is_written_while_it_moves():
    made = machine("numbered")
    say(made, "G1 X100 F600")
    assert say(made, "$102=106") == ["error:8"]
    assert made.controller.live["steps_per_mm.z"] == 105.37


def test_what_comes_while_storage_is_written_is_lost():
    made = machine("numbered")
    heard = say(made, b"$100=81\n$101=82\n", wait=1.0)
    assert heard == ["ok"]
    assert made.controller.live["steps_per_mm.x"] == 81
    assert made.controller.live["steps_per_mm.y"] == 80


def test_state_is_told_at_once_and_without_ok():
    made = machine("numbered")
    assert say(made, b"?") == ["<Idle|MPos:0.000,0.000,0.000|FS:1500,0>"]
    say(made, "G1 X100 F600")
    assert say(made, b"?")[0].startswith("<Run|")
    assert say(made, b"!?")[0].startswith("<Hold:0|")


def test_an_alarm_locks_until_it_is_unlocked():
    made = machine("numbered")
    made.controller.raise_alarm(6)
    made.controller.take()
    assert say(made, "G1 X1") == ["error:9"]
    assert say(made, "$X") == ["[MSG:awake, its place is not known]", "ok"]
    assert say(made, "G1 X1 F600") == ["ok"]


def test_after_a_hard_limit_only_a_reset_is_heard():
    made = machine("numbered")
    made.controller.raise_alarm(1)
    assert made.controller.take().decode().splitlines() == ["ALARM:1", "[MSG:a reset wakes it]"]
    assert say(made, "$120=500") == []
    assert say(made, b"\x18", wait=2.0)[-1] == "heron 1.1 ['$' for help]"
    assert say(made, "$$")[-1] == "ok"


def test_a_reset_while_moving_leaves_an_alarm():
    made = machine("numbered")
    say(made, "G1 X100 F600")
    assert say(made, b"\x18", wait=2.0)[1:] == [
        "heron 1.1 ['$' for help]",
        "[MSG:locked, $X or $H wakes it]",
    ]


def test_unreadable_storage_is_told_at_boot_and_defaults_rule():
    made = machine("numbered", faults=["layout"])
    assert "error:7" in boot(made)
    assert made.controller.live["steps_per_mm.z"] == 4000


def test_defaults_on_request_are_permanent():
    made = machine("numbered")
    assert say(made, "$RST=$") == ["[MSG:Restoring defaults]", "ok"]
    assert made.controller.stored["steps_per_mm.z"] == 4000
    assert say(made, "$RST=x") == ["error:3"]


def test_modes_version_and_homing():
    made = machine("numbered")
    assert say(made, "$I") == ["[VER:1.1:heron]", "[OPT:V,15,128]", "ok"]
    assert say(made, "$G")[0].startswith("[GC:G0 G54 G17 G90 G21")
    assert say(made, "$N") == ["$N0=", "$N1=", "ok"]
    assert say(made, "$")[0].startswith("[HLP:")
    assert say(made, "$H", wait=5.0) == ["ok"]
