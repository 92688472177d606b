"""What the estimate means at the bench, one finding a line.

Each rule looks at one thing and yields at most a few `Advice`; the codes stay, the words may
improve.  Rules never compute a parameter anew: they read the fit, the remedies, the mechanics.
"""

from __future__ import annotations

from typing import Final

from agent.estimate.advice.angles import (
    belt_in_lean,
    gantry_angle,
    squareness,
    unsplit_height,
    unsplit_lean,
)
from agent.estimate.advice.axes import (
    coupled,
    flow,
    material,
    not_told,
    offsets,
    pulse_rate,
    scales,
)
from agent.estimate.advice.belt import belt_runs
from agent.estimate.advice.findings import Findings, Rule
from agent.estimate.advice.practice import (
    accused,
    contradictory,
    copies,
    nothing_to_change,
    scatter,
    unlike,
    warm,
)
from agent.estimate.solution import Advice

__all__ = ["OF_READINGS", "RULES", "Findings", "advise"]

#: What is told of the readings themselves, most pressing first.
OF_READINGS: Final[tuple[Rule, ...]] = (accused, contradictory, unlike, scatter, copies, warm)

#: What rests on the readings, in the order in which it is told.
RULES: Final[tuple[Rule, ...]] = (
    belt_runs,
    scales,
    coupled,
    gantry_angle,
    unsplit_lean,
    unsplit_height,
    belt_in_lean,
    offsets,
    not_told,
    material,
    squareness,
    flow,
    pulse_rate,
    nothing_to_change,
)


def advise(findings: Findings) -> tuple[Advice, ...]:
    """All advice, most pressing first; none that rests on readings that contradict each other."""
    rules = OF_READINGS if findings.examined.contradictory else (*OF_READINGS, *RULES)
    return tuple(advice for rule in rules for advice in rule(findings))
