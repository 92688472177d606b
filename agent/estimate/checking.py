"""The instrument itself, checked once on a block or bar of known length.

    deviation = mean of the values - known length
    u^2 = s^2 / n + d^2 / 12 + u(length)^2

s the stated repeatability or what the values show where that is more, d the display step.  Held
against the maximum permissible error with U = 2 u: conformity is proved where |deviation| + U is
within it, non-conformity where |deviation| - U is beyond it, and neither between (the decision rule
of ISO 14253-1).

Kept, a check tells of the two errors that all readings share, zero z and scale c:

    deviation = z + known length c + e,    var e = u^2 + (error by length)^2

so that both are known from it and from their usual sizes (linear regression with prior
information); what they then have in common is left out, each keeps its own mean and variance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Literal, NamedTuple

import numpy as np

from agent.errors import BadInput
from agent.estimate.uncertainty import display_step, rectangular
from agent.model.profile import Instrument
from agent.model.survey import Survey
from agent.plain import Plain

Verdict = Literal["conforms", "does not conform", "not decided"]

#: Standard uncertainty of a workshop gauge block or setting rod, mm: far below any caliper's
#: (ISO 3650 allows 0.5 um for 100 mm of grade 2; from memory).
U_BLOCK = 0.001


@dataclass(frozen=True, slots=True)
class Checked(Plain):
    """One check of the instrument; lengths in mm."""

    known_mm: float
    mm: tuple[float, ...]
    deviation_mm: float
    u_mm: float
    mpe_mm: float
    verdict: Verdict


def checked(known_mm: float, values: Sequence[float], instrument: Instrument) -> Checked:
    """The check of `instrument` that read `values` on a length known to be `known_mm`.

    Raises BadInput without values, or where they are of another length altogether.
    """
    if not values:
        raise BadInput(
            "a check needs the known length and what the display showed, found only one number",
            remedy="For example: gauge check 50 50.01 50.00 50.01",
        )
    mean = fmean(values)
    if abs(mean - known_mm) > max(0.02 * known_mm, 0.5):
        raise BadInput(
            f"{mean:.2f} mm was read on a length of {known_mm:g} mm",
            remedy="The first number is the known length, in mm. Nothing was kept",
        )
    own = stdev(values) if len(values) > 1 else 0.0
    spread = max(instrument.repeatability_mm, own)
    step = display_step(instrument.resolution_mm)
    u = math.sqrt(spread**2 / len(values) + step**2 + U_BLOCK**2)
    deviation, mpe = mean - known_mm, instrument.limit_mm(known_mm)
    if abs(deviation) + 2 * u <= mpe:
        verdict: Verdict = "conforms"
    elif abs(deviation) - 2 * u > mpe:
        verdict = "does not conform"
    else:
        verdict = "not decided"
    return Checked(known_mm, tuple(values), deviation, u, mpe, verdict)


class Known(NamedTuple):
    """What is known of an error before any reading of the survey."""

    mean: float
    u: float


def zero_and_scale(survey: Survey, longest_mm: float = 0.0) -> tuple[Known, Known]:
    """Zero (mm) and scale (relative) of the instrument, by the budget and by its checks.

    longest_mm: the longest length that was read with it
    """
    budget = survey.budget
    # The zero is not better than what the limit of error allows (GUM 4.3.7), unless a
    # check has shown it.
    usual = max(budget.zero_mm, rectangular(survey.instrument.limit_mm(longest_mm)))
    # One that is off by more than is usual shows that the usual size is not its own.
    shown = max((abs(check.deviation_mm) for check in survey.checks), default=0.0)
    prior = np.array([max(usual, shown), budget.caliper_scale_percent / 100]) ** 2
    cov, mean = np.diag(prior), np.zeros(2)
    for check in survey.checks:
        j = np.array([1.0, check.known_mm])
        gain = cov @ j / (check.u_mm**2 + budget.by_length_mm**2 + j @ cov @ j)
        mean = mean + gain * (check.deviation_mm - j @ mean)
        cov = cov - np.outer(gain, j @ cov)
    zero, scale = (
        Known(float(m), math.sqrt(max(float(v), 0.0)))
        for m, v in zip(mean, np.diag(cov), strict=True)
    )
    return zero, scale
