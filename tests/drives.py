"""How often the true drive is found from steps/mm, speed limit and letter alone.

    python -m tests.drives --machines 1000 --seed 1 --json

Machines are drawn from usual parts by a table of their own, written apart from the one that the
ranking uses and coarser than it; their stored steps/mm are off by up to 3 %, evenly.  `--flat`
draws every part of the table equally often, which no workshop sees: the least favourable case.
"""

from __future__ import annotations

import argparse
import json
import math
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from agent.model.drive import Drive, Roller, Screw, Toothed
from agent.model.inference import Candidate, Sign, infer
from agent.model.roles import ROLES, Role

OFF = 0.03

#: Usual parts with how often they are met (common practice, from memory).
MICROSTEPS = {16: 55, 32: 15, 8: 8, 64: 8, 128: 7, 256: 7}
FULL_STEPS = {200: 90, 400: 10}
TEETH = {20: 60, 16: 30, 18: 2, 24: 3, 30: 2, 36: 3}
LEADS = {8.0: 50, 4.0: 20, 2.0: 20, 5.0: 10}
ROLLERS = (16, 18, 20, 22, 24, 25, 28, 30, 32, 35, 38, 40, 50, 60)
BELTS = (0.5, 0.8, 1.0, 1.2, 1.5, 2.0, 3.0)
GEARS = {1.0: 30, 2.0: 10, 3.0: 25, 4.0: 10, 5.0: 20, 57 / 11: 5}


@dataclass(frozen=True)
class Drawn:
    drives: dict[Role, Drive]
    signs: dict[Role, Sign]


def draw(rng: random.Random, flat: bool = False, tells: bool = False) -> Drawn:
    """One machine; `tells`: the controller names its microsteps."""

    def one(table: dict[Any, int]) -> Any:
        weights = None if flat else list(table.values())
        return rng.choices(list(table), weights)[0]

    full, micro = one(FULL_STEPS), one(MICROSTEPS)
    drives: dict[Role, Drive] = {}
    signs: dict[Role, Sign] = {}
    for role in ROLES:
        if rng.random() < 0.05:  # an axis with a driver of its own
            micro = one(MICROSTEPS)
        ratio = 1.0
        output: Toothed | Screw | Roller = Toothed(one(TEETH), 2.0)
        if role == "gantry" and rng.random() < 0.3:
            output = Screw(one(LEADS))
        elif role == "belt" and rng.random() < 0.6:
            output = Roller(float(rng.choice(ROLLERS)), rng.choice(BELTS))
            ratio = one(GEARS)
        drive = Drive(full, micro, ratio, output)
        steps = round(drive.steps_per_mm * (1 + rng.uniform(-OFF, OFF)), 2)
        turns = rng.uniform(1.0, 8.0)
        speed = max(1.0, 5.0 * round(turns * output.travel_per_turn / ratio / 5.0))
        drives[role] = drive
        signs[role] = Sign(steps, 2, speed, drive.microsteps if tells else None)
    return Drawn(drives, signs)


def same(candidate: Candidate, drive: Drive) -> bool:
    """Whether a candidate is the drive.

    Of a motor the steps of a whole turn count, which is all that is calculated with; of a roller
    the diameter is measured, not inferred.
    """
    motor = candidate.full_steps * candidate.microsteps == drive.full_steps * drive.microsteps
    if not motor or not math.isclose(candidate.ratio, drive.ratio):
        return False
    if isinstance(drive.output, Roller):
        return candidate.output is None
    return candidate.output == drive.output


def places(machines: int, seed: int, **how: bool) -> Iterator[tuple[Role, int | None]]:
    """For each drive the place of the true one among the candidates, None beyond the tenth."""
    rng = random.Random(seed)
    for _ in range(machines):
        drawn = draw(rng, **how)
        found = infer(drawn.signs, most=10)
        for role in ROLES:
            hits = [n for n, c in enumerate(found[role], 1) if same(c, drawn.drives[role])]
            yield role, hits[0] if hits else None


def figures(machines: int, seed: int, **how: bool) -> dict[str, dict[str, float]]:
    """Shares of drives that stand first and among the first three."""
    found = list(places(machines, seed, **how))
    by: dict[str, dict[str, float]] = {}
    for name in ("all", *ROLES):
        chosen = [place for role, place in found if name in ("all", role)]
        by[name] = {
            "first": sum(place == 1 for place in chosen) / len(chosen),
            "first_three": sum(place is not None and place <= 3 for place in chosen) / len(chosen),
        }
    return by


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, prog="python -m tests.drives")
    parser.add_argument("--machines", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--flat", action="store_true", help="every part equally often")
    parser.add_argument("--tells", action="store_true", help="the controller names its microsteps")
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args(arguments)
    found = figures(given.machines, given.seed, flat=given.flat, tells=given.tells)
    if given.json:
        print(json.dumps(found, indent=2))
        return
    for name, row in found.items():
        print(f"{name:8} first {row['first']:.1%}   among three {row['first_three']:.1%}")


if __name__ == "__main__":
    main()
