"""`solve FILE`: its document, its tables, and what is wrong with a file."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from agent.estimate import residual_limits
from agent.estimate.consistency import Goodness
from agent.estimate.standing import verdict
from agent.face.main import run
from agent.face.screen import Screen
from agent.face.solving import (
    _fit_words,
    line_builder,
    show_checks,
    show_corrections,
    show_readings,
    solved_file,
)

# Numbers of this project's own, but for the belt run: an own worked example with a run-out of
# 0.24 mm and a slope of +0.210 % (checked by hand with a fit of sine and line).
HEAD = """\
format: plumbelt-readings/1
mechanics: {gantry_angle_deg: 45}
settings: {steps_per_mm: {x: 80, y: 80, z: 105.25}}
material: {shrink_percent: 0, shrink_u_percent: 0.01}
"""

OFFSET_ONLY = """\
readings:
  - {feature: outside, along: [20, 0, 0],  mm: [20.17], u_mm: 0.02}
  - {feature: outside, along: [60, 0, 0],  mm: [60.16], u_mm: 0.02}
  - {feature: outside, along: [120, 0, 0], mm: [120.18], u_mm: 0.02}
"""

RUN = """\
format: plumbelt-readings/1
mechanics:
  gantry_angle_deg: 45
  drives: {belt: {full_steps: 200, microsteps: 16, ratio: 5, roller_mm: 30.0, belt_mm: 1.0}}
settings: {steps_per_mm: {x: 80, y: 80, z: 164.20}}
belt_run:
  commanded: [25, 50, 75, 100, 125, 150, 175, 200, 250, 300]
  measured: [25.11, 49.82, 74.84, 100.24, 125.29, 150.00, 175.08, 200.48, 250.18, 300.71]
"""


def solved(tmp_path: Path, text: str, *options: str) -> int:
    path = tmp_path / "readings.yaml"
    path.write_text(text, encoding="utf-8")
    return run(["solve", str(path), *options])


def test_a_bead_that_runs_wide_moves_no_setting(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert solved(tmp_path, HEAD + OFFSET_ONLY, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert found["corrections"] == []
    assert abs(found["parameters"]["x_scale"]["value"]) < 0.0005
    assert abs(found["parameters"]["offset.x"]["value"] - 0.16) < 0.02
    assert len(found["residuals"]) == len(found["expected_next"]) == 3


def test_a_belt_run_gives_slope_line_and_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert solved(tmp_path, RUN) == 0
    page = capsys.readouterr().out
    assert re.search(r"sine of the roller, 97.1 mm +0.240 mm", page)
    assert "M92 Z163.8" in page
    assert max(map(len, page.splitlines())) <= 80


@pytest.mark.parametrize("family", ["replay", "override", "numbered", "table", "script"])
def test_the_line_is_in_the_words_of_the_family_or_null(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], family: str
) -> None:
    assert solved(tmp_path, f"{RUN}family: {family}\n", "--json") == 0
    (correction,) = json.loads(capsys.readouterr().out)["corrections"]
    value = f"{correction['new']:.5f}".rstrip("0")
    lines = {
        "replay": f"M92 Z{value}",
        "override": f"M92 Z{value}",
        "script": f"M92 Z{value}",
        "numbered": f"$102={value}",
        "table": None,  # addressed by place, which only a read-back tells
    }
    assert correction["line"] == lines[family]


def test_all_mistakes_of_a_file_are_named_with_line_and_key(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = """\
format: plumbelt-readings/1
mechanics: {gantry_angle_deg: forty}
setings: {steps_per_mm: {x: 80}}
readings:
  - {feature: outsde, along: [0, 20, 0], mm: [20.31]}
  - {feature: outside, along: [0, 20], mm: [.nan]}
