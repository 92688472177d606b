"""A short campaign at every door; the long ones are run by hand."""

from __future__ import annotations

import random

import pytest

from tests.fuzz.__main__ import campaign, figures
from tests.fuzz.door import Result, guarded
from tests.fuzz.doors import DOORS

RUNS = {"lines": 400, "profiles": 60, "readings": 40, "scripts": 20, "shell": 4}


@pytest.mark.parametrize("what", [name for name in DOORS if name != "dumps"])
def test_nothing_spoiled_is_taken_wrongly_or_breaks(what: str) -> None:
    results = campaign(what, RUNS.get(what, 25), seed=1)
    bad = [(i, r) for i, r in enumerate(results, 1) if r.wrong or r.traceback or r.hang]
    assert bad == []
    assert any(result.accepted for result in results)


def test_a_traceback_and_a_wrong_acceptance_are_counted() -> None:
    def breaks(rng: random.Random) -> tuple[bool, str]:
        raise KeyError(rng.random())

    results = [guarded(breaks, 1), guarded(lambda rng: (True, "taken"), 2), Result(hang=True)]
    assert "KeyError" in results[0].traceback
    assert figures(results) == {
        "runs": 3,
        "accepted": 1,
        "wrong_accepted": 1,
        "tracebacks": 1,
        "hangs": 1,
    }
