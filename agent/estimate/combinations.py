"""Combinations of the unknowns that pieces show directly.

Two diagonals of a plate tell the shear in plan, not whether yaw or the rail causes it; a lean alone
tells the lean, not which of three causes it has.  Such a combination can be known well where none
of its parts is.  All are taken from A itself (see `agent.model.geometry`), so the relations to
first order in the comments are not used, only tested:

    plan shear   psi + eps cos(theta)            sway    rho - psi cot(theta)
    lean         (ey - ez) cot(theta) - delta    gap    -rho + eps sin(theta)
    height       ey + delta cot(theta)
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from agent.estimate.fit import Fit
from agent.estimate.observation import SHRINK
from agent.estimate.solution import Combination
from agent.model.geometry import ERRORS, Array, affine_with_slopes

#: A combination is known where its uncertainty is below this share of what it was before.
KNOWN = 0.5


def _angle(numerator: float, denominator: float) -> float:
    return math.degrees(math.atan2(numerator, denominator))


def _plan_shear(A: Array) -> float:
    """Turn of the real across direction from square to belt travel, seen in plan, degrees."""
    return _angle(A[1, 0], A[0, 0])


def _gap(A: Array) -> float:
    """Rise of an across move over the belt, degrees."""
    return _angle(A[2, 0], A[0, 0])


def _lean(A: Array) -> float:
    """Lean of an upright edge along the belt, degrees."""
    return _angle(A[1, 2], A[2, 2])


def _sway(A: Array) -> float:
    """Lean of an upright edge across the belt, degrees."""
    return _angle(A[0, 2], A[2, 2])


@dataclass(frozen=True, slots=True)
class _Shape:
    """A combination: from A and shrink to a number, the parts it is made of."""

    of: Callable[[Array, float], float]
    parts: tuple[str, ...]


def _percent(index: tuple[int, int]) -> Callable[[Array, float], float]:
    """Error in per cent of a printed length along one direction, shrink included."""
    return lambda A, m: 100 * ((1 - m) * float(A[index]) - 1)


_SHAPES: Mapping[str, _Shape] = {
    "plan_shear_deg": _Shape(lambda A, m: _plan_shear(A), ("psi", "eps")),
    "sway_deg": _Shape(lambda A, m: _sway(A), ("psi", "rho")),
    "gap_deg": _Shape(lambda A, m: _gap(A), ("rho", "eps")),
    "lean_deg": _Shape(lambda A, m: _lean(A), ("ey", "ez", "delta")),
    "printed_x_percent": _Shape(_percent((0, 0)), ("ex", "shrink")),
    "printed_s_percent": _Shape(_percent((1, 1)), ("ez", "shrink")),
    "printed_h_percent": _Shape(_percent((2, 2)), ("ey", "delta", "shrink")),
}

_STEP = 1e-6


def combination(fit: Fit, name: str) -> tuple[Combination, float]:
    """A combination at the estimate, and its standard uncertainty before any reading."""
    value, gradient = _gradient(fit, name, _affine(fit))
    u = fit.of(gradient)[1]
    before = math.sqrt(float((gradient * fit.unknowns.u) @ (gradient * fit.unknowns.u)))
    return Combination(value, u), before


def _affine(fit: Fit) -> tuple[Array, Array]:
    return affine_with_slopes(fit.observations.theta, fit.p[: len(ERRORS)])


def _gradient(fit: Fit, name: str, affine: tuple[Array, Array]) -> tuple[float, Array]:
    """A combination at the estimate and its slopes against all unknowns of the fit."""
    shape = _SHAPES[name]
    A, dA = affine
    m = float(fit.p[len(ERRORS)])
    gradient = np.zeros(len(fit.p))
    for part in shape.parts:
        i = fit.unknowns.index(part)
        dm = _STEP if part == SHRINK else 0.0
        dA_step = _STEP * dA[i] if part != SHRINK else np.zeros((3, 3))
        rise = shape.of(A + dA_step, m + dm) - shape.of(A - dA_step, m - dm)
        gradient[i] = rise / (2 * _STEP)
    return shape.of(A, m), gradient


#: Turns of the machine that pieces show in pairs: public name -> the fit's own.
TURNS: Mapping[str, str] = {"yaw_deg": "psi", "rail_deg": "eps", "roll_deg": "rho"}

#: How much wider the priors of the turns are taken to see what the readings alone tell of them.
_WIDER = 1e3


def of_readings_alone(fit: Fit) -> dict[str, float]:
    """Standard uncertainty of yaw, rail, roll and of what pairs of them show, degrees, as if
    nothing had been known of the three.

    What such machines are like may lean an estimate, but not decide which turn it is: so the
    information 1/u^2 that their priors brought is taken out of the marginal covariance C of the
    three, C' = (C^-1 - D)^-1 (update of a linear regression, backwards).  Large where only the
    priors tell them apart, or nothing was read.
    """
    rows = [fit.unknowns.index(name) for name in TURNS.values()]
    C: Array = fit.cov[np.ix_(rows, rows)]
    prior = fit.unknowns.u[rows]
    if np.all(prior > 0):
        brought = np.diag((1 - _WIDER**-2) / prior**2)
        C = np.asarray(np.linalg.inv(np.linalg.inv(C) - brought), dtype=np.float64)
    affine = _affine(fit)
    slopes = dict(zip(TURNS, np.degrees(np.eye(len(rows))), strict=True))
    for name, shape in _SHAPES.items():
        if set(shape.parts) <= set(TURNS.values()):
            slopes[name] = _gradient(fit, name, affine)[1][rows]
    return {name: math.sqrt(max(float(g @ C @ g), 0.0)) for name, g in slopes.items()}


def known(fit: Fit, name: str, alone: Mapping[str, float] | None = None) -> Combination | None:
    """A combination where these readings tell it, whatever they tell of its parts.

    alone: what `of_readings_alone` says of the fit, where that is known already.
    """
    value, before = combination(fit, name)
    alone = of_readings_alone(fit) if alone is None else alone
    u = max(value.u, alone.get(name, 0.0))
    return value if u < KNOWN * before else None


def known_combinations(
    fit: Fit, determined: Mapping[str, bool], alone: Mapping[str, float]
) -> dict[str, Combination]:
    """Combinations these readings tell although they do not tell all parts of them.

    determined  by the fit's own names (`ex`, `psi`, `shrink`, ...)
    alone  what `of_readings_alone` says of the fit
    """
    found = {}
    for name, shape in _SHAPES.items():
        if all(determined[part] for part in shape.parts):
            continue
        value = known(fit, name, alone)
        if value is not None:
            found[name] = value
    return found
