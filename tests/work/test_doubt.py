"""Which one more value tells whether a reading that stands apart from the others was off."""

from __future__ import annotations

from importlib import import_module
from types import SimpleNamespace
from typing import Any

import pytest

from agent.estimate.design import Candidate
from agent.model.feature import Reading
from agent.work import tuning
from agent.work.tuning import _axis, _doubted, is_move


def reading(name: str, kind: str, count: int) -> Reading:
    between = None if kind == "travel" else "edges"
    return Reading(kind, (100.0, 0.0, 0.0), (100.0,) * count, between, name=name)  # type: ignore[arg-type]


def candidate(name: str, kind: str, *, again: bool) -> Candidate:
    return Candidate(reading(name, kind, 1), 30.0, again=again)


#: A move of its own for each share of an axis; features of a piece, which may be read again.
CANDIDATES = (
    candidate("travel across", "travel", again=False),
    candidate("travel across 60", "travel", again=False),
    candidate("travel belt", "travel", again=False),
    candidate("stem l1", "outside", again=True),
    candidate("stem l2", "outside", again=True),
    candidate("post old", "outside", again=False),
)


@pytest.mark.parametrize(
    ("read", "doubts", "alone", "asked"),
    [
        # a feature is read once more, three times at most
        ([("stem l1", "outside", 1)], [0], False, ("stem l1", 2)),
        ([("stem l1", "outside", 2)], [0], False, ("stem l1", 3)),
        ([("stem l1", "outside", 3)], [0], False, None),
        ([("stem l1", "outside", 1)], [0], True, None),
        ([("post old", "outside", 1)], [0], False, None),
        # beside a move comes one of another length along the same axis
        ([("travel across", "travel", 1)], [0], False, ("travel across 60", 1)),
        ([("travel across", "travel", 1)], [0], True, ("travel across 60", 1)),
        ([("travel across 60", "travel", 1)], [0], True, ("travel across", 1)),
        ([("travel belt", "travel", 1)], [0], True, None),
        # the one that stands furthest apart first, then the next
        ([("stem l1", "outside", 1), ("stem l2", "outside", 1)], [1, 0], False, ("stem l2", 2)),
        ([("stem l1", "outside", 1), ("stem l2", "outside", 3)], [1, 0], False, ("stem l1", 2)),
        ([("stem l1", "outside", 1)], [], False, None),
    ],
)
def test_one_more_value_beside_a_reading_that_stands_apart(
    read: list[tuple[str, str, int]],
    doubts: list[int],
    alone: bool,
    asked: tuple[str, int] | None,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    survey: Any = SimpleNamespace(readings=[reading(*one) for one in read])
    monkeypatch.setattr("agent.estimate.design.doubted", lambda examined, rows: doubts)
    solving = import_module("agent.estimate.solve")
    monkeypatch.setattr(solving, "residuals_of", lambda survey, examined: [])
    found = _doubted(survey, None, CANDIDATES, moves_alone=alone)  # type: ignore[arg-type]
    assert (found and (found.name, found.value)) == asked
    assert found is None or found.minutes == 0.5


def test_a_move_is_known_by_its_name() -> None:
    assert [is_move(name) for name in ("travel across", "travels", "stem l1")] == [
        True, False, False,
    ]  # fmt: skip
    assert _axis("travel across 60") == _axis("travel across") == "travel across"
    assert _axis("stem l1") == ""
    assert tuning.MOVES == "travel"
