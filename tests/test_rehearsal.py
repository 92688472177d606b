"""The bench of a rehearsal: its own caliper, the machine's power, its file, its scanner."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import sim.scanner
from agent.errors import BadInput
from agent.model.feature import Feature
from agent.rehearsal import Rehearsal, behind_a_terminal, plain_profile
from tests.memory import in_memory


@pytest.fixture
def bench() -> Iterator[Rehearsal]:
    made = in_memory(seed=3)
    yield made
    made.close()


MOVE = Feature("travel across", "travel", (100.0, 0.0, 0.0))


def test_a_caliper_with_a_cable_stays_the_same_until_its_cable_is_pulled(bench: Rehearsal) -> None:
    first = bench.instrument("number-unit")
    assert bench.instrument("number-unit") is first
    first.unplugged = True
    second = bench.instrument("request")
    assert second is not first
    first.close()
    with pytest.raises(BadInput, match="no form of line 'words'"):
        in_memory(seed=3).instrument("words")


def test_its_button_does_nothing_before_there_is_one_and_a_seat_for_it(bench: Rehearsal) -> None:
    bench.press()
    bench.pocket_press(1.0)
    pocket = bench.instrument("number-unit")
    bench.press()
    assert pocket.presses == 0, "it was put on nothing yet"
    bench.pocket_press(12.34)
    assert (pocket.presses, pocket.shown) == (1, 12.34)
    bench.pocket_press(None)
    assert (pocket.presses, pocket.shown) == (2, 12.34)
    read = bench.measure(MOVE, "travel", 3)
    assert len(read) == 3
    bench.press()
    assert pocket.presses == 3
    assert pocket.shown == pytest.approx(read[0], abs=0.5)


def test_a_served_caliper_has_its_faults(bench: Rehearsal) -> None:
    address = bench.serve_instrument("tcp:0", "number-unit", ["unplug:1"])
    assert bench.pocket is not None
    assert bench.pocket.address == address
    bench.pocket_press(5.0)
    assert bench.pocket.unplugged


def test_without_its_power_a_machine_forgets_what_was_not_stored(bench: Rehearsal) -> None:
    controller: Any = bench.machine.controller
    before = dict(controller.live)
    controller.live["steps_per_mm.x"] = 99.0
    bench.power_cycle()
    assert controller.live["steps_per_mm.x"] == before["steps_per_mm.x"]


def test_only_a_controller_that_has_a_file_can_be_edited(bench: Rehearsal) -> None:
    bench.edit_file({"steps_per_mm.x": 99.0})
    kept: Any = bench.machine.controller
    assert 99.0 not in kept.live.values()
    filed = in_memory(seed=3, family="script")
    filed.edit_file({"steps_per_mm.x": 99.0})
    assert 99.0 not in filed.machine.controller.live.values()
    filed.power_cycle()
    assert filed.machine.controller.live["steps_per_mm.x"] == 99.0


@pytest.mark.parametrize(("seed", "told"), [(None, 0), (7, 7)])
def test_a_scan_is_laid_by_the_machines_own_chance(
    seed: int | None, told: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """So that the same rehearsal gives the same scan; where nothing is asked for, always one."""
    asked: list[Any] = []
    monkeypatch.setattr(sim.scanner, "scan_to_file", lambda *how: asked.append(how))
    made = in_memory(seed=seed)
    made.scan("strip", tmp_path / "a.png", 300.0)
    assert asked == [(made.machine, "strip", tmp_path / "a.png", 300.0, told)]


def test_in_memory_or_behind_a_terminal_it_is_attached_by_its_address() -> None:
    memory = in_memory(seed=3)
    assert (memory.address, memory.open().name) == ("memory://", "memory://")
    served = behind_a_terminal(seed=3, listen="tcp:0")
    try:
        assert served.address not in ("", "memory://")
        assert served.server is not None
        transport = served.open()
        transport.close()
    finally:
        served.close()


def test_the_invented_machine_is_the_usual_one(tmp_path: Path) -> None:
    assert plain_profile()["name"] == "heron"
    wrong = tmp_path / "x.yaml"
    wrong.write_text("name: x\nmechanics: 3\n")
    with pytest.raises(BadInput):
        plain_profile(wrong)
