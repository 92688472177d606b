"""Settings as a controller reports them.

Keys are those other programs rely on: `steps_per_mm.x`, `max_speed.x@quiet`,
`motor_current.z_2`, `hotend_pid.p`.  Units are the ones of `UNITS`, whatever the controller
prints; `digits` is how many decimals it printed, after conversion to that unit.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

#: Unit of each kind of key (the part before the first dot).
UNITS: Final[dict[str, str]] = {
    "steps_per_mm": "step/mm",
    "max_speed": "mm/s",
    "max_acceleration": "mm/s2",
    "acceleration": "mm/s2",
    "jerk": "mm/s",
    "junction_deviation": "mm",
    "home_offset": "mm",
    "probe_offset": "mm",
    "hotend_pid": "1",
    "bed_pid": "1",
    "motor_current": "mA",
    "max_travel": "mm",
    "min_speed": "mm/s",
    "segment_time": "us",
    "skew": "1",
}


#: Kinds whose values mean nothing unless they are above zero.
POSITIVE: Final = frozenset(
    {"steps_per_mm", "max_speed", "max_acceleration", "acceleration", "max_travel"}
)


def kind_of(key: str) -> str:
    """Kind of a key: `steps_per_mm` of `steps_per_mm.x`."""
    return key.partition(".")[0]


def letter_of(key: str) -> str:
    """Axis letter of a key, without motor number and mode: `x` of `max_speed.x@quiet`."""
    return key.partition(".")[2].partition("@")[0].partition("_")[0]


def of_kind(settings: Mapping[str, float], kind: str) -> dict[str, float]:
    """Values of the settings of one kind, by letter."""
    head = f"{kind}."
    return {key[len(head) :]: value for key, value in settings.items() if key.startswith(head)}


@dataclass(frozen=True, slots=True)
class Setting:
    """One value of a controller."""

    value: float
    unit: str
    digits: int  #: decimals the controller printed
    raw: str = ""  #: the line it stood on, as received
    tolerance: float | None = None  #: half a unit of the last printed digit, if not 0.5*10^-digits

    @property
    def half_digit(self) -> float:
        """Half a unit of the last printed digit, in `unit`."""
        return 0.5 * 10.0**-self.digits if self.tolerance is None else self.tolerance

    def agrees_with(self, wanted: float) -> bool:
        """True if `wanted` would be printed as this value."""
        return abs(self.value - wanted) <= self.half_digit * (1 + 1e-6) + 1e-12


@dataclass(frozen=True, slots=True)
class Event:
    """Something the controller did or said that is not a setting.

    `kind` is one of the names other programs rely on (`stored`, `loaded`, `defaults_live`,
    `restarted`, ...); `detail` holds its plain data.
    """

    kind: str
    detail: Mapping[str, Any] = field(default_factory=dict)

    def to_plain(self) -> dict[str, Any]:
        return {"kind": self.kind, **self.detail}


@dataclass(frozen=True, slots=True)
class Readback:
    """All that one reading of a controller gave."""

    family: str  #: replay, numbered, table, override, script or unknown
    settings: Mapping[str, Setting]
    other: tuple[str, ...] = ()  #: lines known to be settings but not modelled
    identity: str = ""  #: how the controller names itself
    events: tuple[Event, ...] = ()
    damage: tuple[str, ...] = ()  #: why no write may rest on this reading; empty if none may not
    notes: tuple[str, ...] = ()  #: lines not understood, warnings

    @property
    def damaged(self) -> bool:
        return bool(self.damage)

    def to_plain(self) -> dict[str, Any]:
        return {
            "family": self.family,
            "identity": self.identity,
            "settings": {
                key: {"value": s.value, "unit": s.unit, "digits": s.digits}
                for key, s in self.settings.items()
            },
            "other": list(self.other),
            "events": [event.to_plain() for event in self.events],
            "damaged": self.damaged,
            "notes": [*self.damage, *self.notes],
        }
