"""A simulated heron on the bench, attached in process, for the tests of changing settings."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import yaml

from agent.change.plan import Plan, make_plan
from agent.families import FAMILIES, read_back
from agent.families.base import Family
from agent.model.profile import Profile
from agent.model.settings import Readback
from agent.store.home import ready_profiles
from agent.store.profiles import load_profile
from agent.wire.link import Link
from sim.controller import Change
from sim.machine import SimulatedMachine, build
from tests.change.journal import MemoryJournal
from tests.memory import MemoryTransport

HERON: Profile = load_profile(ready_profiles() / "heron.yaml")
HERON_PLAIN: dict[str, Any] = yaml.safe_load((ready_profiles() / "heron.yaml").read_text())

#: What the tests of the write want: within the mechanics' reach, visible at two decimals.
WANTED = {"steps_per_mm.x": 80.61234, "steps_per_mm.z": 106.02}


@dataclass
class Bench:
    """One simulated machine with a link to it."""

    machine: SimulatedMachine
    family: Family
    link: Link
    journal: MemoryJournal = field(default_factory=MemoryJournal)

    def plan(self, wanted: dict[str, float] | None = None) -> Plan:
        return make_plan(
            read_back(self.link, self.family),
            WANTED if wanted is None else wanted,
            self.family,
            machine="heron",
            profile=HERON,
            why="measured",
        )

    @property
    def live(self) -> dict[str, float]:
        return self.machine.controller.live

    @property
    def stored(self) -> dict[str, float] | None:
        return self.machine.controller.stored

    @property
    def changes(self) -> list[Change]:
        """What happened to the settings, on the simulator's own word."""
        return self.machine.controller.changes

    def steps(self) -> list[str]:
        return [entry["step"] for entry in self.journal.entries]

    def attach_again(self) -> None:
        """A new agent at the same machine, as after a break."""
        self.link = attach(self.machine, self.family)


def attach(machine: SimulatedMachine, family: Family) -> Link:
    link = Link(
        MemoryTransport(machine.controller), numbered=family.numbered_lines, pause=family.pause
    )
    link.settle(quiet=2.0)  # a board that boots is silent for a while
    return link


def heron(family: str = "replay") -> Bench:
    machine = build(HERON_PLAIN, seed=None, family=family)
    return Bench(machine, FAMILIES[family], attach(machine, FAMILIES[family]))


def _read_heron() -> Readback:
    bench = heron()
    return read_back(bench.link, bench.family)


#: What heron's controller reports; tests put their own values into it.
READBACK: Readback = _read_heron()


def holding(damage: tuple[str, ...] = (), **values: float) -> Readback:
    """`READBACK` with other values: `steps_per_mm__x=81.0`."""
    settings = dict(READBACK.settings)
    for name, value in values.items():
        key = name.replace("__", ".")
        settings[key] = replace(settings[key], value=value)
    return replace(READBACK, settings=settings, damage=damage)
