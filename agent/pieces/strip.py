"""The strip: one layer on the belt, with lengths along and across and a plate for diagonals.

In the order in which the belt brings them, from +s to -s: a ladder of lengths along the belt, a
bar with the widest width, a neck with the least, a plate whose two diagonals are equal.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from typing import Final

from agent.model.feature import Feature
from agent.model.profile import Profile
from agent.pieces.envelope import Envelope, check_sizes, in_range, period, whole_turns
from agent.pieces.marks import check_number, marks
from agent.pieces.sheet import LADDER_MM, RUNG_MM, SEAM_MM, Sheet, edge_feature
from agent.pieces.solid import START_S, Piece, Prism, Span

_NECK_MM: Final = (20.0, 12.0)  #: width and length of the neck
_PLATE_WALLS: Final = 5
_PLATE_RIB_MM: Final = 2.5
#: Marks on the bar stay clear of the ladder's jaws and of the bar's end by this, mm.
_MARK_CLEAR_MM: Final = 12.0


def strip(
    profile: Profile,
    *,
    lengths: tuple[float, float, float, float] | None = None,
    wide: float | None = None,
    plate: tuple[float, float] | None = None,
    reach: float = 200.0,
    number: int = 1,
) -> Piece:
    """Strip for the machine of `profile`.

    lengths  along the belt, rising, mm; None: 20, 60 and whole roller turns near 90 and 180
    wide     widest width across, mm; None: 160 or what fits
    plate    its sides across and along, mm; None: 100 by 80 or what fits
    reach    greatest length the caliper takes, mm
    number   of the piece, 1 to 6, shown by pips

    Raises BadInput for sizes the machine has no room for or the caliper no reach.
    """
    room = Envelope.of(profile)
    if lengths is None:
        lengths = _lengths(period(profile, "belt"), reach)
    if wide is None:
        wide = min(160.0, room.width, reach)
    if plate is None:
        side = min(100.0, wide - LADDER_MM - 10.0)
        plate = (side, 0.8 * side)
    steps = [b - a for a, b in pairwise(lengths)]
    check_sizes(
        "strip",
        in_range("lengths", lengths[0], 3 * RUNG_MM, 40.0)
        + in_range("lengths", min(steps), 2 * RUNG_MM + 3.0, reach)
        + in_range("lengths", lengths[1], 2 * lengths[0] + 2 * RUNG_MM + 3.0, reach)
        + in_range("lengths", lengths[-1], 60.0, min(reach, 0.4 * room.belt))
        + in_range("wide", wide, LADDER_MM + 60.0, min(room.width, reach))
        + in_range("plate", plate[0], 30.0, wide)
        + in_range("plate", plate[1], 20.0, 200.0)
        + in_range("plate", math.hypot(*plate), 30.0, reach)
        + check_number(number),
    )
    sheet = Sheet(profile.bead.height_mm)
    left = room.middle - wide / 2
    pad = (left + LADDER_MM + _MARK_CLEAR_MM, left + wide - _MARK_CLEAR_MM)
    raised = marks(pad, _rungs(lengths)[-1], sheet.height, sheet.height, number)
    return Piece(
        name="strip",
        title="scale along and across, squareness",
        prisms=(
            *_ladder(sheet, left, wide, lengths),
            *raised,
            *_plate(sheet, left + wide, lengths[-1], plate),
        ),
        features=_features(sheet, left, wide, lengths, plate),
        layer_angle=0.0,
        in_turn=True,
        size={
            **{f"length {i}": length for i, length in enumerate(lengths, 1)},
            "wide": wide,
            "plate across": plate[0],
            "plate along": plate[1],
        },
    )


def _lengths(turn: float | None, reach: float) -> tuple[float, float, float, float]:
    """Lengths along the belt, mm: the longest and, where that fits, its half in whole turns."""
    short, middle = 20.0, 60.0
    longest = whole_turns(180.0, turn, reach)
    half = whole_turns(longest / 2, turn, longest / 2 + 0.01)
    third = half if half - middle >= 3 * RUNG_MM else round((middle + longest) / 2, 2)
    return short, middle, third, longest


def _rungs(lengths: tuple[float, ...]) -> list[Span]:
    """s of the rungs from +s to -s; the last is the bar."""
    ends = [RUNG_MM, lengths[0], 2 * lengths[0] + RUNG_MM, *lengths[1:]]
    return [(START_S - end, START_S - end + RUNG_MM) for end in ends]


def _ladder(sheet: Sheet, left: float, wide: float, lengths: tuple[float, ...]) -> Iterator[Prism]:
    *rungs, last = sheet.ladder((left, left + LADDER_MM), _rungs(lengths))
    yield from rungs
    # the last rung reaches out as the bar; its seam goes to the far end
    yield replace(last, name="bar", x=(left, left + wide), seam=left + wide - SEAM_MM)


def _plate(
    sheet: Sheet, right: float, longest: float, plate: tuple[float, float]
) -> Iterator[Prism]:
    x, middle = (right - plate[0], right), right - plate[0] / 2
    s = _plate_s(longest, plate)
    neck = (middle - _NECK_MM[0] / 2, middle + _NECK_MM[0] / 2)
    yield sheet.link("neck", neck, (s[1], START_S - longest))
    yield sheet.prism("plate", x, s, seam=middle, walls=_PLATE_WALLS, rib=_PLATE_RIB_MM)


def _ladder_features(
    sheet: Sheet, mid: float, lengths: tuple[float, float, float, float]
) -> tuple[Feature, ...]:
    """What is read along the ladder, whose middle is `mid`."""
    rungs = _rungs(lengths)
    along = [
        edge_feature(
            f"strip s{i}",
            "outside",
            sheet.point(mid, START_S - length),
            sheet.point(mid, START_S),
            f"along the ladder, from its free end over {length:g} mm, jaws mid-rung",
        )
        for i, length in enumerate(lengths, 1)
    ]
    inside = edge_feature(
        "strip i1",
        "inside",
        sheet.point(mid, rungs[2][1]),
        sheet.point(mid, rungs[1][0]),
        "gap between the second rung and the third, jaws mid-rung",
    )
    pitch = edge_feature(
        "strip p1",
        "pitch",
        sheet.point(mid, rungs[-1][0]),
        sheet.point(mid, rungs[-2][0]),
        "from the -s edge of the last rung to the -s edge of the bar",
    )
    return (*along, inside, pitch)


def _features(
    sheet: Sheet,
    left: float,
    wide: float,
    lengths: tuple[float, float, float, float],
    plate: tuple[float, float],
) -> tuple[Feature, ...]:
    rungs = _rungs(lengths)
    right = left + wide
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
    rail = (left + RUNG_MM, left + LADDER_MM - RUNG_MM)
    return (
        *_ladder_features(sheet, left + LADDER_MM / 2, lengths),
        *(
            edge_feature(n, "outside", sheet.point(a, s), sheet.point(b, s), hint)
            for n, a, b, s, hint in across
        ),
        edge_feature(
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
