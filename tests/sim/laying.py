"""Small pieces in G-code of the tests' own, laid by talking to the controller."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import yaml

from sim.machine import SimulatedMachine

HERON: dict[str, Any] = yaml.safe_load(
    (Path(__file__).parents[2] / "profiles" / "heron.yaml").read_text()
)

WIDTH, HEIGHT = 0.5, 0.25
#: Section of the planned bead: rectangle with half-round sides.
AREA = (WIDTH - HEIGHT) * HEIGHT + math.pi * HEIGHT**2 / 4
E_PER_MM = AREA / (math.pi * 1.75**2 / 4)


def tell(machine: SimulatedMachine, lines: Iterable[str]) -> str:
    """Send lines one after the other, each when the last was answered; all that came back."""
    controller = machine.controller
    heard = ""
    for line in lines:
        controller.receive(line.encode() + b"\n", controller.now)
        answer = controller.take().decode()
        while not any(row.startswith("ok") for row in answer.splitlines()):
            instant = controller.next_instant()
            assert instant is not None, f"no answer to {line!r}: {answer!r}"
            controller.run(instant)
            answer += controller.take().decode()
        heard += answer
    return heard


def start() -> Iterator[str]:
    yield from ("G21", "G90", "M83", "G28 X Y", "M109 S215", "G92 Z0")


def _loop(corners: list[tuple[float, float, float]]) -> Iterator[str]:
    """A closed line through commanded places (across, gantry, belt)."""
    x, y, z = corners[0]
    yield f"G0 X{x:.4f} Y{y:.4f} Z{z:.4f} F6000"
    last = corners[0]
    for place in [*corners[1:], corners[0]]:
        length = math.dist(last, place)
        yield "G1 X{:.4f} Y{:.4f} Z{:.4f} E{:.5f} F2400".format(*place, length * E_PER_MM)
        last = place


def flat_frame(size: tuple[float, float], angle_deg: float = 45.0) -> Iterator[str]:
    """One closed line on the belt: outside `size` (x, s), near corner at (20, 10)."""
    angle = math.radians(angle_deg)
    gantry, back = HEIGHT / math.sin(angle), HEIGHT / math.tan(angle)
    half = WIDTH / 2
    x0, x1 = 20 + half, 20 + size[0] - half
    s0, s1 = 10 + half - back, 10 + size[1] - half - back
    yield from _loop([(x0, gantry, s0), (x1, gantry, s0), (x1, gantry, s1), (x0, gantry, s1)])


def upright_box(size: tuple[float, float, float], angle_deg: float = 45.0) -> Iterator[str]:
    """A hollow box x by s by h in gantry layers, near corner at (20, 10, 0).

    Each layer plane n = const cuts the box in a rectangle up the plane; the nozzle runs half a
    layer above the middle of each.
    """
    angle = math.radians(angle_deg)
    c, s = math.cos(angle), math.sin(angle)
    x, s0, s1, top = size[0], 10.0, 10.0 + size[1], size[2]
    least, most = -s1 * s, -s0 * s + top * c
    for k in range(math.floor(least / HEIGHT), math.ceil(most / HEIGHT)):
        n = (k + 0.5) * HEIGHT
        # h = u s + n c from 0 to top, along = u c - n s from s0 to s1
        low = max(-n * c / s, (s0 + n * s) / c)
        high = min((top - n * c) / s, (s1 + n * s) / c)
        if high - low < 2 * WIDTH:
            continue
        tip = n + HEIGHT / 2
        half = WIDTH / 2

        def command(across: float, u: float, tip: float = tip) -> tuple[float, float, float]:
            along, h = u * c - tip * s, u * s + tip * c
            return across, h / s, along - h * c / s

        x0, x1, u0, u1 = 20 + half, 20 + x - half, low + half, high - half
        yield from _loop([command(x0, u0), command(x1, u0), command(x1, u1), command(x0, u1)])
