"""Second-order terms of rotations that the readings leave open (GUM 5.1.2, note).

Yaw, rail and roll enter most lengths in second order only.  Where one of them is known poorly,
t = (p - p^) along a direction in which it is uncertain by lambda moves a reading by
c (t/lambda)^2 with c = f(p^ + lambda) - f(p^) - J lambda, J the slopes at p^.  For a normal t its
mean square is 3 c^2; all readings share it.  The estimate itself is left where the plain formulas
have it: the term counts as uncertainty, with the root of that.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from agent.estimate.fit import Fit, described
from agent.estimate.observation import Unknowns
from agent.model.geometry import EPS, PSI, RHO, Array

SECOND_ORDER: Final = "second_order"

#: Curvature that moves no reading by more than this share of its own uncertainty is left out.
_MATTERS = 0.05


def bent(fit: Fit, *, read: int | None = None) -> Fit:
    """The fit with the second-order terms that matter among its unknowns; itself if none does.

    read: how many readings, from the first, tell of the unknowns; the others are only planned.
    """
    turns = [PSI, RHO, EPS]
    if not fit.observations.size:
        return fit
    values, directions = np.linalg.eigh(fit.cov[np.ix_(turns, turns)])
    columns: list[Array] = []
    for variance, direction in zip(values, directions.T, strict=True):
        step = np.zeros(len(fit.p))
        step[turns] = math.sqrt(max(float(variance), 0.0)) * direction
        column = fit.observations.predict(fit.p + step)[0] - fit.predicted - fit.J @ step
        if np.max(np.abs(column) / np.sqrt(fit.observations.independent)) > _MATTERS:
            columns.append(column)
    if not columns:
        return fit
    c = np.column_stack(columns)
    extra = c.shape[1]
    old = fit.unknowns
    unknowns = Unknowns(
        (*old.names, *(f"{SECOND_ORDER}:{i}" for i in range(extra))),
        np.append(old.mean, np.zeros(extra)),
        np.append(old.u, np.full(extra, math.sqrt(3))),
        old.sought,
    )
    observations = replace(fit.observations, Z=np.column_stack([fit.observations.Z, c]))
    told = fit.predicted, np.column_stack([fit.J, c])
    return described(observations, unknowns, np.append(fit.p, np.zeros(extra)), told, read=read)
