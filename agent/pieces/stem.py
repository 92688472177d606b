"""The stem: one slim upright body for what moves cannot tell, in little time.

Beside moves of each axis over two lengths, which have no plastic in them, only the angle of the
gantry is left to be shown.  It shows in the lean of an upright face, read from both opposite faces
because square and foot then cancel.  The height shows a lean that was typed with the wrong sign.
"""

from __future__ import annotations

import math
from typing import Final

from agent.model.feature import Feature
from agent.model.profile import Profile
from agent.pieces.envelope import Envelope, check_sizes, in_range
from agent.pieces.flange import CLEAR_FOOT, CLEAR_TOP, FLANGE_H, FLANGE_MM, on_flange, pad_on
from agent.pieces.layers import front_slope, layer_angle
from agent.pieces.marks import MARK_H, PAD_MM, check_number, marks
from agent.pieces.solid import SOLID, START_S, Piece, Point2, Prism

#: Height that tells the angle to 0.1 degree with an ordinary square in less than 20 minutes of
#: laying on a machine of usual speed; found by search ('outlook --sizes' shows it for a machine).
_HEIGHT: Final = 80.0


def stem(
    profile: Profile,
    *,
    height: float | None = None,
    width: float = 12.0,
    depth: float = 10.0,
    walls: int = 2,
    number: int = 1,
) -> Piece:
    """Stem for the machine of `profile`.

    height  mm; None: 80 or what gantry and caliper reach;  width  across, depth  along the belt, mm
    walls   beads of a wall;  number  of the piece, 1 to 6, shown by pips

    Raises BadInput for sizes the machine has no room for.
    """
    room = Envelope.of(profile)
    if height is None:
        height = math.floor(min(_HEIGHT, room.height, profile.instrument.reach_mm))
    check_sizes(
        "stem",
        in_range("height", height, 20.0, room.height)
        + in_range("width", width, 6.0, room.width - 2 * PAD_MM[0])
        + in_range("depth", depth, 6.0, room.belt / 4)
        + in_range("walls", walls, 1, SOLID, "")
        + check_number(number),
    )
    layers = layer_angle(room.angle)
    slope = front_slope(layers)
    front = START_S - FLANGE_MM - height * slope  #: s of the front face at the top
    back = front - depth
    toe = front + slope * height
    left, right = room.middle - width / 2, room.middle + width / 2
    half = max(width / 2 + FLANGE_MM, PAD_MM[0] / 2)
    wide = (room.middle - half, room.middle + half)
    middle = room.middle
    outline: tuple[Point2, ...] = ((back, 0.0), (toe, 0.0), (front, height), (back, height))
    body = Prism("stem", (left, right), outline, walls=walls, rib_mm=12.0, seam=right)
    prisms = on_flange((body,), (left, right), (back, toe), wide, middle, layers)
    raised = marks(wide, pad_on(toe), FLANGE_H, MARK_H, number, slope)
    return Piece(
        name="stem",
        title="the gantry angle, in the least time",
        prisms=(*prisms, *raised),
        features=_features(middle, front, back, height, upright_front=not slope),
        layer_angle=layers,
        anchor=(back - FLANGE_MM, 0.0),
        size={"height": height, "width": width, "depth": depth},
    )


def _features(
    middle: float, front: float, back: float, height: float, *, upright_front: bool
) -> tuple[Feature, ...]:
    at, bottom, top = (front + back) / 2, CLEAR_FOOT, height - CLEAR_TOP
    span = (0.0, 0.0, round(top - bottom, 6))
    found = [
        Feature(
            "stem lean",
            "lean",
            span,
            jaws=((middle, back, bottom), (middle, back, top)),
            hint=f"square against the back face (-s) of the stem, from {bottom:g} to {top:g} mm"
            " height: how far the top is off the foot, + towards the front (+s)",
        ),
        Feature(
            "stem lean 2",
            "lean",
            span,
            jaws=((middle, front, bottom), (middle, front, top)),
            hint=f"from the front face (+s) of the stem, square turned round, from {bottom:g} to"
            f" {top:g} mm height: again + where the top is off the foot towards the front (+s)",
            side="opposite",
        ),
        Feature(
            "stem h",
            "outside",
            (0.0, 0.0, height),
            jaws=((middle, at, 0.0), (middle, at, height)),
            hint="from the underside to the top of the stem, jaws across the middle",
        ),
    ]
    # a front that comes forward downward has no lean of its own to read
    return tuple(f for f in found if upright_front or f.side is None)
