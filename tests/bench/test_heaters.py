"""Heaters that do not obey: a stuck output, and one that never gets warm, are told as dangers."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.bench.fold import fold
from agent.model.heat import Heat, Heats, danger_of
from agent.store.rows import EntryRow
from tests.bench.world import PORT, World


@pytest.fixture
def world(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> World:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))
    found = World.new()
    found.save_profile()
    return found


@pytest.mark.parametrize(
    ("before", "after", "seconds", "told"),
    [
        (Heats(Heat(215, 0)), Heats(Heat(215, 0)), 25, "NO COOLER"),
        (Heats(Heat(215, 0)), Heats(Heat(190, 0)), 25, ""),
        (Heats(Heat(215, 0)), Heats(Heat(216, 0)), 5, ""),  # it may still overshoot
        (Heats(Heat(30, 0)), Heats(Heat(31, 0)), 25, ""),
        (Heats(Heat(90, 0)), Heats(Heat(215, 0)), 7200, ""),  # somebody heated it in between
        (Heats(None, Heat(70, 0)), Heats(None, Heat(70, 0)), 25, ""),  # a bed is slow
        (Heats(None, Heat(70, 0)), Heats(None, Heat(70, 0)), 130, "the bed is off"),
        (Heats(Heat(23, 215)), Heats(Heat(23.5, 215)), 130, "NO WARMER"),
        (Heats(Heat(23, 215)), Heats(Heat(60, 215)), 130, ""),
        (Heats(Heat(212, 215)), Heats(Heat(211, 215)), 130, ""),
        (Heats(Heat(23, 0)), Heats(Heat(23, 215)), 130, ""),  # told to heat in between
    ],
)
def test_two_reports_tell_of_a_heater_that_does_not_obey(
    before: Heats, after: Heats, seconds: float, told: str
) -> None:
    danger = danger_of(before, after, seconds)
    assert (told in danger) if told else not danger


def test_a_nozzle_that_is_off_and_stays_hot_is_the_worst_news(world: World) -> None:
    controller = world.controller
    controller.hotend.set(215.0, controller.now)
    controller.hotend.at = lambda now: 214.0  # its output is stuck on
    told = world.run("cool")
    assert told.code == 1
    assert "NO COOLER" in told.text
    assert "power switch" in told.last
    assert "DANGER" in world.run("attach", PORT, port=False).text
    desk = world.desk()
    assert desk.session.bench.heat_danger
    assert desk.status(24).startswith("HEATER")
    desk.close()


def test_a_nozzle_that_cools_is_no_danger(world: World) -> None:
    controller = world.controller
    controller.hotend.set(215.0, controller.now)
    controller.run(controller.now + 300.0)
    told = world.verb("cool")
    assert "heaters are off" in told.text
    assert world.bench.heat_danger == ""


def test_a_nozzle_that_never_gets_warm_ends_the_laying(world: World) -> None:
    controller = world.controller
    controller.hotend.rate = 1e-4
    told = world.run("lay", "strip")
    assert told.code == 1
    assert "NO WARMER" in told.text
    assert "could NOT be switched off over the link" in told.text  # it still waits for warmth
    assert "power switch" in told.last
    assert world.bench.heater_state == "unknown"
    assert world.bench.laying == ""


def test_reports_of_two_processes_are_held_against_each_other() -> None:
    def heat(at: str, nozzle: float) -> EntryRow:
        body = {"state": "off", "nozzle": [nozzle, 0.0]}
        return EntryRow(at, "s", at, "heat", body, "heron")

    first, later = "2026-03-01T10:00:00.000+00:00", "2026-03-01T10:01:00.000+00:00"
    assert "NO COOLER" in fold((heat(first, 200.0), heat(later, 200.0))).heat_danger
    assert fold((heat(first, 200.0), heat(later, 150.0))).heat_danger == ""
    stays = (heat(first, 200.0), heat(later, 200.0), heat("2026-03-01T10:01:02.000+00:00", 200.0))
    assert "NO COOLER" in fold(stays).heat_danger  # two seconds disprove nothing
    assert fold((*stays, heat("2026-03-01T10:02:00.000+00:00", 150.0))).heat_danger == ""


def test_a_piece_that_was_laid_in_between_makes_no_stuck_heater() -> None:
    """Cold before, heated for the laying, off and still hot at its end: all as it should be."""

    def event(at: str, **body: object) -> EntryRow:
        return EntryRow(at, "s", at, "heat", body, "heron")

    events = (
        event("2026-03-01T10:00:00.000+00:00", state="off", nozzle=[22.0, 0.0]),
        event("2026-03-01T10:00:10.000+00:00", state="on", why="laying stem"),
        event("2026-03-01T10:01:00.000+00:00", state="off", nozzle=[208.0, 0.0]),
    )
    assert fold(events).heat_danger == ""
