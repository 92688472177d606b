"""The effort of a tune, counted on one machine; `python -m tests.effort` counts many."""

from __future__ import annotations

import contextlib
import io

from agent.model.profile import Tolerance
from tests.effort import guided, practised, summed

TOLERANCE = Tolerance(0.1, 0.15)


def test_a_guided_tune_is_short_true_and_proved() -> None:
    with contextlib.redirect_stdout(io.StringIO()):
        found = guided(3, "usual", TOLERANCE)
    assert found.done, found.said
    assert found.inside
    assert "as expected" in found.said
    assert found.values <= 12
    assert found.inputs <= 40
    assert 0 < found.minutes <= 25
    assert 0 < found.proof_values < found.values


def test_the_practice_of_one_small_part_does_not_bring_the_same_machine_inside() -> None:
    with contextlib.redirect_stdout(io.StringIO()):
        found = practised(3, "usual", TOLERANCE)
    assert found.values == 3
    assert not found.inside
    row = summed([found, found])
    assert (row["machines"], row["inside"], row["values"]) == (2, 0.0, 3)
