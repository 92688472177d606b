"""Mesh of a piece, for a slicer at hand, as binary STL.

The body is one closed surface.  All prisms share the direction x, so the plane (s, h) is cut by
the line of every outline's edge and x by every prism's end: the cells between are convex and
each is either full or empty.  The surface is where full meets empty, and since whole lines cut
the plane, neighbours share their corners exactly and no seam is left open.  Raised marks are
closed bodies of their own, sunk a little into the one below.

STL (stereolithography, 3D Systems 1988; in general use): 80 bytes of header, the number of
facets, then for each its normal, three corners and two spare bytes, all little-endian.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

from agent.model.feature import Vector
from agent.pieces.layers import to_layer
from agent.pieces.solid import Piece, Point2, Prism

Triangle = tuple[Vector, Vector, Vector]  #: corners counter-clockwise seen from outside, mm

#: Points nearer than this are one, mm.
_SAME: Final = 1e-6
#: Marks reach this far into the body below, mm, so that a slicer joins them.
_SINK_MM: Final = 0.1


@dataclass(frozen=True, slots=True)
class Mesh:
    """Closed surface as triangles."""

    triangles: tuple[Triangle, ...]

    def tilted(self, angle: float) -> Mesh:
        """Turned about x so that layers at `angle` (rad) lie level, and set down on level 0.

        For a slicer that knows only level layers; x stays, y runs up the layer plane, z off it.
        """
        turned = self._each(lambda v: (v[0], *to_layer((v[1], v[2]), angle)))
        floor = min(corner[2] for triangle in turned.triangles for corner in triangle)
        return turned._each(lambda v: (v[0], v[1], v[2] - floor))

    def at_origin(self) -> Mesh:
        """Moved so that it begins at 0 in each direction: part coordinates."""
        corners = [corner for triangle in self.triangles for corner in triangle]
        x, y, z = (min(values) for values in zip(*corners, strict=True))
        return self._each(lambda v: (v[0] - x, v[1] - y, v[2] - z))

    def _each(self, moved: Callable[[Vector], Vector]) -> Mesh:
        return Mesh(tuple((moved(a), moved(b), moved(c)) for a, b, c in self.triangles))

    def stl(self, title: str = "") -> bytes:
        """Binary STL; corners in mm, `title` in the header (ASCII, cut to fit)."""
        # a header that begins with `solid` would be taken for the text form
        header = f"piece {title}".encode("ascii", "replace")[:80].ljust(80, b" ")
        facets = b"".join(
            struct.pack("<12fH", *_normal(*triangle), *triangle[0], *triangle[1], *triangle[2], 0)
            for triangle in self.triangles
        )
        return header + struct.pack("<I", len(self.triangles)) + facets


def mesh(piece: Piece) -> Mesh:
    """Mesh of `piece` in its own coordinates: x across, y along the belt (s), z off it (h)."""
    bodies = [prism for prism in piece.prisms if not prism.mark]
    marks = [_sunk(prism) for prism in piece.prisms if prism.mark]
    shells = [bodies, *([mark] for mark in marks)]
    return Mesh(tuple(triangle for shell in shells for triangle in _surface(shell)))


def _sunk(mark: Prism) -> Prism:
    base = min(h for _, h in mark.outline)
    low = tuple((s, h - _SINK_MM if h == base else h) for s, h in mark.outline)
    return replace(mark, outline=low)


def _surface(prisms: Sequence[Prism]) -> Iterator[Triangle]:
    """Triangles between full and empty cells of a body."""
    cells = _cells(prisms)
    xs = sorted({round(x, 9) for prism in prisms for x in prism.x})
    slabs = list(pairwise(xs))
    full = [
        [any(_holds(prism, cell, (a + b) / 2) for prism in prisms) for cell in cells]
        for a, b in slabs
    ]
    empty = [False] * len(cells)
    beyond = _neighbours(cells)
    for k, (a, b) in enumerate(slabs):
        below = full[k - 1] if k else empty
        above = full[k + 1] if k + 1 < len(slabs) else empty
        for i, cell in enumerate(cells):
            if not full[k][i]:
                continue
            if not below[i]:
                yield from _fan([(a, s, h) for s, h in reversed(cell)])
            if not above[i]:
                yield from _fan([(b, s, h) for s, h in cell])
            for start, end in _edges(cell):
                j = beyond.get((end, start))
                if j is None or not full[k][j]:
                    yield from _fan([(a, *start), (a, *end), (b, *end), (b, *start)])


def _cells(prisms: Sequence[Prism]) -> list[tuple[Point2, ...]]:
    """Convex cells into which the lines of all outlines' edges cut their bounding box."""
    corners = [corner for prism in prisms for corner in prism.outline]
    low = (min(s for s, _ in corners) - 1, min(h for _, h in corners) - 1)
    high = (max(s for s, _ in corners) + 1, max(h for _, h in corners) + 1)
    cells: list[tuple[Point2, ...]] = [(low, (high[0], low[1]), high, (low[0], high[1]))]
    for line in _lines(prisms):
        cells = [part for cell in cells for part in _split(cell, line)]
    return cells


