"""Which port is the same one again: a table of what may have happened to it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.wire.identity import Match, PortInfo, same_port

BRIDGE = PortInfo("/dev/ttyUSB0", "a bridge", "A50285BI", "maker", 0x0403, 0x6001, "1-2")
MOVED = replace(BRIDGE, device="/dev/ttyUSB1")
ELSEWHERE = replace(BRIDGE, device="/dev/ttyUSB1", location="1-3.4")
TWIN = replace(BRIDGE, device="/dev/ttyUSB7", location="1-4")
OTHER = PortInfo("/dev/ttyACM0", "another", "77", None, 0x1D50, 0x6029, "1-5:1.0")
BLANK = replace(BRIDGE, serial_number=None)
BLANK_ELSEWHERE = replace(BLANK, device="/dev/ttyUSB1", location="1-3")
BLANK_TWIN = replace(BLANK, device="/dev/ttyUSB7", location="1-4")
BUILT_IN = PortInfo("/dev/ttyS0", "built in", None, None, None, None)


@pytest.mark.parametrize(
    ("known", "beside", "now", "match"),
    [
        pytest.param(BRIDGE, (), (BRIDGE,), Match(BRIDGE), id="never gone"),
        pytest.param(BRIDGE, (), (OTHER, MOVED), Match(MOVED), id="another name"),
        pytest.param(BRIDGE, (), (OTHER,), Match(), id="gone"),
        pytest.param(BRIDGE, (), (ELSEWHERE,), Match(ELSEWHERE), id="another socket"),
        pytest.param(BRIDGE, (), (TWIN, MOVED), Match(MOVED), id="a twin came, place decides"),
        pytest.param(BRIDGE, (), (TWIN, ELSEWHERE), Match(several=(TWIN, ELSEWHERE)), id="two fit"),
        pytest.param(BRIDGE, (TWIN,), (TWIN,), Match(), id="the twin is the other machine"),
        pytest.param(BRIDGE, (TWIN,), (TWIN, MOVED), Match(MOVED), id="twin beside it, same place"),
        pytest.param(
            BRIDGE, (TWIN,), (TWIN, ELSEWHERE), Match(perhaps=ELSEWHERE), id="twin, and it moved"
        ),
        pytest.param(
            BLANK,
            (),
            (replace(BLANK, device="/dev/ttyUSB3"),),
            Match(replace(BLANK, device="/dev/ttyUSB3")),
            id="no number, same place",
        ),
        pytest.param(
            BLANK, (), (BLANK_ELSEWHERE,), Match(perhaps=BLANK_ELSEWHERE), id="no number, new"
        ),
        pytest.param(BLANK, (BLANK_TWIN,), (BLANK_TWIN,), Match(), id="no number, old one left"),
        pytest.param(
            BLANK,
            (),
            (BLANK_ELSEWHERE, BLANK_TWIN),
            Match(several=(BLANK_ELSEWHERE, BLANK_TWIN)),
            id="no number, two new",
        ),
        pytest.param(
            BRIDGE, (), (BLANK_ELSEWHERE,), Match(perhaps=BLANK_ELSEWHERE), id="lost its number"
        ),
        pytest.param(BRIDGE, (), (replace(TWIN, serial_number="B"),), Match(), id="another number"),
        pytest.param(BUILT_IN, (), (BUILT_IN, BRIDGE), Match(BUILT_IN), id="built in"),
        pytest.param(BUILT_IN, (), (BRIDGE,), Match(), id="built in and gone"),
    ],
)
def test_the_same_port(
    known: PortInfo, beside: tuple[PortInfo, ...], now: tuple[PortInfo, ...], match: Match
) -> None:
    assert same_port(known, beside, now) == match


def test_a_device_with_two_ports_keeps_them_apart() -> None:
    first = replace(OTHER, location="1-5:1.0")
    second = replace(OTHER, device="/dev/ttyACM1", location="1-5:1.2")
    came = (
        replace(second, device="/dev/ttyACM2", location="1-6:1.2"),
        replace(first, device="/dev/ttyACM3", location="1-6:1.0"),
    )
    assert same_port(first, (second,), came) == Match(came[1])


def test_what_a_port_is_remembered_by() -> None:
    assert BRIDGE.key == MOVED.key == ELSEWHERE.key == "0403:6001 A50285BI"
    assert BLANK.key == "0403:6001 at 1-2"
    assert BUILT_IN.key == "/dev/ttyS0"
    assert PortInfo.from_plain({**BRIDGE.to_plain(), "later": 1}) == BRIDGE
