"""Which contributor brings which share of a parameter's variance (GUM 5.1.2, 8; ISO 14253-2).

With P the covariance of all unknowns, N = P^-1 = J' V^-1 J + P0^-1, the variance of unknown i is

    P_ii = (P N P)_ii = sum over readings r of G_ir^2 v_r  +  sum over unknowns j of P_ij^2 / u0_j^2

with the gain G = P J' V^-1: what each reading brings by its own variance v_r, and what each unknown
brings by not being known before.  Both are split by contributor, all terms are positive, and they
add up.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from agent.estimate.curvature import SECOND_ORDER
from agent.estimate.fit import LEFT_OUT, Fit, posterior
from agent.estimate.observation import REPEATABILITY, RESOLUTION, SHRINK, STATED
from agent.estimate.solution import Share
from agent.model.budget import CONTRIBUTORS

#: Contributors that are not of the budget: what is stated of such machines, of the
#: material, and of the growth of faces.
PRIORS: Final = "priors"
MATERIAL: Final = "material"
OFFSETS: Final = "size_offsets"

#: Decimals of a share: equal ones keep their order, whatever their last bits were.
_DECIMALS: Final = 12

_OTHERS: Final = {
    STATED: ("uncertainty stated with the reading", "read with a better instrument, or again"),
    REPEATABILITY: ("spread of the repeats", "take more repeats"),
    RESOLUTION: ("display step", "read with a finer step"),
    SECOND_ORDER: ("yaw, roll or rail skew not read", "read sway, both diagonals and a nozzle gap"),
    PRIORS: ("what is known of such machines", "take a reading that tells of it"),
    MATERIAL: ("shrink of the material as stated", "confirm scales by moves, without plastic"),
    OFFSETS: ("growth of faces", "read a second length of the direction"),
}


def contributor(name: str) -> tuple[str, str]:
    """A contributor in words, and what would shrink it."""
    return _OTHERS.get(name) or CONTRIBUTORS.get(name) or (name.replace("_", " "), "")


def shares(fit: Fit) -> list[tuple[Share, ...]]:
    """For each unknown sought the shares of its variance, largest first, adding up to 1.

    Empty where an unknown is stated and not sought.
    """
    obs, unknowns = fit.observations, fit.unknowns
    k = unknowns.sought
    cov = posterior(fit.J, obs.independent, unknowns.u)[:, :k]
    gain2 = (fit.J @ cov / obs.independent[:, None]) ** 2  # (n, k)
    size = unknowns.u[:, None]
    brought = np.divide(cov, size, out=np.zeros_like(cov), where=size > 0) ** 2
    names = [name for name in obs.own if name != LEFT_OUT]
    parts = {name: obs.own[name] @ gain2 for name in names}
    for j, name in enumerate(unknowns.names):
        component = _component(name, j < k)
        parts[component] = parts.get(component, 0.0) + brought[j]
    whole = np.array(list(parts.values()))
    total = whole.sum(axis=0)
    relative = np.divide(whole, total, out=np.zeros_like(whole), where=total > 0).round(_DECIMALS)
    found = []
    for column in relative.T:
        order = np.argsort(-column, kind="stable")
        names = list(parts)
        found.append(tuple(Share(names[i], float(column[i])) for i in order if column[i] > 0))
    return found


def _component(name: str, sought: bool) -> str:
    if not sought:
        return name.partition(":")[0]
    if name == SHRINK:
        return MATERIAL
    return OFFSETS if name.startswith("offset.") else PRIORS
