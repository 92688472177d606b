"""What is measured on: the invented machine, its dump, lines to lay, readings to solve."""

from __future__ import annotations

import math
import random
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import yaml

from agent.estimate.observation import observe
from agent.model.feature import Reading
from agent.model.profile import Profile
from agent.model.survey import Survey
from agent.pieces import PIECES, travel_features
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile
from sim.machine import SimulatedMachine, build

#: Settings that a usual board has besides those in the profile of the heron.
_MORE = {
    "min_speed.print": 0.0,
    "min_speed.travel": 0.0,
    "segment_time": 20000.0,
    "home_offset.x": 0.0,
    "home_offset.y": -1.5,
    "home_offset.z": 0.0,
    "hotend_pid.p": 21.73,
    "hotend_pid.i": 1.54,
    "hotend_pid.d": 76.55,
    "bed_pid.p": 97.1,
    "bed_pid.i": 1.41,
    "bed_pid.d": 1675.16,
    "probe_offset.x": 10.0,
    "probe_offset.y": 12.5,
    "probe_offset.z": -1.25,
    "motor_current.x": 800.0,
    "motor_current.y": 800.0,
    "motor_current.z": 900.0,
    "motor_current.e0": 650.0,
}

#: Errors of the machine that the readings come from: the seven in the order of the geometry.
_TRUTH = (0.006, -0.004, 0.011, math.radians(0.5), math.radians(0.2), 0.001, -0.002)


def profile() -> Profile:
    return load_profile(ready_profiles() / "heron.yaml")


def plain_profile() -> dict[str, Any]:
    text = (ready_profiles() / "heron.yaml").read_text(encoding="utf-8")
    data: dict[str, Any] = yaml.safe_load(text)
    return data


def heron(dump_lines: int = 0) -> SimulatedMachine:
    """The heron without errors; its dump filled up to `dump_lines` with lines kept as text."""
    machine = build(plain_profile(), seed=None)
    controller = machine.controller
    if dump_lines:
        controller.live |= _MORE
        controller.stored = dict(controller.live)
        controller.defaults = dict(controller.live)
        missing = dump_lines - len(dump_of(machine))
        controller.other += [f"M145 S{i} H{180 + i} B60 F255" for i in range(missing - 1)]
    return machine


def dump_of(machine: SimulatedMachine) -> list[str]:
    """The lines that the machine answers to M503, acknowledgement left out."""
    controller = machine.controller
    controller.receive(b"M503\n", controller.now)
    controller.run(controller.now + 1)
    return controller.take().decode().splitlines()[:-1]


def short_lines(count: int) -> list[str]:
    """Moves as a piece with fine curves has them."""
    turn = random.Random(5).random()
    return [
        f"G1 X{60 + 40 * math.cos(turn + i / 9):.3f} Y{5 + i % 7 / 8:.3f} E0.0{100 + i % 900}"
        for i in range(count)
    ]


def standard_survey() -> Survey:
    """Readings of strip, post, block and three moves, five repeats each, as `demo` takes them."""
    machine = profile()
    features = [f for name in ("strip", "post", "block") for f in PIECES[name](machine).features]
    planned = [
        *((f, None, 5) for f in features),
        *((f, 0.05, 1) for f in travel_features(machine)),
    ]
    blank = [Reading(f.kind, f.along, (0.0,) * n, f.between, u, f.name) for f, u, n in planned]
    return read(survey_of(machine, blank))


def long_survey(count: int) -> Survey:
    """`count` different single lengths along the axes and diagonals."""
    dice = random.Random(11)
    kinds = ("outside", "inside", "pitch", "travel", "lean", "sway")
    blank = []
    for i in range(count):
        kind = kinds[i % len(kinds)]
        size = dice.uniform(15, 200)
        if kind in ("lean", "sway"):
            along = (0.0, 0.0, size)
        else:
            along = ((size, 0.0, 0.0), (0.0, size, 0.0), (0.0, 0.0, size), (size, size, 0.0))[
                i // len(kinds) % 4
            ]
        blank.append(Reading(kind, along, (0.0,)))
    return read(survey_of(profile(), blank))


def survey_of(machine: Profile, readings: list[Reading]) -> Survey:
    return Survey(
        readings=tuple(readings),
        mechanics=machine.mechanics,
        steps_per_mm={
            letter: machine.settings[f"steps_per_mm.{letter}"].setting.value for letter in "xyz"
        },
        instrument=machine.instrument,
        material=machine.material,
        tolerance=machine.tolerance,
        priors=machine.priors,
        axes=machine.axes,
    )


def read(survey: Survey) -> Survey:
    """The survey with values as a machine with known errors would give, and their scatter."""
    observations, unknowns = observe(survey)
    p = unknowns.mean.copy()
    p[: len(_TRUTH)] = _TRUTH
    true, _ = observations.predict(p)
    scatter = np.random.default_rng(3)
    return replace(
        survey,
        readings=tuple(
            replace(r, mm=tuple(np.round(mm + scatter.normal(0, 0.015, len(r.mm)), 2).tolist()))
            for r, mm in zip(survey.readings, true, strict=True)
        ),
    )


def repeated(text: str, lines: int) -> Iterator[str]:
    """`lines` lines of a text, over and over."""
    one = text.splitlines()
    for i in range(lines):
        yield one[i % len(one)]
