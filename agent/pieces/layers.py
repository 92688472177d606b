"""Layers of a piece: where each layer plane cuts each prism.

In the plane of belt and height the layer's own axes are u, up the layer plane, and n, off it:

    u = s cos a + h sin a        n = -s sin a + h cos a

with a the angle of the layers to the belt: the gantry angle on a tilted machine, nought for a
single layer laid flat on the belt and on an upright machine, whose nozzle points at the belt.
A layer of thickness t is the slab between n and n + t; it is cut at its middle, where a bead is
widest, and the nozzle runs along its top.  Layers are laid with n rising, which on a tilted
machine is a belt command falling by t / sin a a layer: each new layer rests on the one before
it or starts on the belt, none in the air.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from agent.pieces.solid import Piece, Point2, Prism, Span

#: From this gantry angle on the machine counts as upright: its nozzle points at the belt and
#: layers are laid flat.  Between the tilted machines in use (up to about 60 degrees) and 90.
UPRIGHT_DEG: Final = 80.0

#: A face that hangs over the layer below by more than this from the layers' normal sags.
#: Common practice; at a gantry angle of up to 50 degrees an upright face stays inside it.
OVERHANG: Final = math.radians(50)


def layer_angle(gantry_angle: float) -> float:
    """Angle of solid pieces' layers to the belt for a gantry angle, both in rad."""
    return 0.0 if gantry_angle >= math.radians(UPRIGHT_DEG) else gantry_angle


def front_slope(angle: float) -> float:
    """How far a front face (towards +s) comes forward per mm downward, for layers at `angle`.

    Nought up to a gantry angle of 50 degrees; beyond, an upright front would hang over too far.
    """
    if not angle or angle <= OVERHANG:
        return 0.0
    return math.tan(angle - OVERHANG)


def to_layer(point: Point2, angle: float) -> Point2:
    """(s, h) -> (u, n), mm; `angle` of the layers in rad."""
    s, h = point
    return s * math.cos(angle) + h * math.sin(angle), h * math.cos(angle) - s * math.sin(angle)


def from_layer(u: float, n: float, angle: float) -> Point2:
    """(u, n) -> (s, h), mm."""
    return u * math.cos(angle) - n * math.sin(angle), u * math.sin(angle) + n * math.cos(angle)


@dataclass(frozen=True, slots=True)
class Rect:
    """Rectangle in which a layer cuts a prism, mm."""

    prism: Prism
    x: Span
    u: Span


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer: the plane `n` of its middle, its top, and its rectangles in laying order."""

    n: float
    top: float
    rects: tuple[Rect, ...]


def cut(outline: tuple[Point2, ...], n: float) -> Span | None:
    """Interval of u in which the line at height `n` cuts a convex outline given as (u, n).

    None where it misses, or only touches, the outline.
    """
    us = [
        a[0] + (b[0] - a[0]) * (n - a[1]) / (b[1] - a[1])
        for a, b in zip(outline, outline[1:] + outline[:1], strict=True)
        if min(a[1], b[1]) <= n < max(a[1], b[1])
    ]
    if not us or max(us) - min(us) <= 1e-9:
        return None
    return min(us), max(us)


def layers(piece: Piece, thickness: float) -> Iterator[Layer]:
    """Layers of `piece` in laying order; `thickness` normal to them, mm.

    Raises ValueError for a thickness that is not positive.
    """
    if not 0 < thickness < math.inf:
        raise ValueError(f"layer thickness must be positive, not {thickness!r}")
    groups = [(prism,) for prism in piece.prisms] if piece.in_turn else [piece.prisms]
    for prisms in groups:
        yield from _stack(
            prisms, piece.layer_angle, to_layer(piece.anchor, piece.layer_angle)[1], thickness
        )


def _stack(
    prisms: tuple[Prism, ...], angle: float, base: float, thickness: float
) -> Iterator[Layer]:
    """Layers through some prisms; one layer begins at n = `base`."""
    outlines = [
        (prism, tuple(to_layer(corner, angle) for corner in prism.outline)) for prism in prisms
    ]
    heights = [n - base for _, outline in outlines for _, n in outline]
    first = math.floor(min(heights) / thickness + 1e-9)
    last = math.ceil(max(heights) / thickness - 1e-9)
    for k in range(first, last):
        middle = base + (k + 0.5) * thickness
        spans = [(prism, cut(outline, middle)) for prism, outline in outlines]
        rects = tuple(Rect(prism, prism.x, u) for prism, u in spans if u is not None)
        if rects:
            yield Layer(middle, base + (k + 1) * thickness, rects)
