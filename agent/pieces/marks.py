"""Raised marks, so that a piece that left the belt cannot be read turned round.

An arrow of three bars points the way the belt carries the piece (towards +s), a ridge lies on the
+x side of it, and pips on the -x side count the piece.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from agent.pieces.solid import SOLID, Point2, Prism, Span

#: Greatest number that the pips show.
MOST_PIPS: Final = 6
#: Least size of the pad that carries the marks, across and along, mm.
PAD_MM: Final = (30.0, 5.0)

#: Height of the marks on solid pieces, mm; on flat ones it is a layer.
MARK_H: Final = 0.8

_ARROW_WIDE: Final = 9.0  #: of the arrow's last bar
_PIP_MM: Final = 1.4
_PIP_PITCH: Final = 2.4
_BAR_MM: Final = 1.0
_EDGE_MM: Final = 0.4  #: from the pad's ends


def check_number(number: int) -> list[tuple[str, str]]:
    """Problem of a piece number as (key, what); empty for 1 to `MOST_PIPS`."""
    if number in range(1, MOST_PIPS + 1):
        return []
    return [("number", f"expected a whole number from 1 to {MOST_PIPS}, found {number}")]


def marks(
    x: Span, s: Span, base: float, height: float, number: int, slope: float = 0.0
) -> tuple[Prism, ...]:
    """Marks on a pad.

    x, s    extent of the pad, mm, at least `PAD_MM`;  base  height of its top
    height  of the marks above it, mm;  slope  by which front faces come forward per mm downward
    """
    middle, centre = (x[0] + x[1]) / 2, (s[0] + s[1]) / 2

    def bar(name: str, xs: Span, along: Span) -> Prism:
        top = base + height
        outline: tuple[Point2, ...] = (
            (along[0], base),
            (along[1], base),
            (along[1] - slope * height, top),
            (along[0], top),
        )
        return Prism(name, xs, outline, walls=SOLID, seam=(xs[0] + xs[1]) / 2, mark=True)

    def shapes() -> Iterator[Prism]:
        # widest bar last along s: the arrow's point leads towards +s
        step = (PAD_MM[1] - 2 * _EDGE_MM - _BAR_MM) / 2
        for i, share in enumerate((1 / 3, 2 / 3, 1.0)):
            half = _ARROW_WIDE * share / 2
            front = centre + PAD_MM[1] / 2 - _EDGE_MM - i * step
            yield bar(f"arrow {i + 1}", (middle - half, middle + half), (front - _BAR_MM, front))
        ridge = middle + _ARROW_WIDE / 2 + 2.0
        yield bar("ridge +x", (ridge, ridge + 7.0), (centre - _BAR_MM / 2, centre + _BAR_MM / 2))
        for i in range(number):
            column, row = divmod(i, 2)
            right = middle - _ARROW_WIDE / 2 - 2.0 - column * _PIP_PITCH
            front = centre + _PIP_PITCH / 2 + _PIP_MM / 2 - row * _PIP_PITCH
            yield bar(f"pip {i + 1}", (right - _PIP_MM, right), (front - _PIP_MM, front))

    return tuple(sorted(shapes(), key=lambda prism: (-prism.outline[1][0], prism.x)))
