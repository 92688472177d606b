"""Scans of simulated strips, read and held against the truth; and scans that must be refused.

    python -m tests.scans --runs 200 --refused 200 --dpi 300 --json

Every machine is drawn as the profile's priors say, lays its strip through the simulator, and the
strip is scanned by a scanner of its own with rules of its own.  `error` is what was read less what
a perfect caliper would read there.  The scans that must be refused are other pieces, mirrored
ones, wrong stated resolutions, and missing rules, in turn.  `--tunes` tunes machines on the usual
bench by one scan, three measured moves, and the lean of a post by hand.
"""

from __future__ import annotations

import argparse
import json
import os
import time
from collections import Counter
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields, replace
from functools import cache, partial
from typing import Any

import numpy as np
import yaml

from agent.errors import AgentError, Refused
from agent.estimate import solve
from agent.model.feature import Reading
from agent.model.profile import Profile
from agent.model.survey import Survey
from agent.pieces import PIECES, Piece, toolpath, travel_features
from agent.scan.image import Scan
from agent.scan.reading import read_scan
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile
from sim.bench import bench_of
from sim.machine import SimulatedMachine, build
from sim.scanner import Lying, lying, plan_of, scan, set_out, usual
from tests.memory import MemoryTransport
from tests.stress.plant import send

#: A strip that finds room on an A4 glass beside its rules.
SIZES: dict[str, Any] = {"plate": (100.0, 60.0)}

#: Why a piece is not scanned at all.
NO_ROOM = "no room on the glass"

#: Two-sided 95 % of the normal distribution.
K95 = 1.959964


@dataclass(frozen=True)
class One:
    """One scan: errors and stated uncertainties by feature, or why it was refused."""

    errors: dict[str, tuple[float, float]]
    refused: str
    cpu_s: float


@cache
def profile() -> Profile:
    return load_profile(ready_profiles() / "heron.yaml")


def laid(seed: int, name: str = "strip", **sizes: Any) -> tuple[SimulatedMachine, Piece]:
    """A machine drawn by `seed`, and the piece it laid."""
    data = yaml.safe_load((ready_profiles() / "heron.yaml").read_text(encoding="utf-8"))
    machine = build(data, seed=seed)
    piece = PIECES[name](profile(), **sizes)
    wire = MemoryTransport(machine.controller)
    wire.read(wire.now() + 5)
    send(wire, toolpath(piece, profile()))
    machine.name_job(name)
    return machine, piece


def scanned(
    seed: int,
    dpi: float,
    name: str = "strip",
    how: Callable[[Lying], Lying] = lambda lying: lying,
    **sizes: Any,
) -> tuple[SimulatedMachine, Piece, Any]:
    """The same and its scan, the values of an 8-bit image."""
    machine, piece = laid(seed, name, **(sizes or SIZES))
    rng = np.random.default_rng(seed)
    plan = plan_of(machine.surface(name))
    scene = set_out(plan, how(lying(rng)), rng)
    return machine, piece, scan(scene, usual(rng), dpi, rng)


def read_one(dpi: float, seed: int) -> One:
    """One strip, read."""
    try:
        machine, piece, values = scanned(seed, dpi)
    except Refused:  # a machine that is off by a tenth lays more than the glass has room for
        return One({}, NO_ROOM, 0.0)
    began = time.process_time()
    try:
        read = read_scan(Scan(values, dpi), piece)
    except AgentError as refusal:
        return One({}, str(refusal), time.process_time() - began)
    spent = time.process_time() - began
    errors = {
        one.feature.name: (one.mm - machine.true_size(_plain(one.feature), "strip"), one.u_mm)
        for one in read.taken
    }
    return One(errors, "", spent)


def _plain(feature: Any) -> dict[str, Any]:
    names = ("kind", "along", "between", "jaws", "name")
    return {name: getattr(feature, name) for name in names}


#: Scans that must be refused.
WRONG = ("another piece", "other sizes", "mirrored", "wrong dpi", "one rule", "no rule")


def wrong_one(dpi: float, seed: int) -> tuple[str, str]:
    """One scan that must be refused: (what is wrong, why it was refused or '')."""
    try:
        return _wrong_one(dpi, seed)
    except Refused:
        return WRONG[seed % len(WRONG)], NO_ROOM


