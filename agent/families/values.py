"""Printed numbers to settings and wanted values to text: units, digits, what is possible.

A reading is only as good as its worst number, so whatever speaks against it is collected along
with the settings: no write may rest on a reading with damage.
"""

from __future__ import annotations

import math
import re
from typing import Final

from agent.errors import Refused
from agent.model.exact import MM_PER_INCH
from agent.model.settings import UNITS, Event, Readback, Setting
from agent.wire.notices import notice

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

#: Most notes, and most reasons of damage, kept of one reading.
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

    def add(self, key: str, printed: str, raw: str, factor: float = 1.0) -> None:
        """Take one printed number as `key`, or note as damage what is wrong with it."""
        try:
            value = setting(key, printed, raw, factor)
        except ValueError as wrong:
            self.spoil(str(wrong))
        else:
            self.put(key, value)

    def put(self, key: str, value: Setting) -> None:
        """Take a setting; a key given twice is damage, and the first value stays."""
        if key in self.settings:
            self.spoil(f"{key} is given twice: {value.raw}")
        else:
            self.settings[key] = value

    def is_first(self, name: str, text: str) -> bool:
        """True if nothing of this name (a number, a position) came before; else it is damage."""
        if name in self._names:
            self.spoil(f"{name} is given twice: {text}")
            return False
        self._names.add(name)
        return True

    def spoil(self, why: str) -> None:
        """Note why no write may rest on this reading."""
        if len(self.damage) < MOST_NOTES:
            self.damage.append(why)

    def say(self, text: str) -> None:
        """Take a line that is no setting: what it tells, or else a note of it."""
        event = notice(text)
        if event is None:
            self.note(text)
        elif event not in self.events[-4:]:  # some controllers say a thing up to four times
            self.events.append(event)

    def note(self, text: str) -> None:
        if len(self.notes) < MOST_NOTES:
            self.notes.append(text)

    def require_axes(self) -> None:
        """Every axis with a speed or an acceleration has steps; with steps, what the others have.

        A name that was spoiled alike in both readings shows only in what it leaves missing.
        """
        for axis in "xyz":
            if f"steps_per_mm.{axis}" in self.settings:
                for kind in _MOTION:
                    others = [a for a in "xyz" if f"{kind}.{a}" in self.settings]
                    key = f"{kind}.{axis}"
                    said = any(why.startswith(f"{key} ") for why in self.damage)
                    if len(others) == 2 and axis not in others and not said:
                        self.spoil(f"{key} is missing, and both other axes have one")
            named = any(f"{kind}.{axis}" in self.settings for kind in _MOTION)
            key = f"steps_per_mm.{axis}"
            found_bad = any(said.startswith(f"{key} ") for said in self.damage)
            if named and key not in self.settings and not found_bad:
                self.spoil(f"{key} is missing")

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
