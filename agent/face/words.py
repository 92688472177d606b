"""Plain words and units for parameters, settings and readings: the same everywhere they show."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from agent.model.feature import Feature, Reading, Vector

if TYPE_CHECKING:
    from agent.estimate.solution import NextReading


@dataclass(frozen=True, slots=True)
class Shown:
    """How a quantity is shown: its words, the factor to the shown unit, the unit, decimals."""

    words: str
    factor: float = 1.0
    unit: str = ""
    digits: int = 3

    def value(self, value: float) -> str:
        """Signed, with the unit; a degree sign follows its number, other units stand apart."""
        return f"{value * self.factor:+z.{self.digits}f}{self.behind}"

    def amount(self, value: float, digits: int | None = None) -> str:
        """Unsigned, with the unit; as short as it is exact where no digits are given."""
        size = value * self.factor
        return (f"{size:.4g}" if digits is None else f"{size:.{digits}f}") + self.behind

    @property
    def behind(self) -> str:
        """The unit as it stands behind a number."""
        return self.unit if self.unit == "°" else f" {self.unit}"

    def spread(self, value: float) -> str:
        """Unsigned, behind a plus-minus sign."""
        return f"± {value * self.factor:.{self.digits}f}"

    def interval(self, value: float) -> str:
        """Unsigned, behind a plus-minus sign, with the unit."""
        return f"± {self.amount(value, self.digits)}"


PARAMETERS: Final[dict[str, Shown]] = {
    "x_scale": Shown("scale, across", 100, "%"),
    "y_scale": Shown("scale, gantry", 100, "%"),
    "z_scale": Shown("scale, belt", 100, "%"),
    "gantry_angle_deg": Shown("gantry angle", 1, "°"),
    "yaw_deg": Shown("gantry yaw", 1, "°"),
    "rail_deg": Shown("rail skew", 1, "°"),
    "roll_deg": Shown("gantry roll", 1, "°"),
    "shrink": Shown("shrink of the plastic", 100, "%"),
    "offset.x": Shown("size offset, x", 1, "mm"),
    "offset.s": Shown("size offset, s", 1, "mm"),
    "offset.h": Shown("size offset, h", 1, "mm"),
    "offset.gantry": Shown("size offset, gantry", 1, "mm"),
    "offset.diagonal": Shown("size offset, diagonal", 1, "mm"),
}

COMBINATIONS: Final[dict[str, Shown]] = {
    "plan_shear_deg": Shown("plan out of square", 1, "°"),
    "sway_deg": Shown("sideways lean of upright faces", 1, "°"),
    "gap_deg": Shown("rail rises across", 1, "°"),
    "lean_deg": Shown("lean of upright faces", 1, "°"),
    "printed_x_percent": Shown("printed length, x", 1, "%"),
    "printed_s_percent": Shown("printed length, s", 1, "%"),
    "printed_h_percent": Shown("printed height", 1, "%"),
}


def shown(name: str) -> Shown:
    """Words for a parameter or combination; an unknown name stands for itself."""
    return PARAMETERS.get(name) or COMBINATIONS.get(name) or Shown(name.replace("_", " "))


def vector(along: Vector) -> str:
    """A nominal vector, as `0 / 20 / 0` for x / s / h."""
    return " / ".join(f"{component:g}" for component in along)


def most_helpful(upcoming: NextReading) -> str:
    """The reading that would help most, and what it would bring, as sentences."""
    words = shown(upcoming.parameter)
    return (
        f"What would help most now: {upcoming.feature} {vector(upcoming.along)} (x / s / h, mm). It"
        f" would take '{words.words}' from {words.interval(2 * upcoming.u_now)} to"
        f" {words.interval(2 * upcoming.u_then)} (95 %)."
    )


def reading_name(reading: Reading | Feature) -> str:
    """The name of a reading, or what it is where it has none."""
    return reading.name or f"{reading.kind} {vector(reading.along)}"