def _lines(prisms: Iterable[Prism]) -> list[tuple[float, float, float]]:
    """Different lines a s + b h = c (a, b a unit vector) under the outlines' edges."""
    lines: list[tuple[float, float, float]] = []
    for prism in prisms:
        for (s0, h0), (s1, h1) in _edges(prism.outline):
            size = math.hypot(s1 - s0, h1 - h0)
            a, b = (h1 - h0) / size, (s0 - s1) / size
            if (a, b) < (0.0, 0.0):
                a, b = -a, -b
            line = (a, b, a * s0 + b * h0)
            if all(max(abs(p - q) for p, q in zip(line, old, strict=True)) > 1e-7 for old in lines):
                lines.append(line)
    return lines


def _split(
    cell: tuple[Point2, ...], line: tuple[float, float, float]
) -> Iterator[tuple[Point2, ...]]:
    """Parts of a convex cell on either side of a line; corners on the line belong to both."""
    a, b, c = line
    off = [a * s + b * h - c for s, h in cell]
    off = [0.0 if abs(d) < _SAME else d for d in off]
    if min(off) >= 0.0 or max(off) <= 0.0:
        yield cell
        return
    for side in (1.0, -1.0):
        part: list[Point2] = []
        for i, (p, q) in enumerate(_edges(cell)):
            here, there = side * off[i], side * off[(i + 1) % len(cell)]
            if here >= 0.0:
                part.append(p)
            if here * there < 0.0:
                part.append(_crossing(p, q, off[i], off[(i + 1) % len(cell)]))
        yield tuple(part)


def _crossing(p: Point2, q: Point2, at_p: float, at_q: float) -> Point2:
    """Point between p and q where the distance is nought, the same from either side."""
    if (p, at_p) > (q, at_q):
        p, q, at_p, at_q = q, p, at_q, at_p
    t = at_p / (at_p - at_q)
    return p[0] + t * (q[0] - p[0]), p[1] + t * (q[1] - p[1])


def _edges(outline: Sequence[Point2]) -> list[tuple[Point2, Point2]]:
    return list(zip(outline, (*outline[1:], outline[0]), strict=True))


def _neighbours(cells: Sequence[tuple[Point2, ...]]) -> dict[tuple[Point2, Point2], int]:
    """Cell that each directed edge belongs to."""
    return {edge: i for i, cell in enumerate(cells) for edge in _edges(cell)}


def _holds(prism: Prism, cell: tuple[Point2, ...], x: float) -> bool:
    """True if the middle of a cell at `x` lies inside a prism."""
    if not prism.x[0] < x < prism.x[1]:
        return False
    s, h = (sum(values) / len(cell) for values in zip(*cell, strict=True))
    return all(
        (s1 - s0) * (h - h0) - (h1 - h0) * (s - s0) > 0
        for (s0, h0), (s1, h1) in _edges(prism.outline)
    )


def _fan(corners: Sequence[Vector]) -> Iterator[Triangle]:
    for b, c in pairwise(corners[1:]):
        yield corners[0], b, c


def _normal(a: Vector, b: Vector, c: Vector) -> Vector:
    u = tuple(q - p for p, q in zip(a, b, strict=True))
    v = tuple(q - p for p, q in zip(a, c, strict=True))
    n = (u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0])
    size = math.hypot(*n) or 1.0
    return n[0] / size, n[1] / size, n[2] / size
