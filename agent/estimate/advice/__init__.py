"""What the estimate means at the bench, one finding a line.

Each rule looks at one thing and yields at most a few `Advice`; the codes stay, the words may
improve.  Rules never compute a parameter anew: they read the fit, the remedies, the mechanics.
"""

from __future__ import annotations

from typing import Final

from agent.estimate.advice.angles import belt_in_lean, gantry_angle, squareness, unsplit_lean
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
from agent.estimate.advice.practice import contradictory, nothing_to_change, strays, warm
from agent.estimate.solution import Advice

__all__ = ["RULES", "Findings", "advise"]

#: In the order in which they are told: most pressing first.
RULES: Final[tuple[Rule, ...]] = (
    belt_runs,
    contradictory,
    strays,
    scales,
    coupled,
    gantry_angle,
    unsplit_lean,
    belt_in_lean,
    offsets,
    not_told,
    material,
    squareness,
    flow,
    pulse_rate,
    warm,
    nothing_to_change,
)


def advise(findings: Findings) -> tuple[Advice, ...]:
    """All advice, most pressing first."""
    return tuple(advice for rule in RULES for advice in rule(findings))
