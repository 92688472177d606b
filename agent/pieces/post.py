"""The post: upright and stepped, for height, lean and sway.

Two heights side by side, so that what grows with height is told from what does not.  The face
that looks back along the belt (towards -s) carries the lean, the outer sides the sway.
"""

from __future__ import annotations

import math
from typing import Final

from agent.model.feature import Feature
from agent.model.profile import Profile
from agent.pieces.envelope import Envelope, check_sizes, in_range, period
from agent.pieces.flange import CLEAR_FOOT, CLEAR_TOP, FLANGE_H, FLANGE_MM, on_flange, pad_on
from agent.pieces.layers import front_slope, layer_angle
from agent.pieces.marks import MARK_H, check_number, marks
from agent.pieces.solid import SOLID, START_S, Piece, Point2, Prism

#: Room for a jaw beside the tall part, on top of the low one, mm.
JAW_MM: Final = 10.0

_BEST_SPAN: Final = (60.0, 90.0)  #: of the lean face: higher is better read, slower and softer


def lean_span(profile: Profile, limit: float) -> float:
    """Height over which lean is read, mm, at most `limit`.

    A face of height H spans H cot(theta) of belt travel; where that is whole roller turns
    an eccentric roller does not lean it.  Of those heights the one nearest to 60-90 mm is taken,
    60 mm where none comes near.
    """
    angle, turn = profile.mechanics.gantry_angle, period(profile, "belt")
    plain = min(_BEST_SPAN[0], limit)
    if turn is None or not layer_angle(angle):
        return plain
    rise = turn * math.tan(angle)

    def miss(span: float) -> float:
        return max(_BEST_SPAN[0] - span, span - _BEST_SPAN[1], 0.0)

    spans = [k * rise for k in range(1, 1 + int(limit / rise))]
    best = min(spans, key=miss, default=plain)
    return min(round(best, 2), limit) if miss(best) <= 15.0 else plain


def post(
    profile: Profile,
    *,
    height: float | None = None,
    step: float | None = None,
    width: float = 12.0,
    depth: float = 12.0,
    walls: int = 2,
    number: int = 1,
) -> Piece:
    """Post for the machine of `profile`.

    height  of the tall part, mm; None: the span of `lean_span` and its clearances
    step    height of the low part, mm; None: a fifth of `height`
    width   of the tall part across, mm; the low one is wider by `JAW_MM`
    depth   of both along the belt, mm;  walls  beads of a wall
    number  of the piece, 1 to 6, shown by pips

    Raises BadInput for sizes the machine has no room for.
    """
    room = Envelope.of(profile)
    if height is None:
        clear = CLEAR_FOOT + CLEAR_TOP
        wanted = lean_span(profile, room.height - clear) + clear
        height = math.floor(100 * wanted + 1e-6) / 100  # rounded up it might not fit
    if step is None:
        step = round(height / 5)
    most = (room.width - 2 * FLANGE_MM - JAW_MM) / 2
    check_sizes(
        "post",
        in_range("height", height, 20.0, room.height)
        + in_range("step", step, 5.0, height / 2)
        + in_range("width", width, 6.0, most)
        + in_range("depth", depth, 6.0, room.belt / 4)
        + in_range("walls", walls, 1, SOLID, "")
        + check_number(number),
    )
    layers = layer_angle(room.angle)
    slope = front_slope(layers)
    front = START_S - FLANGE_MM - height * slope  #: s of the front face at the top
    back = front - depth
    left, middle, right = room.middle - width, room.middle, room.middle + width + JAW_MM

    def body(h: float) -> tuple[Point2, ...]:
        return (
            (back, 0.0),
            (front + slope * height, 0.0),
            (front + slope * (height - h), h),
            (back, h),
        )

    toe = front + slope * height
    wide = (left - FLANGE_MM, right + FLANGE_MM)
    tall = Prism("tall", (left, middle), body(height), walls=walls, rib_mm=12.0, seam=middle)
    low = Prism(
        "low", (middle, right), body(step), walls=walls, rib_mm=12.0, seam=middle, joins=("x-",)
    )
    prisms = on_flange((tall, low), (left, right), (back, toe), wide, middle, layers)
    raised = marks((left, right), pad_on(toe), FLANGE_H, MARK_H, number, slope)
    return Piece(
        name="post",
        title="height, lean and sway",
        prisms=(*prisms, *raised),
        features=(
            *_features(left, middle, right, back, depth, height, step),
            *(() if slope else _opposite(left, middle, front, height)),
        ),
        layer_angle=layers,
        anchor=(back - FLANGE_MM, 0.0),
        size={"height": height, "step": step, "width": width, "depth": depth},
    )


def _features(
    left: float, middle: float, right: float, back: float, depth: float, height: float, step: float
) -> tuple[Feature, ...]:
    tall, low = (left + middle) / 2, (middle + JAW_MM + right) / 2
    at = back + depth / 2
    bottom, top = CLEAR_FOOT, height - CLEAR_TOP
    span = (0.0, 0.0, round(top - bottom, 6))
    return (
        Feature(
            "post h1",
            "outside",
            (0.0, 0.0, height),
            jaws=((tall, at, 0.0), (tall, at, height)),
            hint="from the underside to the top of the post's tall part, jaws across its middle",
        ),
        Feature(
            "post h2",
            "outside",
            (0.0, 0.0, step),
            jaws=((low, at, 0.0), (low, at, step)),
            hint="from the underside to the top of the post's low part, jaws across its middle",
        ),
        Feature(
            "post lean",
            "lean",
            span,
            jaws=((tall, back, bottom), (tall, back, top)),
            hint=f"square against the back face of the post's tall part, from {bottom:g} to"
            f" {top:g} mm height: how far the top is off the foot, + towards the front (+s)",
        ),
        Feature(
            "post sway",
            "sway",
            span,
            jaws=((left, at, bottom), (left, at, top)),
            hint=f"square against the outer side of the post's tall part, from {bottom:g} to"
            f" {top:g} mm height: how far the top is off the foot; + towards the low part",
        ),
    )


def _opposite(left: float, middle: float, front: float, height: float) -> tuple[Feature, ...]:
    """Lean once more, from the front: what square and foot add cancels in the mean of both.

    Reversal, the oldest of metrology; only where the front stands upright.
    """
    tall = (left + middle) / 2
    bottom, top = CLEAR_FOOT, height - CLEAR_TOP
    return (
        Feature(
            "post lean 2",
            "lean",
            (0.0, 0.0, round(top - bottom, 6)),
            jaws=((tall, front, bottom), (tall, front, top)),
            hint="from the front face (+s) of the post's tall part, square turned round, from"
            f" {bottom:g} to {top:g} mm height: again + where the top is off the foot towards the"
            " front (+s)",
            side="opposite",
        ),
    )
