"""Opening a port again: what is waited for, what is refused, what is asked."""

from __future__ import annotations

import errno
import fcntl
import os
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from agent.errors import LinkFailed
from agent.wire.identity import Opening, PortInfo
from agent.wire.link import Link
from agent.wire.listing import list_ports, permission_remedy, states
from agent.wire.port import Address, PortFailed, open_port
from sim.machine import build
from sim.serve import serve
from tests.patience import PATIENCE
from tests.wire.computer import COMING, Computer, computer
from tests.wire.test_port import HERON

__all__ = ["computer"]


def never(port: PortInfo) -> bool:
    raise AssertionError(f"asked about {port.device}")


def soon(seconds: float = 0.4) -> float:
    return time.monotonic() + seconds


def test_the_second_replug_still_knows_the_port(computer: Computer) -> None:
    """Names go to and fro; number and speed stay."""
    first = computer.plug()
    address = Address.of(first.device, 250000)
    address.open().close()
    computer.listed.clear()
    second = computer.plug()
    address = address.found_again(soon(), never)
    address.open().close()
    assert address.port is not None
    assert (address.url, address.baud, address.port.serial_number) == (
        second.device,
        250000,
        "A50285BI",
    )
    computer.listed[:] = [first]
    address = address.found_again(soon(), never)
    address.open().close()
    assert (address.url, address.baud) == (first.device, 250000)
    assert computer.opened == [first.device, second.device, first.device]


def test_what_passes_by_itself_is_waited_for(computer: Computer) -> None:
    port = computer.plug()
    address = Address.of(port.device)
    computer.fail += COMING
    address.found_again(soon(), never).open(soon(5)).close()
    assert computer.opened == [port.device]


def test_the_wait_has_an_end_and_a_remedy(computer: Computer) -> None:
    port = computer.plug()
    computer.fail += [errno.EACCES] * 1000
    with pytest.raises(PortFailed, match="may not be opened by this user") as caught:
        Address.of(port.device).open(soon(0.3))
    assert caught.value.cause == "permission"
    assert caught.value.remedy == permission_remedy(port.device)


def test_a_port_that_is_not_young_is_not_waited_for(
    computer: Computer, monkeypatch: pytest.MonkeyPatch
) -> None:
    port = computer.plug()
    monkeypatch.setattr("agent.wire.port._is_young", lambda url: False)
    computer.fail.append(errno.EACCES)
    with pytest.raises(PortFailed):
        Address.of(port.device).open()
    assert not computer.opened


def test_a_name_that_is_made_by_rule_is_waited_for(computer: Computer, tmp_path: Path) -> None:
    port = computer.plug()
    name = tmp_path / "by-id"
    name.symlink_to(port.device)
    address = Address.of(str(name))
    assert address.port is not None
    assert address.means(port.device)
    name.unlink()
    computer.listed.clear()
    other = computer.plug()
    name.symlink_to(other.device)
    again = address.found_again(soon(), never)
    assert again.url == str(name)
    again.open().close()
    assert computer.opened == [str(name)]


def test_two_with_one_serial_number_are_refused(computer: Computer) -> None:
    mine = computer.plug()
    address = Address.of(mine.device)
    computer.listed.clear()
    computer.plug(location="1-3")
    computer.plug(location="1-4")
    with pytest.raises(PortFailed, match="which of them was") as caught:
        address.found_again(soon(), never)
    assert "Nothing was opened" in caught.value.remedy
    assert not computer.opened


def test_the_other_machine_with_the_same_number_is_never_taken(computer: Computer) -> None:
    mine, other = computer.plug(), computer.plug(location="1-3")
    address = Address.of(mine.device)
    computer.listed[:] = [other]
    with pytest.raises(PortFailed, match="not there any more"):
        address.found_again(soon(), never)


@pytest.mark.parametrize("yes", [True, False])
def test_the_one_new_port_without_a_number_is_offered(computer: Computer, yes: bool) -> None:
    mine = computer.plug(serial_number=None)
    address = Address.of(mine.device)
    computer.listed.clear()
    new = computer.plug(serial_number=None, location="1-7")
    if yes:
        assert address.found_again(soon(), lambda port: True).url == new.device
        return
    with pytest.raises(PortFailed, match="nothing tells whether") as caught:
        address.found_again(soon(), lambda port: False)
    assert f"attach {new.device} --again" in caught.value.remedy


def test_an_address_survives_the_process(computer: Computer) -> None:
    first, _ = computer.plug(), computer.plug(location="1-9", serial_number="other")
    address = Address.of(first.device, 57600, "keep")
    assert Address.from_plain(address.to_plain()) == address
    assert Address.from_plain({"url": "socket://a:1"}) == Address("socket://a:1")


def test_what_was_typed_now_goes_before_what_was_known(computer: Computer) -> None:
    address = Address.of(computer.plug().device, 250000, "keep")
    assert address.using(Opening()) == address
    assert address.using(Opening(9600, "up")).baud == 9600
    assert address.using(Opening(9600, "up")).lines == "up"


# --- alone, fast, and with the modem lines as wanted ---------------------------------------------


