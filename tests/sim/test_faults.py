"""Every fault: its text, and what it does to a dialogue."""

import pytest

from agent.errors import BadInput, LinkFailed
from sim.faults import FAULTS, describe_faults, missampled, parse_faults
from tests.memory import MemoryTransport
from tests.sim.talk import boot, machine, say


def port(*faults, seed=None, family="replay", baud=None):
    made = machine(family, faults=faults, seed=seed)
    return MemoryTransport(made.controller, baud=baud), made


def heard(transport, seconds=5.0):
    """All that comes within so many seconds."""
    until = transport.now() + seconds
    data = b""
    while more := transport.read(until):
        data += more
    return data


def test_texts_are_read_with_their_defaults():
    faults = parse_faults(["unplug:after=1200", "drop:p=0.001,way=sent+restart:before=M500"])
    assert [(fault.name, dict(fault.values)) for fault in faults] == [
        ("unplug", {"after": 1200, "way": "sent"}),
        ("drop", {"p": 0.001, "way": "sent"}),
        ("restart", {"before": "M500", "after": "", "count": 1}),
    ]


def test_all_mistakes_of_all_texts_are_named():
    with pytest.raises(BadInput) as caught:
        parse_faults(
            [
                "unplg:after=3",
                "drop:p=2,wya=sent",
                "unplug",
                "delay:seconds=soon",
                "restart",
                "halt:before",
                "drop:p=0.1,p=0.2",
                "storage:does=sleeps",
                "unplug:after=-1",
                "halt:before=",
            ]
        )
    assert [(problem.key, problem.what) for problem in caught.value.problems] == [
        ("unplg", "no such fault; did you mean 'unplug'?"),
        ("p", "expected a number from 0 to 1, found '2'"),
        ("wya", "no such key; did you mean 'way'?"),
        ("after", "missing: after so many bytes"),
        ("seconds", "expected a number from 0 to 1e+06, found 'soon'"),
        ("before or after", "missing: at which command"),
        ("before", "expected key=value"),
        ("before", "missing: instead of doing a command that begins so"),
        ("p", "given twice"),
        ("does", "expected one of lies, fails, none, found 'sleeps'"),
        ("after", "expected a whole number, found '-1'"),
        ("before", "expected the beginning of a command, found nothing"),
    ]


def test_every_fault_and_key_is_explained():
    page = describe_faults()
    for name, sort in FAULTS.items():
        assert f"{name}: {sort.help}" in page
        assert all(f"    {key}=" in page and about.help in page for key, about in sort.keys.items())


@pytest.mark.parametrize("after", range(0, 24))
def test_the_cable_comes_out_after_exactly_so_many_bytes(after):
    transport, made = port(f"unplug:after={after}")
    lines = b"M92 X81\nM92 Y82\nM92 Z107\n"
    transport.write(lines)
    with pytest.raises(LinkFailed, match="has gone"):
        heard(transport)
    made.controller.run(10.0)
    whole = lines[:after].count(b"\n")
    assert len(made.received) == whole
    assert [change.line for change in made.controller.changes] == made.received


def test_the_cable_comes_out_while_answers_come():
    transport, made = port("unplug:after=10,way=received")
    transport.write(b"M503\n")
    assert transport.read(1.0) == b"echo:  G21"
    with pytest.raises(LinkFailed):
        transport.read(1.0)
    assert made.received == ["M503"]


def test_the_board_goes_on_without_the_cable():
    transport, made = port("unplug:after=14")
    transport.write(b"G1 X50 F3000\nM400\n")
    made.controller.run(10.0)
    assert made.plant.travel[0] == pytest.approx(50)


def test_a_restart_before_storing_loses_what_was_written():
    transport, made = port("restart:before=M500")
    transport.write(b"M92 Z107\n")
    assert heard(transport) == b"ok\n"
    transport.write(b"M500\n")
    assert heard(transport).startswith(b"start\n")
    assert made.controller.live["steps_per_mm.z"] == 105.37
    transport.write(b"M92 Z107\nM500\n")  # once only
    assert b"Stored" in heard(transport)


def test_a_restart_after_storing_loses_only_the_answer():
    transport, made = port("restart:after=M500")
    transport.write(b"M92 Z107\nM500\n")
    assert b"Stored" not in heard(transport, 1.0)
    heard(transport)
    assert made.controller.live["steps_per_mm.z"] == 107


def test_a_restart_at_the_second_command():
    transport, made = port("restart:before=M92,count=2")
    transport.write(b"M92 X81\nM92 Y82\n")
    heard(transport)
    assert made.controller.live["steps_per_mm.x"] == 80
    assert [c.key for c in made.controller.changes if c.kind == "set"] == ["steps_per_mm.x"]


def test_a_halted_board_is_silent_until_it_is_reset():
    transport, made = port("halt:before=M500")
    transport.write(b"M500\n")
    assert b"halted" in heard(transport)
    transport.write(b"M105\n")
    assert heard(transport) == b""
    assert boot(made)[0] == "start"


def test_lost_bytes_make_other_lines():
    transport, made = port("drop:p=0.2,way=sent", seed=1)
    transport.write(b"M92 X80.00 Y80.00\n" * 20)
    heard(transport)
    assert made.received
    assert set(made.received) != {"M92 X80.00 Y80.00"}


