"""`outlook`: what a short tune takes and tells, before anything is laid."""

from __future__ import annotations

import json

import pytest

from agent.face.main import run


def told(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert run(["outlook", "--profile", "heron", *words]) == 0
    return capsys.readouterr().out


def test_steps_minutes_and_uncertainty_are_foretold(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("--u", "0.05", "--scale", "0.1", "--angle", "0.15")
    document = json.loads(told(capsys, *words, "--json"))
    assert document["reached"]
    assert document["way_out"] == ""
    assert document["values"] == len(document["steps"]) <= 12
    assert document["minutes_laid"] <= 20
    last = document["steps"][-1]["expanded95"]
    assert last == document["expanded95"]
    assert last["x_scale"] <= 0.001
    assert last["gantry_angle_deg"] <= 0.15
    costs = [t["values"] for t in document["tolerances"]]
    assert costs == sorted(costs, reverse=True)
    text = told(capsys, *words)
    assert "stem lean" in text
    assert "What a tolerance costs" in text


def test_what_cannot_be_reached_is_said_with_the_instrument_that_would(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = told(capsys, "--scale", "0.1", "--angle", "0.15")  # a steel rule
    assert "is out of reach with" in text
    assert "Moves read to 0.1 mm would reach it: a rule with a vernier" in " ".join(text.split())


def test_the_frontier_falls_with_the_minutes(capsys: pytest.CaptureFixture[str]) -> None:
    sizes = json.loads(told(capsys, "--u", "0.05", "--sizes", "--json"))["sizes"]
    minutes = [s["minutes"] for s in sizes]
    angles = [s["angle_deg"] for s in sizes]
    assert minutes == sorted(minutes)
    assert angles == sorted(angles, reverse=True)
    assert len(sizes) >= 4
