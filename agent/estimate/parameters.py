"""From the fit's own unknowns to the parameters that users and other programs see."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from agent.estimate.combinations import TURNS, of_readings_alone
from agent.estimate.fit import Fit
from agent.estimate.observation import SHRINK
from agent.estimate.reliability import checked
from agent.estimate.shares import shares
from agent.estimate.solution import Parameter
from agent.model.survey import Survey

#: The fit's name of each machine parameter; the order is the order of the answer.
PUBLIC: Final[Mapping[str, str]] = {
    "x_scale": "ex",
    "y_scale": "ey",
    "z_scale": "ez",
    "gantry_angle_deg": "delta",
    "yaw_deg": "psi",
    "rail_deg": "eps",
    "roll_deg": "rho",
    "shrink": SHRINK,
}

#: A parameter is determined by the readings below this ratio of posterior to prior deviation.
DETERMINED: Final = 0.5


def public_unit(name: str) -> float:
    """Factor from the fit's unit (relative, rad, mm) to the public one (relative, degrees, mm)."""
    return math.degrees(1.0) if name.endswith("_deg") else 1.0


def tolerated(survey: Survey, name: str) -> float:
    """The tolerance of a wanted parameter, in the fit's unit."""
    limit = survey.tolerance.of(name)
    assert limit is not None  # what is wanted has one
    return limit / public_unit(name)


def parameters_of(fit: Fit, alone: Mapping[str, float] | None = None) -> dict[str, Parameter]:
    """All parameters of a fit, by public name.

    alone: what `of_readings_alone` says of the fit, where that is known already.
    """
    offsets = {name: name for name in fit.unknowns.names if name.startswith("offset.")}
    brought = shares(fit)
    determined = _determined(fit, of_readings_alone(fit) if alone is None else alone)
    u = fit.u
    told, slip = checked(fit)
    found = {}
    for public, name in {**PUBLIC, **offsets}.items():
        i = fit.unknowns.index(name)
        factor = public_unit(public)
        value, prior = float(fit.p[i]), float(fit.unknowns.u[i])
        expanded = fit.coverage(i) * float(u[i])
        found[public] = Parameter(
            value=value * factor,
            u=float(u[i]) * factor,
            prior_u=prior * factor,
            expanded95=expanded * factor,
            determined=determined[name],
            significant=bool(prior > 0 and abs(value) > expanded),
            budget=brought[i],
            told_by=int(told[i]),
            unseen_slip=float(slip[i]) * factor,
        )
    return found


def _determined(fit: Fit, alone: Mapping[str, float]) -> dict[str, bool]:
    """Which unknowns the readings determine, by the fit's own names.

    Of yaw, rail and roll, which pieces show in pairs, the readings alone must tell.
    """
    sought = fit.unknowns.sought
    now = dict(zip(fit.unknowns.names[:sought], fit.u.tolist(), strict=False))
    for public, u_deg in alone.items():
        if public in TURNS:
            now[TURNS[public]] = max(now[TURNS[public]], math.radians(u_deg))
    before = dict(zip(now, fit.unknowns.u.tolist(), strict=False))
    return {
        name: bool(before[name] > 0 and u < DETERMINED * before[name]) for name, u in now.items()
    }
