"""Usual plastics: temperatures of nozzle and bed, and how much a part shrinks.

Temperatures are the middle of what makers print on their spools, shrink is the linear mould
shrinkage of the unfilled plastic as tables of plastics give it (in the manner of ISO 294-4), halved
where a printed part is held by the belt while it cools.  All of it common practice, from memory:
shown, asked to confirm, never taken for what is on the spool at hand.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class Usual:
    """Usual values of one plastic."""

    name: str
    nozzle_c: tuple[float, float]  #: range, degrees C
    bed_c: tuple[float, float]
    shrink_percent: float
    shrink_u_percent: float  #: standard uncertainty
    caution: str = ""

    @property
    def middle(self) -> tuple[float, float]:
        """Nozzle and bed in the middle of their ranges, to 5 degrees C."""
        low, high = self.nozzle_c
        bed = (self.bed_c[0] + self.bed_c[1]) / 2
        return 5 * round((low + high) / 10), 5 * round(bed / 5)


_FUMES: Final = "its fumes are harmful: ventilate, and keep to local rules"

USUAL: Final[dict[str, Usual]] = {
    usual.name: usual
    for usual in (
        Usual("PLA", (195, 220), (50, 65), 0.3, 0.15),
        Usual("PETG", (225, 250), (70, 85), 0.3, 0.15),
        Usual("ABS", (230, 255), (95, 110), 0.7, 0.2, _FUMES),
        Usual("ASA", (235, 260), (95, 110), 0.6, 0.2, _FUMES),
        Usual("PA", (245, 275), (70, 100), 1.2, 0.4, _FUMES),
        Usual("PC", (260, 290), (100, 115), 0.6, 0.2, _FUMES),
        Usual("PP", (215, 240), (85, 105), 1.5, 0.5),
        Usual("TPU", (215, 235), (40, 60), 0.8, 0.4),
    )
}


#: Linear expansion of an unfilled printing plastic, 1/K (typical, from memory).
PLASTIC_EXPANSION: Final = 68e-6

#: Temperature at which lengths are stated, degrees C (ISO 1).
REFERENCE_C: Final = 20.0


def expansion(length: float, warmer: float, coefficient: float = PLASTIC_EXPANSION) -> float:
    """Length, in its own unit, that is added by being `warmer` K: dL = coefficient L dT."""
    return coefficient * length * warmer


def enlarged(shrink: float) -> float:
    """Factor on a drawing whose part comes out `shrink` (relative) too small: 1 / (1 - shrink)."""
    return 1 / (1 - shrink)


def usual(name: str) -> Usual | None:
    """Usual values of a plastic by its short name, whatever follows it; None for others."""
    word = name.upper().replace("-", " ").replace("+", " ").split()
    return USUAL.get(word[0]) if word else None
