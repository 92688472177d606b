"""Shape of a test piece: prisms across the belt, and what is measured on them.

A prism is a convex outline in the plane of belt and height (s, h), drawn out across the belt
(x).  A layer plane cuts it in a rectangle, so that layers need no general slicing.  All
coordinates are nominal mm in the frame the toolpath itself sets up: x from the across axis' zero,
s from where the belt stood when it was zeroed, h from the belt.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

from agent.model.feature import Feature

Point2 = tuple[float, float]  #: (s, h), mm
Span = tuple[float, float]  #: lower and upper end, mm

#: Lower or upper side of a prism in x, or in u, up its layers.
Side = Literal["x-", "x+", "u-", "u+"]

#: The foremost point of every piece stands this far behind the priming line, mm.
START_S: Final = -10.0

#: Wall count of a prism that is filled whole.
SOLID: Final = 10_000


@dataclass(frozen=True, slots=True)
class Prism:
    """A convex outline drawn out across the belt."""

    name: str
    x: Span
    outline: tuple[Point2, ...]  #: (s, h) corners, counter-clockwise
    walls: int  #: beads round the edge of each layer; SOLID fills it
    rib_mm: float = 0.0  #: greatest spacing of the ribs inside the walls; 0: none
    seam: float = 0.0  #: x near which beads begin and end, away from what is measured
    joins: tuple[Side, ...] = ()  #: sides at which it is one with the body beside it
    mark: bool = False  #: raised to be read by eye, not measured

    def __post_init__(self) -> None:
        if not self.x[0] < self.x[1]:
            raise ValueError(f"{self.name}: x must run upward, not {self.x}")
        turns = [_turn(*corners) for corners in _corners(self.outline)]
        if len(turns) < 3 or min(turns) < -1e-9 or max(turns) <= 0:
            raise ValueError(f"{self.name}: outline must be convex and counter-clockwise")


def _corners(outline: tuple[Point2, ...]) -> list[tuple[Point2, Point2, Point2]]:
    return list(zip(outline, outline[1:] + outline[:1], outline[2:] + outline[:2], strict=True))


def _turn(a: Point2, b: Point2, c: Point2) -> float:
    return (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0])


def box(s: Span, h: Span) -> tuple[Point2, ...]:
    """Outline of an upright rectangle."""
    return ((s[0], h[0]), (s[1], h[0]), (s[1], h[1]), (s[0], h[1]))


@dataclass(frozen=True, slots=True)
class Piece:
    """A test piece: solids in the order they are laid, and the readings in the drawing's order."""

    name: str
    title: str  #: what it is for, in a few words
    prisms: tuple[Prism, ...]
    features: tuple[Feature, ...]
    layer_angle: float  #: angle of the layer planes to the belt, rad; 0: flat on the belt
    anchor: Point2 = (0.0, 0.0)  #: a point (s, h) that lies on the border of two layers
    in_turn: bool = False  #: one prism after the other rather than by layers: flat pieces only
    size: Mapping[str, float] = field(default_factory=dict)  #: chosen sizes by name, mm

    @property
    def flat(self) -> bool:
        """True if the layers lie on the belt."""
        return self.layer_angle == 0.0

    @property
    def even(self) -> bool:
        """True if it is the same, but for its marks, in a mirror that swaps -x and +x."""
        (low, high), _, _ = self.bounds
        bodies = [prism for prism in self.prisms if not prism.mark]
        as_is = {(round(p.x[0] - low, 6), round(p.x[1] - low, 6), p.outline) for p in bodies}
        return as_is == {
            (round(high - low - b, 6), round(high - low - a, 6), o) for a, b, o in as_is
        }

    @property
    def bounds(self) -> tuple[Span, Span, Span]:
        """Extent along x, s and h, mm."""
        xs = [x for prism in self.prisms for x in prism.x]
        corners = [corner for prism in self.prisms for corner in prism.outline]
        ss, hs = [s for s, _ in corners], [h for _, h in corners]
        return (min(xs), max(xs)), (min(ss), max(ss)), (min(hs), max(hs))
