"""Everything that an estimate says of machines of every kind, kept as it was found right."""

from __future__ import annotations

import pytest

from tests.estimate.benches import OFF, SURVEYS, coupled
from tests.estimate.telling import told
from tests.pinned import Pinned

#: Surveys of which it is also held what the solution rests on.
DEEP = {
    "off", "upright", "good", "off without budget", "off read once", "checked twice", "wrong side",
    "swapped", "sliced elsewhere", "runs beside pieces", "gantry alone", "wide priors",
}  # fmt: skip

#: And of which it is held who shares what.
LAID = {
    "off",
    "upright",
    "off without budget",
    "gantry alone",
    "grown beads",
    "sliced elsewhere",
    "runs beside pieces",
}


@pytest.mark.parametrize("name", SURVEYS)
def test_all_that_is_said_of_a_survey(name: str, pinned: Pinned) -> None:
    text = told(SURVEYS[name](), deep=name in DEEP, laid=name in LAID)
    pinned(f"estimate/{name.replace(',', '')}", text)


def test_motors_of_which_nobody_knows_are_taken_as_shared_and_steps_of_axes_are_free() -> None:
    assert told(coupled("unknown")) == told(coupled("motors"))
    assert told(coupled("axes")) == told(OFF)
