"""The field campaign: many random machines, one round of tuning each, held against the truth.

    python -m tests.campaign --machines 10000 --plant 200 --seed 1 --json

Machines are drawn as the profile's priors say.  Most are read by formula (the estimator's own
prediction plus noise), `--plant` of them through the simulator: G-code into whole motor steps, into
laid beads, into a caliper, with no formula in common.  Every machine is read with the standard
pieces and one travel reading per axis, solved, corrected once, and compared with the common
practice of `new = old * nominal / measured` from one 20 mm part per axis.
"""

from __future__ import annotations

import argparse
import json
import math
import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache, partial
from typing import Any, Literal, get_args

import numpy as np

from agent.estimate.consistency import examine
from agent.estimate.observation import Noise, observe
from agent.estimate.parameters import PUBLIC, parameters_of, public_unit
from agent.estimate.remedies import decide, errors_after
from agent.estimate.solution import Parameter
from agent.estimate.uncertainty import display_step
from agent.model.budget import NO_BUDGET
from agent.model.feature import Feature, Reading
from agent.model.geometry import DELTA, ERRORS, EX, EY, EZ, Array
from agent.model.profile import Profile
from agent.model.survey import Survey
from agent.pieces import PIECES, toolpath, travel_features
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile
from tests.stress.plant import send

REPEATS = 5
#: Scatter of a re-seated caliper, mm (common practice), and of a length gauge.
READING_SD = 0.015
GAUGE_U = 0.05
#: What a machine should keep after one round.
INSIDE_SCALE, INSIDE_DEG = 0.001, 0.1
STANDARD = ("strip", "post", "block")
NAIVE_MM = 20.0

World = Literal["clean", "budget"]

#: The unknown that all readings of the caliper share.
ZERO = "zero_mm:"


@dataclass(frozen=True)
class Tuned:
    """One machine after one round; scales relative, angle in degrees."""

    errors: dict[str, float]  #: estimate minus true value, of each parameter whose truth is known
    parameters: dict[str, Parameter]
    before: tuple[float, float, float, float]  #: ex, ey, ez, delta_deg
    after: tuple[float, float, float, float]
    naive: tuple[float, float, float]
    left: tuple[bool, bool, bool, bool]  #: left alone by the verdict


@cache
def profile() -> Profile:
    return load_profile(ready_profiles() / "heron.yaml")


@cache
def features() -> tuple[tuple[str, Feature], ...]:
    """Features of the standard pieces, with the piece's name, and the travels."""
    pieces = [(name, PIECES[name](profile())) for name in STANDARD]
    found = [
        (name, feature) for name, piece in pieces for feature in piece.features if not feature.side
    ]
    return (*found, *(("", feature) for feature in travel_features(profile())))


def survey_of(values: Iterable[Sequence[float]]) -> Survey:
    machine = profile()
    readings = tuple(
        Reading(
            f.kind,
            f.along,
            tuple(mm),
            f.between,
            GAUGE_U if f.kind == "travel" else None,
            f.name,
        )
        for (_, f), mm in zip(features(), values, strict=True)
    )
    return Survey(
        readings=readings,
        mechanics=machine.mechanics,
        steps_per_mm={
            letter: machine.settings[f"steps_per_mm.{letter}"].setting.value for letter in "xyz"
        },
        axes=machine.axes,
        instrument=machine.instrument,
        material=machine.material,
        tolerance=machine.tolerance,
        priors=machine.priors,
    )


def judged(survey: Survey, true: Array, naive: tuple[float, float, float]) -> Tuned:
    """Solve, correct once, and hold against the true unknowns: 7 errors, shrink, then offsets.

    The plant knows no offsets as such, beads simply lie there: then `true` ends with the shrink.
    """
    examined = examine(survey)
    parameters = parameters_of(examined.fit)
    remedies = decide(survey, examined, parameters, withheld={})
    known = dict(zip(examined.fit.unknowns.names, true, strict=False))
    errors = {
        public: parameter.value - known[own] * public_unit(public)
        for public, parameter in parameters.items()
        if (own := PUBLIC.get(public, public)) in known
    }
    return Tuned(
        errors=errors,
        parameters={name: parameters[name] for name in errors},
        before=_four(true),
        after=_four(errors_after(true[: len(ERRORS)], remedies.applied)),
        naive=naive,
        left=(
            *(not v.apply for v in remedies.verdicts.values()),
            remedies.angle_deg is None,
        ),
    )


