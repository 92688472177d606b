"""`solve FILE`: its document, its tables, and what is wrong with a file."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from agent.estimate import residual_limits
from agent.estimate.standing import verdict
from agent.face.main import run
from agent.face.solving import solved_file

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
    survey, solution = solved_file(file)
    roll = replace(
        solution.parameters["roll_deg"],
        value=value,
        determined=determined,
        significant=significant,
    )
    assert verdict("roll_deg", roll, solution, survey) == words


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
