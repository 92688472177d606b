"""Printed numbers to settings and wanted values to text: units, digits, what is possible.

A reading is only as good as its worst number, so whatever speaks against it is collected along
with the settings: no write may rest on a reading with damage.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from agent.errors import Refused
from agent.model.settings import UNITS, Event, Readback, Setting

MM_PER_INCH: Final = 25.4
PER_MINUTE: Final = 1 / 60

#: Plain decimals only: an exponent or a second point is damage.
_NUMBER: Final = re.compile(r"[-+]?(?:\d+\.?\d*|\.\d+)")

#: Lowest and highest possible value of each kind of key, in its unit.
_RANGE: Final[dict[str, tuple[float, float]]] = {
    "steps_per_mm": (1e-3, 1e5),
    "max_speed": (1e-3, 1e5),
    "max_acceleration": (1e-3, 1e6),
    "acceleration": (1e-3, 1e6),
    "jerk": (0.0, 1e4),
    "junction_deviation": (0.0, 10.0),
    "home_offset": (-1e5, 1e5),
    "probe_offset": (-1e3, 1e3),
    "hotend_pid": (0.0, 1e6),
    "bed_pid": (0.0, 1e6),
    "motor_current": (0.0, 20_000.0),
    "max_travel": (1e-3, 1e6),
    "min_speed": (0.0, 1e4),
    "segment_time": (0.0, 1e7),
    "skew": (-1.0, 1.0),
}

#: Kinds with a length in their unit; in `steps_per_mm` it is below the line.
_LENGTHS: Final = frozenset(
    {
        "max_speed",
        "max_acceleration",
        "acceleration",
        "jerk",
        "junction_deviation",
        "home_offset",
        "probe_offset",
        "max_travel",
        "min_speed",
    }
)

_MOTION: Final = ("max_speed", "max_acceleration")

#: Most notes kept of one reading.
MOST_NOTES: Final = 200


def kind_of(key: str) -> str:
    """The part of a key that tells its unit."""
    return key.partition(".")[0]


def inch_factor(key: str) -> float:
    """Factor from inch units to the unit of `key`."""
    kind = kind_of(key)
    if kind == "steps_per_mm":
        return 1 / MM_PER_INCH
    return MM_PER_INCH if kind in _LENGTHS else 1.0


def setting(key: str, printed: str, raw: str, factor: float = 1.0) -> Setting:
    """One printed number as the setting `key`; `factor` turns it into the unit of the key.

    Raises ValueError with the reason for what is no number or no possible value.
    """
    if _NUMBER.fullmatch(printed) is None:
        what = f"is {printed}, not a number" if printed else "has no number"
        raise ValueError(f"{key} {what}: {raw}")
    value = float(printed) * factor
    kind = kind_of(key)
    low, high = _RANGE[kind]
    if not low <= value <= high:
        raise ValueError(f"{key} is {printed}, which is impossible: {raw}")
    digits = len(printed.partition(".")[2])
    tolerance = None if factor == 1.0 else 0.5 * 10.0**-digits * factor
    return Setting(value, UNITS[kind], digits, raw, tolerance)


def read_all(
    printed: Iterable[tuple[str, str]], raw: str, factor: Callable[[str], float]
) -> tuple[tuple[tuple[str, Setting], ...], tuple[str, ...]]:
    """Keys with their printed numbers as settings, and what is wrong with the rest.

    factor: from a key to the factor that turns the printed unit into its own.
    """
    values, damage = [], []
    for key, number in printed:
        try:
            values.append((key, setting(key, number, raw, factor(key))))
        except ValueError as wrong:
            damage.append(str(wrong))
    return tuple(values), tuple(damage)


@dataclass(frozen=True, slots=True)
class Said:
    """What one line says by itself, whatever stands around it."""

    values: tuple[tuple[str, Setting], ...] = ()
    damage: tuple[str, ...] = ()
    kept: str = ""  #: the line as text, where something in it is a setting but not modelled
    note: str = ""
    event: Event | None = None
    name: str = ""  #: number or position of the line's setting, which comes only once
    heading: str = ""
    inches: bool | None = None  #: not None: the unit of what follows


class Collection:
    """The settings of one reading, and everything that speaks for or against it."""

    def __init__(self, family: str) -> None:
        self.family = family
        self.settings: dict[str, Setting] = {}
        self.other: list[str] = []
        self.damage: list[str] = []
        self.notes: list[str] = []
        self.events: list[Event] = []
        self.identity = ""
        self._names: set[str] = set()

    def take(self, line: Said, text: str) -> None:
        """Take what a line says."""
        if line.name:
            if line.name in self._names:
                self.damage.append(f"{line.name} is given twice: {text}")
                return
            self._names.add(line.name)
        for key, value in line.values:
            self.put(key, value)
        if line.damage:
            self.damage += line.damage
        if line.kept:
            self.other.append(line.kept)
        if line.note:
            self.note(line.note)
        if line.event is not None and line.event not in self.events:
            self.events.append(line.event)  # some controllers say a thing several times

    def put(self, key: str, value: Setting) -> None:
        """Take a setting; a key given twice is damage, and the first value stays."""
        if key in self.settings:
            self.damage.append(f"{key} is given twice: {value.raw}")
        else:
            self.settings[key] = value

    def note(self, text: str) -> None:
        if len(self.notes) < MOST_NOTES:
            self.notes.append(text)

    def require_axes(self) -> None:
        """Every axis that has a speed or an acceleration must have steps."""
        for axis in "xyz":
            named = any(f"{kind}.{axis}" in self.settings for kind in _MOTION)
            key = f"steps_per_mm.{axis}"
            found_bad = any(said.startswith(f"{key} ") for said in self.damage)
            if named and key not in self.settings and not found_bad:
                self.damage.append(f"{key} is missing")

    def readback(self) -> Readback:
        return Readback(
            family=self.family,
            settings=self.settings,
            other=tuple(self.other),
            identity=self.identity,
            events=tuple(self.events),
            damage=tuple(self.damage),
            notes=tuple(self.notes),
        )


def plain_number(value: float, decimals: int = 5) -> str:
    """`value` as controllers read it: no exponent, no superfluous zeros."""
    text = f"{value:.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def check_writable(key: str, value: float, readback: Readback) -> Setting:
    """The setting as read, if a write of `value` may rest on it; raises Refused if not."""
    read = readback.settings.get(key)
    if read is None:
        raise Refused(
            f"{key} was not read back from this controller",
            remedy="Only what the controller reports can be written",
        )
    if readback.damaged:
        raise Refused(
            f"the reading is damaged ({readback.damage[0]}), {key} is not written",
            remedy="Read the settings back again; look at the controller if it stays so",
        )
    low, high = _RANGE[kind_of(key)]
    if not (math.isfinite(value) and low <= value <= high):
        raise Refused(f"{key} cannot be {value!r}", remedy=f"Possible is {low:g} to {high:g}")
    return read
