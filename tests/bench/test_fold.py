"""The fold: portions of events say what all of them at once say, and its copies are true copies."""

from __future__ import annotations

from contextlib import redirect_stderr, redirect_stdout
from dataclasses import fields, replace
from io import StringIO

import pytest

from agent.bench.events import Event
from agent.bench.fold import fold
from agent.bench.value import Bench, changed
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in


@pytest.fixture(scope="module")
def life() -> tuple[Event, ...]:
    """All that is noted from an attach to a change that is taken back in the next tune."""
    desk = desk_at(answers={"digest": digest_in})
    with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        carry_out(desk, [*TO_A_PLAN, "write", "store", "begin", "undo", "store", "detach"])
    return tuple(desk.session.book.events)


def test_a_life_in_portions_is_the_whole_life(life: tuple[Event, ...]) -> None:
    """A bench holds all that later events rest on, wherever one process gives over to the next."""
    whole = fold(life, Bench(machine="heron"))
    assert len({event.kind for event in life}) >= 10
    for place in range(len(life)):
        first = fold(life[:place], Bench(machine="heron"))
        assert fold(life[place:], first) == whole, place


def test_a_fold_leaves_what_it_began_with(life: tuple[Event, ...]) -> None:
    half = fold(life[: len(life) // 2], Bench(machine="heron"))
    was = repr(half)
    fold(life[len(life) // 2 :], half)
    assert repr(half) == was


def test_a_changed_bench_is_a_replaced_one(life: tuple[Event, ...]) -> None:
    bench = fold(life, Bench(machine="heron"))
    for one in fields(Bench):
        new = {one.name: object()}
        mine, wanted = changed(bench, **new), replace(bench, **new)
        assert all(getattr(mine, f.name) is getattr(wanted, f.name) for f in fields(Bench))
    assert changed(bench) == bench


def test_a_bench_takes_nothing_that_it_does_not_know() -> None:
    with pytest.raises(TypeError, match="halt"):
        changed(Bench(), halt=True)
    assert not hasattr(Bench(), "halt")


def test_what_is_taken_back_in_a_later_tune_is_written_like_anything_else(
    life: tuple[Event, ...],
) -> None:
    """Nothing broke off before it: every setting that it puts back is its own."""
    bench = fold(life, Bench(machine="heron"))
    assert bench.done is not None
    assert bench.last is not None
    assert bench.done.wanted == bench.last.wanted
    assert bench.past == ()