def _four(errors: Array) -> tuple[float, float, float, float]:
    return (
        float(errors[EX]),
        float(errors[EY]),
        float(errors[EZ]),
        math.degrees(float(errors[DELTA])),
    )


def by_formula(seeds: Sequence[int], world: World = "clean") -> list[Tuned]:
    """Machines read by the estimator's own prediction plus noise.

    In the clean world nothing of the budget happens, but for the caliper's zero within its stated
    limits; in that of the budget every contributor is drawn as the budget says.
    """
    blank = survey_of([[1.0] * REPEATS] * len(features()))
    machine = profile()
    obs, unknowns = observe(blank, Noise(READING_SD, math.inf))
    own = np.array([r.u_mm is not None for r in blank.readings])
    happens = blank if world == "budget" else replace(blank, budget=NO_BUDGET)
    # What the readings scatter by beyond their repeats: run-out and stray faces.
    independent = observe(happens, Noise(READING_SD, math.inf))[0].independent
    step = display_step(machine.instrument.resolution_mm)
    beyond = np.sqrt(np.maximum(independent - READING_SD**2 / REPEATS - step**2, 0.0))
    zero = unknowns.index(ZERO)
    tuned = []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        true = unknowns.mean + unknowns.u * rng.standard_normal(len(unknowns.u))
        if world == "clean":
            true[unknowns.sought :] = 0.0
        true[zero] = rng.uniform(-1, 1) * machine.instrument.limit_mm(150)
        exact = obs.predict(true)[0]
        exact = exact + np.where(own, 0.0, beyond) * rng.standard_normal(obs.size)
        scatter = rng.standard_normal((obs.size, REPEATS)) * READING_SD
        values = np.where(
            own[:, None],
            (exact + GAUGE_U * rng.standard_normal(obs.size))[:, None],
            exact[:, None] + scatter,
        )
        resolution = machine.instrument.resolution_mm
        values = np.round(values / resolution) * resolution
        tuned.append(
            judged(survey_of(values.tolist()), true, _naive_by_formula(true, rng, unknowns))
        )
    return tuned


def _naive_by_formula(true: Array, rng: np.random.Generator, unknowns: Any) -> tuple[float, ...]:
    """One 20 mm part, read once: what `old * nominal / measured` leaves of each scale."""
    m = true[len(ERRORS)]
    cot = 1 / math.tan(profile().mechanics.gantry_angle)
    left = []
    for column, group in ((EX, "x"), (EY, "h"), (EZ, "s")):
        e = true[column]
        height = true[DELTA] * cot if column == EY else 0.0
        offset = true[unknowns.index(f"offset.{group}")]
        measured = (1 - m) * (1 + e + height) * NAIVE_MM + offset + true[unknowns.index(ZERO)]
        measured += rng.standard_normal() * READING_SD
        left.append((1 + e) * NAIVE_MM / measured - 1)
    return tuple(left)


def through_the_plant(seeds: Sequence[int]) -> list[Tuned]:
    """Machines whose pieces are laid and measured by the simulator."""
    return [_one_plant(seed) for seed in seeds]


def _one_plant(seed: int) -> Tuned:
    import yaml

    from sim.machine import build
    from tests.memory import MemoryTransport

    data = yaml.safe_load((ready_profiles() / "heron.yaml").read_text(encoding="utf-8"))
    machine = build(data, seed=seed)
    wire = MemoryTransport(machine.controller)
    wire.read(wire.now() + 5)
    for name in STANDARD:
        send(wire, toolpath(PIECES[name](profile()), profile()))
        machine.name_job(name)
    values = [
        machine.measure(_plain(feature), piece, 1 if feature.kind == "travel" else REPEATS)
        for piece, feature in features()
    ]
    truth = machine.truth()
    by_name = {
        "ex": truth["x_scale"],
        "ey": truth["y_scale"],
        "ez": truth["z_scale"],
        "delta": math.radians(truth["gantry_angle_deg"] - profile().mechanics.gantry_angle_deg),
        "psi": math.radians(truth["yaw_deg"]),
        "rho": math.radians(truth["roll_deg"]),
        "eps": math.radians(truth["rail_deg"]),
    }
    true = np.array([*(by_name[name] for name in ERRORS), machine.truth_drawn.shrink])
    return judged(survey_of(values), true, _naive_on_the_plant(machine, truth))


