"""Readings after a change against what was foretold for them.

One thing changes with the settings that no setting error tells beforehand: the growth of the
beads.  The filament pushed out for a length stays the same, while lengths and layers come to
their planned size, so that a bead of width w changes its width, and with it every outside face, by

    about w times the sum of the relative changes            (same volume over another path:
                                                               width = volume / (length * height))

So each direction group may shift as a whole within that bound; what is left must be as foretold.
Over a change of nothing the bound is nought, and nothing may shift.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean
from typing import TYPE_CHECKING, Final

from agent.model.feature import Reading, direction_group
from agent.model.survey import Survey

if TYPE_CHECKING:
    from agent.estimate import Solution

#: Sign with which bead growth enters a reading.
_GROWS: Final = {"outside": 1.0, "inside": -1.0}

#: Allowance for round sides of the bead and for faces that lie aslant to its layers.
_ALLOWANCE: Final = 1.5


@dataclass(frozen=True, slots=True)
class Comparison:
    """A reading after the change against what was foretold for it, mm."""

    name: str
    foretold: float
    growth: float  #: how the bead growth of its direction group has changed, with its sign
    read: float
    u: float  #: combined standard uncertainty of the difference
    limit: float  #: how far apart the two may be and still agree
    agrees: bool

    @property
    def verdict(self) -> str:
        """`agrees` or `DISAGREES`: within `limit` or beyond it."""
        return "agrees" if self.agrees else "DISAGREES"

    @property
    def apart(self) -> float:
        """What is left between read and foretold."""
        return self.read - self.foretold - self.growth


def readings_of(survey: Survey, solution: Solution) -> tuple[Reading, ...]:
    """Everything the solution rests on, in its order: the readings, then the belt runs' own."""
    runs = solution.belt.readings if solution.belt is not None else ()
    return (*survey.readings, *runs)


def growth_bound(survey: Survey, solution: Solution, bead_width: float) -> float:
    """How far bead growth may have changed by the corrections of `solution`, mm."""
    changed = math.fsum(abs(c.new / c.old - 1) for c in solution.corrections)
    if solution.slicing_angle_deg is not None:
        theta = survey.mechanics.gantry_angle
        turned = math.radians(solution.slicing_angle_deg) - theta
        changed += abs(turned / math.tan(theta))
    return _ALLOWANCE * bead_width * changed


def compare(
    survey: Survey, solution: Solution, now: Sequence[Reading], bead_width: float
) -> tuple[Comparison, ...]:
    """Each reading of `survey` that was taken again in `now`, matched by name.

    bead_width: planned width of a bead, mm.  All that was read again is held at 99 % as a whole,
    after the growth of each direction group has been taken out.
    """
    from agent.estimate.solve import list_deviate

    readings = readings_of(survey, solution)
    again = {reading.name: fmean(reading.mm) for reading in now if reading.name}
    # What was not read again agrees with itself and is left out of the answer.
    read = [
        again.get(reading.name, expected)
        for reading, expected in zip(readings, solution.expected_next, strict=True)
    ]
    shifts = _shifts(survey, solution, again, growth_bound(survey, solution, bead_width))
    growth = [
        _GROWS.get(r.kind, 0.0)
        * shifts.get(direction_group(r.along, survey.mechanics.gantry_angle), 0.0)
        for r in readings
    ]
    # what was read again is the list that is held at 99 % as a whole
    deviate = list_deviate(sum(reading.name in again for reading in readings))
    rows = zip(
        readings,
        solution.expected_next,
        growth,
        read,
        solution.u_expected,
        strict=True,
    )
    return tuple(
        Comparison(
            reading.name,
            foretold,
            grown,
            value,
            u,
            deviate * u,
            abs(value - foretold - grown) <= deviate * u,
        )
        for reading, foretold, grown, value, u in rows
        if reading.name in again
    )


def _shifts(
    survey: Survey, solution: Solution, again: Mapping[str, float], bound: float
) -> dict[str, float]:
    """Change of bead growth of each direction group: weighted mean, within the bound, mm."""
    sums: dict[str, tuple[float, float]] = {}
    for reading, expected, u in zip(
        readings_of(survey, solution), solution.expected_next, solution.u_expected, strict=True
    ):
        sign = _GROWS.get(reading.kind)
        if sign is None or reading.name not in again:
            continue
        group = direction_group(reading.along, survey.mechanics.gantry_angle)
        total, weight = sums.get(group, (0.0, 0.0))
        sums[group] = total + sign * (again[reading.name] - expected) / u**2, weight + 1 / u**2
    return {
        group: max(-bound, min(bound, total / weight)) for group, (total, weight) in sums.items()
    }
