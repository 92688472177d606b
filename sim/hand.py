"""A caliper, a square and the gauges of the moves, in one pair of hands."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from sim.bench import Bench
from sim.truth import Truth

#: Width of a caliper's jaws on a part, mm.
JAW_WIDTH = 8.0

#: One value: put on, read, type; minutes.
VALUE_MINUTES = 0.15

#: Lengths over which a caliper's error repeats itself, mm: unlike any piece's.
_ERROR_PERIODS = (37.0, 93.0)


@dataclass(frozen=True, slots=True)
class Grip:
    """How a feature is taken: what the hand and the instrument do depends on it."""

    kind: str  #: outside, inside, pitch, lean, sway, travel, gap
    direction: str = ""  #: x, s, h, gantry, or anything else
    faces: bool = True  #: jaws lie on faces, not on points
    flat: bool = False  #: of a single layer
    opposite: bool = False  #: from the opposite face, the square turned round
    feature: str = ""  #: and piece: readings of the same one are the same


class Caliper:
    """One instrument in one pair of hands: scatter, errors of its own, a display."""

    def __init__(self, truth: Truth, resolution: float, seed: int | None, bench: Bench) -> None:
        self.bench = bench
        has = self.bench.has
        self.scatter = self.bench.size("repeatability") or truth.reading_sd_mm
        self.error = self.bench.signed("zero") if has("zero") else truth.instrument_mm
        self.gauge_u = self.bench.size("gauge_reading") or truth.gauge_u_mm
        self.rule_sd = truth.rule_sd_mm
        self.resolution = self.bench.size("rounding") or resolution
        self._rng = random.Random(0 if seed is None else seed * 7 + 1)
        self._own = self.bench.chance("hand", "readings")
        self._taken = 0

    def read_each(self, sizes: list[float], grip: Grip) -> list[float]:
        """Readings of a size that may change from value to value, re-seated each time, mm."""
        self._taken += 1
        steady = self._instrument(sizes[0], grip) + self._habit(sizes[0], grip) if sizes else 0.0
        values = [
            self._display(size + steady + self._askew(size, grip) + self._scatter())
            for size in sizes
        ]
        return values[:1] * len(values) if self.bench.size("copied") else values

    def _instrument(self, size: float, grip: Grip) -> float:
        bench, off = self.bench, self.error
        if grip.kind in ("lean", "sway"):
            # a square turned round errs the other way
            return off + bench.signed("square") * (-1 if grip.opposite else 1)
        if grip.kind == "inside":
            off += bench.signed("inside_jaws")
        off += bench.signed("caliper_scale") / 100 * size
        return off + self._by_length(size, "inside" if grip.kind == "inside" else "outside")

    def _by_length(self, size: float, jaws: str) -> float:
        """Two sines over the length, within the stated size."""
        most = self.bench.size("by_length")
        if not most:
            return 0.0
        chance = self.bench.chance("by_length", jaws)
        waves = [
            math.sin(2 * math.pi * size / period + chance.uniform(0, 2 * math.pi))
            for period in _ERROR_PERIODS
        ]
        return most * sum(waves) / len(waves)

    def _habit(self, size: float, grip: Grip) -> float:
        bench = self.bench
        own = {"lean": "s", "sway": "x"}.get(grip.kind, grip.direction)
        off = bench.stray("hand", own)
        off += bench.stray("not_reseated", grip.feature, self._taken)
        if grip.kind == "outside":
            squeeze = bench.size("squeeze")
            off -= size * squeeze / 100 if grip.flat else min(squeeze, 0.05)
        return off

    def _askew(self, size: float, grip: Grip) -> float:
        sd = self.bench.size("jaws_askew")
        if not sd or grip.kind not in ("outside", "inside", "pitch"):
            return 0.0
        askew = abs(self._own.gauss(0, math.radians(sd)))
        if grip.kind == "outside":
            wide = JAW_WIDTH if grip.faces else 0.0
            return size * (math.cos(askew) - 1) + wide * math.sin(askew)
        return size * (1 / math.cos(askew) - 1)

    def _scatter(self) -> float:
        if self.bench.size("repeatability") < 0.04:
            return self._rng.gauss(0, self.scatter)
        # Student's t with 3 degrees of freedom, of the same standard deviation: variance 3
        chi = math.sqrt(sum(self._rng.gauss(0, 1) ** 2 for _ in range(3)) / 3)
        return self.scatter * self._rng.gauss(0, 1) / chi / math.sqrt(3)

    def read_gauge(self, size: float, repeats: int) -> list[float]:
        """Readings of a length gauge beside an axis: most of its error stays with the set-up."""
        common = self._rng.gauss(0, 0.9 * self.gauge_u)
        common += self.bench.signed("gauge_offset") + self.bench.signed("gauge_scale") / 100 * size
        single = math.sqrt(1 - 0.9**2) * self.gauge_u
        return [self._display(size + common + self._rng.gauss(0, single)) for _ in range(repeats)]

    def read_rule(self, size: float) -> float:
        """A length of filament between two marks, read off a steel rule to a tenth, mm."""
        value = size + self._rng.gauss(0, self.rule_sd)
        return round(value, 1) if self.rule_sd else value

    def _display(self, value: float) -> float:
        if not self.resolution:
            return value
        return round(round(value / self.resolution) * self.resolution, 6)
