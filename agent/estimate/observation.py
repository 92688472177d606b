"""Readings as a function of the unknowns: predicted values and the analytic Jacobian.

The unknowns are the seven machine errors, the shrink m of the material, one offset b for each
direction group that is read (`x`, `s`, `h`, `gantry`, `diagonal`), and the common error c of the
instrument, which all its readings share:

    outside  (1-m) L + b + c        inside  (1-m) L - b + c        pitch   (1-m) L + c
    lean     (1-m) (A v)_s + c      sway    (1-m) (A v)_x + c
    travel   |A v| + c              gap     (A v)_h + c

with L the distance of parallel faces or of points, see `agent.model.geometry`.  Carrying c as an
unknown with the prior N(0, mpe^2/3) is the same as a covariance that all readings of the instrument
share (both give the same normal equations), and stays linear in the number of readings.

Independent variance of a reading (mean of n values): s^2/n + d^2/12, s the repeatability, d the
display step; for printed features besides form^2, by which single faces stray (beads along
different walls differ a little), and for a belt on a driven roller the roller's run-out: between
two belt positions b apart an error of amplitude a and unknown phase has the variance
a^2 (1 - cos(2 pi b / P)), P the travel per roller turn, none over whole turns.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from statistics import fmean

import numpy as np
import numpy.typing as npt

from agent.errors import BadInput
from agent.estimate.uncertainty import (
    ENOUGH_DOF,
    display_step,
    pooled_deviation,
    rectangular,
)
from agent.model import geometry
from agent.model.drive import Roller
from agent.model.feature import GROUPS, Reading, Vector, direction_group
from agent.model.geometry import ERRORS, Array
from agent.model.survey import Survey

Index = npt.NDArray[np.intp]

#: No reading is better than this, mm; keeps the weights finite for an ideal instrument.
_LEAST_U = 1e-5

_PRINTED = {"outside", "inside", "pitch", "lean", "sway"}
_OFFSET = {"outside": 1.0, "inside": -1.0}
#: Which component of its vector a reading shows, where it is no distance.
COMPONENT = {"sway": 0, "lean": 1, "gap": 2}


@dataclass(frozen=True, slots=True)
class Unknowns:
    """Names, prior means and prior standard deviations; scales relative, angles rad, mm."""

    names: tuple[str, ...]
    mean: Array  #: (k,)
    u: Array  #: (k,); 0 where a value is stated and not sought

    def index(self, name: str) -> int:
        return self.names.index(name)


SHRINK, INSTRUMENT = "shrink", "instrument"


def unknowns_of(survey: Survey) -> Unknowns:
    """All unknowns of a survey with what is known of them before any reading."""
    priors, theta = survey.priors, survey.mechanics.gantry_angle
    present = {
        direction_group(r.along, theta) for r in survey.readings if r.kind in ("outside", "inside")
    }
    groups = [group for group in GROUPS if group in present]
    scale = priors.scale_percent / 100
    u = [scale] * 3
    u += [math.radians(d) for d in (priors.angle_deg, priors.yaw_deg)]
    u += [math.radians(d) for d in (priors.roll_deg, priors.rail_deg)]
    u += [survey.material.shrink_u_percent / 100]
    u += [priors.offset_mm] * len(groups) + [rectangular(survey.instrument.mpe_mm)]
    mean = np.zeros(len(u))
    mean[len(ERRORS)] = survey.material.shrink_percent / 100
    names = (*ERRORS, SHRINK, *(f"offset.{group}" for group in groups), INSTRUMENT)
    return Unknowns(names, mean, np.array(u))


@dataclass(frozen=True, slots=True)
class Noise:
    """How well readings repeat: standard deviation of one value and how well it is known."""

    s: float  #: mm
    dof: float  #: inf where it is stated


def noise_of(survey: Survey) -> Noise:
    """Repeatability: the pooled one with enough repeats, else not below the stated one."""
    own = [r.mm for r in survey.readings if r.u_mm is None]
    s, dof = pooled_deviation(own)
    stated = survey.instrument.repeatability_mm
    if dof >= ENOUGH_DOF or s > stated:
        return Noise(s, float(dof))
    return Noise(stated, math.inf)


@dataclass(frozen=True, slots=True)
class Observations:
    """n readings as arrays, ready for prediction at any value of the unknowns."""

    v: Array  #: (n, 3) nominal vectors, mm
    measured: Array  #: (n,) means, mm
    independent: Array  #: (n,) variance that is a reading's own, mm^2
    repeat_variance: Array  #: (n,) the part of it that comes from the estimated spread, mm^2
    common: Array  #: (n,) 1 where the instrument's common error enters, else 0
    printed: Array  #: (n,) 1 where the material shrinks, else 0
    offset_sign: Array  #: (n,) +1 outside, -1 inside, 0 else
    offset_column: Index  #: (n,) column of the offset among the unknowns (any, where sign is 0)
    rows: tuple[tuple[int | str, Index], ...]  #: formula -> row numbers
    theta: float  #: set angle, rad
    noise: Noise

    @property
    def size(self) -> int:
        return len(self.measured)

    def predict(self, p: Array) -> tuple[Array, Array]:
        """Readings (n,) in mm and Jacobian (n, k) at the unknowns p (k,)."""
        A, dA = geometry.affine_with_slopes(self.theta, p[: len(ERRORS)])
        length = np.empty(self.size)
        slope = np.empty((self.size, len(ERRORS)))
        for formula, index in self.rows:
            v = self.v[index]
            match formula:
                case "faces":
                    sized = geometry.between_faces(A, dA, v)
                case "points":
                    sized = geometry.between_points(A, dA, v)
                case "edges":
                    sized = geometry.between_edges(A, dA, v)
                case int(axis):
                    sized = geometry.component(A, dA, v, axis)
                case _:
                    raise AssertionError(formula)
            length[index], slope[index] = sized.value, sized.slope
        m = len(ERRORS)
        keep = 1.0 - p[m] * self.printed
        column = self.offset_column
        y = keep * length + self.offset_sign * p[column] + p[-1] * self.common
        J = np.zeros((self.size, len(p)))
        J[:, :m] = keep[:, None] * slope
        J[:, m] = -self.printed * length
        J[np.arange(self.size), column] += self.offset_sign
        J[:, -1] = self.common
        return y, J

    def at(self, theta: float, v: Array) -> Observations:
        """The same readings on pieces laid with another set angle."""
        return replace(self, theta=theta, v=v)


def _formula(reading: Reading, group: str) -> int | str:
    if reading.kind in COMPONENT:
        return COMPONENT[reading.kind]
    if reading.kind == "travel":
        return "points"
    if reading.between == "edges" and reading.along[2]:
        raise BadInput(
            f"{reading.name or reading.kind}: edges lie on the belt, but along {reading.along} "
            "rises off it",
            remedy="Give `between: faces` or `between: points`.",
        )
    default = "points" if group == "diagonal" else "faces"
    return reading.between or default


def observe(survey: Survey, unknowns: Unknowns, noise: Noise | None = None) -> Observations:
    """Arrays of a survey's readings.

    `noise`: repeatability to use instead of the one the readings show (for planned readings).
    """
    readings, instrument, theta = survey.readings, survey.instrument, survey.mechanics.gantry_angle
    noise = noise or noise_of(survey)
    own = np.array([r.u_mm is not None for r in readings], dtype=bool)
    count = np.array([max(len(r.mm), 1) for r in readings], dtype=float)
    repeat = np.where(own, 0.0, noise.s**2 / count)
    stated = np.array([r.u_mm or 0.0 for r in readings])
    step = display_step(instrument.resolution_mm)
    printed = np.array([float(r.kind in _PRINTED) for r in readings])
    form = survey.priors.form_mm * printed
    independent = np.where(own, stated**2, repeat + step**2 + form**2)
    groups = [direction_group(r.along, theta) for r in readings]
    columns = {name: i for i, name in enumerate(unknowns.names)}
    formulas = [_formula(r, g) for r, g in zip(readings, groups, strict=True)]
    observations = Observations(
        v=np.array([r.along for r in readings], dtype=float).reshape(-1, 3),
        measured=np.array([fmean(r.mm) if r.mm else math.nan for r in readings], dtype=float),
        independent=np.maximum(independent, _LEAST_U**2),
        repeat_variance=repeat,
        common=np.where(own, 0.0, 1.0),
        printed=printed,
        offset_sign=np.array([_OFFSET.get(r.kind, 0.0) for r in readings]),
        offset_column=np.array(
            [columns.get(f"offset.{g}", len(ERRORS)) for g in groups], dtype=np.intp
        ),
        rows=tuple(
            (formula, np.array([i for i, f in enumerate(formulas) if f == formula], dtype=np.intp))
            for formula in dict.fromkeys(formulas)
        ),
        theta=theta,
        noise=noise,
    )
    run_out = np.where(own, 0.0, _run_out(survey, observations, unknowns))
    return replace(observations, independent=observations.independent + run_out)


def _run_out(survey: Survey, observations: Observations, unknowns: Unknowns) -> Array:
    """Variance (n,) by which the roller's run-out moves each reading, mm^2."""
    drive = survey.mechanics.drives.get("belt")
    if drive is None or not isinstance(drive.output, Roller):
        return np.zeros(observations.size)
    belt = observations.v @ geometry.commands(observations.theta)[2]
    by_scale = observations.predict(unknowns.mean)[1][:, geometry.EZ]
    per_mm = np.divide(by_scale, belt, out=np.zeros_like(belt), where=np.abs(belt) > 1e-9)
    turns = belt / drive.output.travel_per_turn
    variance: Array = per_mm**2 * drive.output.run_out**2 * (1 - np.cos(2 * np.pi * turns))
    return variance


def turned_with_gantry(v: Array, old: float, new: float) -> Array:
    """Nominal vectors of the same pieces drawn for another set angle.

    What lies along the gantry is drawn along the gantry again; all else stays.
    """
    if old == new:
        return v
    turned = v.copy()
    for i, (x, s, h) in enumerate(v.tolist()):
        along: Vector = (x, s, h)
        if direction_group(along, old) == "gantry" and direction_group(along, new) != "gantry":
            length = math.copysign(math.hypot(*along), along[2])
            turned[i] = (0.0, length * math.cos(new), length * math.sin(new))
    return turned
