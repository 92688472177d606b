"""A computer that slept: link and heaters are asked before anything else."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.face.shell import run_line
from agent.work.sleep import LEAST, Sleep
from tests.bench.world import PORT, WiredDesk, World


class Clocks:
    def __init__(self) -> None:
        self.wall = self.awake = 1000.0

    def sleep(self, seconds: float) -> None:
        self.wall += seconds

    def pass_by(self, seconds: float) -> None:
        self.wall += seconds
        self.awake += seconds


@pytest.fixture
def clocks() -> Clocks:
    return Clocks()


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> World:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    return World.new()


def shell(world: World, clocks: Clocks) -> WiredDesk:
    desk = world.desk()
    desk.in_shell = True
    assert run_line(desk, f"attach {PORT}") == 0
    desk.sleep = Sleep(lambda: clocks.wall, lambda: clocks.awake)
    return desk


def test_a_sleep_is_told_once_and_a_clock_set_right_is_none(clocks: Clocks) -> None:
    sleep = Sleep(lambda: clocks.wall, lambda: clocks.awake)
    clocks.pass_by(5000.0)
    assert sleep.seconds() == 0.0
    clocks.sleep(600.0)
    assert sleep.seconds() == 600.0
    assert sleep.seconds() == 0.0
    assert LEAST == 20.0
    clocks.sleep(19.5)
    assert sleep.seconds() == 0.0
    clocks.sleep(20.0)
    assert sleep.seconds() == 20.0
    clocks.sleep(-3600.0)
    assert sleep.seconds() == 0.0


def test_heaters_are_asked_before_the_first_verb_after_a_sleep(
    world: World, clocks: Clocks, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = shell(world, clocks)
    controller = world.controller
    controller.hotend.set(215.0, controller.now)
    clocks.sleep(1800.0)
    before = len(world.machine.received)
    assert run_line(desk, "readback") == 0
    assert world.machine.received[before] == "M105"
    told = " ".join(capsys.readouterr().err.split())
    assert "slept for 30 min" in told
    assert "THE HEATERS ARE ON" in told
    assert desk.session.bench.heater_state == "on"
    desk.close()


def test_a_link_that_is_silent_after_a_sleep_leaves_the_heaters_unknown(
    world: World, clocks: Clocks, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = shell(world, clocks)
    world.controller.halted = True  # it answers nothing any more
    clocks.sleep(1800.0)
    run_line(desk, "status")
    assert desk.session.bench.heater_state == "unknown"
    assert "Nobody knows whether the heaters are on" in " ".join(capsys.readouterr().err.split())
    desk.close()