def test_turned_bits_are_caught_by_the_checksum():
    transport, made = port("corrupt:p=0.05,way=sent", seed=2)
    # exclusive or of `N1 M92 X81` is 104
    for _ in range(30):
        transport.write(b"N1 M92 X81*104\n")
        heard(transport, 0.1)
    assert made.received == ["M92 X81"]


def test_a_line_comes_twice():
    transport, _ = port("duplicate:p=1,way=received")
    transport.write(b"M105\n")
    assert heard(transport).count(b"ok T:") == 2


def test_lines_run_together():
    transport, _ = port("merge:p=1,way=received")
    transport.write(b"M92\n")
    assert heard(transport) == b"echo: M92 X80.00 Y80.00 Z105.37 E412.00ok"


def test_answers_come_late():
    transport, _ = port("delay:seconds=3", seed=4)
    transport.write(b"M105\n")
    assert heard(transport).startswith(b"ok T:")
    assert heard(transport, 0) == b""
    assert 0 < transport.now() <= 10


def test_a_stalled_board_answers_in_the_end():
    transport, _ = port("stall:before=M503,seconds=90")
    transport.write(b"M503\n")
    assert heard(transport, 89) == b""
    assert heard(transport, 2).endswith(b"ok\n")


def test_an_acknowledgement_gets_lost():
    transport, _ = port("lost-ok:p=1")
    transport.write(b"M92\n")
    assert heard(transport) == b"echo: M92 X80.00 Y80.00 Z105.37 E412.00\n"


def test_little_room():
    transport, made = port("full:ring=20,slots=1")
    transport.write(b"G4 S2\n")
    transport.write(b"M92 X81\nM92 Y82\nM92 Z107\nM92 E400\n")
    heard(transport)
    # The line under way has a place of its own; of the 36 bytes behind it the ring holds 20, and
    # what is lost of the last line is its end.
    assert made.received == ["G4 S2", "M92 X81", "M92 Y82", "M92 Z107"]
    assert made.controller.lost_bytes == len(" E400\n")


@pytest.mark.parametrize(
    ("does", "answer"),
    [
        ("lies", b"echo:Settings Stored"),
        ("fails", b"echo:Error writing"),
        ("none", b"echo:no persistent store"),
    ],
)
def test_storage_that_does_not_keep(does, answer):
    transport, made = port(f"storage:does={does}")
    transport.write(b"M92 Z107\nM500\n")
    assert answer in heard(transport)
    assert made.controller.stored["steps_per_mm.z"] == 105.37
    assert "store" not in [change.kind for change in made.controller.changes]


def test_another_layout_brings_defaults_until_something_is_stored():
    _, made = port("layout")
    assert made.controller.live["steps_per_mm.z"] == 4000
    said = boot(made)
    assert "echo:block of another layout, version mismatch (held=V3 known=V4)" in said
    assert "echo:Default values of the board: settings loaded" in said
    say(made, b"M92 Z105.37\nM500\n")
    boot(made)
    assert made.controller.live["steps_per_mm.z"] == 105.37


def test_a_wrong_speed_is_junk_both_ways():
    transport, made = port("speed:baud=250000", baud=115200)
    transport.write(b"M92 X81\nM503\n")
    assert made.controller.live["steps_per_mm.x"] == 80
    made.controller.power_on(1.0)
    junk = heard(transport)
    assert junk
    assert b"start" not in junk
    right, _ = port("speed:baud=250000", baud=250000)
    right.write(b"M105\n")
    assert heard(right).startswith(b"ok T:")


def test_missampled_bytes_by_hand():
    # 0x00 sent at half the receiver's speed: start and eight zeros last 18 of its bits; its
    # first byte is zeros with a bad stop bit, the rest of the low is seen by no new edge
    assert missampled(b"\x00", 0.5)[:1] == b"\x00"
    # 0x55 is an even square wave after the start bit; at its own speed it is itself
    assert missampled(b"\x55\x0d", 1.0) == b"\x55\x0d"


def test_opening_the_port_restarts_the_board():
    transport, made = port("reset-on-open")
    transport.write(b"M92 X99\n")  # nobody listens yet
    assert heard(transport).startswith(b"start\n")
    assert made.received == []
    again = MemoryTransport(made.controller)
    assert heard(again).startswith(b"start\n")


def test_somebody_else_is_heard():
    transport, _ = port("chatter:p=1", seed=5)
    transport.write(b"M105\n")
    lines = heard(transport).splitlines()
    assert len(lines) == 2
    assert lines[1].startswith(b"ok T:")


def test_our_own_line_comes_back():
    transport, _ = port("echo")
    transport.write(b"N1 M105*38\n")
    assert heard(transport).startswith(b"echo:N1 M105*38\nok T:")


def test_no_ok_behind_a_request_to_send_again():
    transport, _ = port("no-resend-ok")
    transport.write(b"N1 M105*0\n")
    assert heard(transport) == b"Error:checksum mismatch, Last Line: 0\nResend: 1\n"


def test_the_same_seed_brings_the_same_faults():
    def run(seed):
        transport, _ = port("drop:p=0.05", "corrupt:p=0.02", "duplicate:p=0.1", seed=seed)
        transport.write(b"M503\nM105\n")
        return heard(transport)

    assert run(7) == run(7) != run(8)
