"""Lines to bytes and bytes to lines."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.wire.framing import LineCutter, checksum, clean, frame


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("N3 T0", 57),
        ("N4 G92 E0", 67),
        ("N5 G28", 22),
        ("N6 G1 F1500.0", 82),
        ("N7 G1 X2.0 Y2.0 F3000.0", 85),
        ("N8 G1 X3.0 Y3.0", 33),
    ],
)
def test_checksum_as_the_public_command_reference_gives_it(text: str, expected: int) -> None:
    # Source: the example lines of the public G-code command reference, widely reproduced.
    assert checksum(text.encode()) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [("N4 G92 E1", 66), ("N7 G1 X2.0 Y2.0 F300.0", 101), ("N3 T0 ", 25), ("n3 T0", 25)],
)
def test_a_changed_byte_changes_the_checksum(text: str, expected: int) -> None:
    # Own cases, computed by hand from the definition: exclusive or of all bytes.
    assert checksum(text.encode()) == expected


def test_frame_with_number() -> None:
    assert frame("T0", 3) == b"N3 T0*57\n"


@pytest.mark.parametrize(
    "line", ["M92 X80\nM500", "M92 X80*3", "M117 \x1b[2J", "M117 ä", "G1" * 60]
)
def test_what_is_not_one_line_cannot_be_sent(line: str) -> None:
    with pytest.raises(ValueError, match=r"not a line|longer"):
        frame(line)


def test_clean_spells_what_a_terminal_would_obey() -> None:
    assert clean("\0 \x1b[2Jhello\x07 M92 X8\x000.0 \r") == r"\x1b[2Jhello\x07 M92 X8\x000.0"


@given(st.binary(max_size=400), st.data())
def test_lines_do_not_depend_on_how_bytes_are_cut(wire: bytes, data: st.DataObject) -> None:
    whole = LineCutter(40).feed(wire)
    cut, at, cutter = [], 0, LineCutter(40)
    while at < len(wire):
        step = data.draw(st.integers(1, len(wire) - at))
        cut += cutter.feed(wire[at : at + step])
        at += step
    assert cut == whole


def test_a_megabyte_without_end_is_counted_and_not_kept() -> None:
    cutter = LineCutter()
    for _ in range(1024):
        assert cutter.feed(b"x" * 1024) == []
    assert len(cutter._tail) <= 4096
    assert cutter.feed(b"\nok\n") == [1024 * 1024, "ok"]


def test_a_line_just_too_long_is_counted_and_the_next_one_is_whole():
    cutter = LineCutter(longest=10)
    assert cutter.feed(b"x" * 10 + b"\n" + b"y" * 11 + b"\nok\n") == ["x" * 10, 11, "ok"]
