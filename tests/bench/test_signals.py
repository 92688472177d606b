"""A closed terminal and a request to terminate: heaters off first, then the link."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from agent.rehearsal import plain_profile
from agent.work.signals import Ended, unbroken
from sim.machine import SimulatedMachine, build
from sim.serve import serve
from tests.patience import PATIENCE

pexpect = pytest.importorskip("pexpect")


def hot(machine: SimulatedMachine) -> bool:
    return bool(machine.controller.hotend.target or machine.controller.bed.target)


def until(seen: object, what: str) -> None:
    assert callable(seen)
    give_up = time.monotonic() + PATIENCE
    while not seen():
        assert time.monotonic() < give_up, what
        time.sleep(0.05)


@pytest.mark.parametrize("name", ["SIGHUP", "SIGTERM"])
def test_a_laying_that_is_asked_to_end_leaves_the_heaters_off(tmp_path: Path, name: str) -> None:
    machine = build(plain_profile(), seed=3)
    environment = {**os.environ, "PLUMBELT_HOME": str(tmp_path)}
    with serve(machine, "tcp:0", speed=5.0) as server:
        line = [sys.executable, "-m", "agent.face.main", "--port", server.address]
        process = subprocess.Popen(
            [*line, "--profile", "heron", "lay", "strip"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env=environment,
        )
        assert process.stdin is not None
        process.stdin.write("understood\nyes\n")
        process.stdin.flush()
        until(lambda: hot(machine), "it never heats")
        process.send_signal(getattr(signal, name))
        _, err = process.communicate(timeout=PATIENCE)
        assert process.returncode == 128 + getattr(signal, name)
        assert not hot(machine)
        assert "The heaters are off" in err


def test_a_hot_shell_whose_terminal_closes_cools(tmp_path: Path) -> None:
    machine = build(plain_profile(), seed=3)
    environment = {**os.environ, "PLUMBELT_HOME": str(tmp_path), "TERM": "xterm"}
    with serve(machine, "tcp:0", speed=5.0) as server:
        machine.controller.hotend.set(215.0, machine.controller.now)
        shell = pexpect.spawn(
            sys.executable,
            ["-m", "agent.face.main", "--port", server.address, "--profile", "heron"],
            env=environment,
            timeout=PATIENCE,
        )
        shell.expect("HEATERS ARE ON")
        shell.expect("heron : ")
        assert hot(machine)
        shell.kill(signal.SIGHUP)  # what the system sends when a terminal is closed
        until(lambda: not hot(machine), "it stays hot")
        shell.close()


def cooled(done: list[str]) -> None:
    with unbroken():
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(0.01)
        done.append("off")


def test_a_signal_waits_until_the_heaters_are_off() -> None:
    done: list[str] = []

    def end(number: int, _frame: object) -> None:
        raise Ended(number)

    before = signal.signal(signal.SIGTERM, end)
    try:
        with pytest.raises(Ended):
            cooled(done)
    finally:
        signal.signal(signal.SIGTERM, before)
    assert done == ["off"]
