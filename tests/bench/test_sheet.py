"""Readings as a file, and back: what a file adds, and whose readings it may not add."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from agent.bench.rounds import MOVES, Taken
from agent.bench.sheet import news, readings_file
from agent.errors import BadInput, Refused
from agent.face.desk import Desk
from agent.model.survey import Conditions
from agent.store.readings import LaidPiece, dump_readings, load_readings
from tests.face.bench import carry_out, desk_at, forge_round


@pytest.fixture(scope="module")
def desk() -> Desk:
    """A bench with moves, a run, two pieces of a kind and what was asked of the room."""
    desk = desk_at(answers={"Room": "21.5", "Minutes": "30"})
    lines = [
        *("attach", "gauge travel", "marks --every 40 --count 3"),
        *("lay stem --size height=40", "gauge stem", "lay stem --size height=50"),
        *("gauge stem-2", "gauge stem-lean -0.5 -0.51 --u 0.02"),
    ]
    assert carry_out(desk, lines) == [0] * len(lines)
    return desk


def test_what_is_written_is_read_again_as_it_was(desk: Desk, tmp_path: Path) -> None:
    bench = desk.session.bench
    path = tmp_path / "read.yaml"
    dump_readings(path, readings_file(bench))
    file = load_readings(path)
    names = [reading.name for reading in file.survey.readings]
    assert "travel belt" in names
    assert "stem lean 2" in names
    assert "stem-2: stem lean 2" in names, "of a second piece of a kind its own name stands first"
    assert [piece.name for piece in file.pieces] == ["stem", "stem-2"]
    assert file.settings["steps_per_mm.z"] == 105.37
    assert file.settings["max_speed.x"] == 180.0
    assert file.family == "replay"
    added = news(bench, file, "read.yaml")
    assert (added.pieces, added.taken, added.runs, added.conditions) == ((), (), (), None)


def test_a_file_adds_what_is_not_there(desk: Desk, tmp_path: Path) -> None:
    bench = desk.session.bench
    path = tmp_path / "read.yaml"
    dump_readings(path, readings_file(bench))
    file = load_readings(path)
    forge_round(desk, taken=bench.now.taken[1:], runs=(), laid=bench.now.laid[:1])
    try:
        added = news(desk.session.bench, file, "read.yaml")
        assert [taken.reading.name for taken in added.taken] == ["travel across"]
        assert added.taken[0].piece == MOVES
        assert len(added.runs) == 1
        assert [piece.name for piece in added.pieces] == ["stem-2"]
    finally:
        forge_round(desk, taken=bench.now.taken, runs=bench.now.runs, laid=bench.now.laid)


def test_two_alike_in_a_file_are_two(desk: Desk) -> None:
    bench = desk.session.bench
    file = readings_file(bench)
    twice = (*file.survey.readings, file.survey.readings[0])
    file = replace(file, survey=replace(file.survey, readings=twice))
    added = news(bench, file, "twice.yaml")
    assert [taken.reading.name for taken in added.taken] == [twice[0].name]


@pytest.mark.parametrize(
    ("conditions", "told"),
    [(Conditions(), False), (None, False), (Conditions(room_c=30.0), True)],
)
def test_conditions_of_a_file_count_where_they_are_others(
    conditions: Conditions | None, told: bool, desk: Desk
) -> None:
    bench = desk.session.bench
    file = readings_file(bench)
    its = bench.now.conditions if conditions is None else conditions
    file = replace(file, survey=replace(file.survey, conditions=its))
    assert news(bench, file, "x").conditions == (its if told else None)


def test_readings_of_another_state_are_not_taken_up(desk: Desk) -> None:
    bench = desk.session.bench
    file = readings_file(bench)
    survey = file.survey
    assert bench.profile.mechanics.gantry_angle_deg == 45

    def angled(deg: float) -> object:
        mechanics = replace(survey.mechanics, gantry_angle_deg=deg)
        return replace(file, survey=replace(survey, mechanics=mechanics))

    news(bench, angled(45.004), "near.yaml")  # type: ignore[arg-type]
    with pytest.raises(Refused, match="sliced for 46°, and this machine slices for 45°"):
        news(bench, angled(46.0), "far.yaml")  # type: ignore[arg-type]
    for share, fine in ((1 + 5e-7, True), (1 + 5e-6, False)):
        steps = {**survey.steps_per_mm, "z": survey.steps_per_mm["z"] * share}
        other = replace(file, survey=replace(survey, steps_per_mm=steps))
        if fine:
            news(bench, other, "same.yaml")
        else:
            with pytest.raises(Refused, match=r"read at other steps/mm \(z: "):
                news(bench, other, "other.yaml")
    unknown = replace(file, pieces=(LaidPiece("cube", "cube", {}),))
    with pytest.raises(BadInput, match="there is no piece 'cube'"):
        news(bench, unknown, "cube.yaml")


def test_a_reading_of_a_file_finds_its_piece_by_its_name(desk: Desk) -> None:
    bench = desk.session.bench
    file = readings_file(bench)
    forge_round(desk, taken=())
    try:
        taken = news(desk.session.bench, file, "x").taken
        of = {(one.piece, one.reading.name) for one in taken if isinstance(one, Taken)}
        assert (MOVES, "travel gantry") in of
        assert ("stem", "stem lean") in of
        assert ("stem-2", "stem lean") in of
    finally:
        forge_round(desk, taken=bench.now.taken)
