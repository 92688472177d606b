"""How well the wanted errors are known, as the work goes on."""

from __future__ import annotations

from dataclasses import replace

from agent.bench.rounds import Round, Solved
from agent.bench.standing import wanted_of
from agent.bench.value import Bench
from agent.model.feature import Reading
from tests.benchmarks.benches import standard_survey


def test_a_change_leaves_how_well_the_errors_are_known() -> None:
    """What is found is taken out by exact settings; until the next round is solved, that holds."""
    survey = standard_survey()
    before = Round(solved=Solved(survey))
    known = wanted_of(Bench(rounds=(before,)))
    assert [row["u95"] is not None for row in known] == [True] * 4
    assert wanted_of(Bench(rounds=(before, Round(follows=before)))) == known
    single = replace(survey, readings=(Reading("travel", (0.0, 250.0, 0.0), (250.1,), u_mm=0.05),))
    after = Round(follows=before, solved=Solved(single))
    assert wanted_of(Bench(rounds=(before, after))) != known, "the newer readings decide"
    assert {row["u95"] for row in wanted_of(Bench())} == {None}
