"""The same controller behind a pseudo-terminal and a TCP port, for pyserial as a client."""

import pytest
import serial

from agent.errors import BadInput
from sim.machine import build
from sim.serve import serve
from tests.sim.laying import HERON

#: pyserial's RFC 2217 client starts its thread in a way that Python has deprecated
pytestmark = pytest.mark.filterwarnings(
    r"ignore:set(Daemon|Name)\(\) is deprecated:DeprecationWarning"
)


def ask(port, line):
    port.write(line + b"\n")
    heard = []
    while not heard or not heard[-1].startswith(b"ok"):
        got = port.readline()
        assert got, heard
        heard.append(got)
    return heard


@pytest.fixture(params=["pty", "tcp:0", "rfc2217:0"])
def server(request):
    with serve(build(HERON, seed=None), request.param) as server:
        yield server


def open_port(address, baud=115200, dtr=False):
    """As any serial program would, with the modem lines left alone."""
    port = serial.serial_for_url(address, do_not_open=True)
    port.baudrate, port.timeout = baud, 5
    port.dtr = dtr
    if "://" not in address:
        port.exclusive = True
    port.open()
    return port


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


@pytest.mark.parametrize("place", ["", "tcp", "tcp:x", "tcp:70000", "rfc2217", "pty:1", "serial"])
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


@pytest.mark.parametrize("place", ["pty", "tcp:0"])
def test_opening_a_port_that_pulses_its_line_restarts_the_board(place):
    machine = build(HERON, seed=None, faults=["reset-on-open"])
    # in real time: what comes at once may still be discarded by the opening itself
    with serve(machine, place, speed=2.0) as server, open_port(server.address) as port:
        assert port.readline() == b"start\n"


def test_a_rising_modem_line_restarts_the_board_and_one_held_down_does_not():
    with serve(build(HERON, seed=None, faults=["reset-on-open"]), "rfc2217:0") as server:
        with open_port(server.address, dtr=False) as port:
            assert ask(port, b"M92 X81") == [b"ok\n"]
            port.dtr = True
            assert port.readline() == b"start\n"
        assert server.machine.controller.live["steps_per_mm.x"] == 80


@pytest.mark.parametrize("place", ["pty", "rfc2217:0"])
def test_only_the_right_speed_is_understood(place):
    with serve(build(HERON, seed=None, faults=["speed:baud=57600"]), place) as server:
        with open_port(server.address, baud=115200) as port:
            port.timeout = 0.3
            port.write(b"M105\n")
            assert b"ok" not in port.read(100)
        with open_port(server.address, baud=57600) as port:
            port.write(b"\n")  # ends whatever the junk before has begun
            port.timeout = 0.3
            port.read(1000)
            port.timeout = 5
            assert ask(port, b"M105")[-1].startswith(b"ok T:")


def test_a_pulled_cable_ends_the_port():
    machine = build(HERON, seed=None, faults=["unplug:after=5"])
    with serve(machine, "pty") as server, open_port(server.address) as port:
        port.write(b"M105\n")
        with pytest.raises((OSError, serial.SerialException)):
            _ = [port.read(1) for _ in range(5)]


def test_bytes_paced_at_a_speed_take_their_time():
    with (
        serve(build(HERON, seed=None), "tcp:0", speed=20.0, baud=1200) as server,
        open_port(server.address) as port,
    ):
        ask(port, b"M503")
        with server.lock:
            # some 500 bytes of ten bits at 1200 bit/s
            assert server.machine.controller.now > 3.0


def test_a_new_client_puts_a_pulled_cable_back():
    machine = build(HERON, seed=None, faults=["unplug:after=8"])
    with serve(machine, "tcp:0") as server:
        with open_port(server.address) as port:
            port.write(b"M92 X81\nM92 X82\n")
            with pytest.raises((OSError, serial.SerialException)):
                _ = [port.read(100) for _ in range(5)]
        with open_port(server.address) as port:
            assert b"X81.00" in ask(port, b"M92")[-2]
