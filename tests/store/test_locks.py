"""One agent at a port; a lock never outlives its holder."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from agent.errors import LinkFailed, Refused
from agent.store.locks import PortLock, holder_of_lock, locks_folder


def test_a_second_agent_is_told_who_has_the_port(tmp_path: Path) -> None:
    with (
        PortLock("socket://127.0.0.1:7000", tmp_path),
        pytest.raises(LinkFailed, match=f"in use by another plumbelt .process {os.getpid()}"),
    ):
        PortLock("socket://127.0.0.1:7000", tmp_path)
    with PortLock("socket://127.0.0.1:7000", tmp_path) as lock:
        lock.release()
        lock.release()


def test_who_only_looks_holds_nobody_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another process asks whether the port is taken, and has its lock for that moment."""
    looking = PortLock("/dev/one", tmp_path)
    slept: list[float] = []

    def sleep(seconds: float) -> None:
        slept.append(seconds)
        looking.release()

    monkeypatch.setattr("agent.store.locks.time", SimpleNamespace(monotonic=lambda: 0, sleep=sleep))
    with PortLock("/dev/one", tmp_path) as lock:
        assert lock.covers("/dev/one")
    assert len(slept) == 1


def test_two_names_of_one_device_are_one_lock(tmp_path: Path) -> None:
    device, name = tmp_path / "device", tmp_path / "by-name"
    device.touch()
    name.symlink_to(device)
    with PortLock(str(device), tmp_path), pytest.raises(LinkFailed):
        PortLock(str(name), tmp_path)


def test_other_ports_are_free(tmp_path: Path) -> None:
    with PortLock("/dev/one", tmp_path), PortLock("/dev/two", tmp_path):
        assert len(list(tmp_path.glob("*.lock"))) == 2


def test_a_killed_holder_leaves_no_lock(tmp_path: Path) -> None:
    script = (
        "import sys; from pathlib import Path; from agent.store.locks import PortLock\n"
        "lock = PortLock('port', Path(sys.argv[1])); print('held', flush=True); sys.stdin.read()\n"
    )
    holder = subprocess.Popen(
        [sys.executable, "-c", script, str(tmp_path)],
        stdout=subprocess.PIPE,
        stdin=subprocess.PIPE,
        text=True,
    )
    assert holder.stdout is not None
    assert holder.stdin is not None
    assert holder.stdout.readline() == "held\n"
    with pytest.raises(LinkFailed, match=f"process {holder.pid}"):
        PortLock("port", tmp_path)
    os.kill(holder.pid, signal.SIGKILL)
    holder.wait()
    holder.stdout.close()
    holder.stdin.close()
    PortLock("port", tmp_path).release()


def test_every_user_of_the_computer_meets_the_same_lock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever their homes are."""
    monkeypatch.setenv("PLUMBELT_HOME", "/somewhere/of/one")
    folder = locks_folder()
    with PortLock("/dev/ttyUSB0") as held:
        monkeypatch.setenv("PLUMBELT_HOME", "/somewhere/of/another")
        monkeypatch.setenv("HOME", "/somewhere/else")
        assert locks_folder() == folder
        with pytest.raises(LinkFailed):
            PortLock("/dev/ttyUSB0")
        assert holder_of_lock("/dev/ttyUSB0").startswith(f"plumbelt (process {os.getpid()}")
        assert held.path.stat().st_mode & 0o777 == 0o666
        assert folder.stat().st_mode & 0o1777 == 0o1777
    assert holder_of_lock("/dev/ttyUSB0") == ""


def test_a_lock_is_never_taken_through_a_link(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("kept")
    (tmp_path / "dev_ttyUSB9.lock").symlink_to(victim)
    with pytest.raises(Refused):
        PortLock("/dev/ttyUSB9", tmp_path)
    assert victim.read_text() == "kept"


@pytest.mark.parametrize("name", ["COM12", "com12", r"\\.\COM12", "COM12:"])
def test_the_names_of_one_windows_port_are_one_lock(tmp_path: Path, name: str) -> None:
    with PortLock(r"\\.\COM12", tmp_path), pytest.raises(LinkFailed):
        PortLock(name, tmp_path)
