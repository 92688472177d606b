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

from agent.estimate.fit import LEFT_OUT, Fit
from agent.estimate.observation import SHRINK
from agent.estimate.solution import Share
from agent.model.geometry import Array

#: Contributors that are not of the budget: what is stated of such machines, of the
#: material, and of the growth of faces.
PRIORS: Final = "priors"
MATERIAL: Final = "material"
OFFSETS: Final = "size_offsets"


def shares(fit: Fit, cov: Array, i: int) -> tuple[Share, ...]:
    """Shares of the variance of unknown number i, largest first, adding up to 1.

    cov (k, k): `posterior` at the stated sizes.  Empty where i is stated and not sought.
    """
    obs, unknowns = fit.observations, fit.unknowns
    row = cov[i]
    if not row[i] > 0:
        return ()
    parts: dict[str, float] = {}
    gain2 = (fit.J @ row / obs.independent) ** 2
    for component, variance in obs.own.items():
        if component != LEFT_OUT:
            parts[component] = float(gain2 @ variance)
    brought = np.divide(row, unknowns.u, out=np.zeros_like(row), where=unknowns.u > 0) ** 2
    for j, value in enumerate(brought.tolist()):
        component = _component(unknowns.names[j], j < unknowns.sought)
        parts[component] = parts.get(component, 0.0) + value
    total = sum(parts.values())
    found = [Share(name, part / total) for name, part in parts.items() if part > 0]
    return tuple(sorted(found, key=lambda share: -share.share))


def _component(name: str, sought: bool) -> str:
    if not sought:
        return name.partition(":")[0]
    if name == SHRINK:
        return MATERIAL
    return OFFSETS if name.startswith("offset.") else PRIORS