def _naive_on_the_plant(machine: Any, truth: Any) -> tuple[float, float, float]:
    """The three lengths nearest to 20 mm that the laid pieces have along x, h and s."""
    left = []
    for axis, scale in ((0, "x_scale"), (2, "y_scale"), (1, "z_scale")):
        fitting = [
            (abs(f.along[axis] - NAIVE_MM), f.name, piece, f)
            for piece, f in features()
            if f.kind == "outside" and f.along[axis] and sum(map(bool, f.along)) == 1
        ]
        _, _, piece, feature = min(fitting, key=lambda item: item[:2])
        measured = machine.measure(_plain(feature), piece, 1)[0]
        left.append((1 + truth[scale]) * abs(feature.along[axis]) / measured - 1)
    return (left[0], left[1], left[2])


def _plain(feature: Feature) -> dict[str, Any]:
    return {
        "kind": feature.kind,
        "along": feature.along,
        "between": feature.between,
        "jaws": feature.jaws,
        "name": feature.name,
    }


def figures(tuned: Sequence[Tuned]) -> dict[str, Any]:
    """What the campaign says of a set of machines."""
    coverage = {}
    for name in tuned[0].errors:
        told = [t for t in tuned if t.parameters[name].determined]
        if told:
            inside = sum(abs(t.errors[name]) <= t.parameters[name].expanded95 for t in told)
            coverage[name] = round(inside / len(told), 4)
    after = np.array([t.after for t in tuned])
    within = (np.abs(after[:, :3]) <= INSIDE_SCALE).all(axis=1) & (
        np.abs(after[:, 3]) <= INSIDE_DEG
    )
    naive = np.array([t.naive for t in tuned])
    limits = (INSIDE_SCALE,) * 3 + (INSIDE_DEG,)
    left = [
        abs(before) <= limit
        for t in tuned
        for before, limit, alone in zip(t.before, limits, t.left, strict=True)
        if alone
    ]
    return {
        "machines": len(tuned),
        "coverage": coverage,
        "inside_tolerance": round(float(within.mean()), 4),
        "ratio_to_common_practice": round(
            float(np.sqrt(np.mean(after[:, :3] ** 2) / np.mean(naive**2))), 4
        ),
        "leave_it_right": round(sum(left) / len(left), 4) if left else None,
    }


def _chunks(seeds: range, size: int) -> Iterator[range]:
    for start in range(seeds.start, seeds.stop, size):
        yield range(start, min(start + size, seeds.stop))


def campaign(
    machines: int, plant: int, seed: int, workers: int | None = None, world: World = "clean"
) -> dict[str, Any]:
    """Figures by formula, and through the plant under `plant`."""
    first = seed * 1_000_000
    workers = workers or os.cpu_count() or 1
    with ProcessPoolExecutor(workers) as pool:
        formula = pool.map(
            partial(by_formula, world=world), _chunks(range(first, first + machines), 250)
        )
        laid = pool.map(through_the_plant, _chunks(range(first, first + plant), 10))
        result = figures([t for chunk in formula for t in chunk]) if machines else {}
        if plant:
            result["plant"] = figures([t for chunk in laid for t in chunk])
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--machines", type=int, default=1000, help="machines read by formula")
    parser.add_argument("--plant", type=int, default=20, help="machines laid by the simulator")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true", help="one JSON document")
    parser.add_argument(
        "--world",
        choices=get_args(World),
        default="clean",
        help="of the machines read by formula: nothing of the budget happens, or all as it says",
    )
    options = parser.parse_args()
    result = campaign(options.machines, options.plant, options.seed, world=options.world)
    if options.json:
        print(json.dumps(result))
        return
    for title, part in (("by formula", result), ("through the plant", result.get("plant"))):
        if not part or "machines" not in part:
            continue
        print(f"{title}: {part['machines']} machines")
        rows = [(f"95 % interval of {n} holds the truth", x) for n, x in part["coverage"].items()]
        rows.append(("inside 0.1 % and 0.1 deg after one round", part["inside_tolerance"]))
        rows.append(("'leave it' that was right", part["leave_it_right"]))
        for text, share in rows:
            print(f"  {text:<56}" + ("none" if share is None else f"{100 * share:7.2f} %"))
        ratio = part["ratio_to_common_practice"]
        print(f"  {'remaining scale error over that of the common practice':<56}{ratio:9.4f}")


if __name__ == "__main__":
    main()
