"""How well readings check each other: what a slip of one of them moves while it stays unseen.

The external reliability of Baarda (A testing procedure for use in geodetic networks, 1968; from
memory): the least slip of one reading that its residual shows with 80 % power at a level of 1 % is
delta v / sqrt(v - j P j'), delta = z(0.995) + z(0.80), with j the reading's row of the Jacobian, v
its variance and P the covariance of the unknowns; it moves unknown i by P_i j' / v times that.
"""

from __future__ import annotations

from statistics import NormalDist
from typing import Final

import numpy as np

from agent.estimate.fit import LEFT_OUT, Fit, posterior
from agent.model.geometry import Array

#: Level at which the residual of one value makes the guide ask for another, and the power with
#: which a slip is to be seen.
DOUBTED: Final = NormalDist().inv_cdf(0.995)
_POWER: Final = NormalDist().inv_cdf(0.80)
DELTA: Final = DOUBTED + _POWER

#: A reading tells of an unknown if it alone, for its noise, would know it this much better than
#: the prior does.
_TELLS: Final = 1.0

_LEAST_LEFT: Final = 1e-12


def unseen(J: Array, variance: Array, cov: Array) -> Array:
    """What an unseen slip of each reading moves each unknown by (n, k), in the unknowns' units."""
    G = J @ cov
    left = np.maximum(variance - (G * J).sum(axis=1), _LEAST_LEFT)
    moved: Array = np.abs(G) * DELTA / np.sqrt(left)[:, None]
    return moved


def checked(fit: Fit) -> tuple[Array, Array]:
    """For each unknown: how many readings tell of it, and the most an unseen slip moves it by.

    Readings that were left out as wrong neither tell nor slip.  A slip never moves an unknown
    beyond what was known of it before: 95 % of the prior bound it.
    """
    obs, unknowns = fit.observations, fit.unknowns
    kept = obs.own.get(LEFT_OUT, np.zeros(obs.size)) == 0
    J, v = fit.J[kept], obs.independent[kept]
    tells = np.abs(J) * unknowns.u > _TELLS * np.sqrt(v)[:, None]
    most = unseen(J, v, posterior(J, v, unknowns.u)).max(axis=0, initial=0.0)
    return tells.sum(axis=0), np.minimum(most, 2 * unknowns.u)
