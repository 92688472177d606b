"""Readings to parameters with uncertainty, to remedies, to the next reading.  Pure."""

from agent.estimate.planning import foresee, next_reading, planned, preposterior
from agent.estimate.solution import (
    Advice,
    Combination,
    Correction,
    NextReading,
    Parameter,
    Residual,
    Solution,
)
from agent.estimate.solve import agreement_limits, residual_limits, solve

__all__ = [
    "Advice",
    "Combination",
    "Correction",
    "NextReading",
    "Parameter",
    "Residual",
    "Solution",
    "agreement_limits",
    "foresee",
    "next_reading",
    "planned",
    "preposterior",
    "residual_limits",
    "solve",
]
