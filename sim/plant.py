"""Motors, gears, rollers and the gantry: from whole microsteps to where the nozzle really is.

All in the belt's frame: x across the belt, s along it (the way the nozzle travels over the belt
when the gantry axis rises), h off it.  First principles only; nothing here knows how the agent
estimates.

A roller of radius r with its centre e off the shaft moves the belt line, whose neutral layer runs
k above its face, by

    (r + k) phi + e [sin psi - sin(psi - phi)]

for a turn phi that starts with the eccentric side at psi: belt speed is the shaft's angular
speed times the distance from the shaft to the belt line, (r + k) + e cos(psi - phi), integrated.
"""

from __future__ import annotations

import copy
import math
import random
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from agent.model.roles import ROLES, Role
from sim.truth import Truth

Vector = tuple[float, float, float]
Steps = tuple[int, int, int]
Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class RollerOutput:
    """Plain driven roller under a belt; lengths in mm."""

    diameter: float
    neutral: float  #: depth of the belt's neutral layer above the roller's face
    eccentricity: float = 0.0
    phase: float = math.pi / 2  #: psi, rad

    @property
    def mm_per_turn(self) -> float:
        return math.pi * (self.diameter + 2 * self.neutral)

    def travel(self, turns: float) -> float:
        phi = 2 * math.pi * turns
        swing = math.sin(self.phase) - math.sin(self.phase - phi)
        return self.mm_per_turn * turns + self.eccentricity * swing


@dataclass(frozen=True, slots=True)
class EvenOutput:
    """Toothed pulley (teeth * pitch) or screw (lead): the same travel every turn, mm."""

    mm_per_turn: float

    def travel(self, turns: float) -> float:
        return self.mm_per_turn * turns


class Axis:
    """One driven axis: counts microsteps, knows its true travel from where it was switched on."""

    def __init__(
        self,
        steps_per_turn: float,
        output: RollerOutput | EvenOutput,
        *,
        reversal: float = 0.0,
        slip: float = 0.0,
        slip_scatter: float = 0.0,
        stretches: bool = False,
        rng: random.Random | None = None,
    ) -> None:
        self.steps_per_turn = steps_per_turn  #: microsteps per turn of the output
        self.output = output
        self.reversal = reversal
        self.slip = slip
        self.slip_scatter = slip_scatter
        self.stretch = 0.0  #: relative: how much farther it runs just now than over the long term
        self.microsteps = 0
        self.travel = 0.0
        self._rng = rng or random.Random(0)
        self._driven = 0.0  #: travel the drive has passed on, after lost motion
        even = isinstance(output, EvenOutput) and not (slip or slip_scatter or stretches)
        self._mm_per_step = output.mm_per_turn / steps_per_turn if even else 0.0

    @property
    def mm_per_step(self) -> float:
        """True travel per microstep over whole turns, slip included."""
        return self.output.mm_per_turn / self.steps_per_turn * (1 - self.slip)

    def move(self, steps: int) -> float:
        """Turn the motor by `steps` microsteps; returns the true travel since switch-on, mm."""
        if not steps:
            return self.travel
        self.microsteps += steps
        if self._mm_per_step and not self.reversal:
            self.travel = self._driven = self.microsteps * self._mm_per_step
            return self.travel
        motor = self.output.travel(self.microsteps / self.steps_per_turn)
        driven = self._driven
        if self.reversal:  # play: the driven side follows only once the gap is taken up
            half = self.reversal / 2
            driven = min(max(driven, motor - half), motor + half)
        else:
            driven = motor
        share = (1 - self.slip) * (1 + self.stretch)
        if self.slip_scatter:
            share -= self._rng.gauss(0, self.slip_scatter)
        self.travel += (driven - self._driven) * share
        self._driven = driven
        return self.travel


@dataclass(frozen=True, slots=True)
class Directions:
    """Where each axis really moves the nozzle over the belt: unit vectors (x, s, h)."""

    across: Vector
    gantry: Vector
    belt: Vector = (0.0, 1.0, 0.0)

    @property
    def layer_normal(self) -> Array:
        """Unit normal of the gantry plane, on the nozzle's side of a layer."""
        normal = np.cross(self.across, self.gantry)
        unit: Array = normal / np.linalg.norm(normal)
        return unit


def directions(angle: float, yaw: float, roll: float, rail: float) -> Directions:
    """Set up a gantry on the belt, all angles in rad.

    The foot of the gantry is turned by `yaw` about the belt's normal and sinks to one side by
    `roll`; the plane climbs from the foot's forward direction at `angle`; the rail runs across
    that plane, turned up it by `rail`.
    """
    forward = (-math.sin(yaw), math.cos(yaw), 0.0)
    level = (math.cos(yaw), math.sin(yaw), 0.0)
    side = (math.cos(roll) * level[0], math.cos(roll) * level[1], -math.sin(roll))
    up = (math.sin(roll) * level[0], math.sin(roll) * level[1], math.cos(roll))
    climb = _mix(math.cos(angle), forward, math.sin(angle), up)
    return Directions(across=_mix(math.cos(rail), side, math.sin(rail), climb), gantry=climb)


