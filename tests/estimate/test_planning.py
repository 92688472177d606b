"""What is proposed to be read next can be read: inside the travel, on pieces that there are."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from agent.estimate import solve
from agent.estimate.planning import _at_hand, _by_moves, _by_printing
from agent.model.profile import Mechanics, Tolerance
from tests.estimate.cases import reading, survey


@pytest.mark.parametrize("angle", [35.0, 45.0, 90.0])
@pytest.mark.parametrize(
    ("travel", "across", "gantry"),
    [
        ({}, 180.0, 180.0),
        ({"across": 100.0, "gantry": 120.0}, 90.0, 108.0),
        ({"across": 400.0, "gantry": 1000.0}, 270.0, 270.0),
    ],
)
def test_a_planned_move_is_no_longer_than_nine_tenths_of_its_axis(
    angle: float, travel: dict[str, float], across: float, gantry: float
) -> None:
    mechanics = Mechanics(gantry_angle_deg=angle, travel_mm=travel)  # type: ignore[arg-type]
    first, second, third, gap = _by_moves(survey(mechanics=mechanics))
    assert first.along == (pytest.approx(across), 0, 0)
    assert math.hypot(*second.along) == pytest.approx(gantry)
    assert math.degrees(math.atan2(second.along[2], second.along[1])) == pytest.approx(angle)
    assert third.along == (0, 300, 0)
    assert (gap.kind, gap.along) == ("gap", (pytest.approx(across), 0, 0))
    assert [move.u_mm for move in (first, second, third, gap)] == [0.05, 0.05, 0.05, None]


@pytest.mark.parametrize("angle", [35.0, 45.0])
def test_a_planned_piece_shows_each_axis_both_leans_the_gantry_and_both_diagonals(
    angle: float,
) -> None:
    found = [(r.kind, r.along) for r in _by_printing(survey(angle=angle))]
    assert found[:5] == [
        ("pitch", (100, 0, 0)),
        ("pitch", (0, 200, 0)),
        ("pitch", (0, 0, 60)),
        ("lean", (0, 0, 60)),
        ("sway", (0, 0, 60)),
    ]
    kind, rising = found[5]
    assert (kind, rising[0]) == ("outside", 0)
    assert math.hypot(*rising) == pytest.approx(80)
    assert math.degrees(math.atan2(rising[2], rising[1])) == pytest.approx(angle)
    assert found[6:] == [("outside", (80, 80, 0)), ("outside", (80, -80, 0))]


def test_pieces_already_laid_show_more_than_was_read() -> None:
    def more(kind: str, along: tuple[float, float, float]) -> list[tuple[str, tuple[float, ...]]]:
        taken = survey(reading(kind, along, math.hypot(*along)))
        return [(r.kind, r.along) for r in _at_hand(taken)]

    post = (0.0, 0.0, 60.0)
    for kind in ("lean", "sway"):
        assert more(kind, post) == [("outside", post), ("lean", post), ("sway", post)]
    assert more("outside", post) == [("lean", post), ("sway", post)]
    assert more("outside", (60.0, 80.0, 0.0)) == [
        ("outside", (60, -80, 0)),
        ("outside", (60, 0, 0)),
        ("outside", (0, 80, 0)),
    ]
    assert more("outside", (60.0, 0.0, 0.0)) == []
    assert more("travel", (60.0, 80.0, 0.0)) == more("gap", post) == []


@pytest.mark.parametrize(("x", "s"), [(80.0, 60.0), (80.0, -60.0), (-80.0, 60.0)])
def test_edges_of_a_plate_are_asked_for_one_way_whichever_diagonal_was_read(
    x: float, s: float
) -> None:
    """A length from front to back is the one from back to front: it is not asked for twice."""
    found = [r.along for r in _at_hand(survey(reading("outside", (x, s, 0), 100.0)))]
    assert found == [(x, -s, 0), (80, 0, 0), (0, 60, 0)]


def test_a_reading_is_not_promised_to_tell_what_unread_turns_leave_open() -> None:
    """Lengths across that are known to 0.02 mm: what is left is the yaw, which no lean tells."""
    now = survey(
        *(reading("outside", (x, 0, 0), 1.004 * x + 0.1, 0.01) for x in (20.0, 90.0, 160.0)),
        tolerance=Tolerance(scale_percent=0.02),
    )
    solution = solve(now)
    told = solution.next
    assert told is not None
    assert told.parameter == "x_scale"
    assert told.feature != "lean"
    asked = reading(told.feature, told.along, 1.004 * math.hypot(*told.along), 0.05)
    found = solve(replace(now, readings=(*now.readings, asked))).parameters["x_scale"]
    assert found.u == pytest.approx(told.u_then, rel=0.1)
