"""The most probable unknowns for given readings, and how well they are then known.

With y the readings, f(p) their prediction, V = diag(v) their independent variances, and the prior
N(p0, P0), the fit minimises

    (y - f(p))' V^-1 (y - f(p)) + (p - p0)' P0^-1 (p - p0)

by Gauss-Newton: N = J' V^-1 J + P0^-1, N dp = J' V^-1 (y - f) + P0^-1 (p0 - p).  P = N^-1 is the
covariance of the result.  (Generalised least squares with prior information; what readings share
is among the unknowns, see `agent.estimate.effects`.)

All is done in units of the priors, in which the matrices are well conditioned: H = J diag(u0).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from agent.errors import Refused
from agent.estimate.observation import Observations, Unknowns
from agent.estimate.uncertainty import coverage_factor
from agent.model.geometry import DELTA, EX, EZ, Array

#: A step shorter than this, in units of the resulting uncertainties, ends the iteration.  Where
#: readings leave a combination open, steps shrink slowly: yaw, rail and roll with no gap read.
_CONVERGED = 1e-4
_MOST_STEPS = 200
_FEW_STEPS = 40

#: A step after which the cost rises again by more than this share of its slope was too long.
_OVERSHOT = 0.1

#: Degrees of freedom of the likelihood with long tails, under which a gross mistake weighs little.
_LONG_TAILS = 2.0

#: Contributor of the uncertainty of a reading that is left out, and its variance, mm^2.
LEFT_OUT: Final = "left out"
_NOTHING_KNOWN = 1e12

#: No axis moves less than this share of what it is told, and no gantry lies flatter than this, rad.
_LEAST_SCALE = -0.9
_FLATTEST = 0.02


@dataclass(frozen=True, slots=True)
class Fit:
    """Unknowns p with covariance, and what the readings should have been."""

    unknowns: Unknowns
    observations: Observations
    p: Array  #: (k,)
    cov: Array  #: (k, k); rows of stated (not sought) unknowns are zero
    J: Array  #: (n, k) at p
    predicted: Array  #: (n,) mm, as this instrument should show them
    factor95: Array  #: (k,) half width of the 95 % interval over the standard uncertainty

    @property
    def u(self) -> Array:
        return np.sqrt(np.diag(self.cov))

    def of(self, gradient: Array) -> tuple[float, float]:
        """Value and standard uncertainty of the linear combination gradient . p."""
        return float(gradient @ self.p), math.sqrt(max(float(gradient @ self.cov @ gradient), 0.0))

    def coverage(self, i: int) -> float:
        """Coverage factor for 95 % of unknown number i."""
        return float(self.factor95[i])

    @property
    def misfit(self) -> Array:
        """Measured minus predicted (n,), mm."""
        return self.observations.measured - self.predicted


@dataclass(frozen=True, slots=True)
class _Place:
    """Where the iteration stands."""

    p: Array  #: (k,)
    told: tuple[Array, Array]  #: prediction (n,) and Jacobian (n, k)
    cost: float
    N: Array  #: (k, k) in units of the priors, as all that follows
    downhill: Array  #: (k,) half the slope of the cost, downwards


def posterior(J: Array, variance: Array, prior_u: Array) -> Array:
    """Covariance (k, k) of the unknowns after readings with Jacobian J (n, k).

    Unknowns with prior_u = 0 are stated: their rows and columns are zero.
    """
    scaled = J * prior_u
    N = (scaled.T / variance) @ scaled
    N[np.diag_indices_from(N)] += 1.0
    cov: Array = np.linalg.inv(N) * np.outer(prior_u, prior_u)
    return cov


def improved(cov: Array, J: Array, variance: Array) -> Array:
    """Variances (n, k) of the unknowns after one more reading with each of the rows of J (n, k).

    diag(P) - (P j)^2 / (v + j' P j), the update of a linear regression by one observation; the
    value read does not enter, so the gain is known beforehand.
    """
    G = J @ cov
    total = variance + np.einsum("nk,nk->n", G, J)
    left: Array = np.diag(cov) - G**2 / total[:, None]
    return np.maximum(left, 0.0)


def fit(
    observations: Observations,
    unknowns: Unknowns,
    start: Array | None = None,
    *,
    robust: bool = False,
) -> Fit:
    """Most probable unknowns.  Raises Refused if the readings lead nowhere (not of one machine).

    `robust`: reading by reading with the long tails of Student's t instead of the normal law, by
    weights (nu + 1)/(nu + z^2) renewed at every step, so that a gross mistake hardly pulls.
    """
    weight = 1.0 / observations.independent
    scale = unknowns.u

    def look(p: Array) -> _Place:
        y, J = observations.predict(p)
        misfit = observations.measured - y
        pull = np.divide(unknowns.mean - p, scale, out=np.zeros_like(p), where=scale > 0)
        w, z2 = weight, weight * misfit**2
        if robust:
            nu = _LONG_TAILS
            w, z2 = weight * (nu + 1) / (nu + z2), (nu + 1) * np.log1p(z2 / nu)
        H = J * scale
        N = (H.T * w) @ H
        N[np.diag_indices_from(N)] += 1.0
        return _Place(p, (y, J), float(z2.sum() + pull @ pull), N, (H.T * w) @ misfit + pull)

    here = look(unknowns.mean if start is None else start)
    for _ in range(_FEW_STEPS if robust else _MOST_STEPS):
        step = np.linalg.solve(here.N, here.downhill)
        slope = float(step @ here.downhill)  # by which the cost falls along the step, halved
        share = _inside(observations.theta, here.p, step * scale)
        while True:
            there = look(here.p + share * step * scale)
            left = float(step @ there.downhill)
            # A full step nearly always helps.  Wild readings need a shorter one, and in the bent
            # valley of an open combination steps overshoot: back to where the slope vanishes.
            falls = there.cost <= here.cost * (1 + 1e-9) + 1e-9
            if (falls and left >= -_OVERSHOT * slope) or share < 1e-3:
                break
            overshot = left < -_OVERSHOT * slope
            share *= max(slope / (slope - left), 0.1) if overshot else 0.5
        here = there
        if share * math.sqrt(max(slope, 0.0)) < _CONVERGED:
            break
    else:
        if not robust:  # there, near the readings that agree is near enough
            raise Refused(
                "the readings cannot belong to one machine: the estimate does not settle",
                remedy="Check feature, direction and unit of each reading, and read the worst"
                " again.",
            )
    return described(observations, unknowns, here.p, here.told)


def _inside(theta: float, p: Array, step: Array) -> float:
    """Share of a step that leaves a machine which can exist."""
    share = 1.0
    for i in range(EX, EZ + 1):
        if p[i] + step[i] < _LEAST_SCALE:
            share = min(share, 0.5 * (_LEAST_SCALE - p[i]) / step[i])
    for bound in (_FLATTEST, math.pi - _FLATTEST):
        room = bound - theta - p[DELTA]
        if room * step[DELTA] > 0 and abs(step[DELTA]) > abs(room):
            share = min(share, 0.5 * room / step[DELTA])
    return max(share, 1e-6)


def described(
    observations: Observations,
    unknowns: Unknowns,
    p: Array,
    told: tuple[Array, Array] | None = None,
    *,
    cov: Array | None = None,
    read: int | None = None,
) -> Fit:
    """The fit at the unknowns p: prediction, Jacobian, covariance; all variances as stated.

    told  prediction (n,) and Jacobian (n, k) at p, where they are at hand
    cov   covariance (k, k) to give it instead of the one that follows
    read  how many readings, from the first, tell of the unknowns; the others are only planned
    """
    y, J = told or observations.predict(p)
    if cov is None:
        cov = posterior(J[:read], observations.independent[:read], unknowns.u)
    return Fit(unknowns, observations, p, cov, J, y, np.full(len(p), coverage_factor(math.inf)))


def without(observations: Observations, rows: list[int]) -> Observations:
    """The observations with some readings left out: nothing is known of them any more."""
    own = {name: variance.copy() for name, variance in observations.own.items()}
    for variance in own.values():
        variance[rows] = 0.0
    own[LEFT_OUT] = np.zeros(observations.size)
    own[LEFT_OUT][rows] = _NOTHING_KNOWN
    return observations.having(own)
