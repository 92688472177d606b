"""What is measured: a feature of a test piece or a commanded move, and its readings.

Vectors are nominal, in mm, as (x, s, h): across the belt, along it, off it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, get_args

from agent.model.roles import Role

Kind = Literal["outside", "inside", "pitch", "lean", "sway", "travel", "gap"]
#: `faces` of a solid, `edges` of a flat piece (one layer), or `points` (corners).
Between = Literal["faces", "points", "edges"]
#: Of the two upright faces of a piece the one that the drawing does not mark first.
Side = Literal["opposite"]
Vector = tuple[float, float, float]

KINDS: Final[tuple[Kind, ...]] = get_args(Kind)

#: Length below which nothing was measured, mm.
LEAST_MM: Final = 1e-3

#: Directions whose faces grow alike (bead wider than planned): one offset unknown for each.
GROUPS: Final = ("x", "s", "h", "gantry", "diagonal")

#: Sine of the angle within which a vector counts as lying along an axis.
_ALONG = 1e-6


def direction_group(along: Vector, gantry_angle: float) -> str:
    """Direction group of a nominal vector; `gantry_angle` in rad."""
    x, s, h = along
    slack = _ALONG * math.hypot(x, s, h)
    if not slack:
        return "diagonal"
    if math.hypot(s, h) <= slack:
        return "x"
    if math.hypot(x, h) <= slack:
        return "s"
    if math.hypot(x, s) <= slack:
        return "h"
    off_gantry = s * math.sin(gantry_angle) - h * math.cos(gantry_angle)
    if math.hypot(x, off_gantry) <= slack:
        return "gantry"
    return "diagonal"


def direction_of(role: Role, gantry_angle: float) -> Vector:
    """The way an axis goes, as a unit vector (x, s, h); `gantry_angle` in rad."""
    if role == "gantry":
        return (0.0, math.cos(gantry_angle), math.sin(gantry_angle))
    return (1.0, 0.0, 0.0) if role == "across" else (0.0, 1.0, 0.0)


def length(along: Vector) -> float:
    """Nominal length, mm."""
    return math.hypot(*along)


@dataclass(frozen=True, slots=True)
class Feature:
    """One thing to measure on a piece, named as in the drawing."""

    name: str
    kind: Kind
    along: Vector
    between: Between | None = None  #: None: faces along an axis, points on a diagonal
    jaws: tuple[Vector, Vector] | None = None  #: nominal contact points on the piece, mm
    hint: str = ""  #: where to put the caliper, in words
    side: Side | None = None  #: see `Reading.side`


@dataclass(frozen=True, slots=True)
class Reading:
    """Values read for one feature, each re-seated, in mm."""

    kind: Kind
    along: Vector
    mm: tuple[float, ...]
    between: Between | None = None
    u_mm: float | None = None  #: own standard uncertainty, instead of the instrument's
    name: str = ""
    #: lean or sway from the opposite face, the square turned round: signed as from the usual one,
    #: but what square and foot add to it has the other sign
    side: Side | None = None
    slope: bool | None = None  #: the slope of a series of moves: no offset of one move is in it

    def __post_init__(self) -> None:
        length = math.hypot(*self.along)
        if not length >= LEAST_MM:
            found = f"{length:g} mm" if length else "three zeros"
            raise ValueError(f"expected a direction of {LEAST_MM:g} mm or more, found {found}")

    @property
    def rises(self) -> bool:
        """True where it leads off the belt, so that the gantry's angle is part of the command."""
        return self.along[2] != 0
