"""Axes move where nothing speaks against it: each by itself, and all together for a piece."""

from __future__ import annotations

from dataclasses import replace

import pytest

from agent.errors import Refused
from agent.face.desk import Desk
from agent.model.roles import Role
from tests.face.bench import carry_out, desk_at, forge


@pytest.fixture
def desk() -> Desk:
    made = desk_at()
    assert carry_out(made, ["attach"]) == [0]
    return made


def wrong(desk: Desk, letter: str, share: float | None) -> None:
    """The controller holds the steps of an axis times a share, or none at all."""
    readback = desk.session.bench.clean_readback
    key, settings = f"steps_per_mm.{letter}", dict(readback.settings)
    if share is None:
        del settings[key]
    else:
        settings[key] = replace(settings[key], value=share * settings[key].value)
    forge(desk, readback=replace(readback, settings=settings), written={})


def test_an_axis_with_impossible_steps_does_not_move_and_the_others_do(desk: Desk) -> None:
    moves = desk.session.moves
    wrong(desk, "x", 10.0)
    for refused in (
        lambda: moves.travel("across"),
        moves.gap,
        lambda: moves.marks("across"),
        lambda: moves.refuse_implausible(("gantry", "across")),
        moves.refuse_implausible,
    ):
        with pytest.raises(Refused, match="this machine must not move: across: "):
            refused()
    moves.refuse_implausible(("gantry", "belt"))
    assert moves.travel("belt").role == "belt"
    assert moves.marks().role == "belt"
    assert moves.advance(10.0).mm == 10.0


@pytest.mark.parametrize(("role", "letter"), [("across", "x"), ("belt", "z")])
def test_an_axis_whose_steps_nobody_told_does_not_move(desk: Desk, role: Role, letter: str) -> None:
    wrong(desk, letter, None)
    with pytest.raises(Refused, match=rf"reported no steps_per_mm\.{letter} for the {role} axis"):
        desk.session.moves.travel(role)


def test_no_nozzle_is_seated_where_an_axis_must_not_move(desk: Desk) -> None:
    assert desk.rehearsal is not None
    wrong(desk, "y", 10.0)
    before = len(desk.rehearsal.received)
    with pytest.raises(Refused, match="this machine must not move: gantry: "):
        desk.session.moves.seat()
    assert len(desk.rehearsal.received) == before


def test_a_seated_nozzle_counts_from_where_it_stands_and_is_raised(desk: Desk) -> None:
    assert desk.rehearsal is not None
    before = len(desk.rehearsal.received)
    desk.session.moves.seat()
    sent = desk.rehearsal.received[before:]
    assert sent == ("G21", "G90", "G92 X0 Y0 Z0 E0", "G1 Y10 F600", "M400")


def test_places_are_noted_as_lost_or_known_once(desk: Desk) -> None:
    moves, book = desk.session.moves, desk.session.book

    def noted() -> int:
        return [event.kind for event in book.events].count("place")

    before = noted()
    moves.place(lost=book.bench.place_lost)
    assert noted() == before
    moves.place(lost=not book.bench.place_lost, why="moved by hand")
    assert noted() == before + 1
    assert book.events[-1].body["why"] == "moved by hand"
    assert desk.session.moves.places().keys() == {"across", "gantry", "belt"}
