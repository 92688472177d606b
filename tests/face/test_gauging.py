"""Readings: typed in any honest way, taken back, mended, asked about, kept and taken up again."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest

from agent.bench.rounds import Round
from agent.bench.sheet import readings_file
from agent.errors import BadInput, Refused
from agent.estimate.repeats import suspect
from agent.face.answers import typed_length, typed_lengths
from agent.face.desk import Desk
from agent.face.gauging import numbers_from
from agent.face.main import run
from agent.store.readings import dump_readings, load_readings
from tests.face.bench import WILLING, Technician, carry_out, desk_at, forge_round


class Typist(Technician):
    """Types the given lines one after the other at the caliper, whatever is asked there."""

    def __init__(self, lines: Iterable[str], **answers: str) -> None:
        super().__init__({**WILLING, **{key.replace("_", " "): v for key, v in answers.items()}})
        self.lines = list(lines)

    def __call__(self, question: str) -> str:
        if " of 3, mm" in question or question.startswith("  "):
            self.asked.append(question)
            return self.lines.pop(0) if self.lines else "stop"
        return super().__call__(question)


def written(desk: Desk, file: Path) -> Path:
    """The readings of the desk as a readings file."""
    dump_readings(file, readings_file(desk.session.bench))
    return file


def laid(lines: Iterable[str], piece: str = "strip") -> Desk:
    """A desk with a piece laid, and a technician about to type `lines`."""
    desk = desk_at()
    assert carry_out(desk, ["attach", f"lay {piece}"]) == [0, 0]
    desk.screen.ask_with(Typist(lines))
    return desk


def taken(desk: Desk) -> dict[str, tuple[float, ...]]:
    return {t.reading.name: t.reading.mm for t in desk.session.now.taken}


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("19.98", 19.98),
        ("19,98", 19.98),
        ("19.98mm", 19.98),
        ("19.98 mm", 19.98),
        ("2 cm", 20.0),
        ("0.787 in", 0.787 * 25.4),
        ("0,787in", 0.787 * 25.4),
        ('1"', 25.4),
        ("+0.62", 0.62),
        ("-0,04", -0.04),
        (".5", 0.5),
    ],
)
def test_a_length_as_people_type_it(text: str, mm: float) -> None:
    """The inch is 25.4 mm exactly: the international inch of 1959 (general knowledge)."""
    assert typed_length(text).mm == pytest.approx(mm, abs=1e-9)


def test_several_lengths_in_one_line() -> None:
    found = typed_lengths("19.98 20,01 0.787 in; 20")
    assert [round(t.mm, 4) for t in found] == [19.98, 20.01, 19.9898, 20.0]
    assert [t.reworded for t in found] == [False, True, True, False]


@pytest.mark.parametrize(
    "text", ["", "12mmm", "1,000.5", "1 2x", "nan", "1e999", "five", "1-2", "--1"]
)
def test_what_is_no_length(text: str) -> None:
    with pytest.raises(ValueError, match=r"expected|larger"):
        typed_lengths(text)


def test_number_and_enter_as_a_caliper_types(capsys: pytest.CaptureFixture[str]) -> None:
    desk = laid(["20.31", "20,30", "0.8 in", "60.2 60.25 60.22"])
    assert carry_out(desk, ["gauge strip"]) == [0]
    assert taken(desk) == {
        "strip s1": (20.31, 20.30, 20.32),
        "strip s2": (60.2, 60.25, 60.22),
    }
    shown = capsys.readouterr().out
    assert "20,30 is understood as 20.3 mm" in shown
    assert "0.8 in is understood as 20.32 mm" in shown
    assert "Stopped at strip s3; 'gauge strip' goes on." in shown


def test_back_takes_readings_and_features_back() -> None:
    desk = laid(
        ["20.3", "20.5", "back", "20.31", "20.32", "60.2", "back", "back", "again", "20 20 20"]
    )
    assert carry_out(desk, ["gauge strip"]) == [0]
    assert taken(desk) == {"strip s1": (20.0, 20.0, 20.0)}


def test_fix_mends_one_reading(capsys: pytest.CaptureFixture[str]) -> None:
    desk = laid(["20.3", "23.0", "yes", "fix 2 20.32", "fix 9 20", "fix", "20.31"])
    assert carry_out(desk, ["gauge strip"]) == [0]
    assert taken(desk)["strip s1"] == (20.3, 20.32, 20.31)
    assert "N from 1 to 2; nothing was changed" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("answer", "after", "kept"),
    [
        ("", ["20.33"], (20.31, 20.32, 20.33)),
        ("keep", [], (20.31, 20.32, 20.82)),
        ("20.33", [], (20.31, 20.32, 20.33)),  # the caliper was quicker than the question
    ],
)
def test_an_outlier_is_asked_about_at_once(
    answer: str, after: list[str], kept: tuple[float, ...]
) -> None:
    desk = laid(["20.31", "20.32", "20.82", answer, *after])
    assert carry_out(desk, ["gauge strip"]) == [0]
    assert taken(desk)["strip s1"] == kept


def test_an_inch_display_is_noticed() -> None:
    desk = laid(["0.7992", "yes", "20.31", "20.30"])
    assert carry_out(desk, ["gauge strip-s1"]) == [0]
    assert taken(desk)["strip s1"] == pytest.approx((20.29968, 20.31, 20.30))


def test_a_reading_of_something_else_is_not_kept_unasked() -> None:
    desk = laid(["60.2", "no", "20.31", "20.30", "20.32"])
    assert carry_out(desk, ["gauge strip-s1"]) == [0]
    assert taken(desk)["strip s1"] == (20.31, 20.30, 20.32)


def test_stopping_loses_nothing_and_going_on_asks_for_the_rest() -> None:
    desk = laid(["20.3 20.31 20.32", "60.2", "stop"])
    assert carry_out(desk, ["gauge strip"]) == [0]
    assert [t.reading.mm for t in desk.session.now.taken] == [(20.3, 20.31, 20.32), (60.2,)]

    desk.screen.ask_with(Typist(["60.21", "60.22"]))
    assert carry_out(desk, ["gauge strip"]) == [0]
    assert taken(desk)["strip s2"] == (60.2, 60.21, 60.22)


def test_a_file_is_taken_up_in_another_session(tmp_path: Path) -> None:
    first = laid(["20.3 20.31 20.32"])
    assert carry_out(first, ["gauge strip"]) == [0]
    file = written(first, tmp_path / "readings.yaml")
    before = file.read_text()
    again = desk_at()
    again.screen.ask_with(Typist(["60.2 60.21 60.22"]))
    assert carry_out(again, ["attach", f"gauge strip --file {file}"]) == [0, 0]
    assert taken(again) == {"strip s1": (20.3, 20.31, 20.32), "strip s2": (60.2, 60.21, 60.22)}
    assert again.session.now.laid[0].piece == first.session.now.laid[0].piece
    assert file.read_text() == before


def test_what_gauge_writes_solve_reads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at()
    assert carry_out(desk, ["attach", "gauge travel", "lay strip", "gauge strip"]) == [0] * 4
    file = written(desk, tmp_path / "readings.yaml")
    capsys.readouterr()
    assert run(["solve", str(file), "--json"]) == 0
    from_file = capsys.readouterr().out
    assert carry_out(desk, ["solve --json"]) == [0]
    assert capsys.readouterr().out == from_file


def test_a_file_of_other_steps_is_refused(tmp_path: Path) -> None:
    first = laid(["20.3 20.31 20.32"])
    carry_out(first, ["gauge strip"])
    file = written(first, tmp_path / "readings.yaml")
    other = desk_at()
    assert other.rehearsal is not None
    other.rehearsal.machine.controller.live["steps_per_mm.z"] = 104.0
    assert carry_out(other, ["attach"]) == [0]
    with pytest.raises(Refused, match=r"other steps/mm \(z: 105.37 then, 104 now\)"):
        other.session.readings.take_file(file)
    assert other.session.now.taken == ()


def test_a_file_of_the_users_is_never_written(tmp_path: Path) -> None:
    """Readings without names, a material and a tolerance of its own: all of it stays."""
    file = tmp_path / "by-hand.yaml"
    text = """\
