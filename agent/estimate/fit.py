"""The most probable unknowns for given readings, and how well they are then known.

With y the readings, f(p) their prediction, V = diag(v) their independent variances, and the prior
N(p0, P0), the fit minimises

    (y - f(p))' V^-1 (y - f(p)) + (p - p0)' P0^-1 (p - p0)

by Gauss-Newton: N = J' V^-1 J + P0^-1, N dp = J' V^-1 (y - f) + P0^-1 (p0 - p).  P = N^-1 is the
covariance of the result.  (Generalised least squares with prior information; the common error of
the instrument is one of the unknowns, see `agent.estimate.observation`.)

Degrees of freedom: the gain G = P J' V^-1 passes the readings on to the unknowns; of u^2(p) the
part sum G^2 s^2/n comes from the repeatability s, known with nu degrees of freedom, all else is
stated.  Welch-Satterthwaite (GUM G.2b) then gives nu_eff = nu u^4 / part^2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from agent.errors import Refused
from agent.estimate.observation import Observations, Unknowns
from agent.estimate.uncertainty import coverage_factor
from agent.model.geometry import Array

#: A step shorter than this, in units of the resulting uncertainties, ends the iteration.  Where
#: readings leave a combination open, steps shrink slowly: yaw, rail and roll with no gap read.
_CONVERGED = 1e-6
_MOST_STEPS = 200

#: A step after which the cost rises again by more than this share of its slope was too long.
_OVERSHOT = 0.1


@dataclass(frozen=True, slots=True)
class Fit:
    """Unknowns p with covariance, and what the readings should have been."""

    unknowns: Unknowns
    observations: Observations
    p: Array  #: (k,)
    cov: Array  #: (k, k); rows of stated (not sought) unknowns are zero
    J: Array  #: (n, k) at p
    predicted: Array  #: (n,) mm, as this instrument should show them
    dof: Array  #: (k,) effective degrees of freedom, inf where all is stated

    @property
    def u(self) -> Array:
        return np.sqrt(np.diag(self.cov))

    def of(self, gradient: Array) -> tuple[float, float]:
        """Value and standard uncertainty of the linear combination gradient . p."""
        return float(gradient @ self.p), math.sqrt(max(float(gradient @ self.cov @ gradient), 0.0))

    def coverage(self, i: int) -> float:
        """Coverage factor for 95 % of unknown number i."""
        return coverage_factor(max(float(self.dof[i]), 1.0))


def posterior(J: Array, variance: Array, prior_u: Array) -> Array:
    """Covariance (k, k) of the unknowns after readings with Jacobian J (n, k).

    Unknowns with prior_u = 0 are stated: their rows and columns are zero.
    """
    cov = np.zeros((len(prior_u), len(prior_u)))
    sought = np.flatnonzero(prior_u > 0)
    scale = prior_u[sought]  # in units of the priors the matrix is well conditioned
    scaled = J[:, sought] * scale
    N = (scaled.T / variance) @ scaled + np.eye(len(sought))
    cov[np.ix_(sought, sought)] = np.linalg.inv(N) * np.outer(scale, scale)
    return cov


def fit(observations: Observations, unknowns: Unknowns) -> Fit:
    """Most probable unknowns.  Raises Refused if the readings lead nowhere (not of one machine)."""
    weight = 1.0 / observations.independent
    sought = np.flatnonzero(unknowns.u > 0)
    scale = unknowns.u[sought]  # in units of the priors the matrix is well conditioned

    def look(p: Array) -> tuple[Array, Array, Array, float]:
        y, J = observations.predict(p)
        misfit = observations.measured - y
        pull = (unknowns.mean - p)[sought] / scale
        return J[:, sought] * scale, misfit, pull, float(weight @ misfit**2 + pull @ pull)

    p = unknowns.mean.copy()
    J, misfit, pull, cost = look(p)
    for _ in range(_MOST_STEPS):
        N = (J.T * weight) @ J + np.eye(len(sought))
        step = np.linalg.solve(N, (J.T * weight) @ misfit + pull)
        slope = float(step @ N @ step)  # by which the cost falls along the step, halved
        share = 1.0
        while True:
            trial = p.copy()
            trial[sought] += share * step * scale
            J, misfit, pull, reached = look(trial)
            left = float(step @ ((J.T * weight) @ misfit + pull))
            # A full step nearly always helps.  Wild readings need a shorter one, and in the bent
            # valley of an open combination steps overshoot: back to where the slope vanishes.
            falls = reached <= cost * (1 + 1e-9) + 1e-9
            if (falls and left >= -_OVERSHOT * slope) or share < 1e-3:
                break
            share *= max(slope / (slope - left), 0.1) if left < 0 else 0.5
        p, cost = trial, reached
        if share * math.sqrt(slope) < _CONVERGED:
            return _described(observations, unknowns, p, weight)
    raise Refused(
        "the readings cannot belong to one machine: the estimate does not settle",
        remedy="Check feature, direction and unit of each reading, and read the worst again.",
    )


def _described(obs: Observations, unknowns: Unknowns, p: Array, weight: Array) -> Fit:
    y, J = obs.predict(p)
    cov = posterior(J, obs.independent, unknowns.u)
    variance = np.diag(cov)
    gain = cov @ (J.T * weight)
    from_repeats = gain**2 @ obs.repeat_variance
    with np.errstate(divide="ignore", invalid="ignore"):
        dof = np.where(from_repeats > 0, obs.noise.dof * variance**2 / from_repeats**2, np.inf)
    return Fit(unknowns, obs, p, cov, J, y, dof)
