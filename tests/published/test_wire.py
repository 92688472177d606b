"""Bytes and lines against RFC 2217, RFC 855 and NIST RS274/NGC."""

import pytest

from agent.errors import Refused
from agent.families import FAMILIES
from agent.families.gate import Gate, effect_of
from agent.pieces.sliced import words_of
from agent.wire.port import open_port
from sim.endings import Rfc2217Ending, TcpEnding
from sim.machine import build
from sim.serve import serve
from tests.wire.test_port import HERON

IAC, SB, SE = 255, 250, 240

#: RFC 2217 (October 1997), sections 1 to 3: numbers as pyserial carries them (of the RFC's text
#: only the contents and the start of section 2 were seen).
COM_PORT = 44
SET_BAUDRATE, SET_DATASIZE, SET_PARITY, SET_STOPSIZE, SET_CONTROL, PURGE_DATA = 1, 2, 3, 4, 5, 12
SERVER = 100  # what a server adds to a command when it answers
DTR_ON, DTR_OFF, RTS_ON, RTS_OFF = 8, 9, 11, 12


def subnegotiations(stream):
    """{command: [raw message]} of option 44 in a telnet stream."""
    found = {}
    start = stream.find(bytes((IAC, SB, COM_PORT)))
    while start >= 0:
        end = start + 3
        while stream[end : end + 2] != bytes((IAC, SE)):
            end += 2 if stream[end] == IAC else 1
        found.setdefault(stream[start + 3], []).append(stream[start : end + 2])
        start = stream.find(bytes((IAC, SB, COM_PORT)), end)
    return found


def overheard(monkeypatch, baud, lines="down"):
    """What a client and a server of such a port say to each other while it is opened."""
    heard, said = bytearray(), bytearray()
    receive, write = TcpEnding.receive, Rfc2217Ending.write

    def receiving(ending):
        data = receive(ending)
        heard.extend(data)
        return data

    def writing(ending, data):
        said.extend(data)
        write(ending, data)

    monkeypatch.setattr(TcpEnding, "receive", receiving)
    monkeypatch.setattr(Rfc2217Ending, "write", writing)
    with serve(build(HERON, seed=None, family="table"), "rfc2217:0") as server:
        open_port(server.address, baud, lines=lines).close()
    return subnegotiations(bytes(heard)), subnegotiations(bytes(said))


@pytest.mark.parametrize(
    ("baud", "raw"),
    [
        (9600, "ff fa 2c 01 00 00 25 80 ff f0"),
        (115200, "ff fa 2c 01 00 01 c2 00 ff f0"),
        (250000, "ff fa 2c 01 00 03 d0 90 ff f0"),
        (65535, "ff fa 2c 01 00 00 ff ff ff ff ff f0"),  # 255 in data is doubled (RFC 855)
    ],
)
def test_speed_on_the_wire(monkeypatch, baud, raw):
    """Four bytes in network order (RFC 2217, section 2); bytes written out by hand."""
    heard, said = overheard(monkeypatch, baud)
    assert heard[SET_BAUDRATE] == [bytes.fromhex(raw)]
    answer = bytearray.fromhex(raw)
    answer[3] += SERVER
    assert said[SET_BAUDRATE + SERVER] == [bytes(answer)]


@pytest.mark.parametrize(("lines", "controls"), [("down", {DTR_OFF, RTS_OFF}),
                                                  ("up", {DTR_ON, RTS_ON})])  # fmt: skip
def test_framing_and_modem_lines_on_the_wire(monkeypatch, lines, controls):
    """Eight bits, no parity (1), one stop bit (1); DTR and RTS by their control values."""
    heard, said = overheard(monkeypatch, 115200, lines)
    assert {m[4] for m in heard[SET_DATASIZE]} == {8}
    assert {m[4] for m in heard[SET_PARITY]} == {1}
    assert {m[4] for m in heard[SET_STOPSIZE]} == {1}
    of_lines = {m[4] for m in heard[SET_CONTROL]} & {DTR_ON, DTR_OFF, RTS_ON, RTS_OFF}
    assert of_lines == controls
    for command in (SET_DATASIZE, SET_PARITY, SET_STOPSIZE, SET_CONTROL):
        assert command + SERVER in said


@pytest.mark.parametrize(
    "line",
    [
        "g0x +0. 12 34y 7",  # the standard's own example
        "g0 x+0.1234 y7",
        "G0 X0.1234 Y7.",
        "/N00012 G0\tX.1234 (a note with X9) Y+7",
        "N5 G0 X0.1234 Y7 ; and one of the serial line's dialect X9",
    ],
)
def test_lines_of_a_file_mean_the_same_however_they_are_written(line):
    """NISTIR 6556 (RS274/NGC version 3), 3.3 and appendix E: letters of either case, blanks and
    tabs anywhere, comments in parentheses, `/` and a line number of up to five digits before."""
    assert words_of(line) == [("G", 0.0), ("X", 0.1234), ("Y", 7.0)]


@pytest.mark.parametrize("line", ["", "  \t", "(only a comment)", "; G1 X5"])
def test_blank_lines_and_comments_say_nothing(line):
    assert words_of(line) == []


@pytest.mark.parametrize("line", ["g0x +0. 12 34y 7", "N000009 G1 X5", "/G1 X5", "(M114) G1 X5"])
def test_no_spelling_of_a_move_passes_as_one_that_reads(line):
    """`N000009` has a digit too many; the others are moves by the rules above."""
    table = FAMILIES["table"]
    assert effect_of(line, table) not in ("reads", "safe")
    with pytest.raises(Refused):
        Gate(table)(line)
