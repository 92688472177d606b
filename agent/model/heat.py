"""Heaters as a controller reports them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

#: What is known of the heaters: reported off, reported or set on, not known, or not reported at
#: all (a controller that heats nothing).
HeaterState = Literal["off", "on", "unknown", "not reported"]

_TEMPERATURE: Final = r"(?<![A-Za-z]){}:\s*(-?\d+(?:\.\d+)?)\s*/\s*(\d+(?:\.\d+)?)"
_NOZZLE: Final = re.compile(_TEMPERATURE.format("T0?"))
_BED: Final = re.compile(_TEMPERATURE.format("B"))


@dataclass(frozen=True, slots=True)
class Heat:
    """A heater as the controller reports it, degrees C."""

    now: float
    target: float


@dataclass(frozen=True, slots=True)
class Heats:
    """Both heaters; None: nothing was reported."""

    nozzle: Heat | None = None
    bed: Heat | None = None

    def seen(self, text: str) -> Heats:
        """With what a line from the controller reports."""
        nozzle, bed = _heat(_NOZZLE, text), _heat(_BED, text)
        return Heats(nozzle or self.nozzle, bed or self.bed) if nozzle or bed else self

    @property
    def off(self) -> bool:
        """True if the nozzle's target was reported and no target is above zero."""
        return self.nozzle is not None and not any(
            heat.target for heat in (self.nozzle, self.bed) if heat is not None
        )

    @property
    def state(self) -> HeaterState:
        """What these reports amount to."""
        if self.nozzle is None and self.bed is None:
            return "not reported"
        if any(heat.target for heat in (self.nozzle, self.bed) if heat is not None):
            return "on"
        return "off" if self.nozzle is not None else "unknown"

    def __str__(self) -> str:
        words = [
            f"{name} {heat.now:.0f} of {heat.target:.0f} C"
            for name, heat in (("nozzle", self.nozzle), ("bed", self.bed))
            if heat is not None and heat.target
        ]
        return ", ".join(words)


def _heat(pattern: re.Pattern[str], text: str) -> Heat | None:
    match = pattern.search(text)
    return Heat(float(match[1]), float(match[2])) if match else None