"""
    assert solved(tmp_path, text, "--json") == 2
    out, err = capsys.readouterr()
    problems = json.loads(out)["problems"]
    assert {p["line"] for p in problems} == {2, 3, 5, 6}
    for words in ("readings.yaml:2", "gantry_angle_deg", "settings", "outside", "along"):
        assert words in err


@pytest.mark.parametrize(
    ("value", "determined", "significant", "words"),
    [
        (0.5, False, True, "not determined"),
        (0.5, True, True, "by hand"),
        (0.04, True, True, "in tolerance"),
        (0.5, True, False, "within uncertainty"),
    ],
)
def test_what_follows_from_a_roll(
    tmp_path: Path, value: float, determined: bool, significant: bool, words: str
) -> None:
    """A spanner is called for only where the advice gives its millimetres as well."""
    file = tmp_path / "readings.yaml"
    file.write_text(HEAD + OFFSET_ONLY)
    read, solution = solved_file(file)
    roll = replace(
        solution.parameters["roll_deg"],
        value=value,
        determined=determined,
        significant=significant,
    )
    assert verdict("roll_deg", roll, solution, read.survey) == words


def test_the_tolerance_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "readings.yaml"
    file.write_text(HEAD + OFFSET_ONLY)
    assert run(["solve", str(file)]) == 0
    assert "Tolerance 0.1 % and 0.1°" in capsys.readouterr().out


def test_every_reading_is_listed_with_the_limit_it_is_judged_by(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "readings.yaml"
    file.write_text(HEAD + OFFSET_ONLY)
    assert run(["solve", str(file), "--readings"]) == 0
    said = capsys.readouterr().out
    _, solution = solved_file(file)
    assert "allowed" in said
    limits = [limit for limit in residual_limits(solution) if limit is not None]
    assert limits
    assert all(f"± {limit:.3f}" in said for limit in limits)


@pytest.mark.parametrize(
    ("p", "dof", "words"),
    [
        (0.0009, 3, "3 readings (p = 0.0009): more scatter than the stated uncertainties explain"),
        (0.001, 3, "3 readings (p = 0.001): the readings scatter as their stated"),
        (0.5, 1, "1 reading (p = 0.5): the readings scatter as their stated uncertainties say"),
        (0.999, 3, "3 readings (p = 1): the readings scatter as their stated uncertainties say"),
        (0.9995, 3, "3 readings (p = 1): the readings scatter less than the usual sizes"),
    ],
)
def test_how_the_readings_fit_as_a_whole_is_told_in_words(p: float, dof: int, words: str) -> None:
    """Only once in a thousand is it called remarkable, to either side."""
    found = _fit_words(Goodness(2.345, dof, p))
    assert found.startswith(f"Fit of the whole: chi-squared 2.3 for {words}")


def test_how_settings_of_a_file_are_written() -> None:
    """Where no family is named as most controllers take it; what it does not hold it cannot set."""
    settings = {"steps_per_mm.x": 80.0, "steps_per_mm.e": 400.0, "max_speed.x": 200.0}
    line = line_builder(None, settings)
    assert line is not None
    assert line("steps_per_mm.x", 80.25) == "M92 X80.25"
    assert line("steps_per_mm.y", 80.25) is None
    numbered = line_builder("numbered", settings)
    assert numbered is not None
    assert numbered("steps_per_mm.x", 80.25) == "$100=80.25"
    assert line_builder("table", settings) is None  # sets by place, which a file does not tell
    assert line_builder("nobody knows it", settings) is None


@pytest.mark.parametrize(
    ("files", "code", "said"),
    [
        (["good", "good"], 0, ""),
        (["good", "apart"], 1, "The readings contradict each other"),
        (["apart", "good"], 1, "The readings contradict each other"),
        (["apart", "wrong"], 2, "1 of 2 files could not be solved"),
        (["wrong", "apart"], 2, "1 of 2 files could not be solved"),
        (["wrong", "good", "gone"], 2, "2 of 3 files could not be solved"),
    ],
)
def test_of_several_files_the_worst_outcome_counts(
    files: list[str], code: int, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    apart = HEAD + (
        "readings:\n"
        "  - {feature: travel, along: [200, 0, 0], mm: [200.1], u_mm: 0.05}\n"
        "  - {feature: travel, along: [150, 0, 0], mm: [153.1], u_mm: 0.05}\n"
    )
    texts = {"good": HEAD + OFFSET_ONLY, "apart": apart, "wrong": HEAD}
    for name, text in texts.items():
        (tmp_path / f"{name}.yaml").write_text(text)
    paths = [str(tmp_path / f"{name}.yaml") for name in files]
    assert run(["solve", *paths]) == code
    told = capsys.readouterr()
    assert said in " ".join(told.err.split())
    assert told.out.count("What to do\n") == sum(name in ("good", "apart") for name in files)
    assert "What the uncertainties come from" not in told.out
    assert run(["solve", *paths, "--json"]) == code
    documents = json.loads(capsys.readouterr().out)
    assert ["error" in one for one in documents] == [name in ("wrong", "gone") for name in files]
    assert [one["file"] for one in documents if "error" in one] == [
        path for path, name in zip(paths, files, strict=True) if name in ("wrong", "gone")
    ]


def shown_by(
    what: Callable[..., None], capsys: pytest.CaptureFixture[str], *given: Any, **how: Any
) -> str:
    what(Screen(), *given, **how)
    return " ".join(capsys.readouterr().out.split())


def test_what_the_readings_say_of_each_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "readings.yaml"
    file.write_text(HEAD + OFFSET_ONLY)
    read, solution = solved_file(file)
    solution = replace(solution, goodness=None)
    worst = max(abs(r.residual) for r in solution.residuals)
    said = shown_by(show_readings, capsys, read.survey, solution, every=False)
    assert said == (
        f"3 readings, all in agreement; the largest misfit is {worst:.3f} mm"
        " ('solve --readings' lists them)."
    )
    first, *rest = solution.residuals
    odd = replace(solution, residuals=(replace(first, outlier=True), *rest))
    said = shown_by(show_readings, capsys, read.survey, odd, every=False)
    assert said.startswith("3 readings; these do not belong to the others ('solve --readings'")
    assert said.count("outside 20 / 0 / 0") == 1
    assert "outside 60 / 0 / 0" not in said
    # each with its picture
    said = shown_by(show_readings, capsys, read.survey, odd, every=True)
    assert said.count("outside 60 / 0 / 0") == 2
    apart = replace(solution, contradictory=True)
    said = shown_by(show_readings, capsys, read.survey, apart, every=False)
    assert said == "3 readings, which do not agree; none of them alone is to blame."


def test_what_is_to_be_done_is_told_even_where_it_is_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "readings.yaml"
    file.write_text(RUN)
    read, found = solved_file(file)
    assert found.corrections
    assert "Nothing" not in shown_by(show_corrections, capsys, read.survey, found)
    nothing = replace(found, corrections=(), slicing_angle_deg=None)
    words = "Nothing: no change is warranted by these readings."
    assert shown_by(show_corrections, capsys, read.survey, nothing) == words
    said = shown_by(show_corrections, capsys, read.survey, replace(nothing, contradictory=True))
    assert said == "Nothing, until the readings agree with each other."
    angle = replace(nothing, slicing_angle_deg=44.5678)
    said = shown_by(show_corrections, capsys, read.survey, angle)
    assert said.startswith("Set the gantry angle in your slicer to 44.568° (was 45°). This is not")
    assert "Nothing" not in said


def test_how_well_a_change_was_checked_by_the_readings(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A slip of one of three could move the belt by 0.12 %, and the angle by 0.5 degrees."""
    file = tmp_path / "readings.yaml"
    file.write_text(RUN)
    read, found = solved_file(file)
    known = {
        **found.parameters,
        "z_scale": replace(found.parameters["z_scale"], told_by=3, unseen_slip=0.00123),
        "gantry_angle_deg": replace(
            found.parameters["gantry_angle_deg"], told_by=2, unseen_slip=0.5
        ),
    }
    found = replace(found, parameters=known, slicing_angle_deg=None)
    said = shown_by(show_checks, capsys, read.survey, found)
    assert said.endswith("scale, belt 3 0.12 %")
    both = replace(found, slicing_angle_deg=44.5)
    assert shown_by(show_checks, capsys, read.survey, both).endswith("gantry angle 2 0.50°")
    for lacks in ({"told_by": None}, {"unseen_slip": None}):
        less = {**known, "z_scale": replace(known["z_scale"], **lacks)}
        assert shown_by(show_checks, capsys, read.survey, replace(found, parameters=less)) == ""
