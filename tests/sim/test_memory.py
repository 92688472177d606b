"""The port without a port: a clock that jumps."""

import pytest

from agent.errors import LinkFailed
from sim.machine import build
from tests.memory import MemoryTransport
from tests.sim.laying import HERON


def transport(**how):
    return MemoryTransport(build(HERON, seed=None).controller, **how)


def read_until_ok(port, limit=1000.0):
    heard = b""
    while b"ok" not in heard:
        data = port.read(port.now() + limit)
        assert data, heard
        heard += data
    return heard


def test_bytes_take_the_time_of_the_wire():
    port = transport(baud=9600)
    port.write(b"M105\n")
    heard = read_until_ok(port)
    # ten bits a byte, both ways
    assert port.now() == pytest.approx((5 + len(heard)) * 10 / 9600, abs=1e-3)


def test_a_long_wait_is_a_jump():
    port = transport()
    port.write(b"G4 S3600\n")
    assert read_until_ok(port).count(b"busy") == 1799
    assert port.now() == pytest.approx(3600, abs=0.1)


def test_silence_lasts_exactly_as_long_as_asked():
    port = transport()
    assert port.read(12.5) == b""
    assert port.now() == 12.5


def test_bytes_may_be_sent_one_at_a_time():
    port = transport()
    for byte in b"M92 X81\nM92\n":
        port.write(bytes([byte]))
    assert b"X81.00" in read_until_ok(port) + read_until_ok(port)


def test_a_closed_port_says_so():
    port = transport()
    port.close()
    port.close()
    with pytest.raises(LinkFailed, match="closed"):
        port.write(b"M105\n")
    with pytest.raises(LinkFailed, match="closed"):
        port.read(1.0)
