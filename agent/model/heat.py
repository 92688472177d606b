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
        return self.state == "off"

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
            f"{name} {heat.now:.0f} of {heat.target:.0f} °C"
            for name, heat in (("nozzle", self.nozzle), ("bed", self.bed))
            if heat is not None and heat.target
        ]
        return ", ".join(words)


#: A part that is off and hotter than this should get cooler, degrees C.
HOT: Final = 60.0

#: Seconds within which a part that is off has certainly become cooler, by half a degree at least,
#: and the longest time over which nobody is taken to have heated it in between (common practice;
#: a heater block loses about a degree a second, a heated bed some degrees in two minutes).
COOLER_AFTER: Final = {"nozzle": 20.0, "bed": 120.0}
_MEANWHILE: Final = 600.0
_COOLER_BY: Final = 0.5

#: Seconds within which a part that is told to heat has certainly become warmer, by so many
#: degrees, unless it is that near to its target (common practice).
WARMER_AFTER: Final = 120.0
_WARMER_BY: Final = 2.0
_NEAR: Final = 10.0


def danger_of(before: Heats, after: Heats, seconds: float) -> str:
    """What two reports, so many seconds apart, show of a heater that does not obey; or nothing."""
    for name in ("nozzle", "bed"):
        was, now = getattr(before, name), getattr(after, name)
        if was is None or now is None or _obeys(was, now):
            continue
        if not now.target:
            if COOLER_AFTER[name] <= seconds <= _MEANWHILE:
                return (
                    f"the {name} is off and gets NO COOLER: {now.now:.0f} °C, and {was.now:.0f} °C"
                    f" {seconds:.0f} s before. Its output may be stuck ON"
                )
        elif seconds >= WARMER_AFTER:
            return (
                f"the {name} is told to reach {now.target:.0f} °C and gets NO WARMER:"
                f" {now.now:.0f} °C, and {was.now:.0f} °C {seconds:.0f} s before. Its heater may be"
                " broken, or its sensor out of place"
            )
    return ""


def heating_left(before: Heats, after: Heats, seconds: float) -> float | None:
    """Seconds until every heater is at its target, if it goes on as it went for so many seconds.

    0 where all are near their targets, or none is on; None where nothing can be said yet.
    """
    left = 0.0
    for was, now in ((before.nozzle, after.nozzle), (before.bed, after.bed)):
        if now is None or now.now >= now.target - _WARMER_BY:
            continue
        risen = now.now - was.now if was is not None and was.target == now.target else 0.0
        if seconds <= 0 or risen < _WARMER_BY:
            return None
        left = max(left, (now.target - now.now) * seconds / risen)
    return left


def eased(before: Heats, after: Heats) -> bool:
    """Whether `after` shows that every part does as it is told, against an earlier report."""
    pairs = ((before.nozzle, after.nozzle), (before.bed, after.bed))
    return all(was is None or now is None or _obeys(was, now) for was, now in pairs)


def _obeys(was: Heat, now: Heat) -> bool:
    """Whether a part got cooler where it is off and hot, or warmer where it is told to."""
    if was.target != now.target:  # told anew: nothing can be said
        return True
    if now.target:
        return now.now >= min(was.now + _WARMER_BY, now.target - _NEAR)
    return now.now <= max(HOT, was.now - _COOLER_BY)


def _heat(pattern: re.Pattern[str], text: str) -> Heat | None:
    match = pattern.search(text)
    return Heat(float(match[1]), float(match[2])) if match else None
