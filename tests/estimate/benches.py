"""Surveys of made-up machines, each for what it shows: clean, spoiled, sparse, of many pieces.

The readings were made once from a machine with known errors and from noise, and are typed here as
they would be typed at a bench.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from agent.model.budget import NO_BUDGET, Budget
from agent.model.drive import Drive, Roller, Toothed
from agent.model.feature import Between, Kind, Reading, Side, Vector
from agent.model.profile import (
    BedScrews,
    Coupling,
    Instrument,
    Material,
    Mechanics,
    Priors,
    Tolerance,
)
from agent.model.roles import Axes
from agent.model.survey import BeltRun, Check, Conditions, Survey

_Row = tuple[Kind, Vector, tuple[float, ...], Between | None, str, Side | None]

#: 45 degrees, every axis and turn off, 0.3 % of shrink, beads too wide.
_OFF: Final[tuple[_Row, ...]] = (
    ("outside", (20, 0, 0), (20.16, 20.15, 20.13), "edges", "strip x1", None),
    ("outside", (160, 0, 0), (160.33, 160.32, 160.33), "edges", "strip x2", None),
    ("outside", (0, 25, 0), (25.26, 25.25, 25.26), "edges", "strip s1", None),
    ("outside", (0, 180, 0), (181.02, 181.01, 181.03), "edges", "strip s2", None),
    ("outside", (0, 0, 30), (30.08, 30.07, 30.08), None, "post h1", None),
    ("outside", (0, 0, 90), (90.01, 90.02, 90.02), None, "post h2", None),
    ("lean", (0, 0, 90), (-2.1, -2.08, -2.08), None, "post l1", None),
    ("lean", (0, 0, 90), (-2.02, -2.0, -2.03), None, "post l2", "opposite"),
    ("sway", (0, 0, 90), (-0.08, -0.1, -0.1), None, "post w1", None),
    ("inside", (24, 0, 0), (23.88, 23.9, 23.9), None, "post i1", None),
    ("outside", (80, 80, 0), (113.74, 113.75, 113.74), None, "plate d1", None),
    ("outside", (80, -80, 0), (113.41, 113.41, 113.4), None, "plate d2", None),
    ("pitch", (0, 90, 0), (90.46, 90.45, 90.44), None, "plate p1", None),
    ("outside", (0, 42.4264, 42.4264), (59.57, 59.59, 59.56), None, "ramp g1", None),
    ("travel", (0, 300, 0), (302.45,), None, "move z1", None),
    ("travel", (0, 150, 0), (151.19,), None, "move z2", None),
    ("travel", (200, 0, 0), (200.84,), None, "move x1", None),
    ("travel", (0, 84.8528, 84.8528), (119.21,), None, "move y1", None),
    ("gap", (150, 0, 0), (-1.15,), None, "nozzle gap", None),
)
#: 35 degrees, as good as true.
_GOOD: Final[tuple[_Row, ...]] = (
    ("outside", (20, 0, 0), (19.99, 19.99, 19.97, 20.02, 20.01), "edges", "strip x1", None),
    ("outside", (160, 0, 0), (159.61, 159.6, 159.59, 159.61, 159.59), "edges", "strip x2", None),
    ("outside", (0, 25, 0), (24.96, 24.98, 24.97, 24.98, 24.97), "edges", "strip s1", None),
    ("outside", (0, 180, 0), (179.52, 179.54, 179.53, 179.53, 179.53), "edges", "strip s2", None),
    ("outside", (0, 0, 30), (29.96, 29.98, 29.93, 29.93, 29.93), None, "post h1", None),
    ("outside", (0, 0, 90), (89.81, 89.82, 89.82, 89.81, 89.81), None, "post h2", None),
    ("lean", (0, 0, 90), (-0.07, -0.1, -0.09, -0.08, -0.06), None, "post l1", None),
    ("lean", (0, 0, 90), (-0.11, -0.1, -0.08, -0.1, -0.08), None, "post l2", "opposite"),
    ("sway", (0, 0, 90), (-0.11, -0.11, -0.14, -0.12, -0.11), None, "post w1", None),
    ("inside", (24, 0, 0), (23.9, 23.91, 23.89, 23.88, 23.87), None, "post i1", None),
    ("outside", (80, 80, 0), (112.92, 112.92, 112.92, 112.93, 112.91), None, "plate d1", None),
    ("outside", (80, -80, 0), (112.77, 112.81, 112.8, 112.81, 112.8), None, "plate d2", None),
    ("pitch", (0, 90, 0), (89.73, 89.73, 89.71, 89.72, 89.75), None, "plate p1", None),
    ("travel", (0, 300, 0), (300.04,), None, "move z1", None),
    ("travel", (0, 150, 0), (150.0,), None, "move z2", None),
    ("travel", (200, 0, 0), (200.05,), None, "move x1", None),
    ("gap", (150, 0, 0), (0.07,), None, "nozzle gap", None),
    ("outside", (0, 49.1491, 34.4146), (59.84, 59.85, 59.83, 59.86, 59.83), None, "ramp g1", None),
    ("travel", (0, 98.2982, 68.8292), (119.96,), None, "move y1", None),
)
#: 90 degrees, off in all.
_UPRIGHT: Final[tuple[_Row, ...]] = (
    ("outside", (20, 0, 0), (20.11, 20.14), "edges", "strip x1", None),
    ("outside", (160, 0, 0), (159.2, 159.21), "edges", "strip x2", None),
    ("outside", (0, 25, 0), (24.92, 24.91), "edges", "strip s1", None),
    ("outside", (0, 180, 0), (178.72, 178.71), "edges", "strip s2", None),
    ("outside", (0, 0, 30), (30.16, 30.16), None, "post h1", None),
    ("outside", (0, 0, 90), (90.13, 90.12), None, "post h2", None),
    ("lean", (0, 0, 90), (0.97, 0.97), None, "post l1", None),
    ("lean", (0, 0, 90), (0.99, 0.98), None, "post l2", "opposite"),
    ("sway", (0, 0, 90), (0.63, 0.65), None, "post w1", None),
    ("inside", (24, 0, 0), (23.64, 23.66), None, "post i1", None),
    ("outside", (80, 80, 0), (112.31, 112.33), None, "plate d1", None),
    ("outside", (80, -80, 0), (112.66, 112.66), None, "plate d2", None),
    ("pitch", (0, 90, 0), (89.13, 89.11), None, "plate p1", None),
    ("travel", (0, 300, 0), (298.21,), None, "move z1", None),
    ("travel", (0, 150, 0), (149.15,), None, "move z2", None),
    ("travel", (200, 0, 0), (199.35,), None, "move x1", None),
    ("gap", (150, 0, 0), (-0.25,), None, "nozzle gap", None),
    ("travel", (0, 0, 120), (120.31,), None, "move y1", None),
)

#: What measures a move of each machine, mm; and who counts which way.
_U_MOVE: Final = 0.05
_STEPS: Final = {"x": 80.0, "y": 402.5, "z": 154.31}


def _readings(rows: tuple[_Row, ...], u_move: float | None = _U_MOVE) -> tuple[Reading, ...]:
    found = []
    for kind, (x, s, h), mm, between, name, side in rows:
        u = u_move if kind == "travel" else None
        along = (float(x), float(s), float(h))
        found.append(Reading(kind, along, mm, between, u, name, side))
    return tuple(found)


def _survey(rows: tuple[_Row, ...], angle: float, **more: Any) -> Survey:
    usual: dict[str, Any] = {
        "mechanics": Mechanics(gantry_angle_deg=angle),
        "steps_per_mm": _STEPS,
        "material": Material("PLA", 0.3, 0.15),
    }
    return Survey(readings=_readings(rows), **{**usual, **more})


OFF: Final = _survey(_OFF, 45.0)
GOOD: Final = _survey(_GOOD, 35.0)
UPRIGHT: Final = _survey(_UPRIGHT, 90.0)


def _named(base: Survey, *names: str) -> Survey:
    """Only the readings of these names, or whose names begin so."""
    return replace(base, readings=tuple(r for r in base.readings if r.name.startswith(names)))


def _typed(base: Survey, name: str, *mm: float, **changes: Any) -> Survey:
    """One reading typed otherwise."""
    found = tuple(
        replace(r, **({"mm": mm} if mm else {}), **changes) if r.name == name else r
        for r in base.readings
    )
    return replace(base, readings=found)


def _once(base: Survey) -> Survey:
    return replace(base, readings=tuple(replace(r, mm=r.mm[:1]) for r in base.readings))


def _many() -> Survey:
    """Eleven sets of pieces: more readings than are looked at in pairs."""
    found = []
    for n in range(11):
        for i, r in enumerate(_readings(_GOOD)[:14]):
            off = 0.01 * ((3 * n + 5 * i) % 7 - 3)
            found.append(
                replace(r, mm=tuple(round(x + off, 3) for x in r.mm), name=f"n{n}{r.name}")
            )
    return replace(GOOD, readings=(*found, *_readings(_GOOD)[14:]))


def _spoiled_many() -> Survey:
    return _typed(_typed(_many(), "n4post h2", 88.91, 88.92, 88.93), "n7plate p1", 89.37)


#: Marks of a belt with an oval roller, and the same under load.
_MARKS: Final = (25.0, 50.0, 75.0, 100.0, 125.0, 150.0, 175.0, 200.0, 250.0, 300.0)
_EMPTY: Final = (25.11, 49.82, 74.84, 100.24, 125.29, 150.0, 175.08, 200.48, 250.18, 300.71)
_LOADED: Final = (24.71, 49.11, 74.62, 98.9, 124.83, 148.2, 174.66, 198.06, 249.4, 297.61)
_THERE_AND_BACK: Final = (0.0, 60.0, 120.0, 180.0, 180.0, 120.0, 60.0, 0.0) * 2
_BOTH: Final = (
    *(0.01, 60.13, 120.27, 180.39, 180.31, 120.21, 60.05, -0.06),
    *(0.03, 60.15, 120.24, 180.41, 180.33, 120.18, 60.07, -0.08),
)  # fmt: skip

_ROLLER: Final = Drive(200, 16, 3.0, Roller(29.0, 1.1))
_BELTED: Final = Mechanics(
    gantry_angle_deg=45.0,
    drives={"belt": _ROLLER, "across": Drive(200, 16, 1.0, Toothed(20, 2.0))},
    travel_mm={"across": 220.0, "gantry": 180.0, "belt": 5000.0},
    belt_loop_mm=380.0,
)
_LONG: Final = tuple(float(x) for x in range(20, 1000, 49))
_LONG_READ: Final = tuple(
    round(
        x * 1.0031 + 0.17 * math.sin(x / 15.05 + 0.4) + 0.11 * math.cos(x / 60.5) + 2e-7 * x * x, 2
    )
    for x in _LONG
)


def _run(commanded: tuple[float, ...], measured: tuple[float, ...], **more: Any) -> BeltRun:
    return BeltRun(commanded, measured, **more)


def _belted(*runs: BeltRun, readings: tuple[Reading, ...] = (), **more: Any) -> Survey:
    usual: dict[str, Any] = {"mechanics": _BELTED, "steps_per_mm": _STEPS}
    return Survey(readings=readings, belt_runs=runs, **{**usual, **more})


def _sizes(*rows: tuple[Kind, float, float, float, float], **more: Any) -> Survey:
    """Few readings without names, each with its own uncertainty of 0.02 mm."""
    readings = tuple(Reading(kind, (x, s, h), (mm,), u_mm=0.02) for kind, x, s, h, mm in rows)
    usual: dict[str, Any] = {
        "mechanics": Mechanics(gantry_angle_deg=45.0),
        "steps_per_mm": _STEPS,
        "material": Material("", 0.0, 0.0),
        "budget": NO_BUDGET,
    }
    return Survey(readings=readings, **{**usual, **more})


_SCREWED: Final = Mechanics(
    gantry_angle_deg=45.0, screws=BedScrews(320.0, 0.7, "M4"), yaw_span_mm=280.0, max_pulse_rate=9e3
)


def coupled(coupling: Coupling) -> Survey:
    """The machine that is off, with two motors for across and gantry."""
    return replace(OFF, mechanics=Mechanics(gantry_angle_deg=45.0, coupling=coupling))


#: By name; each is made when it is asked for.
SURVEYS: Final[Mapping[str, Callable[[], Survey]]] = {
    # machines as they are read on a good day
    "off": lambda: OFF,
    "good": lambda: GOOD,
    "upright": lambda: UPRIGHT,
    "off read once": lambda: _once(OFF),
    "off without budget": lambda: replace(OFF, budget=NO_BUDGET),
    "off with screws": lambda: replace(
        OFF, mechanics=_SCREWED, max_speed={"x": 150.0, "y": 12.0, "z": 60.0}
    ),
    "other letters": lambda: replace(
        OFF, axes=Axes("y", "-z", "x"), steps_per_mm={"y": 100.0, "x": 77.7}
    ),
    "motors shared": lambda: coupled("motors"),
    "motors shared, errors that cancel": lambda: _sizes(
        ("travel", 100.0, 0.0, 0.0, 100.42),
        ("travel", 150.0, 0.0, 0.0, 150.63),
        ("travel", 0.0, 70.0, 70.0, 98.6),
        ("travel", 0.0, 100.0, 100.0, 140.86),
        mechanics=Mechanics(gantry_angle_deg=45.0, coupling="motors"),
    ),
    "motors shared, one alone read": lambda: _sizes(
        ("travel", 100.0, 0.0, 0.0, 100.42),
        ("travel", 150.0, 0.0, 0.0, 150.63),
        mechanics=Mechanics(gantry_angle_deg=45.0, coupling="motors"),
    ),
    "coarse caliper": lambda: replace(
        OFF, instrument=Instrument(0.05, 0.08, 0.05), tolerance=Tolerance(0.3, 0.2)
    ),
    "wide priors": lambda: replace(UPRIGHT, priors=Priors(8.0, 4.0, 3.0, 2.0, 2.5, 0.6, 0.05)),
    "sliced elsewhere": lambda: replace(OFF, budget=Budget(sliced_deg=0.2, bow_mm=0.06)),
    "narrow tolerance": lambda: replace(GOOD, tolerance=Tolerance(0.005, 0.02)),
    "checked once": lambda: replace(GOOD, checks=(Check(50.0, 0.012, 0.004),)),
    "checked twice": lambda: replace(
        OFF, checks=(Check(30.0, 0.031, 0.006), Check(150.0, 0.055, 0.006, "2026-03-04"))
    ),
    "many pieces": _many,
    "many pieces, two mistakes": _spoiled_many,
    "no steps known": lambda: replace(OFF, steps_per_mm={}),
    # one mistake of the hand each
    "sign": lambda: _typed(OFF, "post l1", 2.1, 2.08, 2.08),
    "degrees": lambda: _typed(OFF, "post l1", -1.34, -1.33, -1.32),
    "wrong side": lambda: _typed(OFF, "post i1", kind="outside"),
    "swapped": lambda: _typed(
        _typed(OFF, "post h1", 25.26, 25.25, 25.26), "strip s1", 30.08, 30.07, 30.08
    ),
    "inch": lambda: _typed(OFF, "strip s2", 7.127, 7.126, 7.128),
    "decimal": lambda: _typed(OFF, "plate d1", 11.374, 11.375, 11.373),
    "comma": lambda: _typed(OFF, "plate p1", 90.0, 46.0, 90.45),
    "torn": lambda: _typed(OFF, "plate p1", 90.46, 80.45, 90.44),
    "jaws": lambda: _typed(OFF, "post i1", 13.88, 13.9, 13.9),
    "nominal": lambda: _typed(OFF, "post h2", along=(0.0, 0.0, 96.0)),
    "one of several": lambda: _typed(OFF, "strip x2", 160.33, 160.32, 160.83),
    "copied": lambda: _typed(
        _typed(OFF, "strip x2", 160.33, 160.33, 160.33, 160.33, 160.33), "post h1", 30.08, 30.08
    ),
    "off by a slip": lambda: _typed(OFF, "plate d2", 113.92, 113.91, 113.93),
    "off by a slip, read once": lambda: _typed(_once(OFF), "strip s2", 181.62),
    "two mistakes": lambda: _typed(
        _typed(OFF, "post l1", 2.1, 2.08, 2.08), "strip s2", 7.127, 7.126, 7.128
    ),
    "three mistakes": lambda: _typed(
        _typed(_typed(OFF, "post l2", 2.02, 2.0, 2.03), "strip s2", 7.127, 7.126, 7.128),
        "ramp g1",
        60.57,
        60.59,
        60.56,
    ),
    "of no one machine": lambda: _sizes(
        *(("travel", 100.0, 0.0, 0.0, 100.0 + off) for off in (0.9, -1.1, 1.3, -0.7, 0.1, -1.6)),
        ("travel", 0.0, 120.0, 0.0, 120.0),
    ),
    "the other side of the walls": lambda: _sizes(
        *(("outside", x, 0.0, 0.0, x + 0.3) for x in (20.0, 60.0, 110.0, 160.0)),
        ("outside", 90.0, 0.0, 0.0, 89.71),
        ("inside", 40.0, 0.0, 0.0, 39.69),
        ("travel", 180.0, 0.0, 0.0, 180.02),
    ),
    "unlike all others": lambda: _sizes(
        ("travel", 100.0, 0.0, 0.0, 131.3),
        ("travel", 60.0, 0.0, 0.0, 78.77),
        ("travel", 140.0, 0.0, 0.0, 183.85),
        ("travel", 0.0, 120.0, 0.0, 120.9),
        ("travel", 0.0, 60.0, 0.0, 60.46),
    ),
    "microsteps": lambda: _sizes(
        ("travel", 100.0, 0.0, 0.0, 200.5), ("travel", 150.0, 0.0, 0.0, 300.72)
    ),
    # little was read
    "one length": lambda: _sizes(("travel", 0.0, 200.0, 0.0, 201.4)),
    "one outside": lambda: _sizes(("outside", 20.0, 0.0, 0.0, 20.3)),
    "leans alone": lambda: _named(OFF, "post l"),
    "sway alone": lambda: _named(OFF, "post w"),
    "gap alone": lambda: _named(OFF, "nozzle"),
    "diagonals alone": lambda: _named(OFF, "plate d"),
    "heights alone": lambda: _named(OFF, "post h"),
    "gantry alone": lambda: _named(OFF, "ramp", "move y"),
    "moves alone": lambda: _named(OFF, "move"),
    "flat strips, no angle known": lambda: replace(_named(OFF, "strip"), mechanics=Mechanics()),
    "all short alike": lambda: replace(
        _sizes(
            ("pitch", 150.0, 0.0, 0.0, 149.1),
            ("pitch", 80.0, 0.0, 0.0, 79.5),
            ("pitch", 0.0, 150.0, 0.0, 149.13),
            ("pitch", 0.0, 70.0, 0.0, 69.57),
        ),
        material=Material("", 0.0, 0.1),
    ),
    "all short alike, as is stated": lambda: _sizes(
        ("pitch", 150.0, 0.0, 0.0, 149.1),
        ("pitch", 80.0, 0.0, 0.0, 79.52),
        ("pitch", 0.0, 150.0, 0.0, 149.11),
        ("pitch", 0.0, 70.0, 0.0, 69.58),
        material=Material("", 0.3, 0.02),
    ),
    "of one material": lambda: replace(
        _named(OFF, "strip", "post", "move"), material=Material("PP", 1.5, 0.5)
    ),
    "warm": lambda: replace(
        _named(GOOD, "strip"), conditions=Conditions(room_c=22.0, minutes_since_print=6.0)
    ),
    "warm piece": lambda: replace(_named(GOOD, "strip"), conditions=Conditions(piece_c=43.0)),
    "grown beads": lambda: _sizes(
        ("outside", 20.0, 0.0, 0.0, 20.12),
        ("outside", 160.0, 0.0, 0.0, 160.55),
        ("inside", 60.0, 0.0, 0.0, 60.06),
        ("outside", 0.0, 0.0, 30.0, 29.71),
        ("outside", 0.0, 0.0, 90.0, 89.72),
        ("lean", 0.0, 0.0, 90.0, 0.01),
        ("outside", 0.0, 40.0, 0.0, 40.11),
        ("outside", 0.0, 140.0, 0.0, 140.12),
    ),
    "beads too thin": lambda: _sizes(
        ("outside", 20.0, 0.0, 0.0, 19.86),
        ("outside", 160.0, 0.0, 0.0, 160.28),
        ("outside", 90.0, 0.0, 0.0, 90.07),
        ("outside", 0.0, 40.0, 0.0, 39.81),
        ("outside", 0.0, 140.0, 0.0, 139.8),
        ("outside", 0.0, 30.0, 30.0, 42.7),
        material=Material("", 0.0, 0.02),
        priors=Priors(yaw_deg=0.05, rail_deg=0.05, roll_deg=0.05),
    ),
    "upright with screws": lambda: replace(
        UPRIGHT,
        mechanics=Mechanics(gantry_angle_deg=90.0, screws=BedScrews(250.0, 0.8), yaw_span_mm=410.0),
    ),
    "leaning sideways": lambda: _sizes(("sway", 0.0, 0.0, 90.0, -1.2)),
    "sideways and a plate": lambda: _sizes(
        ("sway", 0.0, 0.0, 90.0, 1.1),
        ("outside", 100.0, 100.0, 0.0, 142.16),
        ("outside", 100.0, -100.0, 0.0, 140.68),
        ("outside", 100.0, 0.0, 0.0, 100.0),
        ("outside", 0.0, 100.0, 0.0, 100.0),
        tolerance=Tolerance(0.1, 0.3),
    ),
    "heights off without a lean": lambda: _sizes(
        ("pitch", 0.0, 0.0, 60.0, 60.9), ("pitch", 0.0, 0.0, 30.0, 30.46)
    ),
    "lean beside a known belt": lambda: _sizes(
        ("lean", 0.0, 0.0, 60.0, -1.2),
        ("travel", 0.0, 200.0, 0.0, 200.9),
        ("travel", 0.0, 300.0, 0.0, 301.4),
    ),
    "touched once each": lambda: _sizes(
        ("outside", 0.0, 40.0, 0.0, 40.1),
        ("outside", 0.0, 30.0, 30.0, 42.6),
        ("inside", 50.0, 0.0, 0.0, 49.9),
    ),
    "rough faces": lambda: replace(
        OFF,
        readings=tuple(
            replace(r, mm=tuple(round(x + 0.08 * ((5 * n) % 7 - 3), 2) for x in r.mm))
            for n, r in enumerate(OFF.readings)
        ),
    ),
    "copied over and over": lambda: replace(
        GOOD, readings=tuple(replace(r, mm=r.mm[:1] * 5) for r in GOOD.readings[:9])
    ),
    # runs over marks
    "play that differs from place to place": lambda: _belted(
        _run(
            _THERE_AND_BACK,
            tuple(
                x - 0.002 * c * (n % 8 > 3)
                for n, (x, c) in enumerate(zip(_BOTH, _THERE_AND_BACK, strict=True))
            ),
            approach="both",
        )
    ),
    "oval roller": lambda: _belted(_run(_MARKS, _EMPTY)),
    "oval roller, read well": lambda: _belted(_run(_MARKS, _EMPTY, u_mm=0.3)),
    "slips": lambda: _belted(_run(_MARKS, _EMPTY), _run(_MARKS, _LOADED, load="part")),
    "pulls": lambda: _belted(
        _run(_MARKS, _EMPTY),
        _run(_MARKS, tuple(round(x * 1.0004 + 0.01, 3) for x in _EMPTY), load="part"),
    ),
    "loaded alone": lambda: _belted(_run(_MARKS, _LOADED, load="part")),
    "there and back": lambda: _belted(_run(_THERE_AND_BACK, _BOTH, approach="both")),
    "gantry there and back": lambda: _belted(
        _run(_THERE_AND_BACK, _BOTH, approach="both", axis="gantry", u_mm=0.02)
    ),
    "across, one length": lambda: _belted(
        _run((100.0,) * 4, (100.31, 100.35, 100.33, 100.3), axis="across")
    ),
    "roller and joint": lambda: _belted(_run(_LONG, _LONG_READ)),
    "belt that creeps": lambda: _belted(
        _run(_MARKS, tuple(round(x + 8e-6 * x * x, 3) for x in _MARKS), u_mm=0.03),
        readings=OFF.readings,
    ),
    "runs beside pieces": lambda: _belted(
        _run(_LONG, _LONG_READ),
        _run(_THERE_AND_BACK, _BOTH, approach="both", axis="across"),
        readings=_named(OFF, "post", "strip").readings,
        tolerance=Tolerance(0.2, 0.2),
    ),
}
