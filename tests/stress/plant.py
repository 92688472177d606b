"""The same table through the simulator: G-code into beads into a caliper, no formula of ours.

One machine is laid once for all effects that act on what lies on the belt or on who reads it, and
once more for each effect that acts while it is laid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from agent.pieces import PIECES, toolpath
from agent.store.home import ready_profiles
from sim.bench import EFFECTS, Bench
from sim.bends import Bends
from sim.hand import Caliper
from sim.machine import SimulatedMachine, build
from sim.plastic import Plastic
from tests.memory import MemoryTransport
from tests.stress.judging import Row, Verdict, judge, put_wrong, stated
from tests.stress.world import GAUGE_U, MOVES, REPEATS, STANDARD, profile, standard

#: What acts while a piece is laid; all else acts on what lies there, or on who reads it.
WHILE_LAID = ("lost_motion", "belt_scale", "roller_wave")


@cache
def _plain() -> dict[str, Any]:
    import yaml

    path: Path = ready_profiles() / "heron.yaml"
    data: dict[str, Any] = yaml.safe_load(path.read_text(encoding="utf-8"))
    return data


def can_be_laid(row: Row) -> bool:
    """Whether the simulator has all of a row's effects; statements change what is drawn."""
    return row.kind != "statement" and all(name in EFFECTS for name, _ in row.sizes)


def laid(number: int, sizes: dict[str, float]) -> SimulatedMachine:
    """Machine `number` with the standard pieces on its belt."""
    bench = Bench({name: size for name, size in sizes.items() if name in WHILE_LAID}, number)
    machine = build(_plain(), seed=number, bench=bench)
    wire = MemoryTransport(machine.controller)
    wire.read(wire.now() + 5)
    for name in STANDARD:
        send(wire, toolpath(PIECES[name](profile()), profile()))
        machine.name_job(name)
    return machine


def on_bench(machine: SimulatedMachine, number: int, bench: Bench) -> SimulatedMachine:
    """Machine `number` with its pieces as they lie there, on another bench.

    What a bench does while pieces are laid (play, roller, belt from piece to piece) stays as it
    was.
    """
    truth, step = machine.truth_drawn, _plain()["instrument"]["resolution_mm"]
    twin = replace(
        machine,
        plastic=Plastic.of(truth, bench),
        bends=Bends.drawn(bench, _plain()),
        caliper=Caliper(truth, step, number, bench),
        minutes=0.0,
        _lying={},
    )
    for job in machine.bed.jobs:
        job.taken_up = None
    return twin


def send(wire: MemoryTransport, lines: Sequence[str]) -> None:
    """Lay without the product's link: one line, one acknowledgement."""
    heard = b""
    for line in lines:
        wire.write(line.encode() + b"\n")
        while b"ok" not in heard:
            got = wire.read(wire.now() + 900)
            if not got:
                raise RuntimeError(f"no answer to {line!r}")
            heard += got
        heard = heard[heard.rindex(b"\n") + 1 :]


def read(machine: SimulatedMachine) -> list[list[float]]:
    """What the hand types for each standard feature, mm."""
    task = standard()
    rows = []
    for piece, feature in zip(task.pieces, task.features, strict=True):
        plain = {
            "kind": feature.kind,
            "along": feature.along,
            "between": feature.between,
            "jaws": feature.jaws,
            "name": feature.name,
        }
        rows.append(machine.measure(plain, piece, 1 if piece == MOVES else REPEATS))
    return rows


def judged_on_plant(rows: Sequence[Row], number: int) -> list[Verdict]:
    """A verdict of machine `number` for each row, in their order."""
    kept: dict[tuple[tuple[str, float], ...], SimulatedMachine] = {}
    verdicts = []
    rng = np.random.default_rng(number)
    angle = profile().mechanics.gantry_angle_deg
    for row in rows:
        sizes = dict(row.sizes)
        while_laid = tuple((name, size) for name, size in row.sizes if name in WHILE_LAID)
        if while_laid not in kept:
            kept[while_laid] = laid(number, dict(while_laid))
        machine = on_bench(kept[while_laid], number, Bench(sizes, number))
        survey = stated(read(machine), sizes.get("gauge_reading", GAUGE_U), sizes.get("rounding"))
        truth = machine.truth()
        true = {**truth, "gantry_angle_deg": truth["gantry_angle_deg"] - angle}
        verdicts.append(judge(*put_wrong(row, survey, true, rng)))
    return verdicts
