"""Short dialogues with a controller."""

from __future__ import annotations

from typing import Any

from sim.machine import SimulatedMachine, build
from tests.sim.laying import HERON


def machine(family: str = "replay", **how: Any) -> SimulatedMachine:
    return build(HERON, seed=how.pop("seed", None), family=family, **how)


def say(made: SimulatedMachine, data: bytes | str, wait: float = 0.05) -> list[str]:
    """Send bytes (a text gets its line feed) and listen for `wait` seconds; the lines heard."""
    if isinstance(data, str):
        data = data.encode() + b"\n"
    controller = made.controller
    controller.receive(data, controller.now)
    controller.run(controller.now + wait)
    return controller.take().decode("latin-1").splitlines()


def boot(made: SimulatedMachine) -> list[str]:
    """Reset the board; what it says."""
    controller = made.controller
    controller.power_on(controller.now)
    controller.run(controller.now + 2.0)
    return controller.take().decode().splitlines()