def _mix(a: float, u: Vector, b: float, v: Vector) -> Vector:
    return (a * u[0] + b * v[0], a * u[1] + b * v[1], a * u[2] + b * v[2])


class Plant:
    """The three axes and the extruder of one machine."""

    def __init__(self, axes: Mapping[Role, Axis], frame: Directions, angle: float) -> None:
        self.across, self.gantry, self.belt = (axes[role] for role in ROLES)
        self.frame = frame
        self.angle = angle  #: true gantry angle, rad
        self.filament_mm_per_step = 0.0
        self.filament_area = 0.0  #: mm2
        self.feed_slip = 0.0  #: share of the filament that the drive loses against a hot nozzle

    def axis(self, role: Role) -> Axis:
        axis: Axis = getattr(self, role)
        return axis

    @property
    def travel(self) -> Vector:
        """True travel of across, gantry and belt since switch-on, mm."""
        return (self.across.travel, self.gantry.travel, self.belt.travel)

    def move(self, steps: Steps) -> Vector:
        """Move all axes by whole microsteps; returns the true travel of each, mm."""
        return (
            self.across.move(steps[0]),
            self.gantry.move(steps[1]),
            self.belt.move(steps[2]),
        )

    def twin(self) -> Plant:
        """A copy that can be moved without moving this plant."""
        return copy.deepcopy(self)


def steps_per_turn(drive: Mapping[str, Any]) -> float:
    """Microsteps per output turn that a profile's drive entry states."""
    return (
        float(drive.get("full_steps", 200))
        * float(drive.get("microsteps", 16))
        * float(drive.get("ratio", 1))
    )


def _neutral(drive: Mapping[str, Any]) -> float:
    """Depth of the neutral layer of a belt on a roller, mm: half way in unless it is stated."""
    return float(drive.get("neutral_mm", drive.get("belt_mm", 0.0) / 2))


def nominal_mm_per_turn(drive: Mapping[str, Any]) -> float:
    """Travel per output turn that a profile's drive entry states, mm."""
    if "roller_mm" in drive:
        return math.pi * (float(drive["roller_mm"]) + 2 * _neutral(drive))
    if "teeth" in drive:
        return float(drive["teeth"]) * float(drive["pitch_mm"])
    return float(drive["lead_mm"])


def true_output(
    drive: Mapping[str, Any], mm_per_turn: float, truth: Truth
) -> RollerOutput | EvenOutput:
    """The part really built in, so that one turn moves `mm_per_turn`.

    On a roller the diameter carries the difference (a turned roller is never quite the drawing's).
    """
    if "roller_mm" not in drive:
        return EvenOutput(mm_per_turn)
    return RollerOutput(
        diameter=mm_per_turn / math.pi - 2 * _neutral(drive),
        neutral=_neutral(drive),
        eccentricity=truth.eccentricity_mm,
        phase=math.radians(truth.eccentricity_phase_deg),
    )


def build_plant(
    profile: Mapping[str, Any], truth: Truth, steps_per_mm: Mapping[Role, float], seed: int = 0
) -> Plant:
    """The machine of a profile as it truly is.

    profile       plain data of a profile; `mechanics.drives` gives motor, gear and output
    steps_per_mm  the settings against which the scale errors of `truth` are meant
    """
    mechanics = profile.get("mechanics", {})
    scales = {"across": truth.x_scale, "gantry": truth.y_scale, "belt": truth.z_scale}
    axes: dict[Role, Axis] = {}
    for number, role in enumerate(ROLES):
        drive = mechanics.get("drives", {}).get(role, {"lead_mm": 40.0})
        per_turn = steps_per_turn(drive)
        slip, scatter = (truth.slip, truth.slip_scatter) if role == "belt" else (0.0, 0.0)
        mm_per_turn = (1 + scales[role]) * per_turn / steps_per_mm[role] / (1 - slip)
        axes[role] = Axis(
            per_turn,
            true_output(drive, mm_per_turn, truth),
            reversal=truth.reversal_mm.get(role, 0.0),
            slip=slip,
            slip_scatter=scatter,
            stretches=role == "belt",
            rng=random.Random(seed * 3 + number),
        )
    angle = math.radians(float(mechanics.get("gantry_angle_deg", 45.0)) + truth.angle_deg)
    frame = directions(
        angle,
        math.radians(truth.yaw_deg),
        math.radians(truth.roll_deg),
        math.radians(truth.rail_deg),
    )
    return Plant(axes, frame, angle)
