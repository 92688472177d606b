"""Readings after a change against what was foretold: bead growth apart, all else held to it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.estimate import Solution, solve
from agent.estimate.foretelling import compare, growth_bound
from agent.model.budget import NO_BUDGET
from agent.model.feature import Reading
from agent.model.profile import Instrument, Material, Mechanics
from agent.model.survey import Survey
from tests.estimate.cases import SQUARE

BEAD = 0.5  #: mm

#: A belt that travels 2 % too far and a bead 0.1 mm wider than planned, read at three lengths; on
#: an upright machine, where nothing leans and lengths along the belt tell the belt alone.
SURVEY = Survey(
    readings=(
        *(
            Reading("outside", (0.0, s, 0.0), (1.02 * s + 0.1,), u_mm=0.01, name=f"s{s:g}")
            for s in (20.0, 60.0, 180.0)
        ),
        Reading("pitch", (0.0, 100.0, 0.0), (102.0,), u_mm=0.01, name="pitch"),
    ),
    mechanics=Mechanics(gantry_angle_deg=90.0),
    steps_per_mm={"x": 80.0, "y": 80.0, "z": 105.37},
    material=Material(shrink_percent=0.0, shrink_u_percent=0.001),
    instrument=Instrument(mpe_mm=0.0),
    budget=NO_BUDGET,
    priors=SQUARE,
)


@pytest.fixture(scope="module")
def solution() -> Solution:
    return solve(SURVEY)


def again(solution: Solution, grown: float, *, pitch: float = 0.0) -> tuple[Reading, ...]:
    """Readings as foretold, but for beads that have grown and a pitch that is off."""
    changed = zip(SURVEY.readings, solution.expected_next, strict=True)
    return tuple(
        replace(r, mm=(expected + (pitch if r.kind == "pitch" else grown),))
        for r, expected in changed
    )


def test_readings_as_foretold_agree(solution: Solution) -> None:
    found = compare(SURVEY, solution, again(solution, 0.0), BEAD)
    assert [row.name for row in found] == ["s20", "s60", "s180", "pitch"]
    assert all(row.agrees for row in found)


def test_beads_may_grow_as_the_layers_come_to_their_size(solution: Solution) -> None:
    # 2 % less belt travel a layer: a bead of 0.5 mm grows by about 0.01 mm, at most 0.015.
    assert growth_bound(SURVEY, solution, BEAD) == pytest.approx(1.5 * 0.5 * 0.02, rel=0.05)
    found = compare(SURVEY, solution, again(solution, 0.012), BEAD)
    assert all(row.agrees for row in found)
    assert [round(row.growth, 3) for row in found] == [0.012, 0.012, 0.012, 0.0]


@pytest.mark.parametrize(("grown", "pitch"), [(0.2, 0.0), (-0.2, 0.0), (0.0, 0.1)])
def test_more_than_that_disagrees(solution: Solution, grown: float, pitch: float) -> None:
    found = compare(SURVEY, solution, again(solution, grown, pitch=pitch), BEAD)
    assert not all(row.agrees for row in found)


def test_the_limit_shown_is_the_limit_of_the_judgement(solution: Solution) -> None:
    # Four readings at 99 % together: 0.5 * 0.01 / 4 on each side, where the table of the normal
    # distribution gives a deviate of 3.02, and 2.58 where one alone was read again (handbook
    # values, from memory).
    for row in compare(SURVEY, solution, again(solution, 0.0), BEAD):
        assert row.limit == pytest.approx(3.02 * row.u, rel=2e-3)
    (row,) = compare(SURVEY, solution, again(solution, 0.0)[-1:], BEAD)
    assert row.limit == pytest.approx(2.576 * row.u, rel=2e-3)
    for share, verdict in ((0.99, "agrees"), (1.01, "DISAGREES")):
        (row,) = compare(SURVEY, solution, again(solution, 0.0, pitch=share * row.limit)[-1:], BEAD)
        assert abs(row.apart) == pytest.approx(share * row.limit)
        assert row.verdict == verdict


def test_what_was_not_read_again_is_left_out(solution: Solution) -> None:
    found = compare(SURVEY, solution, again(solution, 0.0)[:1], BEAD)
    assert [row.name for row in found] == ["s20"]


def test_where_nothing_was_changed_nothing_may_grow() -> None:
    true = replace(
        SURVEY,
        readings=tuple(replace(r, mm=(r.along[1],)) for r in SURVEY.readings),
    )
    solution = solve(true)
    assert solution.corrections == ()
    assert growth_bound(true, solution, BEAD) == 0.0
