"""The budget laid out over readings: by how much each reading moves with each error, by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from agent.estimate.effects import layout, own, shared
from agent.estimate.observation import observe
from agent.model.budget import NO_BUDGET, Budget
from agent.model.drive import Drive, Roller
from agent.model.feature import Reading
from agent.model.profile import Mechanics
from agent.model.survey import Survey

HALF = math.sqrt(0.5)

#: The readings of which every column below has a value, in this order.
READINGS = (
    Reading("outside", (100.0, 0.0, 0.0), (100.0,)),
    Reading("inside", (20.0, 0.0, 0.0), (20.0,)),
    Reading("outside", (0.0, 80.0, 0.0), (80.0,)),  # one layer
    Reading("outside", (60.0, 60.0, 0.0), (84.85,)),  # a diagonal of one layer
    Reading("outside", (0.0, 0.0, 40.0), (40.0,)),
    Reading("lean", (0.0, 0.0, 40.0), (0.1,)),
    Reading("lean", (0.0, 0.0, 40.0), (0.1,), side="opposite"),
    Reading("sway", (0.0, 0.0, 40.0), (0.1,)),
    Reading("outside", (50.0, 0.0, 0.0), (50.0,), u_mm=0.05, name="plate p1"),
    Reading("travel", (160.0, 0.0, 0.0), (160.0,)),
    Reading("travel", (160.0, 0.0, 0.0), (160.0,), u_mm=0.05),
)

DIAGONAL = 60 * math.sqrt(2)


def short(length: float) -> float:
    return min(1.0, (25 / length) ** 2)


#: mm of each reading per unit of the error.  Names and what shares them as in the budget.
COLUMNS: dict[tuple[str, str], list[float]] = {
    ("zero_mm", ""): [1, 1, 1, 1, 1, 1, 1, 1, 0, 1, 0],
    ("inside_jaws_mm", ""): [0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0],
    ("square_mm", ""): [0, 0, 0, 0, 0, 1, -1, 1, 0, 0, 0],
    ("caliper_scale_percent", ""): [100, 20, 80, DIAGONAL, 40, 0, 0, 0, 0, 160, 0],
    ("scan_percent", ""): [0, 0, 0, 0, 0, 0, 0, 0, 50, 0, 0],
    ("squeeze_percent", ""): [0, 0, -80, -DIAGONAL, 0, 0, 0, 0, 0, 0, 0],
    ("first_layer_mm", ""): [0, 0, 2, 2, 0, 0, 0, 0, 0, 0, 0],
    ("foot_mm", "lean"): [0, 0, 0, 0, 0, 1, -1, 0, 0, 0, 0],
    ("foot_mm", "sway"): [0, 0, 0, 0, 0, 0, 0, 1, 0, 0, 0],
    ("foot_mm", "height"): [0, 0, 0, 0, -1, 0, 0, 0, 0, 0, 0],
    ("corner_mm", ""): [
        short(100), -1, short(80), short(DIAGONAL), short(40), 0, 0, 0, short(50), 0, 0,
    ],
    ("shrink_by_direction_percent", "x"): [-100, -20, 0, -DIAGONAL / 2, 0, 0, 0, 0, -50, 0, 0],
    ("shrink_by_direction_percent", "s"): [0, 0, -80, -DIAGONAL / 2, 0, 0, 0, 0, 0, 0, 0],
    ("shrink_by_direction_percent", "h"): [0, 0, 0, 0, -40, 0, 0, 0, 0, 0, 0],
    ("warm_percent", "p1"): [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0],
    ("warm_percent", "flat"): [0, 0, 80, DIAGONAL, 0, 0, 0, 0, 0, 0, 0],
    ("warm_percent", "upright"): [0, 0, 0, 0, 40, 0, 0, 0, 0, 0, 0],
    ("warm_percent", "plate"): [0, 0, 0, 0, 0, 0, 0, 0, 50, 0, 0],
    ("lost_motion_mm", "x"): [0, 0, 0, 0, 0, 0, 0, 0, 0, -1, -1],
    ("gauge_mm", ""): [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1],
    ("gauge_percent", ""): [0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 160],
    ("bow_mm", "across"): [
        (100 / 160) ** 2, (20 / 160) ** 2, 0, 0, 0, 0, 0, 0, (50 / 160) ** 2, 1, 1,
    ],
    ("bow_mm", "gantry"): [0, 0, 0, 0, (40 / 160) ** 2, 0, 0, 0, 0, 0, 0],
    ("bow_mm", "lean"): [0, 0, 0, 0, 0, (40 / 160) ** 2, (40 / 160) ** 2, 0, 0, 0, 0],
    ("bow_mm", "sway"): [0, 0, 0, 0, 0, 0, 0, (40 / 160) ** 2, 0, 0, 0],
}  # fmt: skip


def survey(**more: object) -> Survey:
    mechanics = more.pop("mechanics", Mechanics(gantry_angle_deg=45.0))
    return Survey(READINGS, mechanics, {"x": 80.0, "y": 80.0, "z": 105.0}, **more)  # type: ignore


def jacobian(of: Survey) -> np.ndarray:
    observations, unknowns = observe(of)
    return observations.predict(unknowns.mean)[1]


@pytest.mark.parametrize(("component", "of"), [key for key in COLUMNS if any(COLUMNS[key])])
def test_each_reading_moves_with_what_it_shares(component: str, of: str) -> None:
    at = survey()
    found = {(s.component, s.of): s.column for s in shared(at, layout(at), jacobian(at))}
    assert found[component, of] == pytest.approx(COLUMNS[component, of])


def test_nothing_is_shared_that_moves_no_reading_or_is_of_no_size() -> None:
    at = survey()
    found = {(s.component, s.of) for s in shared(at, layout(at), jacobian(at))}
    assert ("warm_percent", "p1") not in found
    assert all(np.any(s.column) for s in shared(at, layout(at), jacobian(at)))
    none = survey(budget=NO_BUDGET)
    left = {s.component for s in shared(none, layout(none), jacobian(none)) if s.u > 0}
    assert left <= {"zero_mm"}  # the limit of error of the caliper stands for itself


def test_what_is_never_below_nought_is_expected_at_half_its_size() -> None:
    """About 0 its mean square stays that of the stated size: (1/2)^2 + 3/4 = 1."""
    at = survey(budget=Budget(foot_mm=0.2))
    (foot,) = [
        s
        for s in shared(at, layout(at), jacobian(at))
        if (s.component, s.of) == ("foot_mm", "lean")
    ]
    assert foot.mean == pytest.approx(0.1)
    assert foot.mean**2 + foot.u**2 == pytest.approx(0.2**2)


def test_pieces_are_told_by_name_and_else_by_what_they_show() -> None:
    pieces = layout(survey()).piece
    assert list(pieces) == [
        "aslant", "aslant", "flat", "flat", "upright", "upright", "upright", "upright", "plate",
        "", "",
    ]  # fmt: skip


def test_each_reading_has_its_own_seating_form_and_waves() -> None:
    """A wave of amplitude a between two belt positions b apart: a^2 (1 - cos(2 pi b / P))."""
    drive = Drive(200, 16, 3.0, Roller(28.0, 1.0, run_out=0.04))
    mechanics = Mechanics(gantry_angle_deg=45.0, drives={"belt": drive}, belt_loop_mm=1000.0)
    at = survey(mechanics=mechanics, budget=Budget(seating_mm=0.02, loop_wave_mm=0.1, form_mm=0.03))
    found = own(at, layout(at), jacobian(at))
    assert found["seating_mm"] == pytest.approx([4e-4] * 8 + [0, 4e-4, 0])
    printed = max(2 * 0.03**2, at.priors.form_mm**2)
    assert found["form_mm"] == pytest.approx([printed] * 9 + [0, 0])
    turn = math.pi * 29.0
    b = 80.0  # along the belt
    assert found["roller_wave_mm"][2] == pytest.approx(
        0.04**2 * (1 - math.cos(2 * math.pi * b / turn))
    )
    assert found["loop_wave_mm"][2] == pytest.approx(
        0.1**2 * (1 - math.cos(2 * math.pi * b / 1000))
    )
    assert found["roller_wave_mm"][0] == found["loop_wave_mm"][0] == 0  # across: no belt moves


def test_a_sound_roller_runs_out_by_a_hundredth() -> None:
    """Common practice: what is not stated is small against any piece's tolerance."""
    assert Roller(28.0, 1.0).run_out == 0.01
    assert Roller(28.0, 1.0).u_diameter == Roller(28.0, 1.0).u_belt == 0.03
