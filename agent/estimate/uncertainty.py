"""Uncertainty of measurement in the terms of the GUM (JCGM 100:2008).

Standard uncertainties from limits (4.3.7, 4.3.9, F.2.2.1), pooled repeatability (4.2.4, H.3.6),
effective degrees of freedom (G.4.1) and coverage factors (G.3), and the test of Grubbs for one
outlier among repeats.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from statistics import NormalDist, fmean, stdev

#: Repeats that give the pooled spread fewer degrees of freedom than this do not speak for the
#: instrument by themselves.
ENOUGH_DOF = 6


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value anywhere within +-half_width: a/sqrt(3) (GUM 4.3.7)."""
    return half_width / math.sqrt(3)


def display_step(step: float) -> float:
    """Standard uncertainty from a display step d: d/sqrt(12) (GUM F.2.2.1)."""
    return step / math.sqrt(12)


def pooled_deviation(repeats: Iterable[Sequence[float]]) -> tuple[float, int]:
    """Pooled standard deviation s and its degrees of freedom over groups of repeats.

    s^2 = sum (n_i - 1) s_i^2 / sum (n_i - 1); groups of one value say nothing.  (0.0, 0) if none
    has two.  Source: GUM 4.2.4.
    """
    squares, dof = 0.0, 0
    for group in repeats:
        if len(group) > 1:
            mean = fmean(group)
            squares += math.fsum((x - mean) ** 2 for x in group)
            dof += len(group) - 1
    return (math.sqrt(squares / dof), dof) if dof else (0.0, 0)


def combined(parts: Iterable[tuple[float, float]]) -> tuple[float, float]:
    """Standard uncertainty of the sum of independent parts (u_i, dof_i), and its dof.

    u^2 = sum u_i^2 (GUM 5.1.2), nu = u^4 / sum(u_i^4 / nu_i) (Welch-Satterthwaite, G.2b).  A
    part whose uncertainty is stated, not estimated, has dof = inf.
    """
    parts = list(parts)
    total = math.fsum(u**2 for u, _ in parts)
    spread = math.fsum(u**4 / dof for u, dof in parts if math.isfinite(dof))
    return math.sqrt(total), total**2 / spread if spread > 0 else math.inf


@lru_cache(maxsize=512)
def coverage_factor(dof: float, level: float = 0.95) -> float:
    """Factor t_p(nu) of an interval that holds with probability `level`, two-sided.

    `dof` is cut to the next lower integer (GUM G.4.1, note) and taken as infinite above 1000.
    Raises ValueError for dof < 1 or a level outside (0, 1).
    """
    if not dof >= 1 or not 0 < level < 1:
        raise ValueError(f"coverage factor wants dof >= 1 and 0 < level < 1, not {dof}, {level}")
    probability = (1 + level) / 2
    if dof > 1000:
        return NormalDist().inv_cdf(probability)
    from scipy.special import stdtrit

    return float(stdtrit(math.floor(dof), probability))


def chi2_beyond(statistic: float, dof: float) -> float:
    """Probability of a larger chi-squared; 1 where nothing is left to disagree."""
    if dof < 1:
        return 1.0
    from scipy.special import chdtrc

    return float(chdtrc(dof, max(statistic, 0.0)))


def grubbs(values: Sequence[float]) -> float:
    """Greatest distance of a value from the mean in standard deviations, max|x - mean| / s."""
    mean = fmean(values)
    return max(abs(x - mean) for x in values) / stdev(values)


@lru_cache(maxsize=128)
def grubbs_critical(n: int, alpha: float = 0.01) -> float:
    """Critical value of max|x - mean| / s among n repeats, two-sided, at level `alpha`.

    G = (n-1)/sqrt(n) * sqrt(t^2 / (n-2+t^2)), t = t(alpha/(2n), n-2).  Source: Grubbs,
    Technometrics 11 (1969) 1-21; NIST/SEMATECH e-Handbook 1.3.5.17.1 (from memory); the tests
    hold a published table against it.  Raises ValueError for n < 3.
    """
    if n < 3:
        raise ValueError("an outlier test wants three repeats at least")
    t = coverage_factor(n - 2, 1 - alpha / n)
    return (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))
