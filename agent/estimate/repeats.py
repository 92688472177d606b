"""One value among few repeats that does not belong, and is asked about."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import NormalDist, fmean

from agent.estimate.uncertainty import ENOUGH_DOF, grubbs, grubbs_critical, pooled_deviation

#: From so many repeats on the test of Grubbs has its say: of three, the farthest never lies more
#: than (n-1)/sqrt(n) = 1.155 deviations off their mean, which is also the critical value.
_ENOUGH_FOR_GRUBBS = 4


#: Level of that test where the level of the first is shared out among many readings: the first
#: alone keeps the whole survey's level, the second only tells one bad value from a bad set.
_OWN_LEVEL = 0.05

#: Repeats of one reading lie no farther apart than this, mm and share of the nominal length.
_FARTHEST_MM = 2.0
_FARTHEST_SHARE = 0.005


def repeatability(stated: float, repeats: Iterable[Sequence[float]]) -> float:
    """Standard deviation of a re-seated value, mm: pooled over `repeats`, not below `stated`."""
    pooled, dof = pooled_deviation(repeats)
    return max(stated, pooled) if dof >= ENOUGH_DOF else stated


def copied(values: Sequence[float]) -> bool:
    """True if a value was typed again instead of read again: three or more without any spread."""
    return len(values) > 2 and min(values) == max(values)


def counted(values: Sequence[float]) -> float:
    """How many values a reading counts for: what was copied counts once, as what was not read."""
    return 1.0 if copied(values) else float(max(len(values), 1))


def suspect(
    values: Sequence[float], sigma: float, alpha: float = 0.01, own_alpha: float | None = None
) -> int | None:
    """Index of the one value to ask about, or None.

    values  n repeats, mm; fewer than three are never asked about
    sigma   standard deviation of one repeat, mm; 0 leaves it to the repeats alone
    alpha, own_alpha  levels of the test against sigma, and of that against their own spread

    The farthest value differs from the mean of the others by a normal deviate of variance
    sigma^2 (1 + 1/(n-1)); the largest of n is held against level alpha/n (Bonferroni).  With four
    repeats or more it must also stand off their own spread (Grubbs), so that a set which scatters
    as a whole is not taken for one bad value.
    """
    n = len(values)
    if n < 3:
        return None
    total = math.fsum(values)
    off = [abs(x - (total - x) / (n - 1)) for x in values]
    worst = max(range(n), key=lambda i: off[i])
    limit = NormalDist().inv_cdf(1 - alpha / (2 * n)) * sigma * math.sqrt(1 + 1 / (n - 1))
    if off[worst] <= limit:
        return None
    if n >= _ENOUGH_FOR_GRUBBS and grubbs(values) <= grubbs_critical(n, own_alpha or alpha):
        return None
    return worst


def apart(values: Sequence[float], sigma: float, alpha: float = 0.01) -> bool:
    """True if two values of one reading differ by more than two good ones do but once in a hundred.

    Their difference has the variance 2 sigma^2.  Which of the two is off a third value tells.
    """
    if len(values) != 2 or sigma <= 0:
        return False
    limit = NormalDist().inv_cdf(1 - alpha / 2) * sigma * math.sqrt(2)
    return abs(values[0] - values[1]) > limit


def strays(
    readings: Sequence[Sequence[float]], stated: float, alpha: float = 0.002
) -> tuple[tuple[int, int], ...]:
    """(reading, repeat) of every value to ask about among the repeats of many readings.

    Each reading is held against the pooled spread of all others, so that a bad value does not
    hide behind the scatter it makes itself, at such a level that a whole survey of good ones is
    asked about with probability `alpha` (Bonferroni).
    """
    several = sum(len(values) > 2 for values in readings)
    parts = [(s * s * dof, dof) for s, dof in (pooled_deviation([r]) for r in readings)]
    squares, dof = math.fsum(q for q, _ in parts), sum(d for _, d in parts)
    found = []
    for i, (values, (own, own_dof)) in enumerate(zip(readings, parts, strict=True)):
        left = dof - own_dof
        pooled = math.sqrt(max(squares - own, 0.0) / left) if left >= ENOUGH_DOF else 0.0
        odd = suspect(values, max(stated, pooled), alpha / max(several, 1), _OWN_LEVEL)
        if odd is not None:
            found.append((i, odd))
    return tuple(found)


def torn(values: Sequence[float], length: float) -> bool:
    """True if repeats of one reading lie farther apart than any instrument scatters.

    `length`: nominal, mm.  `297,45` between brackets is two numbers, not one with a comma.
    """
    return len(values) > 1 and max(values) - min(values) > _FARTHEST_MM + _FARTHEST_SHARE * length


def others_mean(values: Sequence[float], index: int) -> float:
    """Mean of all values but one."""
    return fmean(value for i, value in enumerate(values) if i != index)
