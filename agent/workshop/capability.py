"""Capability of a row of machines: how their errors as left fill the tolerance.

Cp = (U - L)/(6 s), Cpk = min(U - m, m - L)/(3 s) (ISO 22514-2; NIST/SEMATECH e-Handbook 6.1.6).
Intervals: (n - 1) s^2/sigma^2 is chi-squared, so Cp sqrt(chi2_(a/2, n-1)/(n - 1)) to
Cp sqrt(chi2_(1-a/2, n-1)/(n - 1)), exact for normal values; Cpk +- z sqrt(1/(9 n) +
Cpk^2/(2 (n - 1))), approximate (Handbook 6.1.6).  ISO 22514 itself was not at hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist, fmean, stdev

from agent.plain import Plain

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Capability(Plain):
    """Indices with their intervals; how many values, and how many of them lie within."""

    n: int
    within: int
    mean: float
    deviation: float
    cp: float
    cp_interval: Interval
    cpk: float
    cpk_interval: Interval

    @property
    def share_within(self) -> float:
        """Yield: the share that lies within."""
        return self.within / self.n


def capability(
    values: Sequence[float], lower: float, upper: float, *, confidence: float = 0.95
) -> Capability | None:
    """Capability of values against limits in their unit; None for fewer than two, or all equal.

    Raises ValueError if the limits are in the wrong order.
    """
    if not lower < upper:
        raise ValueError(f"limits must be in order, not {lower!r} and {upper!r}")
    if len(values) < 2 or min(values) == max(values):
        return None
    within = sum(lower <= value <= upper for value in values)
    return indices(
        len(values), fmean(values), stdev(values), lower, upper, within, confidence=confidence
    )


def indices(
    n: int,
    mean: float,
    deviation: float,
    lower: float,
    upper: float,
    within: int = 0,
    *,
    confidence: float = 0.95,
) -> Capability:
    """As `capability`, from mean and standard deviation (n - 1) of n values."""
    from scipy.stats import chi2

    a = 1 - confidence
    cp = (upper - lower) / (6 * deviation)
    cpk = min(upper - mean, mean - lower) / (3 * deviation)
    low, high = (math.sqrt(float(chi2.ppf(p, n - 1)) / (n - 1)) for p in (a / 2, 1 - a / 2))
    half = NormalDist().inv_cdf(1 - a / 2) * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    return Capability(
        n, within, mean, deviation, cp, (cp * low, cp * high), cpk, (cpk - half, cpk + half)
    )
