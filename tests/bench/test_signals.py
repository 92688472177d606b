"""A closed terminal and a request to terminate: heaters off first, then the link."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from agent.rehearsal import plain_profile
from agent.wire.link import Link
from agent.work.asking import heaters_off
from agent.work.signals import Ended, unbroken
from sim.machine import SimulatedMachine, build
from sim.options import Options
from sim.serve import serve
from tests.memory import MemoryTransport
from tests.patience import PATIENCE

pexpect = pytest.importorskip("pexpect")


def hot(machine: SimulatedMachine) -> bool:
    return bool(machine.controller.hotend.target or machine.controller.bed.target)


def drained(shell: Any) -> bool:
    """Take what a terminal would show, so that nobody waits for it."""
    with suppress(pexpect.TIMEOUT, pexpect.EOF):
        shell.read_nonblocking(10_000, 0.05)
    return False


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
        shell.expect("not attached|heron")
        assert hot(machine)
        shell.kill(signal.SIGHUP)  # what the system sends when a terminal is closed
        try:
            until(lambda: drained(shell) or not hot(machine), "it stays hot")
        finally:
            shell.kill(signal.SIGKILL)


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


class Impatient:
    """A cable at which somebody presses Ctrl-C after so many reads."""

    def __init__(self, inner: MemoryTransport, reads: int) -> None:
        self.inner, self.left, self.name = inner, reads, inner.name

    def now(self) -> float:
        return self.inner.now()

    def write(self, data: bytes) -> None:
        self.inner.write(data)

    def read(self, until: float) -> bytes:
        self.left -= 1
        if not self.left:
            raise KeyboardInterrupt
        return self.inner.read(until)

    def close(self) -> None:
        self.inner.close()


@pytest.mark.parametrize("numbered", [False, True])
def test_both_words_lie_before_a_controller_that_hears_nothing_while_it_heats(
    numbered: bool,
) -> None:
    machine = build(plain_profile(), seed=3, options=Options(busy_seconds=0.0))
    controller = machine.controller
    controller.hotend.rate = 0.5  # heats for minutes, longer than anybody waits for an answer
    link = Link(Impatient(MemoryTransport(controller), reads=40))
    link.exchange.numbered = numbered
    with pytest.raises(KeyboardInterrupt):
        link.stream(["M140 S60", "M109 S215"])
    assert heaters_off(link) is None  # nobody can prove it yet
    controller.run(controller.now + 1000.0)
    assert (controller.hotend.target, controller.bed.target) == (0, 0)
