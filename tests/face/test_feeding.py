"""Feeds of filament: only free ones change the steps, the heater is off afterwards."""

from __future__ import annotations

import json
import math

import pytest

from agent.face.desk import Desk
from agent.face.feeding import flow_now
from tests.face.bench import TO_A_PLAN, carry_out, desk_at, digest_in


def heater(desk: Desk) -> float:
    assert desk.rehearsal is not None
    return desk.rehearsal.machine.controller.hotend.target


def true_steps(desk: Desk) -> float:
    """Steps that would feed true: those in use, less the feed's true excess."""
    assert desk.rehearsal is not None
    machine = desk.rehearsal.machine
    return 1 / machine.plant.filament_mm_per_step


@pytest.mark.parametrize("seed", [3, 8])
def test_free_feeds_find_the_steps(seed: int) -> None:
    desk = desk_at(seed=seed)
    assert carry_out(desk, ["attach", "feed free --repeats 8"]) == [0, 0]
    length, values = desk.session.bench.feeds["free"]
    mean = math.fsum(values) / len(values)
    assert 412 * length / mean == pytest.approx(true_steps(desk), rel=0.004)
    assert heater(desk) == 0
    assert not desk.session.bench.hot


def test_a_hot_feed_alone_never_changes_the_steps(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at(seed=3)
    assert carry_out(desk, ["attach", "feed hot"]) == [0, 0]
    assert desk.session.bench.plan is None
    assert "Hot feeds alone never change the steps" in capsys.readouterr().out


def test_slip_is_what_hot_feeds_fall_short_of_free_ones(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at(seed=3)
    assert desk.rehearsal is not None
    desk.rehearsal.machine.plant.feed_slip = 0.05
    assert carry_out(desk, ["attach", "feed free"]) == [0, 0]
    plan = desk.session.bench.plan
    assert carry_out(desk, ["feed hot"]) == [0]
    capsys.readouterr()
    assert carry_out(desk, ["feed hot --json"]) == [0]
    document = json.loads(capsys.readouterr().out)
    assert document["slip"] == pytest.approx(0.05, abs=3 * document["u_slip"])
    assert document["plan"]["lines"] == list(plan.lines if plan else ())


def test_the_plan_of_the_feeds_is_written_as_any_other() -> None:
    desk = desk_at(seed=3, answers={"To write": digest_in})
    assert carry_out(desk, ["attach", "feed free"]) == [0, 0]
    plan = desk.session.bench.plan
    assert plan is not None
    assert list(plan.wanted) == ["steps_per_mm.e0"]
    assert carry_out(desk, ["write"]) == [0]
    assert desk.rehearsal is not None
    assert desk.rehearsal.received.count(plan.lines[0]) == 1
    assert desk.session.bench.feeds == {}
    assert carry_out(desk, ["undo"]) == [0]
    assert desk.rehearsal.machine.controller.live["steps_per_mm.e0"] == 412


def test_the_extruder_comes_after_the_axes(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at(seed=3)
    assert carry_out(desk, [*TO_A_PLAN, "feed free"])[-1] == 1
    assert "the extruder comes last" in capsys.readouterr().err


def test_the_guard_against_cold_feeding_is_never_lifted() -> None:
    desk = desk_at(seed=3)
    carry_out(desk, ["attach", "feed free", "feed hot"])
    assert desk.rehearsal is not None
    assert not any(line.startswith("M302") for line in desk.rehearsal.received)


def test_a_broken_off_feed_leaves_the_heater_off(monkeypatch: pytest.MonkeyPatch) -> None:
    desk = desk_at(seed=3)
    carry_out(desk, ["attach"])
    assert desk.rehearsal is not None

    def interrupted(_count: int, *, hot: bool) -> tuple[float, ...]:
        raise KeyboardInterrupt

    monkeypatch.setattr(desk.rehearsal, "measure_feeds", interrupted)
    assert carry_out(desk, ["feed free"]) == [130]
    assert heater(desk) == 0
    assert not desk.session.bench.hot


def test_flow_wants_a_solved_strip(capsys: pytest.CaptureFixture[str]) -> None:
    desk = desk_at(seed=3)
    assert carry_out(desk, ["attach", "feed flow"]) == [0, 1]
    assert "is not known in this state of the machine" in capsys.readouterr().err


def test_flow_goes_as_the_section_of_the_bead() -> None:
    """A bead is a rectangle with half-round sides: w' = w + b adds b h to its section."""
    desk = desk_at(seed=3)
    carry_out(desk, TO_A_PLAN)
    flow = flow_now(desk)
    bead = desk.session.profile.bead
    section = (bead.width_mm - bead.height_mm) * bead.height_mm + math.pi * bead.height_mm**2 / 4
    assert flow.factor == pytest.approx(1 + flow.growth_mm * bead.height_mm / section)
    assert 0 < flow.u_factor < 0.2
