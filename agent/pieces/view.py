"""Views of a piece: what the drawing and the text picture both show.

A view is seen square, without perspective; its axes are mm, right and up.  Every reading is
drawn in the first view that shows its length unshortened, and numbered in the order of the
piece's features, which is the order in which readings are asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from agent.model.feature import Feature, Vector
from agent.pieces.layers import to_layer
from agent.pieces.solid import Piece, Prism

Flat = tuple[float, float]  #: (right, up) in a view, mm

_SHORTENED: Final = 1e-6


@dataclass(frozen=True, slots=True)
class Shape:
    """Outline of one prism in a view."""

    name: str
    corners: tuple[Flat, ...]
    mark: bool
    depth: float  #: towards the viewer; shapes are given from far to near


@dataclass(frozen=True, slots=True)
class Reading:
    """One feature in a view."""

    number: int  #: place in the order of the readings, from 1
    feature: Feature
    ends: tuple[Flat, Flat]  #: where the jaws touch
    pushes: tuple[Flat, Flat]  #: unit vectors in which each jaw presses on the piece


@dataclass(frozen=True, slots=True)
class View:
    """Shapes and readings as seen from one side."""

    title: str
    right: str  #: what the axis to the right is, as `+s`
    up: str
    shapes: tuple[Shape, ...]
    readings: tuple[Reading, ...]

    @property
    def bounds(self) -> tuple[Flat, Flat]:
        """Lower left and upper right corner of all shapes."""
        corners = [corner for shape in self.shapes for corner in shape.corners]
        xs, ys = zip(*corners, strict=True)
        return (min(xs), min(ys)), (max(xs), max(ys))


@dataclass(frozen=True, slots=True)
class _Side:
    """A direction of sight: a point as (right, up, towards the viewer)."""

    title: str
    right: str
    up: str
    look: Callable[[Vector], tuple[float, float, float]]


def views(piece: Piece) -> tuple[View, ...]:
    """Views that together show every reading of `piece`."""
    left = list(enumerate(piece.features, 1))
    drawn: list[View] = []
    for side in _sides(piece):
        shown = [(n, f) for n, f in left if _unshortened(side, f)]
        left = [item for item in left if item not in shown]
        shapes = sorted((_shape(side, prism) for prism in piece.prisms), key=lambda s: s.depth)
        readings = tuple(_reading(side, n, f, shapes) for n, f in shown)
        drawn.append(View(side.title, side.right, side.up, tuple(shapes), readings))
    return tuple(drawn)


def _sides(piece: Piece) -> tuple[_Side, ...]:
    # Each is right-handed with (x, s, h), so that no view is a mirror image.
    plan = _Side("from above", "+s", "-x", lambda p: (p[1], -p[0], p[2]))
    back = _Side("from behind (from -s)", "+x", "+h", lambda p: (p[0], p[2], -p[1]))
    side = _Side("from the side (from +x)", "+s", "+h", lambda p: (p[1], p[2], p[0]))
    face = _Side(
        "square to the gantry plane",
        "+x",
        "+gantry",
        lambda p: (p[0], *to_layer((p[1], p[2]), piece.layer_angle)),
    )
    if piece.flat and piece.in_turn:
        return (plan,)
    if any(f.along[1] and f.along[2] for f in piece.features) and not piece.flat:
        return face, side, plan
    return back, side, plan


def _unshortened(side: _Side, feature: Feature) -> bool:
    if feature.jaws is None:
        return False
    (a, b), length = _ends(side, feature.jaws), math.hypot(*feature.along)
    if abs(math.dist(a, b) - length) > _SHORTENED * length:
        return False
    # a face is seen to lean only from the side that it leans in
    return {"lean": "+s", "sway": "+x"}.get(feature.kind, side.right) == side.right


def _ends(side: _Side, jaws: tuple[Vector, Vector]) -> tuple[Flat, Flat]:
    a, b = side.look(jaws[0]), side.look(jaws[1])
    return (a[0], a[1]), (b[0], b[1])


def _shape(side: _Side, prism: Prism) -> Shape:
    """Outline of a prism: the hull of its corners, which is theirs where x is the sight line."""
    seen = [side.look((x, s, h)) for x in prism.x for s, h in prism.outline]
    corners = hull([(right, up) for right, up, _ in seen])
    return Shape(prism.name, corners, prism.mark, max(depth for _, _, depth in seen))


def hull(points: list[Flat]) -> tuple[Flat, ...]:
    """Convex hull, counter-clockwise (Andrew's monotone chain, Inf. Proc. Letters 9, 1979)."""
    points = sorted(set(points))

    def chain(run: Iterator[Flat]) -> list[Flat]:
        kept: list[Flat] = []
        for p in run:
            while len(kept) >= 2 and _left(kept[-2], kept[-1], p) <= 1e-9:
                kept.pop()
            kept.append(p)
        return kept[:-1]

    return (*chain(iter(points)), *chain(reversed(points)))


def _left(a: Flat, b: Flat, c: Flat) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


_Push = Literal["in", "out", "with"]
#: How jaws press, by kind of reading: on the part from outside, outward in a gap, or both the
#: same way on edges of the same side.
_PUSH: Final[dict[str, _Push]] = {"outside": "in", "inside": "out", "pitch": "with"}


def _reading(side: _Side, number: int, feature: Feature, shapes: Sequence[Shape]) -> Reading:
    assert feature.jaws is not None
    a, b = _ends(side, feature.jaws)
    length = math.dist(a, b)
    unit = ((b[0] - a[0]) / length, (b[1] - a[1]) / length)
    back = (-unit[0], -unit[1])
    square = (-1.0, 0.0) if _looks_right(a, b, shapes) else (1.0, 0.0)
    pushes = {
        "in": (unit, back),
        "out": (back, unit),
        "with": (unit, unit),
        None: (square, square),
    }
    return Reading(number, feature, (a, b), pushes[_PUSH.get(feature.kind)])


def _looks_right(a: Flat, b: Flat, shapes: Sequence[Shape]) -> bool:
    """Whether the face that a square lies against is the right one of the shape it bounds."""
    right, up = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
    for shape in shapes:
        ups = [corner[1] for corner in shape.corners]
        if not shape.mark and min(ups) <= up <= max(ups):
            rights = [corner[0] for corner in shape.corners]
            if math.isclose(max(rights), right, abs_tol=_SHORTENED):
                return True
    return False
