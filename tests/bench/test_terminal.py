"""A real terminal on a served machine: whatever ends the work, the heaters are off behind it."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import pytest

from agent.bench.book import RecordBook
from agent.change.plan import make_plan
from agent.rehearsal import plain_profile
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile
from agent.wire.port import open_port
from agent.work.session import Session
from sim.machine import SimulatedMachine, build
from sim.options import Options
from sim.serve import serve
from tests.patience import PATIENCE

pexpect = pytest.importorskip("pexpect")

#: Plumbelt's clock runs with the wall's; the machine's runs so many times as fast.
SPEED = 20.0


class Shell:
    """plumbelt in a pseudo-terminal, attached to a served machine."""

    def __init__(self, machine: SimulatedMachine, address: str, home: Path) -> None:
        self.machine = machine
        self.child: Any = pexpect.spawn(
            sys.executable,
            ["-m", "agent.face.main", "--port", address, "--profile", "heron"],
            env={**os.environ, "PLUMBELT_HOME": str(home), "TERM": "xterm"},
            timeout=PATIENCE,
            echo=False,
        )
        self.said = ""
        self._heard = 0

    @property
    def hot(self) -> bool:
        controller = self.machine.controller
        return bool(controller.hotend.target or controller.bed.target)

    @property
    def laying(self) -> bool:
        return self.machine.controller.line.startswith("G1") and self.hot

    def drain(self) -> bool:
        """Take what a terminal would show; False once nobody talks any more."""
        try:
            text = self.child.read_nonblocking(65536, 0.02).decode(errors="replace")
            if "\x1b[6n" in text:  # a terminal says where its cursor stands
                self.child.send("\x1b[1;1R")
            self.said += text
        except pexpect.TIMEOUT:
            pass
        except (pexpect.EOF, OSError, ValueError):
            return False
        return True

    def until(self, seen: Callable[[], object], what: str) -> None:
        give_up = time.monotonic() + PATIENCE
        while not seen():
            assert time.monotonic() < give_up, f"{what}: {self.said[-1500:]}"
            if not self.drain():
                time.sleep(0.02)

    def hear(self, words: str) -> None:
        def heard() -> bool:
            place = self.said.find(words, self._heard)
            self._heard = self._heard if place < 0 else place + len(words)
            return place >= 0

        self.until(heard, f"it never says {words!r}")

    def type(self, line: str) -> None:
        self.child.send(line + "\r")

    def lay(self) -> None:
        """Begin to lay, up to the first line that heats."""
        self.hear("read twice")
        self.type("lay strip")
        self.hear("to go on")
        self.type("understood")
        self.hear("to go on")
        self.type("yes")
        self.until(lambda: self.hot, "it never heats")

    def ended(self) -> int:
        """Wait for the process; its exit code, or minus the number of what killed it."""
        self.until(lambda: not self.child.isalive(), "it never ends")
        status = self.child.exitstatus
        return int(status) if status is not None else -int(self.child.signalstatus)


@contextmanager
def shell_at(
    home: Path, before: Callable[[str], object] | None = None, **built: object
) -> Iterator[Shell]:
    """A shell at a served machine; `before` is given its address first."""
    machine = build(plain_profile(), seed=3, **built)  # type: ignore[arg-type]
    with serve(machine, "tcp:0", speed=SPEED) as server:
        if before is not None:
            before(server.address)
        shell = Shell(machine, server.address, home)
        try:
            yield shell
        finally:
            with suppress(OSError):
                shell.child.kill(signal.SIGKILL)
            with suppress(OSError):
                shell.child.close(force=True)


def hang_up(shell: Shell) -> None:
    shell.child.kill(signal.SIGHUP)


def terminate(shell: Shell) -> None:
    shell.child.kill(signal.SIGTERM)


def close_the_terminal(shell: Shell) -> None:
    os.close(shell.child.child_fd)
    shell.child.closed = True


def interrupt_then_hang_up(shell: Shell) -> None:
    shell.child.kill(signal.SIGINT)
    time.sleep(0.1)
    shell.child.kill(signal.SIGHUP)


def interrupt_twice(shell: Shell) -> None:
    shell.child.kill(signal.SIGINT)
    time.sleep(0.02)
    shell.child.kill(signal.SIGINT)


ENDINGS = [hang_up, terminate, close_the_terminal, interrupt_then_hang_up]


@pytest.mark.parametrize("phase", ["heating", "laying"])
@pytest.mark.parametrize("ending", ENDINGS, ids=lambda ending: ending.__name__)
def test_however_it_ends_the_heaters_are_off(
    tmp_path: Path, ending: Callable[[Shell], None], phase: str
) -> None:
    with shell_at(tmp_path) as shell:
        shell.lay()
        if phase == "laying":
            shell.until(lambda: shell.laying, "it never lays")
        ending(shell)
        shell.until(lambda: not shell.hot, "it stays hot")
        if ending is not close_the_terminal:
            code = shell.ended()
            assert code == 128 + (signal.SIGTERM if ending is terminate else signal.SIGHUP)


@pytest.mark.parametrize("phase", ["heating", "laying"])
def test_two_interrupts_at_once_leave_it_cold(tmp_path: Path, phase: str) -> None:
    """A busy system may make one signal of two: whoever then asks on is interrupted once more."""
    with shell_at(tmp_path) as shell:
        shell.lay()
        if phase == "laying":
            shell.until(lambda: shell.laying, "it never lays")
        interrupt_twice(shell)
        shell.until(lambda: not shell.hot or "Type 'on' to lay on" in shell.said, "it goes on")
        if shell.hot:
            shell.child.kill(signal.SIGINT)
        shell.until(lambda: not shell.hot, "it stays hot")
        shell.hear("The heaters are off")
        assert shell.child.isalive()  # the shell goes on


@pytest.mark.parametrize(("ending", "code"), [(hang_up, 129), (terminate, 143)])
def test_a_hang_up_at_the_question_of_a_pause(
    tmp_path: Path, ending: Callable[[Shell], None], code: int
) -> None:
    with shell_at(tmp_path) as shell:
        shell.lay()
        shell.until(lambda: shell.laying, "it never lays")
        shell.child.kill(signal.SIGINT)
        shell.hear("Type 'on' to lay on")
        assert shell.hot
        ending(shell)
        shell.until(lambda: not shell.hot, "it stays hot")
        assert shell.ended() == code


def test_a_controller_that_hears_nothing_until_it_is_warm_cools_then(tmp_path: Path) -> None:
    with shell_at(tmp_path, options=Options(busy_seconds=0.0)) as shell:
        shell.lay()
        terminate(shell)
        assert shell.ended() == 128 + signal.SIGTERM
        shell.until(lambda: not shell.hot, "it stays hot")


def test_leaving_a_hot_machine_asks_once(tmp_path: Path) -> None:
    with shell_at(tmp_path) as shell:
        shell.hear("read twice")
        shell.machine.controller.hotend.set(215.0, shell.machine.controller.now)
        shell.type("readback")
        shell.type("cool")
        shell.hear("heaters are off")
        shell.machine.controller.hotend.set(215.0, shell.machine.controller.now)
        shell.type("status")
        shell.hear("heaters")
        shell.type("attach --again")
        shell.hear("THE HEATERS ARE ON")
        shell.type("quit")
        shell.hear("Leave all the same?")
        shell.type("no")
        shell.type("quit")
        shell.hear("Leave all the same?")
        shell.type("yes")
        assert shell.ended() == 0


def write_and_do_not_store(address: str) -> None:
    """What a process does that ends between the two."""
    session = Session(load_profile(ready_profiles() / "heron.yaml"), book=RecordBook())
    session.contact.attach(open_port(address))
    assert session.contact.family is not None
    wanted = {"steps_per_mm.x": 80.61}
    plan = make_plan(
        session.bench.clean_readback,
        wanted,
        session.contact.family,
        machine="heron",
        profile=session.profile,
        why="measured",
    )
    session.changes.propose(plan, "tune")
    assert session.changes.write(plan, plan.digest, retyped=plan.wanted).verified
    session.close()


def test_leaving_what_is_not_stored_asks_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    with shell_at(tmp_path, write_and_do_not_store) as shell:
        shell.hear("read twice")
        shell.hear("NOT STORED")
        shell.type("quit")
        shell.hear("Leave all the same?")
        shell.type("no")
        shell.type("detach")
        shell.hear("NOT STORED")
        shell.hear("Detached")
        shell.type("quit")
        assert shell.ended() == 0
