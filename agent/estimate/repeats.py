"""One value among few repeats that does not belong: what to ask about while it can be read again.

Three repeats are too few for the test of Grubbs: however far one is off, its share of their own
spread has a greatest value, (n-1)/sqrt(n).  So while readings are taken a value is also held
against how well the instrument repeats.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import NormalDist, fmean

from agent.estimate.uncertainty import pooled_deviation, stray_repeat

#: Pooled repeatability counts from so many degrees of freedom on.
_ENOUGH = 6


def repeatability(stated: float, repeats: Iterable[Sequence[float]]) -> float:
    """Standard deviation of a re-seated value, mm: pooled over `repeats`, not below `stated`."""
    pooled, dof = pooled_deviation(repeats)
    return max(stated, pooled) if dof >= _ENOUGH else stated


def suspect(values: Sequence[float], sigma: float, alpha: float = 0.01) -> int | None:
    """Index of the one value to ask about, or None.

    values  n repeats, mm; fewer than three are never asked about
    sigma   standard deviation of one repeat, mm

    The farthest value differs from the mean of the others by a normal deviate of variance
    sigma^2 (1 + 1/(n-1)); the largest of n is held against level alpha/n (Bonferroni).  Beside it
    stands the test of Grubbs, which needs no sigma.
    """
    n = len(values)
    if n < 3:
        return None
    total = math.fsum(values)
    off = [abs(x - (total - x) / (n - 1)) for x in values]
    worst = max(range(n), key=lambda i: off[i])
    limit = NormalDist().inv_cdf(1 - alpha / (2 * n)) * sigma * math.sqrt(1 + 1 / (n - 1))
    return worst if off[worst] > limit else stray_repeat(values, sigma, alpha)


def others_mean(values: Sequence[float], index: int) -> float:
    """Mean of all values but one."""
    return fmean(value for i, value in enumerate(values) if i != index)
