"""A sample of the table of `python -m tests.stress.exchanges`: no line is wrong and unasked."""

from __future__ import annotations

import itertools
import math

import pytest

from tests.stress import mistakes
from tests.stress.exchanges import (
    EXCHANGED,
    Cell,
    beyond_told,
    exchanged,
    machine,
    table,
    unasked,
)
from tests.stress.judging import Verdict, judge

TABLE = list(table(0))

#: Every so many cells of the exchanges, and the first of each family of mistakes.
EVERY = 17


def sample() -> list[Cell]:
    swaps = [cell for cell in TABLE if cell.what == EXCHANGED]
    firsts = {cell.what: cell for cell in reversed(TABLE) if cell.what != EXCHANGED}
    return [*swaps[::EVERY], *firsts.values()]


def test_the_table_holds_every_pair_and_every_mistake_at_every_reading_it_fits() -> None:
    survey, _ = machine(0)
    count = len(survey.readings)
    swaps = [cell.at for cell in TABLE if cell.what == EXCHANGED]
    assert swaps == list(itertools.combinations(range(count), 2))
    assert len(swaps) == math.comb(23, 2)  # the standard pieces and moves
    at = {name: {c.at[0] for c in TABLE if c.what == name} for name in mistakes.MISTAKES}
    lengths = {i for i, r in enumerate(survey.readings) if r.kind in mistakes.Lengths}
    assert at["inch"] == at["comma_split"] == lengths
    assert at["move_off"] == {i for i, r in enumerate(survey.readings) if r.kind == "travel"}
    assert all(at.values())


def test_an_exchange_puts_the_values_and_nothing_else_into_each_others_place() -> None:
    survey, _ = machine(0)
    i, j = next(
        (i, j)
        for i, j in itertools.combinations(range(23), 2)
        if len(survey.readings[i].mm) != len(survey.readings[j].mm)
    )
    spoiled = exchanged(survey, i, j)
    assert len(spoiled.readings[i].mm) == len(survey.readings[i].mm)
    assert set(spoiled.readings[i].mm) <= set(survey.readings[j].mm)
    assert spoiled.readings[i].along == survey.readings[i].along
    others = [k for k in range(23) if k not in (i, j)]
    assert all(spoiled.readings[k] == survey.readings[k] for k in others)


@pytest.mark.parametrize("cell", sample(), ids=lambda cell: f"{cell.what} {cell.at}")
def test_no_exchange_and_no_mistake_ends_in_a_wrong_line_that_nobody_was_asked_about(
    cell: Cell,
) -> None:
    assert not unasked(judge(*cell.case))


@pytest.mark.parametrize(
    ("number", "what", "name"),
    [(0, "inside_for_outside", "post h1"), (2, "move_off", "travel belt")],
)
def test_a_mistake_that_no_reading_can_show_moves_a_line_by_no_more_than_stands_beside_it(
    number: int, what: str, name: str
) -> None:
    """Found among four whole tables: 0.2 % of the cells, at the edge of what can be seen."""
    names = [reading.name for reading in machine(number, 2)[0].readings]
    cell = next(c for c in table(number, 2) if c.what == what and names[c.at[0]] == name)
    assert unasked(judge(*cell.case))
    assert not beyond_told(cell.case)


def test_what_counts_as_unasked() -> None:
    sound = Verdict("", {}, True, True, wrong=False, flagged=False, named=None, inside=True)
    assert not unasked(sound)
    wrong = Verdict("", {}, True, True, wrong=True, flagged=False, named=False, inside=False)
    assert unasked(wrong)
    asked = Verdict("", {}, True, True, wrong=True, flagged=True, named=False, inside=False)
    assert not unasked(asked)
    crashed = Verdict("crashed: x", {}, True, False, False, False, None, False)
    assert unasked(crashed)