def _wrong_one(dpi: float, seed: int) -> tuple[str, str]:
    kind = WRONG[seed % len(WRONG)]
    rng = np.random.default_rng(seed + 1)
    piece = PIECES["strip"](profile(), **SIZES)
    stated = dpi
    if kind == "another piece":
        # the outline of another flat piece, and now and then the foot of a solid one
        other = ("rail", "block")[int(rng.integers(0, 2))]
        sizes: dict[str, Any] = {"pitch": 60.0, "count": 4} if other == "rail" else {"number": 1}
        _, _, values = scanned(seed, dpi, other, **sizes)
    elif kind == "other sizes":
        plate = (float(rng.uniform(70, 95)), float(rng.uniform(35, 57)))
        _, _, values = scanned(seed, dpi, plate=plate)
    elif kind == "mirrored":
        values = scanned(seed, dpi)[2]
        values = values[:, ::-1] if rng.integers(0, 2) else values[::-1]
    elif kind == "wrong dpi":
        values = scanned(seed, dpi)[2]
        stated = float(rng.choice([0.5, 2.0, 0.75, 1.2, 1.02, 0.97])) * dpi
    else:
        left = ("along", "across") if kind == "one rule" else ()
        keep = (str(rng.choice(left)),) if left else ()
        values = scanned(seed, dpi, how=partial(_with_rules, keep))[2]
    try:
        read_scan(Scan(np.ascontiguousarray(values), stated), piece)
    except AgentError as refusal:
        return kind, str(refusal)
    return kind, ""


def _with_rules(rules: tuple[str, ...], how: Lying) -> Lying:
    return replace(how, rules=rules)


def tuned(bench: str, dpi: float, seed: int) -> tuple[float, ...] | None:
    """What a tune leaves that rests on one scan, three moves, and the lean of a post by hand.

    Scales across, gantry and belt, relative, and the angle in degrees; on a bench of that kind.
    None if the glass has no room for the strip, or the scan is refused.
    """
    data = yaml.safe_load((ready_profiles() / "heron.yaml").read_text(encoding="utf-8"))
    machine = build(data, seed=seed, bench=bench_of(bench, (), seed))
    wire = MemoryTransport(machine.controller)
    wire.read(wire.now() + 5)
    strip, post = PIECES["strip"](profile(), **SIZES), PIECES["post"](profile())
    for piece in (strip, post):
        send(wire, toolpath(piece, profile()))
        machine.name_job(piece.name)
    machine.wait(60.0)
    rng = np.random.default_rng(seed)
    try:
        scene = set_out(plan_of(machine.surface("strip")), lying(rng), rng)
        read = read_scan(Scan(scan(scene, usual(rng), dpi, rng), dpi), strip)
    except Refused:
        return None
    readings = [_reading(one.feature, (one.mm,), one.u_mm) for one in read.taken]
    for feature in travel_features(profile()):
        readings.append(_reading(feature, machine.measure(_plain(feature), "", 1), MOVE_U))
    for feature in post.features:
        if feature.kind == "lean":
            values = machine.measure(_plain(feature), "post", 3)
            readings.append(_reading(feature, values, None))
    found = solve(_survey(tuple(readings)))
    truth = machine.truth()
    left = []
    for letter in "xyz":
        key = f"steps_per_mm.{letter}"
        new = {c.setting: c.new / c.old for c in found.corrections}.get(key, 1.0)
        left.append((1 + truth[f"{letter}_scale"]) * new - 1)
    angle = found.slicing_angle_deg or profile().mechanics.gantry_angle_deg
    return (*left, truth["gantry_angle_deg"] - angle)


#: Standard uncertainty that is typed for a measured move, mm.
MOVE_U = 0.06


def _reading(feature: Any, values: Sequence[float], u_mm: float | None) -> Reading:
    return Reading(
        feature.kind,
        feature.along,
        tuple(values),
        feature.between,
        u_mm,
        feature.name,
        side=feature.side,
    )


