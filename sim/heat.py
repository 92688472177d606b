"""Heaters that take their time: a straight ramp up, an exponential way down."""

from __future__ import annotations

import math

AMBIENT = 22.0  #: degrees C


class Heater:
    """One heater; all instants in seconds of the controller's clock."""

    def __init__(self, rate: float, cooling: float) -> None:
        self.rate = rate  #: degrees C per second on the way up
        self.cooling = cooling  #: time constant on the way down, s
        self.target = 0.0
        self._since = 0.0
        self._from = AMBIENT

    def set(self, target: float, now: float) -> None:
        self._from, self._since, self.target = self.at(now), now, target

    def at(self, now: float) -> float:
        """Temperature at the instant `now`, degrees C."""
        elapsed = now - self._since
        if self.target > self._from:
            return min(self.target, self._from + self.rate * elapsed)
        floor = max(self.target, AMBIENT)
        if floor > self._from:  # switched off below ambient: cannot be, stay
            return self._from
        return floor + (self._from - floor) * math.exp(-elapsed / self.cooling)

    def reached(self, now: float, margin: float = 1.0) -> float:
        """Instant at which the temperature is within `margin` of a target above it."""
        gap = self.target - margin - self.at(now)
        return now + max(0.0, gap / self.rate)
