"""Readings files with numbers that no workshop has: each ends in an answer or in a sentence."""

from __future__ import annotations

import json
import signal
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.face.main import run
from tests.patience import PATIENCE

#: A usual file, each number under a name of its own.
USUAL = {
    "mm": "20.31",
    "along": "20",
    "u_mm": "0.1",
    "resolution": "0.01",
    "shrink": "0.3",
    "steps": "80",
    "angle": "45",
    "tolerance": "0.1",
    "prior": "3",
    "run": "100",
}
TEXT = """\
format: plumbelt-readings/1
mechanics: {{gantry_angle_deg: {angle}}}
settings: {{steps_per_mm: {{x: {steps}, y: 80, z: 105.25}}}}
instrument: {{resolution_mm: {resolution}, mpe_mm: 0.03}}
material: {{shrink_percent: {shrink}, shrink_u_percent: 0.1}}
tolerance: {{scale_percent: {tolerance}, angle_deg: 0.1}}
priors: {{scale_percent: {prior}}}
belt_run: {{commanded: [0, 50, {run}], measured: [0, 50.1, {run}]}}
readings:
  - {{feature: outside, along: [0, {along}, 0], mm: [{mm}, 20.30, 20.33]}}
  - {{feature: outside, along: [0, 90, 0], mm: [90.4]}}
  - {{feature: lean, along: [0, 0, 40], mm: [0.2]}}
  - {{feature: travel, along: [0, 200, 0], mm: [201.4], u_mm: {u_mm}}}
"""

#: Subnormal (least, and just below the normal ones), barely normal, huge, largest, beyond, none.
ODD = ("5e-324", "2.2e-308", "1e-200", "1e-9", "1e200", "1.8e308", "1e999", ".inf", "-.inf", ".nan")


@pytest.fixture(autouse=True)
def no_hang(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """What does not come to an end is cut off, where the system can do that."""
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))
    if not hasattr(signal, "SIGALRM"):
        yield
        return
    signal.alarm(int(PATIENCE))  # its usual handling ends the process: a hang is not overlooked
    try:
        yield
    finally:
        signal.alarm(0)


def finite(text: str) -> float:
    raise AssertionError(f"{text} is no JSON number")


@pytest.mark.parametrize("odd", ODD)
@pytest.mark.parametrize("name", USUAL)
def test_numbers_at_the_ends_of_what_a_computer_holds_end_in_an_answer_or_a_sentence(
    name: str, odd: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "odd.yaml"
    file.write_text(TEXT.format(**{**USUAL, name: odd}))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        code = run(["solve", str(file), "--json"])
    told = capsys.readouterr()
    document = json.loads(told.out, parse_constant=finite)
    assert code in (0, 1, 2)
    if odd in ("1e999", ".inf", "-.inf", ".nan"):
        assert code == 2
        assert "finite" in told.err or "expected" in told.err
    assert ("error" in document) == (code == 2)


READINGS = TEXT.format(**USUAL)

#: Files of one or two readings, of many, and of such as contradict each other beyond all bounds.
ODD_FILES = {
    "one reading": READINGS[: READINGS.index("  - {feature: outside, along: [0, 90")],
    "one ten times too large": READINGS.replace("mm: [90.4]", "mm: [904]"),
    "all ten times too large": READINGS.replace("90.4", "904").replace("201.4", "2014"),
    "a millionth": READINGS.replace("mm: [90.4]", "mm: [9.0e-5]"),
    "as large as can be": READINGS.replace("mm: [90.4]", "mm: [1.0e5]"),
    "exact beyond measure": READINGS.replace("u_mm: 0.1", "u_mm: 1.0e-9"),
    "a fine display": READINGS.replace("resolution_mm: 0.01", "resolution_mm: 1.0e-9"),
    "read a hundred times": READINGS.replace("[90.4]", str([90.4] * 100)),
    "two hundred readings": READINGS
    + "".join(
        f"  - {{feature: outside, along: [0, {n}, 0], mm: [{n}.1]}}\n" for n in range(20, 220)
    ),
    "the same one again and again": READINGS
    + "  - {feature: lean, along: [0, 0, 40], mm: [0.2]}\n" * 30,
    "marks close together": READINGS.replace("[0, 50, 100]", "[0, 0.001, 0.002]"),
}


@pytest.mark.parametrize("name", ODD_FILES)
def test_a_report_of_an_odd_file_comes_to_an_end(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, page = tmp_path / "odd.yaml", tmp_path / "odd.html"
    file.write_text(ODD_FILES[name])
    code = run(["report", str(file), "--out", str(page), "--date", "2026-03-01"])
    told = capsys.readouterr().err
    assert (code, page.exists()) == (0, True), told
    assert "</html>" in page.read_text(encoding="utf-8")