def _survey(readings: tuple[Reading, ...]) -> Survey:
    machine = profile()
    shared = {f.name for f in fields(Survey)} & {f.name for f in fields(Profile)}
    steps = {k: machine.settings[f"steps_per_mm.{k}"].setting.value for k in "xyz"}
    same = {name: getattr(machine, name) for name in shared}
    return Survey(readings=readings, **{**same, "steps_per_mm": steps})


def tune_figures(left: Sequence[tuple[float, ...]]) -> dict[str, Any]:
    """Shares of the machines that are inside 0.1 % and 0.15 degrees afterwards."""
    every = np.abs(np.array(left))
    scales, angle = every[:, :3] <= 0.001, every[:, 3] <= 0.15
    return {
        "machines": len(left),
        "inside": round(float((scales.all(axis=1) & angle).mean()), 4),
        "inside_each": [round(float(x), 4) for x in (*scales.mean(axis=0), angle.mean())],
        "left_rms": [round(float(x), 6) for x in np.sqrt((np.array(left) ** 2).mean(axis=0))],
    }


def figures(runs: Sequence[One]) -> dict[str, Any]:
    """What the scans say together."""
    names = list(dict.fromkeys(name for one in runs for name in one.errors))
    features = {}
    for name in names:
        found = np.array([one.errors[name] for one in runs if name in one.errors])
        features[name] = {
            "n": len(found),
            "mean_mm": round(float(found[:, 0].mean()), 4),
            "sd_mm": round(float(found[:, 0].std()), 4),
            "stated_u_mm": round(float(found[:, 1].mean()), 4),
            "coverage": round(float(np.mean(np.abs(found[:, 0]) <= K95 * found[:, 1])), 4),
        }
    every = np.array([pair for one in runs for pair in one.errors.values()])
    return {
        "scans": len(runs),
        "refused": Counter(one.refused for one in runs if one.refused),
        "sd_mm": round(float(np.sqrt(np.mean(every[:, 0] ** 2))), 4) if len(every) else None,
        "largest_sd_mm": max((f["sd_mm"] for f in features.values()), default=None),
        "coverage": (
            round(float(np.mean(np.abs(every[:, 0]) <= K95 * every[:, 1])), 4)
            if len(every)
            else None
        ),
        "cpu_s": round(float(np.median([one.cpu_s for one in runs if one.errors])), 2),
        "features": features,
    }


def campaign(
    runs: int, refused: int, dpi: float, seed: int, tunes: int = 0, workers: int | None = None
) -> dict[str, Any]:
    """All figures, plain."""
    first = seed * 100_000
    with ProcessPoolExecutor(workers or os.cpu_count()) as pool:
        good = list(pool.map(partial(read_one, dpi), range(first, first + runs)))
        tried = list(pool.map(partial(tuned, "usual", dpi), range(first, first + tunes)))
        bad = list(pool.map(partial(wrong_one, dpi), range(first, first + refused)))
    document = {"dpi": dpi, **figures(good)} if good else {"dpi": dpi}
    if left := [one for one in tried if one is not None]:
        document["tune"] = {"tried": tunes, **tune_figures(left)}
    if bad:
        document["wrong"] = {
            kind: {
                "scans": sum(k == kind for k, _ in bad),
                "accepted": sum(k == kind and not why for k, why in bad),
                "reasons": Counter(why.split(":")[0][:60] for k, why in bad if k == kind),
            }
            for kind in WRONG
        }
        document["accepted_wrongly"] = sum(not why for _, why in bad)
    return document


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--runs", type=int, default=20, help="scans that are to be read")
    parser.add_argument("--refused", type=int, default=0, help="scans that are to be refused")
    parser.add_argument("--tunes", type=int, default=0, help="machines tuned on the usual bench")
    parser.add_argument("--dpi", type=float, default=300.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, help="processes; as many as cores without it")
    parser.add_argument("--json", action="store_true", help="one JSON document")
    options = parser.parse_args()
    result = campaign(
        options.runs, options.refused, options.dpi, options.seed, options.tunes, options.jobs
    )
    if options.json:
        print(json.dumps(result))
        return
    for key, value in result.items():
        if isinstance(value, dict):
            print(key)
            for name, part in value.items():
                print(f"  {name:<12} {part}")
        else:
            print(f"{key:<20} {value}")


if __name__ == "__main__":
    main()
