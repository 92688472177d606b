"""Control charts of single values: individuals with moving range, and EWMA.

Individuals (ISO 7870-2): centre line mean(x), limits mean(x) +- 3 s, s = mean(MR) / d2, where
MR_i = |x_i - x_(i-1)| and d2 = 2/sqrt(pi) for ranges of two.  Moving range: upper limit
(1 + 3 d3/d2) mean(MR), d3 = sqrt(2 - 4/pi).  EWMA (ISO 7870-6): z_i = l x_i + (1 - l) z_(i-1),
z_0 the centre line, limits +- L s sqrt(l/(2 - l) (1 - (1 - l)^(2 i))).

The standards themselves were not at hand: formulas and rules are those of the NIST/SEMATECH
e-Handbook, 6.3.2.2 and 6.3.2.4, whose worked examples stand in the tests; the numbering of the
rules follows ISO 7870-2 from memory.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

#: Mean and standard deviation of the range of two values of the standard normal distribution.
D2: Final = 2 / math.sqrt(math.pi)
D3: Final = math.sqrt(2 - 4 / math.pi)

#: Weight of the newest value and width of the limits of the EWMA: usual choices (Handbook 6.3.2.4:
#: weights between 0.2 and 0.3).
WEIGHT: Final = 0.2
WIDTH: Final = 3.0

#: With fewer values than this the limits say nothing (our own choice; the handbook wants more).
ENOUGH: Final = 8

Rule = Literal["beyond", "side", "trend", "zone", "range", "ewma", "step"]

#: Each rule: what fired, and what usually causes it (common practice of such machines).
RULES: Final[dict[Rule, tuple[str, str]]] = {
    "beyond": (
        "a value beyond three standard deviations",
        "one wrong reading, another plastic or a slipped jaw; else something gave way at once: "
        "measure again before anything is changed",
    ),
    "side": (
        "nine values in a row on one side of the centre line",
        "a lasting change: belt tension, a re-seated roller, other values after a flash, another "
        "caliper",
    ),
    "trend": (
        "six values in a row rising or falling",
        "wear or stretch: the belt lengthens, the roller wears or collects plastic",
    ),
    "zone": (
        "two of three values beyond two standard deviations on one side",
        "a small lasting change that has just begun: the next tune will tell",
    ),
    "range": (
        "a step between two values beyond the limit of the moving range",
        "something was changed or knocked between the two: ask what was done in between",
    ),
    "ewma": (
        "the weighted average beyond its limit",
        "a slow drift too small for a single value to show: belt creep, wear, season",
    ),
    "step": (
        "a step larger than both uncertainties explain",
        "too few values for a chart, but these two differ: measure again",
    ),
}


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule that fired at a value."""

    place: int  #: index of the value at which it fired
    rule: Rule

    @property
    def what(self) -> str:
        return RULES[self.rule][0]

    @property
    def usually(self) -> str:
        return RULES[self.rule][1]


@dataclass(frozen=True, slots=True)
class Chart:
    """One chart, all in the unit of the values."""

    values: tuple[float, ...]
    ranges: tuple[float, ...]  #: of each value and the one before it; one fewer than the values
    centre: float
    deviation: float  #: standard deviation from the mean moving range; 0 with one value
    ewma: tuple[float, ...]
    ewma_limits: tuple[float, ...]  #: half width at each value
    signals: tuple[Signal, ...]

    @property
    def lower(self) -> float:
        return self.centre - 3 * self.deviation

    @property
    def upper(self) -> float:
        return self.centre + 3 * self.deviation

    @property
    def mean_range(self) -> float:
        return self.deviation * D2

    @property
    def range_limit(self) -> float:
        """Upper limit of the moving range; its lower one is 0."""
        return (1 + 3 * D3 / D2) * self.mean_range

    @property
    def enough(self) -> bool:
        """There are values enough for the limits to mean something."""
        return len(self.values) >= ENOUGH


