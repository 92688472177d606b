"""What a change has come to is told alike, and truly, whatever the controller keeps settings in."""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.families import FAMILIES
from tests.bench.world import World, written

X = "steps_per_mm.x"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path))


@pytest.fixture(params=list(FAMILIES))
def world(request: pytest.FixtureRequest) -> World:
    made = World.new(request.param)
    made.save_profile()
    return made


def kept_by(world: World) -> str:
    return FAMILIES[world.controller.family].words.kept_by


def test_a_written_value_is_told_as_live_as_stored_or_with_its_file_line(world: World) -> None:
    written(world, {X: 80.61234})
    told = world.run("status", "--json").json
    match kept_by(world):
        case "writing":  # stored as it was written: never called unstored
            assert told["unstored"] is False
            assert world.controller.stored[X] == pytest.approx(80.61234, abs=1e-3)
        case "storing":
            assert told["unstored"] is True
        case "file":
            assert told["unstored"] is True
            assert "M92 X80.61234" in world.run("status").text


def test_storing_ends_with_success_only_where_something_was_stored(world: World) -> None:
    digest = written(world, {X: 80.61234})
    told = world.run("store", "--approve", digest, "--json")
    if kept_by(world) == "storing":
        assert told.code == 0, told.text
        assert told.json["stored"] is True
        assert world.controller.stored[X] == pytest.approx(80.61234, abs=1e-3)
        return
    assert told.code == 1
    if kept_by(world) == "writing":
        assert "stores as it writes" in told.text
    else:
        assert "M92 X80.61234" in told.text


def test_a_restore_ends_with_what_became_of_it(world: World) -> None:
    """After a flash: exit 0 if all was carried out and proved; a file's line is told with it."""
    world.controller.live[X] = 400.0
    if world.controller.stored is not None:
        world.controller.stored[X] = 400.0
    preview = world.run("profile", "restore", "heron", "--preview", "--json").json
    assert len(preview["lines"]) == 1
    done = world.run("profile", "restore", "heron", "--approve", preview["digest"], "--json")
    assert done.code == 0, done.text
    assert done.json["verified"] is True
    assert world.controller.live[X] == pytest.approx(80.0)
    assert done.json["stored"] is (kept_by(world) == "writing")
    assert bool(done.json["hand_over"]) is (kept_by(world) == "file")


def test_homing_and_a_job_prove_no_storing(world: World) -> None:
    """A macro at homing may overwrite a value, so one looks again; stored is another thing."""
    written(world, {X: 80.61234})
    for stage in ("homing", "job"):
        told = world.run("prove", stage, "--json", Done="yes")
        assert told.code == 0, told.text
        assert told.json["verified"] is True
        assert told.json["stored"] is (kept_by(world) == "writing")
        assert told.json["kept_by"] == kept_by(world)
    unstored = world.run("status", "--json").json["unstored"]
    assert unstored is (kept_by(world) != "writing")


def test_a_power_cycle_that_is_only_said_proves_no_storing(world: World) -> None:
    """Nobody switched anything off: what is live tells nothing of what is kept."""
    written(world, {X: 80.61234})
    told = world.run("prove", "power", "--json", Are_they="yes", off="yes", Enter="")
    assert told.code == 1
    if told.out.startswith('{\n  "evidence"'):
        assert told.json["stored"] is (kept_by(world) == "writing")
    assert world.run("status", "--json").json["unstored"] is (kept_by(world) != "writing")


def test_an_undo_brings_back_what_was_there_and_the_report_tells_of_the_change(
    world: World, tmp_path: Path
) -> None:
    before = world.controller.live[X]
    world.measure_moves()
    world.verb("solve")
    written(world, {X: 80.61234})
    page = tmp_path / "report.html"
    told = world.run("report", "--out", str(page))
    assert told.code == 0, told.text
    assert "80.61" in page.read_text(encoding="utf-8")
    assert world.run("undo", "--json").code == 1  # shown, and not confirmed
    plan = world.bench.plan
    assert plan is not None
    back = world.run("undo", "--approve", plan.digest, "--json")
    assert back.code == 0, back.text
    assert back.json["verified"] is True
    assert world.controller.live[X] == pytest.approx(before, abs=1e-3)
    assert world.run("status", "--json").json["unstored"] is False
