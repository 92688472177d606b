"""A reflash rehearsed on each invented machine: from factory values to what its profile says.

The verbs run each in a process of its own, at the machine that `sim --fault layout` would serve.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from agent.rehearsal import plain_profile
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile
from sim.machine import build
from tests.bench.world import World
from tests.face.test_new_machine import MACHINES

#: Seed of the machines: what they are off by is no matter here.
SEED = 3


def flashed(name: str) -> World:
    """An invented machine that new firmware was just written to."""
    plain = plain_profile(ready_profiles() / f"{name}.yaml")
    return World(build(plain, seed=SEED, family=plain["family"], faults=["layout"]))


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PLUMBELT_HOME", str(tmp_path / "home"))


def kept(name: str) -> dict[str, float]:
    """What the profile says of steps and speeds."""
    settings = load_profile(name).settings
    return {
        key: saved.exact
        for key, saved in settings.items()
        if key.startswith(("steps_per_mm.", "max_speed."))
    }


@pytest.mark.parametrize("name", MACHINES)
def test_after_a_reflash_a_restore_brings_everything_back_and_says_so(name: str) -> None:
    world = flashed(name)
    wanted = kept(name)
    before = world.run("readback", "--json")
    assert before.json["family"] == load_profile(name).family
    assert before.json["settings"]["steps_per_mm.e0"]["value"] == 500.0  # factory values
    preview = world.run("profile", "restore", name, "--preview", "--json")
    assert preview.code == 0, preview.text
    assert len(preview.json["lines"]) >= 6
    done = world.run("profile", "restore", name, "--approve", preview.json["digest"])
    assert done.code == 0, done.text
    assert done.out.count("new value confirmed") >= len(preview.json["lines"])
    assert "Verified: read back" in done.text
    live = {key: world.controller.live[key] for key in wanted}
    assert live == pytest.approx(wanted, rel=1e-4)
    again = world.run("profile", "restore", name, "--preview", "--json")
    assert (again.code, again.json["lines"]) == (0, [])


@pytest.mark.parametrize("name", MACHINES)
def test_it_is_stored_as_its_controller_stores_and_holds_without_power(
    name: str, tmp_path: Path
) -> None:
    world = flashed(name)
    wanted = kept(name)
    digest = world.run("profile", "restore", name, "--preview", "--json").json["digest"]
    own = world.run("profile", "restore", name, "--approve", digest, "--store")
    if load_profile(name).family != "script":
        assert own.code == 0, own.text
    else:  # asked to store what only a file keeps: not done, and said with the lines
        assert own.code == 1
        assert "start-up script: M203 X12000" in own.text
        file = tmp_path / "config.txt"
        file.write_text("; start-up\nM92 X80 Y80 Z4000 E500\nM203 X9000\n")
        told = world.run("handover", str(file), "--json")
        assert told.code == 0, told.text
        assert file.read_text() == "; start-up\nM92 X80 Y80 Z4000 E500\nM203 X9000\n"
        for line in Path(told.json["file"]).read_text().splitlines():
            edit(world, line)  # the technician puts the copy in the file's place
    world.power_cycle()
    live = {key: world.controller.live[key] for key in wanted}
    assert live == pytest.approx(wanted, rel=1e-4)
    told = world.run("prove", "power", "--json", Are_they="yes")
    assert told.json["verified"] is True
    assert told.code == 1  # a process that saw no power cycle takes nobody's word for it
    by_file = load_profile(name).family == "script"
    assert told.json["stored"] is not by_file


def edit(world: World, line: str) -> None:
    """Put a line into the controller's own file, which comes to life at the next start."""
    controller = world.controller
    live, controller.live = controller.live, dict(controller.file)
    if line and not line.startswith(";"):
        controller.do(line)
    controller.file, controller.live = dict(controller.live), live


def test_a_second_belt_motor_is_kept_as_it_was_and_never_written_by_a_restore() -> None:
    """Its current stands in the profile; a new firmware may mean another unit by it."""
    world = flashed("avocet")
    preview = world.run("profile", "restore", "avocet", "--preview", "--json").json
    assert not any(line.startswith("M906") for line in preview["lines"])
    told = {item["key"]: item["reason"] for item in preview["cannot"]}
    assert "M906 X700 Y900:900 Z800 E600" in told
    done = world.run("profile", "restore", "avocet", "--approve", preview["digest"])
    assert done.code == 0
    assert "M906 X700 Y900:900" in done.text
    assert not any(line.startswith("M906 ") for line in world.machine.received)
