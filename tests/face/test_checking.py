"""What readings rest on, checked beforehand: the caliper on a block, the file a piece came from."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from pathlib import Path

import pytest

from agent.face.main import run
from agent.pieces import PIECES, toolpath
from agent.store.profiles import load_profile
from tests.face.bench import carry_out, desk_at


def written(path: Path, degrees: float) -> Path:
    heron = load_profile("heron")
    other = replace(heron, mechanics=replace(heron.mechanics, gantry_angle_deg=degrees))
    path.write_text("\n".join(toolpath(PIECES["post"](other), other)))
    return path


def test_a_check_of_the_caliper(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["gauge", "check", "50", "50.00", "50.01", "50.00", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["known_mm"] == 50
    assert found["deviation_mm"] == pytest.approx(0.0033, abs=1e-4)
    assert run(["gauge", "check", "50", "50.09", "50.08", "50.09"]) == 1
    assert "off by more than its stated error" in capsys.readouterr().err
    assert run(["gauge", "check"]) == 2
    assert run(["gauge", "check", "50", "1.97"]) == 2


def test_a_check_counts_for_what_is_read_afterwards() -> None:
    """The last of each length is kept with its day, and falls with the instrument."""
    desk = desk_at()
    for known, shown in ((50.0, 50.03), (100.0, 100.0), (50.0, 50.01)):
        assert carry_out(desk, [f"gauge check {known} {shown} {shown} {shown}"]) == [0]
    kept = desk.session.bench.survey().checks
    assert [(c.known_mm, round(c.deviation_mm, 3)) for c in kept] == [(100.0, 0.0), (50.0, 0.01)]
    assert all(len(c.on) == len("2026-11-02") for c in kept)


def test_a_file_sliced_at_another_angle_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = written(tmp_path / "wrong.gcode", 45.2)
    assert run(["gauge", "post", "--toolpath", str(wrong), "--profile", "heron"]) == 1
    assert "was sliced at 45.2" in " ".join(capsys.readouterr().err.split())
    right = written(tmp_path / "right.gcode", 45.0)
    monkeypatch.setattr("sys.stdin", io.StringIO(""))
    run(["gauge", "post", "--toolpath", str(right), "--profile", "heron"])
    assert "as stated" in " ".join(capsys.readouterr().out.split())
    assert run(["gauge", "travel", "--toolpath", str(right)]) == 2
    assert "gauge post --toolpath" in " ".join(capsys.readouterr().err.split())