def test_a_listed_port_is_shut_for_programs_that_ask_for_no_lock(computer: Computer) -> None:
    port = computer.plug()
    if os.geteuid() == 0 and not Path("/usr/bin/setpriv").exists():
        pytest.skip("root may open every port; setpriv is not there to be somebody else")
    os.chmod(port.device, 0o666)
    script = "import os, sys; os.close(os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY))"
    somebody = ["setpriv", "--reuid=65534", "--clear-groups"] if os.geteuid() == 0 else []
    other = [*somebody, "/usr/bin/env", "python3", "-S", "-c", script, port.device]
    if subprocess.run(other, capture_output=True, check=False).returncode:
        pytest.skip("nobody else may open a port here")
    transport = Address.of(port.device).open()
    refused = subprocess.run(other, capture_output=True, check=False, text=True)
    assert "busy" in refused.stderr
    transport.close()
    assert subprocess.run(other, capture_output=True, check=False).returncode == 0


def test_a_pseudo_terminal_that_is_not_listed_stays_open_for_others(computer: Computer) -> None:
    """Its mark would outlive a killed process, and nobody could attach to a simulator again."""
    _, device = computer.terminal()
    Address.of(device).open()
    handle = os.open(device, os.O_RDWR | os.O_NOCTTY)
    is_exclusive = 0x80045440  # TIOCGEXCL of Linux
    if sys.platform == "linux":
        assert fcntl.ioctl(handle, is_exclusive, bytes(4)) == bytes(4)
    os.close(handle)


def test_the_latency_of_a_bridge_is_asked_to_be_low(computer: Computer) -> None:
    port = computer.plug()
    open_port(port.device).close()
    assert computer.low_latency == [port.device]


def hangs_up(device: str) -> bool:
    handle = os.open(device, os.O_RDWR | os.O_NOCTTY)
    try:
        return bool(termios.tcgetattr(handle)[2] & termios.HUPCL)
    finally:
        os.close(handle)


def test_lines_that_are_kept_stay_up_at_the_close(computer: Computer) -> None:
    port = computer.plug()
    open_port(port.device, lines="keep").close()
    assert not hangs_up(port.device)
    open_port(port.device, lines="down").close()
    assert hangs_up(port.device)


def test_a_reset_pulses_lines_that_were_kept(
    computer: Computer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are up already: without a pulse nothing would rise."""
    import serial

    port, set_to = computer.plug(), []
    monkeypatch.setattr(
        serial.Serial, "_update_dtr_state", lambda self: set_to.append(self._dtr_state)
    )
    monkeypatch.setattr(serial.Serial, "_update_rts_state", lambda self: None)
    open_port(port.device, lines="down").close()
    open_port(port.device, lines="up").close()
    assert set_to == [False, True]
    open_port(port.device, lines="keep").close()
    set_to.clear()
    open_port(port.device, lines="up").close()
    assert set_to == [True, False, True]


# --- what is told --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOENT, "is not there"),
        (errno.EBUSY, "is in use by"),
        (errno.EACCES, "may not be opened by this user"),
        (errno.EIO, "is not there"),
        (errno.ENOTTY, "is not a serial port"),
    ],
)
def test_no_words_of_a_library(computer: Computer, number: int, words: str) -> None:
    port = computer.plug()
    computer.fail.append(number)
    with pytest.raises(LinkFailed) as caught:
        open_port(port.device)
    assert words in caught.value.what
    assert caught.value.remedy
    assert not {"Errno", "could not open port", "[", "("} & set(caught.value.what.split())


def test_a_lost_port_is_told_in_our_words() -> None:
    machine = build(HERON, seed=None)
    with serve(machine, "pty") as server:
        link = Link(open_port(server.address))
    with pytest.raises(LinkFailed) as caught:
        link.ask("M115", timeout=PATIENCE)
    assert "was lost" in caught.value.what
    assert "readiness" not in str(caught.value)


def test_a_device_that_goes_while_it_is_listed(monkeypatch: pytest.MonkeyPatch) -> None:
    calls = []

    def listing() -> list[object]:
        calls.append(1)
        if len(calls) == 1:
            raise TypeError("int() can't convert non-string with explicit base")
        return []

    monkeypatch.setattr("serial.tools.list_ports.comports", listing)
    assert list_ports() == ()
    assert len(calls) == 2


def test_ports_without_hardware_are_left_out(
    computer: Computer, monkeypatch: pytest.MonkeyPatch
) -> None:
    bridge, board = computer.plug(), computer.plug(vid=None, pid=None, serial_number=None)
    monkeypatch.setattr("agent.wire.listing.has_hardware", lambda device: False)
    assert [port.device for port in list_ports()] == [bridge.device]
    monkeypatch.setattr("agent.wire.listing.has_hardware", lambda device: True)
    assert {port.device for port in list_ports()} == {bridge.device, board.device}


def test_who_holds_a_port_is_told(computer: Computer) -> None:
    port = computer.plug()
    holder = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import os, sys; os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY);"
            "print(1, flush=True); sys.stdin.read()",
            port.device,
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    holder.stdout.readline()
    try:
        told = {state.port.device: state.used_by for state in states()}[port.device]
    finally:
        holder.stdin.close()
        holder.wait()
        holder.stdout.close()
    if not Path("/proc/self/fd").exists():
        pytest.skip("only /proc tells who holds a port")
    assert "process" in told


def test_a_group_that_may_open_it_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import grp

    device = tmp_path / "ttyUSB0"
    device.touch()
    device.chmod(0o660)
    group = next(g for g in grp.getgrall() if g.gr_gid not in (0, *os.getgroups()))
    found = os.stat_result([*device.stat()[:5], group.gr_gid, *device.stat()[6:]])
    monkeypatch.setattr("agent.wire.listing.os.stat", lambda path: found)
    assert permission_remedy(str(device)).startswith(f"sudo usermod -aG {group.gr_name} $USER")
