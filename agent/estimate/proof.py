"""The proof after a change: the fewest readings that would show that it failed.

A reading r of the first round, taken again, differs from what was foretold by no more than its
limit k u_r.  Had a parameter been left off by D, it would differ by J_r D as well, and be found
with the power

    P = Phi((|J_r D| - k u_r) / u_r),    so that D = (k + z(P)) u_r / |J_r| is seen with power P.

k holds the whole proof at 99 % (`agent.estimate.solve.list_deviate`).  What repeats on the same
instrument is foretold with the rest and is not proved by it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np

from agent.estimate.parameters import PUBLIC, public_unit
from agent.estimate.remedies import readings_after
from agent.estimate.solution import Solution
from agent.estimate.solve import list_deviate
from agent.model.feature import Reading
from agent.model.geometry import DELTA, ERRORS, Array
from agent.model.roles import WANTED, scale_of
from agent.model.survey import Survey

#: Power with which a failure is to be seen.
POWER: Final = 0.95

#: A failure that leaves more than so many tolerances is to be seen; less is shown where it can be.
_TOLERANCES: Final = 2.0


#: Kinds of reading that a change of the beads shifts.
_GROW: Final = frozenset(("outside", "inside"))


@dataclass(frozen=True, slots=True)
class Shows:
    """A reading to be taken again, and the error left in a parameter that it would show."""

    row: int  #: of the first round's readings
    name: str
    parameter: str
    error: float  #: public unit, seen with `POWER`
    values: int  #: as many as in the first round


def changed(survey: Survey, solution: Solution) -> tuple[str, ...]:
    """Wanted parameters that a solution asks to change, by public name."""
    names = {
        scale_of(role)
        for c in solution.corrections
        if (role := survey.axes.role(c.setting.split(".")[1])) is not None
    }
    if solution.slicing_angle_deg is not None:
        names.add("gantry_angle_deg")
    return tuple(name for name in WANTED if name in names)


def proof(
    survey: Survey, solution: Solution, minutes: Callable[[Reading], float]
) -> tuple[Shows, ...]:
    """For each changed parameter the cheapest reading that would show a failure.

    minutes: what taking a reading again costs, with all that has to be there for it
    """
    names = changed(survey, solution)
    examined = solution.examined
    if not names or examined is None:
        return ()
    fit = examined.fit
    J = readings_after(fit, _applied(survey, solution))[1]
    u = np.array(solution.u_expected)
    factor = list_deviate(len(names)) + NormalDist().inv_cdf(POWER)
    found = []
    for name in names:
        slope = np.abs(J[:, fit.unknowns.index(PUBLIC[name])])
        rows = [
            (row, factor * u[row] / slope[row])
            for row, reading in enumerate(survey.readings)
            if reading.name and slope[row] > 1e-9
        ]
        # faces grow with the change of the beads, which could hide a failure
        rows = [pair for pair in rows if survey.readings[pair[0]].kind not in _GROW] or rows
        if not rows:
            continue
        limit = _TOLERANCES * _tolerance(survey, name)
        good = [(row, error) for row, error in rows if error <= limit]
        row, error = (
            min(good, key=lambda pair: (minutes(survey.readings[pair[0]]), pair[1]))
            if good
            else min(rows, key=lambda pair: pair[1])
        )
        reading = survey.readings[row]
        found.append(
            Shows(row, reading.name, name, float(error) * public_unit(name), len(reading.mm))
        )
    return tuple(found)


def _applied(survey: Survey, solution: Solution) -> Array:
    """The errors (7,) that a solution takes out."""
    applied = np.zeros(len(ERRORS))
    for c in solution.corrections:
        role = survey.axes.role(c.setting.split(".")[1])
        if role is not None:
            column = ERRORS.index(PUBLIC[scale_of(role)])
            applied[column] = c.old / c.new - 1
    if solution.slicing_angle_deg is not None:
        turned = solution.slicing_angle_deg - survey.mechanics.angle_deg
        applied[DELTA] = float(np.radians(turned))
    return applied


def _tolerance(survey: Survey, name: str) -> float:
    """In the fit's unit."""
    if name == "gantry_angle_deg":
        return float(np.radians(survey.tolerance.angle_deg))
    return survey.tolerance.scale_percent / 100


def shown_errors(proofs: Sequence[Shows]) -> tuple[float, float]:
    """Largest scale error (relative) and angle error (degrees) that would be seen; 0 for none."""
    scales = [s.error for s in proofs if s.parameter != "gantry_angle_deg"]
    angles = [s.error for s in proofs if s.parameter == "gantry_angle_deg"]
    return max(scales, default=0.0), max(angles, default=0.0)
