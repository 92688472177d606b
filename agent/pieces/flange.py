"""The flange round the foot of an upright piece, which keeps it on the belt."""

from __future__ import annotations

from typing import Final

from agent.pieces.layers import front_slope
from agent.pieces.solid import SOLID, Point2, Prism, Span, box

FLANGE_MM: Final = 8.0  #: how far it reaches out
FLANGE_H: Final = 1.0

#: Square, blade or jaws on an upright face stay this far above the foot and below the top, mm.
CLEAR_FOOT: Final = 5.0
CLEAR_TOP: Final = 4.0


def on_flange(
    bodies: tuple[Prism, ...], x: Span, s: Span, wide: Span, middle: float, layers: float
) -> tuple[Prism, ...]:
    """`bodies`, side by side over `x` and `s`, with a flange over `wide` round their feet.

    layers: angle of the layer planes to the belt, rad
    """
    slope = front_slope(layers)
    (left, right), (back, toe) = x, s
    shoulder = toe - slope * FLANGE_H
    # on a tilted layer the foot is hardly wider than the two beads of one wall
    sole = 1 if layers else SOLID
    foot: tuple[Point2, ...] = (
        (toe, 0.0),
        (toe + FLANGE_MM, 0.0),
        (toe + FLANGE_MM, FLANGE_H),
        (shoulder, FLANGE_H),
    )
    under: tuple[Point2, ...] = ((back, 0.0), (toe, 0.0), (shoulder, FLANGE_H), (back, FLANGE_H))
    behind = box((back - FLANGE_MM, back), (0.0, FLANGE_H))
    return (
        Prism("foot front", wide, foot, walls=sole, seam=middle),
        Prism("foot left", (wide[0], left), under, walls=sole, seam=left, joins=("x+",)),
        *bodies,
        Prism("foot right", (right, wide[1]), under, walls=sole, seam=right, joins=("x-",)),
        Prism("foot back", wide, behind, walls=sole, seam=middle),
    )


def pad_on(toe: float) -> Span:
    """Where marks lie along the front of the flange."""
    return (toe + 1.0, toe + FLANGE_MM - 1.0)
