"""The same controller behind a pseudo-terminal and a TCP port, for pyserial as a client."""

import pytest
import serial

from agent.errors import BadInput
from sim.machine import build
from sim.serve import serve
from tests.sim.laying import HERON


def ask(port, line):
    port.write(line + b"\n")
    heard = []
    while not heard or not heard[-1].startswith(b"ok"):
        got = port.readline()
        assert got, heard
        heard.append(got)
    return heard


@pytest.fixture(params=["pty", "tcp:0"])
def server(request):
    with serve(build(HERON, seed=None), request.param) as server:
        yield server


def open_port(address):
    return serial.serial_for_url(address, 115200, timeout=5, write_timeout=2, exclusive=True)


def test_a_dialogue_over_a_real_port(server):
    with open_port(server.address) as port:
        assert any(b"M92 X80.00" in line for line in ask(port, b"M503"))
        assert ask(port, b"M92 X81.5") == [b"ok\n"]
        assert ask(port, b"M92")[0].startswith(b"echo: M92 X81.50")
    assert server.machine.received == ["M503", "M92 X81.5", "M92"]


def test_nobody_waits_for_heaters_and_moves(server):
    with open_port(server.address) as port:
        assert ask(port, b"M109 S215")[-1] == b"ok\n"
        for k in range(40):
            assert ask(port, b"G1 X%d F600" % (k + 1))[-1] == b"ok\n"
        assert ask(port, b"M400")[-1] == b"ok\n"
    assert server.machine.plant.travel[0] == pytest.approx(40)


def test_a_second_client_finds_the_same_machine(server):
    with open_port(server.address) as port:
        ask(port, b"M92 X83")
    with open_port(server.address) as port:
        assert b"X83.00" in ask(port, b"M92")[0]


@pytest.mark.parametrize("place", ["", "tcp", "tcp:x", "tcp:70000", "pty:1", "serial"])
def test_a_place_it_cannot_listen_at_is_named(place):
    with pytest.raises(BadInput, match="cannot listen"):
        serve(build(HERON, seed=None), place)


def test_a_taken_port_is_named():
    with serve(build(HERON, seed=None), "tcp:0") as server:
        taken = server.address.rpartition(":")[2]
        with pytest.raises(BadInput, match=f"port {taken}"):
            serve(build(HERON, seed=None), f"tcp:{taken}")


def test_closing_twice_is_no_error():
    server = serve(build(HERON, seed=None), "pty")
    server.close()
    server.close()
