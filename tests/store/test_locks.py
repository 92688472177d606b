"""One agent at a port; a lock never outlives its holder."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from agent.errors import LinkFailed
from agent.store.locks import PortLock


def test_a_second_agent_is_told_who_has_the_port(tmp_path: Path) -> None:
    with (
        PortLock("socket://127.0.0.1:7000", tmp_path),
        pytest.raises(LinkFailed, match=f"in use by another plumbelt .process {os.getpid()}"),
    ):
        PortLock("socket://127.0.0.1:7000", tmp_path)
    with PortLock("socket://127.0.0.1:7000", tmp_path) as lock:
        lock.release()
        lock.release()


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
