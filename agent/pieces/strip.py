"""The strip: one layer on the belt, with lengths along and across and a plate for diagonals.

In the order in which the belt brings them, from +s to -s: a ladder of lengths along the belt, a
bar with the widest width, a neck with the least, a plate whose two diagonals are equal.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from agent.model.feature import Between, Feature, Kind, Vector
from agent.model.profile import Profile
from agent.pieces.envelope import Envelope, check_sizes, in_range, period, whole_turns
from agent.pieces.post import START_S
from agent.pieces.solid import SOLID, Piece, Prism, Span, box

_RUNG_MM: Final = 5.0  #: rungs, rails and the bar: wide enough for a jaw, ten beads or so
_LADDER_MM: Final = 30.0  #: width of the ladder outside; 20 inside
_NECK_MM: Final = (20.0, 12.0)  #: width and length of the neck
_PLATE_WALLS: Final = 5
_RAIL_WALLS: Final = 3  #: hollow, which spares the belt half of its running to and fro
_PLATE_RIB_MM: Final = 2.5
#: Seams of a rung lie this far from its end, over the rail.
_SEAM_MM: Final = 2.5


def _feature(name: str, kind: Kind, low: Vector, high: Vector, hint: str) -> Feature:
    """Feature along the line from one jaw to the other: between parallel edges, or corners."""
    x, s, h = (round(b - a, 6) for a, b in zip(low, high, strict=True))
    between: Between = "points" if x and s else "edges"
    return Feature(name, kind, (x, s, h), between, jaws=(low, high), hint=hint)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Builder of one-layer rectangles and of points on them."""

    height: float

    def prism(self, name: str, x: Span, s: Span, *, seam: float, walls: int = SOLID) -> Prism:
        ribs = _PLATE_RIB_MM if walls == _PLATE_WALLS else 0.0
        outline = box(s, (0.0, self.height))
        return Prism(name, x, outline, walls=walls, rib_mm=ribs, seam=seam)

    def point(self, x: float, s: float) -> Vector:
        return (x, s, self.height / 2)


def strip(
    profile: Profile,
    *,
    lengths: tuple[float, float, float, float] | None = None,
    wide: float | None = None,
    plate: tuple[float, float] | None = None,
    reach: float = 200.0,
) -> Piece:
    """Strip for the machine of `profile`.

    lengths  along the belt, rising, mm; None: 20, 60 and whole roller turns near 90 and 180
    wide     widest width across, mm; None: 160 or what fits
    plate    its sides across and along, mm; None: 100 by 80 or what fits
    reach    greatest length the caliper takes, mm

    Raises BadInput for sizes the machine has no room for or the caliper no reach.
    """
    room = Envelope.of(profile)
    if lengths is None:
        turn = period(profile, "belt")
        third = whole_turns(90.0, turn, reach / 2)
        lengths = (20.0, 60.0, third, whole_turns(2 * third, turn, reach))
    if wide is None:
        wide = min(160.0, room.width, reach)
    if plate is None:
        side = min(100.0, wide - _LADDER_MM - 10.0)
        plate = (side, 0.8 * side)
    steps = [b - a for a, b in pairwise(lengths)]
    check_sizes(
        "strip",
        in_range("lengths", lengths[0], 3 * _RUNG_MM, 40.0)
        + in_range("lengths", min(steps), 2 * _RUNG_MM + 3.0, reach)
        + in_range("lengths", lengths[1], 2 * lengths[0] + 2 * _RUNG_MM + 3.0, reach)
        + in_range("lengths", lengths[-1], 60.0, min(reach, 0.4 * room.belt))
        + in_range("wide", wide, _LADDER_MM + 40.0, min(room.width, reach))
        + in_range("plate", plate[0], 30.0, wide)
        + in_range("plate", plate[1], 20.0, 200.0)
        + in_range("plate", math.hypot(*plate), 30.0, reach),
    )
    sheet = _Sheet(profile.bead.height_mm)
    left = room.middle - wide / 2
    prisms = (*_ladder(sheet, left, wide, lengths), *_plate(sheet, left + wide, lengths[-1], plate))
    return Piece(
        name="strip",
        title="scale along and across, squareness",
        prisms=prisms,
        features=_features(sheet, left, wide, lengths, plate),
        layer_angle=0.0,
        size={
            **{f"length {i}": length for i, length in enumerate(lengths, 1)},
            "wide": wide,
            "plate across": plate[0],
            "plate along": plate[1],
        },
    )


