"""The block: square to the gantry plane, for the across and the gantry axis.

In the plane of belt and height it is a rectangle along the gantry's direction, standing on a foot
that fills down to the belt so that nothing is laid in the air.  Two arms make an L: one long up
the gantry and narrow across, one short up the gantry and wide across, so that each direction has
a short and a long length.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from functools import partial
from typing import Final

from agent.model.feature import Feature, Vector
from agent.model.profile import Profile
from agent.pieces.envelope import Envelope, check_sizes, in_range
from agent.pieces.layers import OVERHANG, from_layer, front_slope, layer_angle
from agent.pieces.marks import MARK_H, PAD_MM, check_number, marks
from agent.pieces.solid import SOLID, START_S, Piece, Point2, Prism, Side, Span

#: The lower face stands this far up the layer plane from the belt, so that a jaw gets under it.
_LIFT_MM: Final = 8.0
_RIB_MM: Final = 12.0
_THICK_MM: Final = 8.0
_PAD_MM: Final = 8.0  #: how far the pad reaches out in front of the wide arm
_PAD_H: Final = 1.0

_SIZES: Final = ("gantry short", "gantry long", "across narrow", "across wide", "thick")


def block(
    profile: Profile,
    *,
    gantry: tuple[float, float] = (16.0, 80.0),
    across: tuple[float, float] = (16.0, 80.0),
    thick: float = _THICK_MM,
    walls: int = 2,
    number: int = 1,
) -> Piece:
    """Block for the machine of `profile`.

    gantry  short and long length up the gantry, mm;  across  narrow and wide, mm
    thick   square to both, mm, rounded up to whole layers;  walls  beads of a wall
    number  of the piece, 1 to 6, shown by pips

    Raises BadInput for sizes the machine has no room for.
    """
    room = Envelope.of(profile)
    layers = layer_angle(room.angle)
    lift = _LIFT_MM if layers else 0.0
    check_sizes(
        "block",
        in_range("gantry", gantry[0], 8.0, gantry[1] / 2)
        + in_range("gantry", gantry[1], 16.0, 0.9 * room.gantry - lift - 10.0)
        + in_range("across", across[0], 6.0, across[1] / 2)
        + in_range("across", across[1], across[0] + PAD_MM[0], room.width)
        + in_range("thick", thick, 3.0, 40.0)
        + in_range("walls", walls, 1, SOLID, "")
        + check_number(number),
    )
    step = profile.bead.height_mm
    thick = math.ceil(thick / step - 1e-9) * step
    shoe = _toe(lift + gantry[0], layers)  # where the pad for the marks begins
    origin = START_S - max(_toe(lift + gantry[1], layers), shoe + _PAD_MM)
    left = room.middle - across[1] / 2
    corner, right = left + across[0], left + across[1]

    def at(u: float, n: float) -> Point2:
        s, h = from_layer(u, n, room.angle)
        return origin + s, h

    prisms: list[Prism] = []
    arms: tuple[tuple[str, Span, float, tuple[Side, ...]], ...] = (
        ("long", (left, corner), gantry[1], ()),
        ("wide", (corner, right), gantry[0], ("x-",)),
    )
    for name, x, length, joins in arms:
        make = partial(Prism, x=x, rib_mm=_RIB_MM, seam=corner, joins=joins)
        end = lift + length
        lower = (at(lift, 0.0), at(lift, thick))
        if layers:
            foot = (at(0.0, 0.0), (origin + _toe(end, layers), 0.0), at(end, 0.0))
            prisms.append(make(f"{name} foot", outline=foot, walls=1))
        else:
            # On an upright machine the lower face is the belt side, whatever the last of the angle
            lower = (at(0.0, 0.0), (at(0.0, thick)[0], 0.0))
        outline = (lower[0], at(end, 0.0), at(end, thick), lower[1])
        prisms.append(make(name, outline=outline, walls=walls))

    prisms += _marked_pad((corner, right), origin + shoe, front_slope(layers), number)

    def point(x: float, u: float) -> Vector:
        return (x, *at(u, 0.6 * thick))

    return Piece(
        name="block",
        title="across and gantry scale",
        prisms=tuple(prisms),
        features=_features(room.angle, gantry, across, (left, corner, right), lift, point),
        layer_angle=layers,
        anchor=(origin, 0.0),
        size=dict(zip(_SIZES, (*gantry, *across, thick), strict=True)),
    )


def _marked_pad(
    across: tuple[float, float], near: float, slope: float, number: int
) -> Iterator[Prism]:
    """The pad in front of the wide arm, from s = `near` on, with the marks of the piece."""
    far = near + _PAD_MM
    pad = ((near, 0.0), (far, 0.0), (far, _PAD_H), (near - slope * _PAD_H, _PAD_H))
    yield Prism("pad", across, pad, walls=SOLID, seam=across[0], joins=("x-",))
    yield from marks(across, (near + 1.0, far - 1.0), _PAD_H, MARK_H, number, slope)


def _features(
    angle: float,
    gantry: tuple[float, float],
    across: tuple[float, float],
    edges: tuple[float, float, float],
    lift: float,
    point: Callable[[float, float], Vector],
) -> tuple[Feature, ...]:
    """What is read of a block; `edges` of its arms across, `point` from across and up the plane."""
    left, corner, right = edges
    cos, sin = math.cos(angle), math.sin(angle)
    short, long = ((0.0, length * cos, length * sin) for length in gantry)
    on_wide, on_long = (corner + right) / 2, (left + corner) / 2
    return (
        Feature(
            "block x1",
            "outside",
            (across[0], 0.0, 0.0),
            jaws=(point(left, lift + 0.7 * gantry[1]), point(corner, lift + 0.7 * gantry[1])),
            hint="across the long arm, well above the wide one",
        ),
        Feature(
            "block x2",
            "outside",
            (across[1], 0.0, 0.0),
            jaws=(point(left, lift + gantry[0] / 2), point(right, lift + gantry[0] / 2)),
            hint="over the whole width, at the middle of the wide arm's height",
        ),
        Feature(
            "block g1",
            "outside",
            short,
            jaws=(point(on_wide, lift), point(on_wide, lift + gantry[0])),
            hint="up the wide arm at its middle, lower jaw in the gap above the foot",
        ),
        Feature(
            "block g2",
            "outside",
            long,
            jaws=(point(on_long, lift), point(on_long, lift + gantry[1])),
            hint="up the long arm, lower jaw in the gap above the foot",
        ),
    )


def _toe(end: float, angle: float) -> float:
    """s of the foremost point of a foot whose top edge lies `end` up the layer plane.

    The front face goes down from there, upright or, at a steep angle, coming forward so that it
    hangs over by no more than `OVERHANG` from the layers' normal.
    """
    if not angle:
        return 0.0
    back = math.tan(min(angle, OVERHANG))
    down = end * math.sin(angle) / (back * math.sin(angle) + math.cos(angle))
    return from_layer(end - down * back, -down, angle)[0]
