"""What the readings themselves show of their spread: a posterior over the variances.

The budget states usual sizes.  Two factors on them are left to the readings: one on the form of
single faces, and one, the grade of the bench, on everything else in the list: who keeps a clean
caliper, square pieces and a stiff machine does so in what can be seen and in what cannot.  What
hardly shows in a survey however good or bad the bench is (the scale of a gauge, of the belt, of the
shrink; the waves of a belt) goes with the root of the grade: half as sure of it.  Both factors have
weak priors, ln(factor) normal, and are integrated over a grid (a hierarchical model; with wide
priors of the unknowns the weights are those of restricted maximum likelihood: Patterson & Thompson,
Biometrika 58 (1971) 545-554).  With the readings linearised, r = H x + e, x ~ N(0, 1), e ~ N(0, V),

    -2 ln L = r' S^-1 r + ln|S|,    S = V + H H',    N = 1 + H' V^-1 H
    S^-1 = V^-1 - V^-1 H N^-1 H' V^-1,    ln|S| = ln|V| + ln|N|,    N^-1 = 1 - H' S^-1 H

whichever of S (n, n) and N (k, k) is smaller is inverted, and the other follows from it.  Beside
priors far wider than the readings tell, 1 - H' S^-1 H would be rounding: then it is N.

The answer is the mixture over the grid: its mean, its covariance, and the interval about the mean
that holds 95 % of it.  The spread s of the repeats is known with its own degrees of freedom; the
part it has in the variance of an unknown gives that effective ones (Welch-Satterthwaite, GUM G.2b)
and the interval the ratio of Student's t to the normal deviate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from agent.estimate.curvature import SECOND_ORDER
from agent.estimate.fit import LEFT_OUT, Fit, described
from agent.estimate.observation import REPEATABILITY, RESOLUTION, STATED, Observations, Unknowns
from agent.estimate.uncertainty import combined, coverage_factor
from agent.model.geometry import Array

FORM: Final = "form_mm"

#: What is stated with the reading or read off its repeats, and has no part in the grade.
_STATED: Final = frozenset((STATED, REPEATABILITY, RESOLUTION, LEFT_OUT, SECOND_ORDER))

#: Contributors that a survey hardly shows.
_HIDDEN: Final = frozenset(
    (
        "gauge_percent",
        "belt_percent",
        "shrink_by_direction_percent",
        "roller_wave_mm",
        "loop_wave_mm",
    )
)

#: Factors on the stated sizes: of the form, and of all else (the grade of the bench).
_FORMS: Final = np.array([0.35, 0.6, 1.0, 1.6, 2.5, 4.0])
_GRADES: Final = np.array([0.16, 0.25, 0.4, 0.63, 1.0, 1.6, 2.5])
#: ln(factor) beforehand: standard deviation a factor of 2, the grade a little better than usual,
#: where all contributors are seldom at their full size together (common practice).
_PRIOR_LOG: Final = math.log(2.0)
_PRIOR_GRADE: Final = math.log(0.8)

#: Beyond this ratio of a prior's variance in a reading to the reading's own, N is inverted: the
#: relative error of N^-1 by S is about the square of the ratio times the last bit, 2e-16.
_WIDE: Final = 1e6

#: Nodes that weigh less have no say in the answer.
_LEAST_WEIGHT: Final = 1e-4

#: Variances below this are those of what is stated and not sought.
_TINY: Final = 1e-24
_HALVINGS: Final = 20
#: A part of the repeats in a variance below this leaves the normal deviate as it is.
_MATTERS: Final = 0.05


@dataclass(frozen=True, slots=True)
class Spread:
    """The grid: factors, weights, and the linear model at each node."""

    factors: Array  #: (K, 2) form, grade
    log: Array  #: (K,) logarithm of the weights, the largest 0
    evidence: float  #: ln of how probable the readings are, but for a constant of their number
    quadratic: Array  #: (K,) r' S^-1 r
    size: Array  #: (K, k) prior standard uncertainties
    V: Array  #: (K, n) independent variances
    of_readings: bool  #: S was inverted, not N
    inverse: Array  #: (K, n, n) of S, or (K, k, k) of N
    x: Array  #: (K, k) unknowns in units of the prior sizes
    J: Array  #: (n, k)
    r: Array  #: (n,) linearised misfit at the prior mean

    def at(self, nodes: npt.NDArray[np.bool_ | np.intp]) -> Spread:
        """Some nodes of the grid: numbers or a mask."""
        return replace(
            self,
            factors=self.factors[nodes],
            log=self.log[nodes],
            quadratic=self.quadratic[nodes],
            size=self.size[nodes],
            V=self.V[nodes],
            inverse=self.inverse[nodes],
            x=self.x[nodes],
        )

    @property
    def H(self) -> Array:
        """Jacobian (K, n, k) in units of the prior sizes."""
        return self.J * self.size[:, None, :]

    @property
    def Ninv(self) -> Array:
        """Covariance (K, k, k) of the unknowns in units of the prior sizes."""
        if not self.of_readings:
            return self.inverse
        H = self.H
        left: Array = np.eye(H.shape[2]) - H.transpose(0, 2, 1) @ self.inverse @ H
        return left

    @property
    def Sinv(self) -> Array:
        """Weight (K, n, n) of the readings, each against all others."""
        if self.of_readings:
            return self.inverse
        HV = self.H / self.V[:, :, None]
        S: Array = -HV @ self.inverse @ HV.transpose(0, 2, 1)
        rows = np.arange(len(self.r))
        S[:, rows, rows] += 1 / self.V
        return S

    def weighed(self, columns: npt.NDArray[np.intp]) -> Array:
        """S^-1 H (K, n, m) of some unknowns."""
        if self.of_readings:
            found: Array = self.inverse @ (self.J[:, columns] * self.size[:, None, columns])
        else:
            found = (self.H / self.V[:, :, None]) @ self.inverse[:, :, columns]
        return found

    def told(self, row: int) -> tuple[Array, Array]:
        """What the unknowns say of a reading (K,), mm, and its variance (K,), mm^2."""
        h = self.J[row] * self.size
        if self.of_readings:
            # beside the row's own variance, huge where it is left out, this would be rounding
            beside = (self.H @ h[:, :, None])[:, :, 0]
            seen = np.einsum("kn,knm,km->k", beside, self.inverse, beside)
            variance = np.sum(h * h, axis=1) - seen
        else:
            variance = np.einsum("ki,kij,kj->k", h, self.inverse, h)
        return np.sum(h * self.x, axis=1), variance

    def left(self) -> tuple[Array, Array]:
        """Variance (n,) of each reading by itself, mm^2, and what of it stands between it and the
        estimate: cov(y - f(p)) = V - H N^-1 H' = V S^-1 V at each node, their mean.

        (Not from the covariance of the mixture: that holds the doubt about the sizes, too, and
        would leave many a reading nothing.)
        """
        near = self.at(self.weights > _LEAST_WEIGHT)
        own, left = np.zeros(len(self.r)), np.zeros(len(self.r))
        for w, V, size, inverse in zip(near.weights, near.V, near.size, near.inverse, strict=True):
            h = self.J * size
            if self.of_readings:
                of_node = V**2 * np.diag(inverse)
            else:
                of_node = V - ((h @ inverse) * h).sum(axis=1)
            own += w * V
            left += w * np.maximum(of_node, 0.0)
        return own, left

    @property
    def weights(self) -> Array:
        """Weight (K,) of each node, adding up to 1."""
        w = np.exp(self.log)
        weights: Array = w / w.sum()
        return weights

    @property
    def form(self) -> float:
        """Mean factor on the form of single faces."""
        return float(self.weights @ self.factors[:, 0])

    @property
    def grade(self) -> float:
        """Mean factor on everything else."""
        return float(self.weights @ self.factors[:, 1])


def spread(fit: Fit) -> Spread:
    """Weigh the grid by how probable it makes the readings; linear around `fit`."""
    obs, unknowns = fit.observations, fit.unknowns
    none = np.zeros(obs.size)
    form = obs.own.get(FORM, none)
    by_power = {
        power: sum((v for c, v in obs.own.items() if c != FORM and _power(c) == power), none)
        for power in (1.0, 0.5)
    }
    stated = obs.independent - form - sum(by_power.values())
    shared = _powers(unknowns)
    forms = _FORMS if np.any(form) else np.ones(1)
    grades = _GRADES if np.any(shared) or any(map(np.any, by_power.values())) else np.ones(1)
    factors = np.array([(f, g) for f in forms for g in grades])
    prior = -0.5 * np.sum(((np.log(factors) - [0.0, _PRIOR_GRADE]) / _PRIOR_LOG) ** 2, axis=1)

    r = fit.misfit + fit.J @ (fit.p - unknowns.mean)
    grade = factors[:, 1:2]
    size = grade**shared * unknowns.u
    V = stated + factors[:, 0:1] ** 2 * form
    V = V + sum(grade ** (2 * power) * own for power, own in by_power.items())
    wide = bool(np.any((fit.J * unknowns.u) ** 2 > _WIDE * obs.independent[:, None]))
    of_readings = len(r) <= len(unknowns.u) and not wide
    solved = _by_readings if of_readings else _by_unknowns
    inverse, x, quadratic, determinant = solved(fit.J, r, size, V)
    log = prior - 0.5 * (quadratic + determinant)
    evidence = float(np.logaddexp.reduce(log))
    return Spread(
        factors, log - log.max(), evidence, quadratic, size, V, of_readings, inverse, x, fit.J, r
    )


#: Inverse (K, m, m), unknowns x (K, k), r' S^-1 r (K,), ln|S| (K,).
_Solved = tuple[Array, Array, Array, Array]


def _by_readings(J: Array, r: Array, size: Array, V: Array) -> _Solved:
    """The linear model at each node by S (n, n)."""
    H = J * size[:, None, :]
    S = H @ H.transpose(0, 2, 1)
    rows = np.arange(len(r))
    S[:, rows, rows] += V
    inverse = np.asarray(np.linalg.inv(S), dtype=np.float64)
    weighed = inverse @ r
    x = (weighed @ J) * size
    return inverse, x, weighed @ r, np.linalg.slogdet(S)[1]


def _by_unknowns(J: Array, r: Array, size: Array, V: Array) -> _Solved:
    """The linear model at each node by N (k, k); many readings are gone through node by node."""
    k = J.shape[1]
    N, downhill = np.empty((len(V), k, k)), np.empty((len(V), k))
    for node, (own, sizes) in enumerate(zip(V, size, strict=True)):
        root = 1 / np.sqrt(own)
        weighted = J * root[:, None]
        N[node] = np.outer(sizes, sizes) * (weighted.T @ weighted)
        downhill[node] = sizes * (weighted.T @ (r * root))
    diagonal = np.arange(k)
    N[:, diagonal, diagonal] += 1.0
    inverse = np.asarray(np.linalg.inv(N), dtype=np.float64)
    x = (inverse @ downhill[:, :, None])[:, :, 0]
    quadratic = np.sum(r**2 / V, axis=1) - np.sum(downhill * x, axis=1)
    return inverse, x, quadratic, np.sum(np.log(V), axis=1) + np.linalg.slogdet(N)[1]


def sized(
    obs: Observations, unknowns: Unknowns, form: float, grade: float
) -> tuple[Observations, Unknowns]:
    """The budget at the sizes that the readings show: form and grade as factors on the stated."""
    own = {
        name: variance * (form**2 if name == FORM else grade ** (2 * _power(name)))
        for name, variance in obs.own.items()
    }
    return obs.having(own), replace(unknowns, u=grade ** _powers(unknowns) * unknowns.u)


def _power(component: str) -> float:
    """With which power of the grade the size of a contributor goes."""
    if component in _STATED:
        return 0.0
    return 0.5 if component in _HIDDEN else 1.0


def _powers(unknowns: Unknowns) -> Array:
    """The same of each unknown (k,); what is sought is no contributor."""
    powers = np.zeros(len(unknowns.names))
    powers[unknowns.sought :] = [_power(c) for c in unknowns.components]
    return powers


def averaged(fit: Fit, spread: Spread) -> Fit:
    """The fit as the mixture over the grid: mean, covariance, degrees of freedom.

    Its observations and priors are those of the sizes found.
    """
    near = spread.at(spread.weights > _LEAST_WEIGHT)
    w, size, Ninv = near.weights, near.size, near.Ninv
    p = near.x * size
    mean = w @ p
    apart = p - mean
    cov = np.einsum("kij,ki,kj->ij", Ninv * w[:, None, None], size, size) + (apart.T * w) @ apart
    u2 = np.einsum("kii->ki", Ninv) * size**2
    factor = _half_width(w, apart, np.sqrt(u2)) / np.sqrt(np.maximum(np.diag(cov), _TINY))
    obs, unknowns = sized(fit.observations, fit.unknowns, spread.form, spread.grade)
    at = described(obs, unknowns, unknowns.mean + mean, cov=cov)
    return replace(at, factor95=np.where(np.diag(cov) > _TINY, factor, 0.0) * _student(fit))


def _half_width(w: Array, apart: Array, u: Array) -> Array:
    """Half width (k,) of the interval about 0 that holds 95 % of normals N(apart, u^2) (K, k)."""
    from scipy.special import ndtr

    safe = np.maximum(u, math.sqrt(_TINY))
    low = np.zeros(u.shape[1])
    high: Array = (np.abs(apart) + 2 * safe).max(axis=0)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        held = w @ (ndtr((middle - apart) / safe) - ndtr((-middle - apart) / safe))
        low, high = np.where(held < 0.95, middle, low), np.where(held < 0.95, high, middle)
    return high


def _student(fit: Fit) -> Array:
    """Student's t over the normal deviate (k,), for the share that estimated repeats have."""
    obs = fit.observations
    ratio = np.ones(len(fit.p))
    if not math.isfinite(obs.noise.dof):
        return ratio
    gain = fit.cov @ (fit.J.T / obs.independent)
    repeats = gain**2 @ obs.own[REPEATABILITY]
    for i in np.flatnonzero(repeats > _MATTERS * np.diag(fit.cov)):
        others = math.sqrt(max(float(fit.cov[i, i] - repeats[i]), 0.0))
        _, dof = combined([(math.sqrt(repeats[i]), obs.noise.dof), (others, math.inf)])
        ratio[i] = coverage_factor(max(dof, 1.0)) / coverage_factor(math.inf)
    return ratio
