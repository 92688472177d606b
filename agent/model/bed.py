"""Tilt of the gantry against the belt, and the screw that takes it out."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, permutations
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


# --- a plane through any points ------------------------------------------------------------------

#: Standard uncertainty of a height at a corner where nothing better is known, mm: feeler gauges
#: 0.05 mm apart, one that goes in and one that does not, at a belt that gives a little (common
#: practice).
U_HEIGHT: Final = 0.03


@dataclass(frozen=True, slots=True)
class Point:
    """A height, or a gap counted negative, above one place of the belt; mm."""

    x: float
    s: float
    h: float


@dataclass(frozen=True, slots=True)
class Plane:
    """h = offset + slope_x * x + slope_s * s through points, with its uncertainty."""

    offset: float  #: mm at x = s = 0
    slope_x: float  #: across, mm per mm
    slope_s: float  #: along, mm per mm
    covariance: tuple[tuple[float, ...], ...]  #: of offset, slope_x, slope_s
    residuals: tuple[float, ...]  #: of each point, mm: measured minus plane
    u_height: float  #: standard uncertainty of one height that the fit rests on, mm
    dof: int  #: degrees of freedom left by the points
    u_stated: float = U_HEIGHT  #: of one height beforehand, mm: a twist adds nothing to it

    @property
    def tilt_along_deg(self) -> float:
        """Positive where the bed rises towards greater s."""
        return math.degrees(math.atan(self.slope_s))

    @property
    def tilt_across_deg(self) -> float:
        """Positive where the bed rises towards greater x: the roll."""
        return math.degrees(math.atan(self.slope_x))

    @property
    def u_deg(self) -> tuple[float, float]:
        """Standard uncertainties of the tilts along and across, degrees."""
        return (self._u_deg(2, self.slope_s), self._u_deg(1, self.slope_x))

    def _u_deg(self, place: int, slope: float) -> float:
        return math.degrees(math.sqrt(self.covariance[place][place]) / (1 + slope**2))

    def at(self, x: float, s: float) -> float:
        """Height of the plane, mm."""
        return self.offset + self.slope_x * x + self.slope_s * s

    def u_between(self, x: float, s: float) -> float:
        """Standard uncertainty of the difference in height over (x, s), mm."""
        c = self.covariance
        return math.sqrt(max(0.0, x * x * c[1][1] + s * s * c[2][2] + 2 * x * s * c[1][2]))

    @property
    def twist_mm(self) -> float:
        """How far single points stray from the plane at most: what no screw takes out, mm."""
        return max(map(abs, self.residuals), default=0.0)

    @property
    def twisted(self) -> bool:
        """A point strays from the plane by more than the heights are stated to be uncertain by."""
        return self.dof > 0 and self.twist_mm > 3 * self.u_stated / math.sqrt(2)


def plane(points: Sequence[Point], u_height: float = U_HEIGHT) -> Plane:
    """The plane nearest to `points` by least squares of the heights.

    The scatter about the plane counts where it is larger than `u_height` says (mm, standard
    uncertainty of one height), so that a twisted bed has no certain tilt.  Ordinary least squares:
    p = (X'X)^-1 X'h, cov p = u^2 (X'X)^-1 (any textbook of regression; checked in the tests against
    a published example).  Raises ValueError for fewer than three points or points in a line.
    """
    import numpy as np

    if not (math.isfinite(u_height) and u_height > 0):
        raise ValueError(f"the uncertainty of a height must be positive, not {u_height!r}")
    if len(points) < 3:
        raise ValueError(f"a plane wants three points at least, found {len(points)}")
    heights = np.array([p.h for p in points])
    design = np.array([[1.0, p.x, p.s] for p in points])
    if not (np.isfinite(heights).all() and np.isfinite(design).all()):
        raise ValueError("every place and height must be a finite number")
    middle = design[:, 1:].mean(axis=0)
    centred = design[:, 1:] - middle
    spread = np.linalg.svd(centred, compute_uv=False)
    if spread[1] <= 1e-6 * spread[0]:
        raise ValueError("the points lie in one line: they show no tilt across it")
    found, *_ = np.linalg.lstsq(centred, heights - heights.mean(), rcond=None)
    left = heights - heights.mean() - centred @ found
    dof = len(points) - 3
    scatter = math.sqrt(float(left @ left) / dof) if dof else 0.0
    u = max(u_height, scatter)
    of_slopes = u**2 * np.linalg.inv(centred.T @ centred)
    covariance = np.zeros((3, 3))
    covariance[1:, 1:] = of_slopes
    covariance[0, 1:] = covariance[1:, 0] = -of_slopes @ middle
    covariance[0, 0] = u**2 / len(points) + middle @ of_slopes @ middle
    return Plane(
        float(heights.mean() - middle @ found),
        float(found[0]),
        float(found[1]),
        tuple(tuple(map(float, row)) for row in covariance),
        tuple(map(float, left)),
        u,
        dof,
        u_height,
    )


@dataclass(frozen=True, slots=True)
class Turn:
    """What to do at one screw."""

    screw: str
    turns: float  #: never negative
    direction: Literal["raise", "lower", "leave"]  #: of the bed at this screw
    mm: float  #: change of height at the screw, signed
    u_turns: float = 0.0  #: standard uncertainty


def turns_of(
    found: Plane,
    screws: Mapping[str, tuple[float, float]],
    pitch_mm: float,
    fixed: str | None = None,
) -> tuple[Turn, ...]:
    """Turns of each screw that make the bed level, the farthest from right first.

    screws  (x, s) of each in mm; `fixed` is the one that is left alone, by default the one that
            leaves the others the least to do

    The heights of all screws follow from one plane, so that of four screws the fourth is turned to
    where the other three put the bed, and no screw is left loose or bent.  Raises ValueError for
    fewer than two screws, a `fixed` that is none of them, or a pitch that is not positive.
    """
    if not (math.isfinite(pitch_mm) and pitch_mm > 0):
        raise ValueError(f"pitch must be a positive number of mm, not {pitch_mm!r}")
    if len(screws) < 2:
        raise ValueError(f"at least two screws are wanted, found {len(screws)}")
    if fixed is not None and fixed not in screws:
        raise ValueError(f"{fixed!r} is none of the screws ({', '.join(screws)})")
    heights = {name: found.at(*place) for name, place in screws.items()}
    if fixed is None:
        middle = sorted(heights.values())[len(heights) // 2]
        fixed = min(heights, key=lambda name: abs(heights[name] - middle))
    level, here = heights[fixed], screws[fixed]
    turns = []
    for name, (x, s) in screws.items():
        mm = level - heights[name]
        size = abs(mm) / pitch_mm
        u = found.u_between(x - here[0], s - here[1]) / pitch_mm
        still = name == fixed or size < 0.005
        direction: Literal["raise", "lower", "leave"] = (
            "leave" if still else "raise" if mm > 0 else "lower"
        )
        turns.append(Turn(name, 0.0 if name == fixed else size, direction, mm + 0.0, u))
    return tuple(sorted(turns, key=lambda turn: -turn.turns))


def short_path(places: Mapping[str, tuple[float, float]]) -> tuple[str, ...]:
    """Names of places in an order in which the way from one to the next is short.

    The shortest of all orders up to seven places, by the nearest next beyond that; the first named
    stays first.
    """
    names = list(places)
    if len(names) < 3:
        return tuple(names)

    def way(order: Sequence[str]) -> float:
        return sum(math.dist(places[a], places[b]) for a, b in pairwise(order))

    first, rest = names[0], names[1:]
    if len(names) <= 7:
        return min(((first, *order) for order in permutations(rest)), key=way)
    order = [first]
    while rest:
        here = places[order[-1]]
        nearest = min(rest, key=lambda name: math.dist(here, places[name]))
        rest.remove(nearest)
        order.append(nearest)
    return tuple(order)
