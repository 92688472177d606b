"""What becomes of the beads once they lie there: width of faces, shrink, warmth, curl."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from sim.bench import Bench
from sim.plant import Array
from sim.truth import Growth, Truth

#: A foot bulges up to this height, mm.
FOOT_MM = 8.0

#: Walls shorter than this lie between corners for all their length, mm.
SHORT_MM = 25.0

#: Linear expansion of printing plastics, 1/K: 68e-6 to 100e-6 (handbook range, from memory).
EXPANSION = 80e-6

#: Time in which a small piece loses 63 % of its excess heat, minutes (common practice).
COOLING_MINUTES = 4.0


@dataclass(frozen=True, slots=True)
class Plastic:
    """One machine's plastic; lengths in mm."""

    growth: Growth = field(default_factory=Growth)
    squash: float = 0.0  #: extra width of the row that lies on the belt, both sides
    shrink: float = 0.0
    bench: Bench = field(default_factory=Bench)

    @classmethod
    def of(cls, truth: Truth, bench: Bench) -> Plastic:
        squash = truth.squash_mm + 2 * bench.size("first_layer")
        return cls(truth.growth, squash, truth.shrink, bench)

    @property
    def left(self) -> Array:
        """(3,): what shrink leaves of lengths along x, s, h beyond the common shrink."""
        name = "shrink_by_direction"
        return np.array([1 - self.bench.stray(name, axis) / 100 for axis in "xsh"])

    def stands_out(self, job: str, jaw: Array, outward: Array, wall: float, *, flat: bool) -> float:
        """How far one face stands out where a jaw rests on it, beyond what beads of its kind do.

        job   name of the piece;  jaw  nominal contact point;  outward  unit vector off the face
        wall  length of the wall it belongs to, mm;  flat  it is the edge of a single layer
        """
        bench = self.bench
        aim = tuple(round(float(x)) for x in outward * 2)
        spot = tuple(round(float(x)) for x in jaw)
        out = bench.stray("form", job, spot, aim)
        if wall < SHORT_MM:
            out += bench.size("corner_swell") / 2
        if not flat and jaw[2] < FOOT_MM:
            # what sinks comes out at the sides; tilted faces high up the foot know nothing of it
            level = math.sqrt(max(0.0, 1 - float(outward[2]) ** 2))
            if level > 0.9:
                out += bench.size("elephant_foot")
            elif outward[2] < -0.9:
                out -= bench.size("elephant_foot")
        return out

    @property
    def corner(self) -> float:
        """How far a corner stands out towards the other one, mm."""
        return self.bench.size("corner_swell") / 2

    def chord(self, length: float, along: float) -> float:
        """A length of a flat piece, `along` of which runs along the belt, once it has curled."""
        bent = self.bench.size("curled") / 1000
        if not bent or not along:
            return length
        lost = along - 2 / bent * math.sin(along * bent / 2)
        return length - lost * along / max(length, 1e-9)

    def warmth(self, minutes: float) -> float:
        """Relative growth of a piece `minutes` after it was laid."""
        excess = self.bench.size("warm") * math.exp(-minutes / COOLING_MINUTES)
        return EXPANSION * excess
