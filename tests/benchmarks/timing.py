"""Measuring two things side by side, and how a cost grows."""

from __future__ import annotations

import gc
import math
import time
from collections.abc import Callable, Sequence
from statistics import median

from tests.benchmarks.table import Row, at_most, shown

Act = Callable[[], object]

#: Seconds of one call that are enough to see how it grows.
_LONG = 2.0


def seconds(act: Act) -> float:
    """Wall time of one call; garbage is collected before it and not during it, as `timeit` does."""
    gc.collect()
    gc.disable()
    try:
        start = time.perf_counter()
        act()
        return time.perf_counter() - start
    finally:
        gc.enable()


def side_by_side(
    ours: Act, reference: Act, *, runs: int = 7, number: int = 1, warm_up: int = 1
) -> tuple[float, float]:
    """Median seconds of one call of each, taken in turn; `number` calls make one sample."""

    def many(act: Act) -> Act:
        def repeated() -> None:
            for _ in range(number):
                act()

        return act if number == 1 else repeated

    ours, reference = many(ours), many(reference)
    for _ in range(warm_up):
        ours()
        reference()
    pairs = [(seconds(ours), seconds(reference)) for _ in range(runs)]
    return median(a for a, _ in pairs) / number, median(b for _, b in pairs) / number


def growth(what: str, sizes: Sequence[int], act_of: Callable[[int], Act], *, runs: int = 3) -> Row:
    """How the cost of `act_of(size)` grows over sizes a factor ten apart.

    Told is the exponent over the last factor of ten, where fixed costs weigh least; the reference
    is the exponent that n log n has there.  The least of some runs is what the work itself costs.
    """
    spent: dict[int, float] = {}
    for size in sizes:
        act = act_of(size)
        first = seconds(act)
        spent[size] = min([first, *(seconds(act) for _ in range(runs if first < _LONG else 0))])
        if len(spent) > 1 and spent[size] > _LONG:
            break  # whatever grows so fast has shown it
    return grown(what, spent)


def grown(what: str, spent: dict[int, float], unit: str = "s") -> Row:
    """The row of growth for costs that were measured already, by size."""
    *_, (n, before), (m, after) = sorted(spent.items())
    span = math.log(m / n)
    costs = ", ".join(f"{size:,}: {shown(cost, unit)}" for size, cost in sorted(spent.items()))
    return Row(
        f"growth: {what}",
        math.log(after / before) / span,
        math.log(m * math.log(m) / (n * math.log(n))) / span,
        f"exponent of n log n ({costs})",
        at_most(1.0),
        unit="",
    )