def chart(
    values: Sequence[float],
    u: Sequence[float] = (),
    *,
    centre: float | None = None,
    deviation: float | None = None,
    weight: float = WEIGHT,
    width: float = WIDTH,
) -> Chart:
    """The chart of values in the order of time.

    Parameters
    ----------
    values : (n,)  n >= 1, finite
    u : (n,) or empty  standard uncertainty of each value, > 0: with fewer than `ENOUGH` values,
        steps are judged by it
    centre, deviation : stated instead of estimated, where they are known beforehand
    weight : of the newest value in the EWMA, in (0, 1]

    Raises ValueError for no values, or a weight that is none.
    """
    if not values:
        raise ValueError("a chart needs a value")
    if not 0 < weight <= 1:
        raise ValueError(f"weight must be in (0, 1], not {weight!r}")
    ranges = tuple(abs(b - a) for a, b in itertools.pairwise(values))
    middle = math.fsum(values) / len(values) if centre is None else centre
    s = deviation
    if s is None:
        s = math.fsum(ranges) / len(ranges) / D2 if ranges else 0.0
    ewma, before = [], middle
    for value in values:
        before = weight * value + (1 - weight) * before
        ewma.append(before)
    limits = tuple(ewma_limit(i, s, weight, width) for i in range(1, len(values) + 1))
    bare = Chart(tuple(values), ranges, middle, s, tuple(ewma), limits, ())
    stated = centre is not None and deviation is not None
    found = _signals(bare) if bare.enough or stated else _steps(values, u)
    return replace(bare, signals=tuple(found))


def ewma_limit(i: int, deviation: float, weight: float = WEIGHT, width: float = WIDTH) -> float:
    """Half width of the limits at the i-th value (from 1); large i: the steady limits."""
    return width * deviation * _spread(i, weight)


@lru_cache(maxsize=4096)
def _spread(i: int, weight: float) -> float:
    """Standard deviation of the i-th weighted average, in those of a value."""
    decay = math.log1p(-weight) if weight < 1 else -math.inf
    return math.sqrt(weight / (2 - weight) * -math.expm1(2 * i * decay))


def _signals(c: Chart) -> Iterator[Signal]:
    s, middle = c.deviation, c.centre
    if s == 0:
        return
    range_limit = c.range_limit
    sides = steps = 0  # values in a row on one side, steps in a row in one direction; signed
    before = c.values[0]
    far = (0, 0)  # side of the last two values where they lie far out
    for i, value in enumerate(c.values):
        x = value - middle
        sides = _in_a_row(sides, x)
        steps = _in_a_row(steps, value - before if i else 0.0)
        out = 0 if abs(x) <= 2 * s else 1 if x > 0 else -1
        if abs(x) > 3 * s:
            yield Signal(i, "beyond")
        if abs(sides) >= 9:
            yield Signal(i, "side")
        if abs(steps) >= 5:
            yield Signal(i, "trend")
        if out and out in far:
            yield Signal(i, "zone")
        if i and c.ranges[i - 1] > range_limit:
            yield Signal(i, "range")
        if abs(c.ewma[i] - middle) > c.ewma_limits[i]:
            yield Signal(i, "ewma")
        before, far = value, (far[1], out)


def _in_a_row(count: int, value: float) -> int:
    """How many so far had the sign of `value`, with that sign; 0 has none."""
    if value > 0:
        return count + 1 if count > 0 else 1
    if value < 0:
        return count - 1 if count < 0 else -1
    return 0


def _steps(values: Sequence[float], u: Sequence[float]) -> Iterator[Signal]:
    """Steps beyond three times the uncertainty of the difference (GUM 5.1.2, no correlation)."""
    if len(u) != len(values):
        return
    for i in range(1, len(values)):
        if abs(values[i] - values[i - 1]) > 3 * math.hypot(u[i], u[i - 1]):
            yield Signal(i, "step")
