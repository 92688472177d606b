"""Beads that fill one rectangle of a layer, as open or closed lines of bead centres.

The outermost centre line stands half a bead inside, so that the planned edge of the bead lies on
the nominal face.  Beads begin and end at the prism's seam, away from what is measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from agent.model.profile import Bead
from agent.pieces.bead import bead_pitch
from agent.pieces.layers import Rect
from agent.pieces.solid import Span

Point = tuple[float, float]  #: (x, u), mm

#: A rectangle narrower than this share of a bead is left out: nothing that thin can be laid.
_LEAST_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class Stroke:
    """Bead centres laid in one go."""

    points: tuple[Point, ...]
    edge: bool = False  #: its edge is measured: approach it the way the belt feeds


def strokes(rect: Rect, bead: Bead, *, flat: bool) -> Iterator[Stroke]:
    """Strokes that fill `rect`: walls from the outside in, then ribs.

    `flat` says that u runs along the belt: then each measured edge is laid on the feed alone,
    in two halves that part at the seam, and ribs run across.
    """
    width, pitch = bead.width_mm, bead_pitch(bead)
    rect = _joined(rect, width - pitch)
    if min(rect.x[1] - rect.x[0], rect.u[1] - rect.u[0]) < _LEAST_SHARE * width:
        return
    seam = min(max(rect.prism.seam, rect.x[0] + 2 * width), rect.x[1] - 2 * width)
    for k in range(rect.prism.walls):
        x, u = _inset(rect.x, width / 2 + k * pitch), _inset(rect.u, width / 2 + k * pitch)
        # Where less than half a bead is left between two beads of a wall, one line fills both.
        if min(x[1] - x[0], u[1] - u[0]) < pitch / 2:
            if min(x[1] - x[0], u[1] - u[0]) > -1.5 * pitch:
                yield _middle(rect, x, u)
            return
        if k == 0 and flat and x[0] < seam < x[1]:
            yield from _halves(x, u, seam)
        elif k == 0:
            yield _loop(x, u, seam_high=2 * seam > x[0] + x[1])
        else:
            yield _ring(x, u, seam_high=2 * seam > x[0] + x[1])
    inner = width / 2 + (rect.prism.walls - 0.5) * pitch
    if rect.prism.rib_mm:
        yield from _ribs(_inset(rect.x, inner), _inset(rect.u, inner), rect.prism.rib_mm, flat)


def _joined(rect: Rect, by: float) -> Rect:
    """Rectangle let out where its body joins another, so that their beads lie a pitch apart."""
    joins = rect.prism.joins
    x = (rect.x[0] - by * ("x-" in joins), rect.x[1] + by * ("x+" in joins))
    u = (rect.u[0] - by * ("u-" in joins), rect.u[1] + by * ("u+" in joins))
    return Rect(rect.prism, x, u)


def _inset(span: Span, by: float) -> Span:
    return span[0] + by, span[1] - by


def _middle(rect: Rect, x: Span, u: Span) -> Stroke:
    """One line down the middle of what is left, along its longer side."""
    if x[1] - x[0] >= u[1] - u[0]:
        middle = (rect.u[0] + rect.u[1]) / 2
        ends = x if x[1] > x[0] else ((rect.x[0] + rect.x[1]) / 2,) * 2
        return Stroke(((ends[0], middle), (ends[1], middle)))
    middle = (rect.x[0] + rect.x[1]) / 2
    return Stroke(((middle, u[1]), (middle, u[0])))


def _halves(x: Span, u: Span, seam: float) -> tuple[Stroke, Stroke]:
    """Outer wall of a flat rectangle, each half laid as the belt feeds: from high u to low."""
    return (
        Stroke(((seam, u[1]), (x[1], u[1]), (x[1], u[0]), (seam, u[0])), edge=True),
        Stroke(((seam, u[1]), (x[0], u[1]), (x[0], u[0]), (seam, u[0])), edge=True),
    )


def _loop(x: Span, u: Span, seam_high: bool) -> Stroke:
    """Closed wall that begins in the middle of the seam's side."""
    near, far = (x[1], x[0]) if seam_high else x
    middle = (u[0] + u[1]) / 2
    corners = ((near, u[1]), (far, u[1]), (far, u[0]), (near, u[0]))
    return Stroke(((near, middle), *corners, (near, middle)), edge=True)


def _ring(x: Span, u: Span, seam_high: bool) -> Stroke:
    """Closed inner wall that begins at a corner on the seam's side."""
    near, far = (x[1], x[0]) if seam_high else x
    return Stroke(((near, u[1]), (far, u[1]), (far, u[0]), (near, u[0]), (near, u[1])))


def _ribs(x: Span, u: Span, spacing: float, flat: bool) -> Iterator[Stroke]:
    """Parallel lines inside the walls, every other one turned round to keep travel short.

    On tilted layers they run up the layer at the same x in each layer, so that each rib stands
    on the one below it.
    """
    along, over = (x, u) if flat else (u, x)
    if along[1] <= along[0] or over[1] <= over[0]:
        return
    count = math.ceil((over[1] - over[0]) / spacing) - 1
    for i in range(count):
        step = (over[1] - over[0]) * (i + 1) / (count + 1)
        place = over[1] - step if flat else over[0] + step
        ends = along if i % 2 == 0 else along[::-1]
        yield Stroke(tuple((end, place) if flat else (place, end) for end in ends))
