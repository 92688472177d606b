"""Edges of a flat piece at which its features are read, from its drawing alone.

Nominal places are (x, s) in mm, as the piece has them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from agent.model.feature import Feature
from agent.pieces.solid import Piece
from agent.scan.image import Array

#: An edge is read this far to either side of the jaw, mm, and not this near to a corner.
_REACH: Final = 9.0
_CORNER: Final = 1.0
#: Least length of an edge that can be read, mm.
_LEAST: Final = 1.6
_STEP: Final = 0.25
_NEAR: Final = 0.3  #: how far inside and outside an edge the piece is looked for


@dataclass(frozen=True, slots=True)
class Edge:
    """A straight part of the outline near a jaw."""

    at: tuple[float, float]  #: the jaw
    outward: tuple[float, float]  #: unit vector from the plastic out
    span: tuple[float, float]  #: from where to where along the edge, mm from the jaw

    @property
    def tangent(self) -> Array:
        return np.array([-self.outward[1], self.outward[0]])

    @property
    def middle(self) -> float:
        return (self.span[0] + self.span[1]) / 2


@dataclass(frozen=True, slots=True)
class Corner:
    """A square corner and the direction in which it is touched."""

    at: tuple[float, float]
    towards: tuple[float, float]  #: unit vector out of the piece along the diagonal
    sides: tuple[Edge, Edge]  #: its two edges


Jaw = Edge | Corner


def rectangles(piece: Piece) -> Array:
    """(n, 4) x0, x1, s0, s1 of all prisms that make the outline, mm."""
    found = []
    for prism in piece.prisms:
        if not prism.mark:
            along = [s for s, _ in prism.outline]
            found.append((*prism.x, min(along), max(along)))
    return np.array(found)


def covered(boxes: Array, x: Array, s: Array) -> npt.NDArray[np.bool_]:
    """True where a place is on the piece."""
    x, s = x[..., None], s[..., None]
    slack = 1e-6
    inside: npt.NDArray[np.bool_] = (x >= boxes[:, 0] - slack) & (x <= boxes[:, 1] + slack)
    inside &= (s >= boxes[:, 2] - slack) & (s <= boxes[:, 3] + slack)
    return np.asarray(inside.any(axis=-1))


def jaws_of(piece: Piece, feature: Feature) -> tuple[Jaw, Jaw] | None:
    """The two places at which a feature is read; None if a scan cannot show it."""
    if feature.jaws is None or feature.kind not in ("outside", "inside", "pitch"):
        return None
    boxes = rectangles(piece)
    low, high = (np.array(jaw[:2]) for jaw in feature.jaws)
    if not (high - low).any():  # straight up
        return None
    unit = (high - low) / np.linalg.norm(high - low)
    if feature.between == "points":
        corners = (_corner(boxes, low, -unit), _corner(boxes, high, unit))
        if corners[0] is None or corners[1] is None:
            return None
        return corners[0], corners[1]
    ways: Sequence[tuple[Array, Array]] = {
        "outside": [(-unit, unit)],
        "inside": [(unit, -unit)],
        "pitch": [(unit, unit), (-unit, -unit)],
    }[feature.kind]
    for first, second in ways:
        a, b = _edge(boxes, low, first), _edge(boxes, high, second)
        if a is not None and b is not None:
            return a, b
    return None


def _edge(boxes: Array, at: Array, outward: Array, reach: float = _REACH) -> Edge | None:
    """The straight edge through `at`; None if there is none of any length."""
    tangent = np.array([-outward[1], outward[0]])
    ends = []
    for sign in (-1.0, 1.0):
        t = np.arange(0.0, reach + _CORNER + _STEP, _STEP)
        places = at + sign * t[:, None] * tangent
        inner, outer = places - _NEAR * outward, places + _NEAR * outward
        good = covered(boxes, inner[:, 0], inner[:, 1])
        good &= ~covered(boxes, outer[:, 0], outer[:, 1])
        length = t[-1] if good.all() else t[np.argmin(good)] - _STEP
        ends.append(sign * min(reach, max(length - _CORNER, 0.0)))
    # even to both sides, as the jaws are, where that leaves enough
    half = min(-ends[0], ends[1])
    span = (-half, half) if half >= 2.0 else (ends[0], ends[1])
    if span[1] - span[0] < _LEAST:
        return None
    return Edge((float(at[0]), float(at[1])), (float(outward[0]), float(outward[1])), span)


def _corner(boxes: Array, at: Array, towards: Array) -> Corner | None:
    sides = []
    for axis in (0, 1):
        outward = np.zeros(2)
        outward[axis] = math.copysign(1.0, float(towards[axis]))
        inward = np.zeros(2)
        inward[1 - axis] = -math.copysign(1.0, float(towards[1 - axis]))
        side = _edge(boxes, at + 6.0 * inward, outward, 4.0)
        if side is None:
            return None
        sides.append(side)
    return Corner(
        (float(at[0]), float(at[1])),
        (float(towards[0]), float(towards[1])),
        (sides[0], sides[1]),
    )
