"""A controller that stores as it writes: what is sent too early or too much is lost."""

from __future__ import annotations

from agent.families import FAMILIES, adopt
from agent.families.gate import named
from tests.change.bench import Bench, heron


def at_work() -> Bench:
    bench = heron("numbered")
    adopt(bench.link, bench.family)
    bench.link.settle()
    return bench


def test_a_stream_never_holds_more_than_the_receive_buffer() -> None:
    """128 bytes; a controller that moves slowly leaves all of a stream waiting in it."""
    bench = at_work()
    moves = [f"G1 X{n % 7}.123 Y{n % 5}.456 Z{n % 3}.789 F600.000" for n in range(60)]
    with named(bench.link, moves, "move"):
        assert bench.link.stream(moves) == len(moves)
    assert bench.machine.controller.lost_bytes == 0
    sent = [line for line in bench.machine.controller.received if line.startswith("G1 ")]
    assert sent == moves


def test_lines_that_are_no_settings_are_noted_or_damage() -> None:
    lines = [
        "$100=80.000",
        "$101=80.000",
        "$102=105.370",
        "[VER:1.1:a board]",
        "[MSG:x]",
        "strange",
    ]
    reading = FAMILIES["numbered"].parse(lines)
    assert reading.identity == "[VER:1.1:a board]"
    assert (reading.notes, reading.damage) == (("strange",), ())
    assert FAMILIES["numbered"].parse([*lines, "$10"]).damage == ("the remains of a line: $10",)


def test_names_and_start_up_lines_may_hold_blanks_and_brackets() -> None:
    """They are text; a number that is cut by a blank is damage all the same."""
    steps = ["$X/StepsPerMm=80", "$Y/StepsPerMm=80", "$Z/StepsPerMm=105"]
    texts = ["$N0=G54 G21 (inches never)", "$N1 = G90 G17", "$Name=bench two (spare)"]
    reading = FAMILIES["numbered"].parse([*steps, *texts])
    assert (reading.damage, reading.other) == ((), tuple(texts))
    twice = FAMILIES["numbered"].parse([*steps, *texts, texts[0]])
    assert twice.damage == (f"$N0 is given twice: {texts[0]}",)
    for cut in ("$X/StepsPerMm=8 0", "$30=10 00", "$Name bench two"):
        assert FAMILIES["numbered"].parse([*steps, cut]).damaged
