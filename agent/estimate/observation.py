"""Readings as a function of the unknowns: predicted values and the analytic Jacobian.

The unknowns sought are the seven machine errors, the shrink m of the material and one offset b for
each direction group that is read (`x`, `s`, `h`, `gantry`, `diagonal`); besides, the shared errors
z of the uncertainty budget with their columns Z (see `agent.estimate.effects`):

    outside  (1-m) L + b        inside  (1-m) L - b        pitch   (1-m) L
    lean     (1-m) (A v)_s      sway    (1-m) (A v)_x
    travel   |A v|              gap     (A v)_h                          each + Z z

with L the distance of parallel faces or of points, see `agent.model.geometry`.

Independent variance of a reading (mean of n values): s^2/n + d^2/12, s the repeatability, d the
display step, and what the budget gives each reading for itself.  Values copied instead of read
again have no spread: they say nothing of the repeatability and count once.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from statistics import fmean

import numpy as np
import numpy.typing as npt

from agent.errors import BadInput
from agent.estimate import effects
from agent.estimate.repeats import copied, counted
from agent.estimate.uncertainty import ENOUGH_DOF, display_step, pooled_deviation
from agent.model import geometry
from agent.model.feature import GROUPS, Reading, Vector, direction_group
from agent.model.geometry import ERRORS, Array
from agent.model.profile import Priors
from agent.model.survey import Survey

Index = npt.NDArray[np.intp]

#: No reading is better than 10 nm; keeps the weights finite for an ideal instrument, mm^2.
LEAST_VARIANCE = 1e-10

#: Which component of its vector a reading shows, where it is no distance.
COMPONENT = {"sway": 0, "lean": 1, "gap": 2}

#: Contributor of what a reading's own stated uncertainty covers, and of the spread of its repeats.
STATED, REPEATABILITY, RESOLUTION = "stated", "repeatability", "resolution"


@dataclass(frozen=True, slots=True)
class Unknowns:
    """Names, prior means and prior standard deviations; scales relative, angles rad, mm.

    First the unknowns sought, then the shared errors of the budget, named by their contributor
    and what shares it.
    """

    names: tuple[str, ...]
    mean: Array  #: (k,)
    u: Array  #: (k,); 0 where a value is stated and not sought
    sought: int  #: how many of the k are sought

    def index(self, name: str) -> int:
        return self.names.index(name)

    @property
    def components(self) -> tuple[str, ...]:
        """Contributor of each shared error."""
        return tuple(name.partition(":")[0] for name in self.names[self.sought :])


SHRINK = "shrink"


def stated_errors(priors: Priors) -> list[float]:
    """What such machines are like, in the order of `ERRORS`: relative, rad."""
    turns = (priors.angle_deg, priors.yaw_deg, priors.roll_deg, priors.rail_deg)
    return [priors.scale_percent / 100] * 3 + [math.radians(turn) for turn in turns]


def _sought(survey: Survey) -> Unknowns:
    """The unknowns sought, with what is known of them before any reading."""
    priors, theta = survey.priors, survey.mechanics.gantry_angle
    present = {
        direction_group(r.along, theta) for r in survey.readings if r.kind in ("outside", "inside")
    }
    groups = [group for group in GROUPS if group in present]
    u = stated_errors(priors)
    u += [survey.material.shrink_u_percent / 100]
    u += [priors.offset_mm] * len(groups)
    mean = np.zeros(len(u))
    mean[len(ERRORS)] = survey.material.shrink_percent / 100
    names = (*ERRORS, SHRINK, *(f"offset.{group}" for group in groups))
    return Unknowns(names, mean, np.array(u), len(names))


@dataclass(frozen=True, slots=True)
class Noise:
    """How well readings repeat: standard deviation of one value and how well it is known."""

    s: float  #: mm
    dof: float  #: inf where it is stated


def noise_of(survey: Survey) -> Noise:
    """Repeatability: the pooled one with enough repeats, else not below the stated one.

    Repeats without any spread are copies and are left out.
    """
    s, dof = pooled_deviation(r.mm for r in survey.readings if r.u_mm is None and not copied(r.mm))
    stated = survey.instrument.repeatability_mm
    if dof >= ENOUGH_DOF or s > stated:
        # Rounding alone makes this much scatter; less is no information.
        return Noise(max(s, display_step(survey.instrument.resolution_mm)), float(dof))
    return Noise(stated, math.inf)


@dataclass(frozen=True, slots=True)
class Observations:
    """n readings as arrays, ready for prediction at any value of the unknowns."""

    v: Array  #: (n, 3) nominal vectors, mm
    measured: Array  #: (n,) means, mm
    own: Mapping[str, Array]  #: variance (n,) that each reading has for itself, by contributor
    independent: Array  #: (n,) their sum, mm^2
    Z: Array  #: (n, q) columns of the shared errors
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
        column, sought = self.offset_column, len(p) - self.Z.shape[1]
        y = keep * length + self.offset_sign * p[column] + self.Z @ p[sought:]
        J = np.zeros((self.size, len(p)))
        J[:, :m] = keep[:, None] * slope
        J[:, m] = -self.printed * length
        J[np.arange(self.size), column] += self.offset_sign
        J[:, sought:] = self.Z
        return y, J

    def having(self, own: Mapping[str, Array]) -> Observations:
        """The same readings with other variances of their own."""
        total = np.maximum(sum(own.values(), np.zeros(self.size)), LEAST_VARIANCE)
        return replace(self, own=own, independent=total)

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


def observe(survey: Survey, noise: Noise | None = None) -> tuple[Observations, Unknowns]:
    """Arrays of a survey's readings, and all unknowns they rest on.

    `noise`: repeatability to use instead of the one the readings show (for planned readings).
    """
    sought = _sought(survey)
    bare = _bare(survey, sought, noise or noise_of(survey))
    J = bare.predict(sought.mean)[1]
    of = effects.layout(survey)
    shared = effects.shared(survey, of, J)
    columns = [s.column for s in shared]
    unknowns = Unknowns(
        (*sought.names, *(f"{s.component}:{s.of}" for s in shared)),
        np.concatenate([sought.mean, [s.mean for s in shared]]),
        np.concatenate([sought.u, [s.u for s in shared]]),
        sought.sought,
    )
    whole = replace(bare, Z=np.column_stack(columns) if columns else bare.Z)
    return whole.having({**bare.own, **effects.own(survey, of, J)}), unknowns


def _bare(survey: Survey, sought: Unknowns, noise: Noise) -> Observations:
    """The readings without the budget."""
    readings, instrument, theta = survey.readings, survey.instrument, survey.mechanics.gantry_angle
    stated = np.array([r.u_mm or 0.0 for r in readings])
    read = stated == 0
    count = np.array([counted(r.mm) for r in readings])
    groups = [direction_group(r.along, theta) for r in readings]
    columns = {name: i for i, name in enumerate(sought.names)}
    formulas = [_formula(r, g) for r, g in zip(readings, groups, strict=True)]
    return Observations(
        v=np.array([r.along for r in readings], dtype=float).reshape(len(readings), 3),
        measured=np.array([fmean(r.mm) if r.mm else math.nan for r in readings], dtype=float),
        own={
            STATED: stated**2,
            REPEATABILITY: read * noise.s**2 / count,
            RESOLUTION: read * display_step(instrument.resolution_mm) ** 2,
        },
        independent=np.zeros(len(readings)),
        Z=np.zeros((len(readings), 0)),
        printed=np.array([float(r.kind in effects.PRINTED) for r in readings]),
        offset_sign=np.array([effects.GROWS.get(r.kind, 0.0) for r in readings]),
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
