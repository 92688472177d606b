"""Real ports: pseudo-terminals, sockets and RFC 2217, and what each failure tells the user."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import time
import tty
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from agent.errors import LinkFailed
from agent.families import identify, read_back
from agent.model.profile import Lines
from agent.wire.exchange import State
from agent.wire.link import Link
from agent.wire.listing import list_ports
from agent.wire.port import open_port
from agent.wire.speed import find_speed
from sim.machine import build
from sim.serve import serve
from tests.patience import PATIENCE

HERON: dict[str, Any] = yaml.safe_load(
    (Path(__file__).parents[2] / "profiles" / "heron.yaml").read_text()
)


@pytest.mark.parametrize(
    ("listen", "family"),
    [
        ("pty", "replay"),
        ("pty", "numbered"),
        ("pty", "script"),
        ("tcp:0", "override"),
        ("rfc2217:0", "table"),
    ],
)
def test_attach_read_and_write(listen: str, family: str) -> None:
    machine = build(HERON, seed=None, family=family)
    with serve(machine, listen) as server:
        link = Link(open_port(server.address))
        found, identity = identify(link)
        assert found is not None
        assert (found.name, identity != "") == (family, True)
        before = read_back(link, found)
        assert before.damage == ()
        line = found.write_line("steps_per_mm.z", 104.987, before)
        assert link.ask(line).ok
        after = read_back(link, found)
        link.close()
    assert after.settings["steps_per_mm.z"].agrees_with(104.987)
    assert line in machine.received


def test_an_absent_port_says_so() -> None:
    with pytest.raises(LinkFailed, match="is not there") as caught:
        open_port("/dev/tty-not-there")
    assert "ports" in caught.value.remedy


def test_a_refused_socket_says_so() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(LinkFailed, match="refused") as caught:
        open_port(f"socket://127.0.0.1:{number}")
    assert "address" in caught.value.remedy


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    yield ours, os.ttyname(theirs)
    for handle in (ours, theirs):
        with contextlib.suppress(OSError):
            os.close(handle)


def test_a_port_is_opened_for_us_alone(pty: tuple[int, str]) -> None:
    first = open_port(pty[1])
    with pytest.raises(LinkFailed) as caught:
        open_port(pty[1])
    assert "Close the other program" in caught.value.remedy
    first.close()
    first.close()


def test_what_is_no_port_is_told(tmp_path: Path) -> None:
    plain = tmp_path / "file"
    plain.write_text("")
    with pytest.raises(LinkFailed):
        open_port(str(plain))
    with pytest.raises(LinkFailed, match="unknown address"):
        open_port("nonsense://x")


def test_a_vanished_port_fails_and_leaves_doubt() -> None:
    machine = build(HERON, seed=None, faults=["unplug:after=30,way=received"])
    with serve(machine, "pty") as server:
        link = Link(open_port(server.address))
        with pytest.raises(LinkFailed, match="lost") as caught:
            link.ask("M503", timeout=PATIENCE)
        link.close()
    assert "cable" in caught.value.remedy
    assert link.state is State.DOUBT


def test_a_silent_port_says_what_to_try(pty: tuple[int, str]) -> None:
    link = Link(open_port(pty[1]))
    with pytest.raises(LinkFailed, match="no answer to M115") as caught:
        link.ask("M115", timeout=0.3)
    assert "power" in caught.value.remedy
    link.close()


def test_ports_are_listed() -> None:
    assert isinstance(list_ports(), tuple)


class Spoken:
    """A transport that speaks at one speed only."""

    name = "spoken"

    def __init__(self, right: int) -> None:
        self._right, self._baud, self._clock, self._out = right, 0, 0.0, b""

    def set_baud(self, baud: int) -> None:
        self._baud, self._out = baud, b""

    def now(self) -> float:
        return self._clock

    def write(self, data: bytes) -> None:
        self._out += b"ok\n" if self._baud == self._right else b"\xfe\x80\xf0\n"

    def read(self, until: float) -> bytes:
        if not self._out:
            self._clock = max(self._clock, until)
        data, self._out = self._out, b""
        return data

    def close(self) -> None: ...


def test_the_speed_is_found_by_asking() -> None:
    assert find_speed(Spoken(230400)) == 230400
    with pytest.raises(LinkFailed, match="none of the speeds 115200, 250000"):
        find_speed(Spoken(1200))


def test_the_speed_of_a_real_port_is_found() -> None:
    machine = build(HERON, seed=None, faults=["speed:baud=57600"])
    with serve(machine, "pty") as server:
        port = open_port(server.address)
        assert find_speed(port, (115200, 57600)) == 57600
        port.close()


def test_junk_at_a_wrong_speed_is_named() -> None:
    transport = Spoken(250000)
    transport.set_baud(115200)
    with pytest.raises(LinkFailed, match="no text") as caught:
        Link(transport).ask("M115")
    assert "speed" in caught.value.remedy


@pytest.mark.parametrize("lines", ["down", "keep", "up"])
def test_rising_modem_lines_restart_a_board_only_if_wanted(
    lines: Lines, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Seen at the board: what it says of it may come before the port is listened to."""
    machine = build(HERON, seed=None, faults=["reset-on-open"])
    restarts, again = [], machine.controller.restart

    def restart() -> None:
        restarts.append("restarted")
        again()

    monkeypatch.setattr(machine.controller, "restart", restart)
    with serve(machine, "rfc2217:0", speed=4.0) as server:
        link = Link(open_port(server.address, lines=lines))
        link.settle(0.5)
        link.close()
    assert bool(restarts) is (lines == "up")


# Real peers on loopback


def needs(program: str) -> pytest.MarkDecorator:
    return pytest.mark.skipif(
        shutil.which(program) is None,
        reason=f"{program} is not installed (Debian package {program})",
    )


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def opened(url: str) -> Link:
    """A link to a peer that may still be starting."""
    give_up = time.monotonic() + PATIENCE
    while True:
        try:
            return Link(open_port(url))
        except LinkFailed:
            if time.monotonic() > give_up:
                raise
            time.sleep(0.1)


def read_through(command: list[str], url: str) -> None:
    peer = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        link = opened(url)
        family, _ = identify(link)
        assert family is not None
        assert read_back(link, family).settings["steps_per_mm.z"].value == 105.37
        link.close()
    finally:
        peer.send_signal(signal.SIGTERM)
        peer.wait(PATIENCE)


@needs("socat")
def test_through_socat() -> None:
    number = free_port()
    with serve(build(HERON, seed=None), "pty") as server:
        read_through(
            [
                "socat",
                f"TCP-LISTEN:{number},bind=127.0.0.1,reuseaddr",
                f"{server.address},raw,echo=0",
            ],
            f"socket://127.0.0.1:{number}",
        )


@needs("ser2net")
def test_through_ser2net(tmp_path: Path) -> None:
    number = free_port()
    with serve(build(HERON, seed=None), "pty") as server:
        config = tmp_path / "ser2net.yaml"
        config.write_text(
            "connection: &bench\n"
            f"  accepter: telnet(rfc2217),tcp,127.0.0.1,{number}\n"
            f"  connector: serialdev,{server.address},115200n81,local\n"
        )
        read_through(["ser2net", "-n", "-c", str(config)], f"rfc2217://127.0.0.1:{number}")
