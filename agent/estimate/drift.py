"""How a machine changes over the dates of its record."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from agent.estimate.linear import line
from agent.estimate.uncertainty import coverage_factor

DAYS_PER_YEAR: Final = 365.25

#: A machine is measured again after this long, days: twice a year (common practice for belts).
RECHECK_DAYS: Final = 182

#: A drift may use up this share of the tolerance until then.
_DRIFT_SHARE: Final = 0.5

#: The soonest re-check that a drift can ask for, days.
_SOONEST: Final = 7


@dataclass(frozen=True, slots=True)
class Dated:
    """One result: day number (any origin), value and its standard uncertainty."""

    day: float
    value: float
    u: float


@dataclass(frozen=True, slots=True)
class Drift:
    """Change per year in the unit of the values, and the line itself."""

    per_year: float
    u: float
    expanded95: float
    consistent: bool  #: the results scatter no more than their uncertainties say
    offset: float  #: value of the line at day 0

    @property
    def significant(self) -> bool:
        return abs(self.per_year) > self.expanded95

    def at(self, day: float) -> float:
        """Value of the line on a day."""
        return self.offset + self.per_year / DAYS_PER_YEAR * day


def drift(results: Sequence[Dated]) -> Drift | None:
    """Slope over time, or None with fewer than three results or all on one day.

    Weighted line (ISO/TS 28037:2010, clause 6).  Where the results scatter more than their
    uncertainties say, these are enlarged by sqrt(chi2/dof) (common practice, Birge ratio) and
    Student's t counts the degrees of freedom.  Raises ValueError for u not positive.
    """
    if len(results) < 3 or len({r.day for r in results}) < 2:
        return None
    day = np.array([r.day for r in results])
    fit = line(
        day - day.mean(), np.array([r.value for r in results]), np.array([r.u for r in results])
    )
    # Expected chi2 is dof with standard deviation sqrt(2 dof).
    consistent = fit.rss <= fit.dof + 2 * math.sqrt(2 * fit.dof)
    stretch = 1.0 if consistent else math.sqrt(fit.rss / fit.dof)
    factor = coverage_factor(math.inf if consistent else float(fit.dof))
    u = float(fit.u[1]) * stretch * DAYS_PER_YEAR
    at_mean, slope = (float(b) for b in fit.b)
    offset = at_mean - slope * float(day.mean())
    return Drift(slope * DAYS_PER_YEAR, u, factor * u, consistent, offset)


def recheck_days(histories: Iterable[tuple[Sequence[Dated], float]]) -> tuple[int, bool]:
    """Days until the next measurement at the latest, and whether a drift asks for it sooner.

    histories: dated results of one thing each, and its tolerance in their unit.  A drift that is
    told from zero may use up half of the tolerance until then.
    """
    days, sooner = RECHECK_DAYS, False
    for results, tolerance in histories:
        found = drift(results)
        if found is None or not found.significant:
            continue
        until = int(_DRIFT_SHARE * tolerance / abs(found.per_year) * DAYS_PER_YEAR)
        if until < days:
            days, sooner = max(until, _SOONEST), True
    return days, sooner