def _rungs(lengths: tuple[float, ...]) -> list[Span]:
    """s of the rungs from +s to -s; the last is the bar."""
    ends = [_RUNG_MM, lengths[0], 2 * lengths[0] + _RUNG_MM, *lengths[1:]]
    return [(START_S - end, START_S - end + _RUNG_MM) for end in ends]


def _ladder(sheet: _Sheet, left: float, wide: float, lengths: tuple[float, ...]) -> Iterator[Prism]:
    outer = (left, left + _LADDER_MM)
    rails = (("left", (left, left + _RUNG_MM)), ("right", (outer[1] - _RUNG_MM, outer[1])))
    rungs = _rungs(lengths)
    for number, rung in enumerate(rungs):
        if number:
            gap = (rung[1], rungs[number - 1][0])
            for side, x in rails:
                yield sheet.prism(f"rail {side} {number}", x, gap, seam=x[0], walls=_RAIL_WALLS)
        if rung is rungs[-1]:
            yield sheet.prism("bar", (left, left + wide), rung, seam=left + wide - _SEAM_MM)
        else:
            yield sheet.prism(f"rung {number + 1}", outer, rung, seam=left + _SEAM_MM)


def _plate(
    sheet: _Sheet, right: float, longest: float, plate: tuple[float, float]
) -> Iterator[Prism]:
    x, middle = (right - plate[0], right), right - plate[0] / 2
    top = START_S - longest
    neck = (middle - _NECK_MM[0] / 2, middle + _NECK_MM[0] / 2)
    yield sheet.prism("neck", neck, (top - _NECK_MM[1], top), seam=middle)
    s = (top - _NECK_MM[1] - plate[1], top - _NECK_MM[1])
    yield sheet.prism("plate", x, s, seam=middle, walls=_PLATE_WALLS)


def _features(
    sheet: _Sheet,
    left: float,
    wide: float,
    lengths: tuple[float, float, float, float],
    plate: tuple[float, float],
) -> tuple[Feature, ...]:
    rungs = _rungs(lengths)
    mid = left + _LADDER_MM / 2
    right = left + wide
    along = [
        _feature(
            f"strip s{i}",
            "outside",
            sheet.point(mid, START_S - length),
            sheet.point(mid, START_S),
            f"along the ladder, from its free end over {length:g} mm, jaws mid-rung",
        )
        for i, length in enumerate(lengths, 1)
    ]
    inside = _feature(
        "strip i1",
        "inside",
        sheet.point(mid, rungs[2][1]),
        sheet.point(mid, rungs[1][0]),
        "gap between the second rung and the third, jaws mid-rung",
    )
    pitch = _feature(
        "strip p1",
        "pitch",
        sheet.point(mid, rungs[-1][0]),
        sheet.point(mid, rungs[-2][0]),
        "from the -s edge of the last rung to the -s edge of the bar",
    )
    neck, (s0, s1) = right - plate[0] / 2, _plate_s(lengths[-1], plate)
    gap = (rungs[-1][1] + rungs[-2][0]) / 2
    bar = (rungs[-1][0] + rungs[-1][1]) / 2
    half = _NECK_MM[0] / 2
    x0 = right - plate[0]
    across = (
        ("strip x1", neck - half, neck + half, s1 + _NECK_MM[1] / 2, "across the neck"),
        ("strip x2", x0, right, (s0 + s1) / 2, "across the plate, half way along it"),
        ("strip x3", left, right, bar, "over the whole bar, from end to end"),
    )
    rail = (left + _RUNG_MM, left + _LADDER_MM - _RUNG_MM)
    return (
        *along,
        inside,
        pitch,
        *(
            _feature(n, "outside", sheet.point(a, s), sheet.point(b, s), hint)
            for n, a, b, s, hint in across
        ),
        _feature(
            "strip i2",
            "inside",
            sheet.point(rail[0], gap),
            sheet.point(rail[1], gap),
            "between the rails of the ladder, in its longest gap",
        ),
        Feature(
            "strip d1",
            "outside",
            (plate[0], plate[1], 0.0),
            "points",
            (sheet.point(x0, s0), sheet.point(right, s1)),
            "diagonal of the plate, corner to corner, towards +x and +s",
        ),
        Feature(
            "strip d2",
            "outside",
            (plate[0], -plate[1], 0.0),
            "points",
            (sheet.point(x0, s1), sheet.point(right, s0)),
            "the other diagonal of the plate",
        ),
    )


def _plate_s(longest: float, plate: tuple[float, float]) -> Span:
    top = START_S - longest - _NECK_MM[1]
    return top - plate[1], top