format: plumbelt-readings/1   # by hand
mechanics: {gantry_angle_deg: 45}
settings: {steps_per_mm: {x: 80, y: 80, z: 105.37}}
material: {shrink_percent: 0.4}
tolerance: {scale_percent: 0.3}
readings:
  - {feature: outside, along: [0, 20, 0], mm: [20.31]}
  - {feature: outside, along: [0, 60, 0], mm: [60.4]}
  - {feature: outside, along: [80, 0, 0], mm: [80.2]}
"""
    file.write_text(text)
    desk = laid(["20.3 20.31 20.32"])
    assert carry_out(desk, [f"gauge strip --file {file}"]) == [0]
    assert file.read_text() == text
    assert [t.reading.mm for t in desk.session.now.taken] == [
        (20.31,),
        (60.4,),
        (80.2,),
        (20.3, 20.31, 20.32),
    ]
    desk.screen.ask_with(Typist(["60.2 60.21 60.22"]))
    assert carry_out(desk, [f"gauge strip --file {file}"]) == [0]
    assert len(desk.session.now.taken) == 5  # those of the file are there once
    out = tmp_path / "out.yaml"
    assert carry_out(desk, [f"log readings --out {out}", f"log readings --out {out}"]) == [0, 1]
    assert len(load_readings(out).survey.readings) == 5


def test_conditions_are_asked_once_and_kept() -> None:
    desk = desk_at(answers={"Room temperature": "21,5", "Minutes since": "3"})
    assert (
        carry_out(desk, ["attach", "lay strip", "gauge strip", "lay post", "gauge post"]) == [0] * 5
    )
    asked = desk.screen._ask.asked  # type: ignore[attr-defined]
    assert sum("Room temperature" in question for question in asked) == 1
    conditions = desk.session.bench.survey().conditions
    assert (conditions.room_c, conditions.minutes_since_print) == (21.5, 3.0)


def test_values_on_the_line_name_every_mistake() -> None:
    desk = desk_at()
    with pytest.raises(BadInput) as failure:
        numbers_from(desk, ["19.98", "2o", "x"])
    assert [problem.key for problem in failure.value.problems] == ["2o", "x"]


def test_a_signed_reading_on_the_line() -> None:
    desk = laid([], piece="post")
    name = next(f.name for f in desk.session.now.laid[0].piece.features if f.kind == "lean")
    line = f"gauge {name.replace(' ', '-')} -0.31 -0,30"
    assert carry_out(desk, [line]) == [0]
    assert taken(desk)[name] == (-0.31, -0.30)


@pytest.mark.parametrize(
    ("values", "odd"),
    [
        ((20.31, 20.30, 20.33), None),
        ((20.31, 20.30, 20.82), 2),
        ((20.31, 20.82), None),
        ((20.31, 20.25, 20.31, 20.32, 20.30), None),
        ((20.31, 20.10, 20.31, 20.32, 20.30), 1),
    ],
)
def test_which_repeat_is_asked_about(values: tuple[float, ...], odd: int | None) -> None:
    assert suspect(values, 0.02) == odd


def test_good_repeats_are_seldom_asked_about() -> None:
    """At level 1 % about one good triple in a hundred is asked about."""
    import random

    rng = random.Random(1)
    asked = sum(
        suspect([rng.gauss(20, 0.02) for _ in range(3)], 0.02) is not None for _ in range(4000)
    )
    assert 20 <= asked <= 60


def test_an_interrupt_loses_no_reading() -> None:
    desk = laid(["20.3 20.31 20.32", "60.2", "60.22"])
    typist = desk.screen._ask

    def ask(question: str) -> str:
        answer = typist(question)
        if answer == "stop":
            raise KeyboardInterrupt
        return answer

    desk.screen.ask_with(ask)
    assert carry_out(desk, ["gauge strip"]) == [130]
    assert taken(desk) == {"strip s1": (20.3, 20.31, 20.32), "strip s2": (60.2, 60.22)}


def test_values_on_the_line_that_cannot_be_are_refused(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = laid([])
    assert carry_out(desk, ["gauge strip-s1 20.3 203"]) == [1]
    assert taken(desk) == {}
    assert "203 mm is not kept as a reading of strip s1" in capsys.readouterr().err
    assert carry_out(desk, ["gauge strip-s1 20.3 20.31 20.8"]) == [0]
    assert "20.8 differs from the others" in capsys.readouterr().out


def test_what_the_simulated_caliper_shows_is_what_all_takes(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = desk_at()
    carry_out(desk, ["attach", "lay strip"])
    capsys.readouterr()
    assert carry_out(desk, ["gauge strip"]) == [0]
    shown = capsys.readouterr().out.partition("caliper shows ")[2].splitlines()[0].split()
    first = desk.session.now.taken[0].reading
    assert [f"{value:.2f}" for value in first.mm] == shown


def test_a_tenth_too_long_is_asked_about_once() -> None:
    desk = laid(["22,5", "no", "22.5 22.51 22.52", "yes", "67.39 67.4 67.41"])
    carry_out(desk, ["gauge strip"])
    assert taken(desk) == {
        "strip s1": (22.5, 22.51, 22.52),
        "strip s2": (67.39, 67.4, 67.41),
    }


def test_once_a_solution_was_carried_out_less_is_believed() -> None:
    desk = laid(["20.6", "no", "20.1 20.1 20.1"])
    forge_round(desk, follows=Round(45.0))
    carry_out(desk, ["gauge strip"])
    assert taken(desk) == {"strip s1": (20.1, 20.1, 20.1)}


@pytest.mark.parametrize("name", ["strip", "rail", "post", "block", "stem"])
def test_the_first_question_stands_below_the_drawing_on_a_small_terminal(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    desk = laid(["stop"], piece=name)
    monkeypatch.setattr(type(desk.screen), "rows", 24)
    capsys.readouterr()
    assert carry_out(desk, [f"gauge {name}"]) == [0]
    told = capsys.readouterr().out
    drawing = told[: told.index("Stopped at")]
    assert drawing.startswith(f" {name}:")
    assert len(drawing.splitlines()) <= 23  # and one for the question


def test_a_word_that_names_nothing_is_answered_with_those_that_do(
    capsys: pytest.CaptureFixture[str],
) -> None:
    desk = desk_at()
    assert carry_out(desk, ["attach", "gauge travel-up", "gauge stem"]) == [0, 2, 1]
    said = capsys.readouterr().err.replace("\n", " ")
    assert "Nothing is named 'travel-up'. There are strip, rail, post, block, stem, travel" in said
    assert "travel-across, travel-gantry, travel-belt, gap, bed, check." in said
    assert "No stem has been laid" in said  # a word that names something, not laid yet
