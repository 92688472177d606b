"""Readings that were solved: once each, and in the words of the controller they were read on."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

import agent.estimate
from agent.bench import rounds
from agent.bench.rounds import Laid, Round, Solved, Taken
from agent.model.feature import Reading
from agent.model.settings import Readback, Setting
from agent.model.survey import BeltRun
from agent.store.profiles import load_profile
from agent.work.tuning import bare_survey

HERON = load_profile("heron")
SURVEY = bare_survey(HERON)
READ = Readback("replay", {"steps_per_mm.z": Setting(105.37, "step/mm", 2, "M92 Z105.37")})


def test_the_same_readings_are_solved_once_and_eight_solutions_are_at_hand(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    asked: list[Any] = []

    def solve(survey: Any, *, line: Any) -> Any:
        asked.append(survey)
        return SimpleNamespace(number=len(asked))

    monkeypatch.setattr(agent.estimate, "solve", solve)
    rounds._solution.cache_clear()
    names = [f"controller {n}" for n in range(10)]
    found = [Solved(SURVEY, name).solution for name in names]
    assert [one.number for one in found] == list(range(1, 11))  # type: ignore[attr-defined]
    assert rounds._solution.cache_info().currsize == 8
    assert Solved(SURVEY, names[-8]).solution is found[-8]
    assert len(asked) == 10
    assert Solved(SURVEY, names[1]).solution is not found[1]
    assert len(asked) == 11
    rounds._solution.cache_clear()


def test_lines_are_those_of_the_family_where_something_was_read() -> None:
    told = Solved(SURVEY, "replay", READ)._line("steps_per_mm.z", 106.0)
    assert told is not None
    assert "106" in told
    for solved in (Solved(SURVEY, "", READ), Solved(SURVEY, "replay"), Solved(SURVEY, "x", READ)):
        assert solved._line("steps_per_mm.z", 106.0) is None
    assert Solved(SURVEY, "replay", READ)._line("nothing.q", 1.0) is None, "refused"


def test_a_round_is_empty_until_something_is_laid_or_read() -> None:
    taken = Taken(Reading("travel", (100.0, 0.0, 0.0), (100.1,)), "travel")
    laid = Laid("stem", "stem", {}, 1, HERON)
    run = BeltRun((10.0, 20.0, 30.0), (10.0, 20.0, 30.0))
    assert Round().empty
    assert Round(asked=True).empty
    for more in ({"laid": (laid,)}, {"taken": (taken,)}, {"runs": (run,)}):
        assert not replace(Round(), **more).empty
    assert Round().survey is Round().solution is None
