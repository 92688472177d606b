"""Tilt of the gantry against the belt, and the screw that takes it out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

#: Coarse pitch, mm per turn.  ISO 261 and ISO 262, coarse series.
COARSE_PITCH: Final[dict[str, float]] = {
    "M2": 0.4,
    "M2.5": 0.45,
    "M3": 0.5,
    "M4": 0.7,
    "M5": 0.8,
    "M6": 1.0,
    "M8": 1.25,
}


def thread_pitch(screw: str) -> float:
    """Height per turn of a screw with coarse thread, mm.  Raises ValueError for others."""
    try:
        return COARSE_PITCH[screw.strip().upper()]
    except KeyError:
        known = ", ".join(COARSE_PITCH)
        raise ValueError(
            f"{screw!r} is not a coarse thread of the table ({known}); give the pitch in mm"
        ) from None


@dataclass(frozen=True, slots=True)
class Tilt:
    """A tilt and its cure; `turns` is how far to raise the lower end."""

    tilt_deg: float  #: positive where the front is higher
    height_mm: float  #: front minus back
    turns: float  #: never negative
    which: Literal["front", "back", "none"]  #: the screw to raise


def tilt(span_mm: float, front_mm: float, back_mm: float, pitch_mm: float) -> Tilt:
    """Tilt of a bed held `span_mm` apart, from heights at front and back, and the screw's turns.

    tilt = atan((front - back) / span); turns = |front - back| / pitch (geometry).  Raising the
    lower end is proposed.  Raises ValueError for a span or pitch that is not positive.
    """
    for name, value in (("span", span_mm), ("pitch", pitch_mm)):
        if not (math.isfinite(value) and value > 0):
            raise ValueError(f"{name} must be a positive number of mm, not {value!r}")
    height = front_mm - back_mm
    which: Literal["front", "back", "none"] = (
        "none" if height == 0 else "back" if height > 0 else "front"
    )
    return Tilt(math.degrees(math.atan2(height, span_mm)), height, abs(height) / pitch_mm, which)


def shim_mm(angle_deg: float, lever_mm: float) -> float:
    """Height to add at `lever_mm` from the pivot to turn by `angle_deg`: lever * tan(angle)."""
    return lever_mm * math.tan(math.radians(angle_deg))
