"""How a port is opened for a verb, as a technician meets it: pseudo-terminals that are listed."""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from agent.face.desk import Desk
from agent.face.main import run
from agent.face.screen import Screen
from agent.model.profile import Port, Profile
from agent.store.habits import habit, remember
from agent.wire.port import DeviceTransport
from sim.machine import build
from sim.serve import Server, serve
from tests.face.bench import Technician, bare_desk, carry_out
from tests.wire.computer import Computer, Listed, computer
from tests.wire.test_port import HERON

__all__ = ["computer"]


@pytest.fixture(autouse=True)
def _own_home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    monkeypatch.setattr("agent.wire.port.REOPENING", 2.0)


@pytest.fixture
def machine(computer: Computer) -> Iterator[Server]:
    """A simulated machine behind a port that is listed."""
    with serve(build(HERON, seed=None), "pty") as server:
        computer.listed.append(Listed(server.address))
        yield server


def test_speed_and_number_outlast_two_replugs(machine: Server, computer: Computer) -> None:
    """The name goes to and fro: the second replug knows as much as the first."""
    with bare_desk() as there, serve(build(HERON, seed=None), "pty") as other:
        assert carry_out(there, [f"attach {machine.address} --baud 250000"]) == [0]
        for address in (other.address, machine.address, other.address):
            computer.listed[:] = [Listed(address)]
            assert carry_out(there, ["attach --again"]) == [0]
            assert there.opening is not None
            assert (there.opening.url, there.opening.baud) == (address, 250000)
            assert there.opening.port is not None


def test_what_is_typed_with_again_counts(machine: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    bauds = []
    with bare_desk() as there:
        carry_out(there, [f"attach {machine.address} --baud 250000"])
        really = serial.Serial.open
        monkeypatch.setattr(
            serial.Serial, "open", lambda port: (bauds.append(port.baudrate), really(port))[1]
        )
        assert carry_out(there, ["attach --again --baud 57600"]) == [0]
        assert carry_out(there, ["attach --again"]) == [0]
        assert carry_out(there, ["attach --again --find-speed --reset"]) == [0]
        assert there.opening is not None
        assert (there.opening.baud, there.opening.lines) == (115200, "up")
    assert bauds == [57600, 57600, 57600]


def test_a_try_at_a_wrong_speed_forgets_nothing(machine: Server, computer: Computer) -> None:
    with bare_desk() as there, serve(build(HERON, seed=None, family="numbered"), "pty") as other:
        carry_out(there, [f"attach {machine.address}"])
        known = there.session.bench.readback
        _, silent = computer.terminal()
        computer.listed[:] = [Listed(silent)]
        assert carry_out(there, ["attach --again --baud 9600"]) == [3]
        computer.listed[:] = [Listed(other.address)]
        for _ in range(2):  # another machine stays another one, however often it is tried
            assert carry_out(there, ["attach --again --baud 9600"]) == [1]
        assert there.session.bench.readback is known
        computer.listed[:] = [Listed(machine.address)]
        assert carry_out(there, ["attach --again"]) == [0]
        assert there.opening is not None
        assert there.opening.baud == 115200


class DeafUntilRaised:
    """A board that takes nothing while DTR is down, in front of a simulated one."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.raised = False
        really = DeviceTransport.write

        def lines(port: serial.Serial) -> None:
            self.raised = bool(port._dtr_state)

        monkeypatch.setattr(serial.Serial, "_update_dtr_state", lines)
        monkeypatch.setattr(
            DeviceTransport, "write", lambda port, data: really(port, data) if self.raised else None
        )


def test_a_board_that_is_silent_while_dtr_is_down(
    machine: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked once, and remembered for this port."""
    DeafUntilRaised(monkeypatch)
    technician = Technician({"with the lines up": "yes"})
    there = Desk(Screen(technician), in_shell=True)
    try:
        assert carry_out(there, [f"attach {machine.address}"]) == [0]
        assert len(technician.asked) == 1
        assert carry_out(there, ["attach --again", f"attach {machine.address}"]) == [0, 0]
        assert len(technician.asked) == 1
    finally:
        there.close()
    assert habit("0403:6001 A50285BI") == {"lines": "up"}
    assert run(["readback", "--port", machine.address]) == 0  # one-shot, too


def test_two_wishes_for_the_lines_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["attach", "/dev/null", "--reset", "--keep-lines"]) == 2
    assert "given together" in capsys.readouterr().err


def test_the_refused_second_opener_never_touches_the_port(
    machine: Server, computer: Computer, capsys: pytest.CaptureFixture[str]
) -> None:
    with bare_desk() as there:
        assert carry_out(there, [f"attach {machine.address}"]) == [0]
        before = len(computer.opened)
        done = []
        thread = threading.Thread(
            target=lambda: done.append(run(["readback", "--port", machine.address]))
        )
        thread.start()
        thread.join()
        assert done == [3]
        assert len(computer.opened) == before
    assert f"process {os.getpid()}" in capsys.readouterr().err


def test_ports_tells_what_stands_in_the_way(
    computer: Computer, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    port = computer.plug()
    monkeypatch.setattr(
        "agent.wire.listing.by_id", lambda: {port.device: "/dev/serial/by-id/usb-a_bridge"}
    )
    monkeypatch.setattr("agent.wire.listing.way_in", lambda device: "sudo usermod -aG modem $USER")
    assert run(["ports"]) == 0
    page = " ".join(capsys.readouterr().out.split())
    for told in (port.device, "0403:6001", "A50285BI", "by-id/usb-a_bridge", "-aG modem"):
        assert told in page, page


def test_a_damaged_file_of_habits_is_no_obstacle(tmp_path: Path) -> None:
    remember("a", lines="up")
    assert habit("a") == {"lines": "up"}
    (tmp_path / "home" / "ports.json").write_text("[1, 2")
    assert habit("a") == {}
    remember("b", lines="keep")
    assert (habit("a"), habit("b")) == ({}, {"lines": "keep"})


def test_the_profile_says_how_its_port_is_opened(machine: Server) -> None:
    """What is remembered gives way to it, and it gives way to what is typed."""
    remember("0403:6001 A50285BI", lines="up")
    with bare_desk() as there:
        there.session.contact.use(Profile("mine", link=Port(baud=57600, lines="keep")))
        assert carry_out(there, [f"attach {machine.address}"]) == [0]
        assert there.opening is not None
        assert (there.opening.baud, there.opening.lines) == (57600, "keep")
        assert carry_out(there, [f"attach {machine.address} --baud 9600 --reset"]) == [0]
        assert (there.opening.baud, there.opening.lines) == (9600, "up")
