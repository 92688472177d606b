"""Crash campaign: one tune-and-store session, cut at every byte and at every journal step.

    python -m tests.crashes [--family NAME] [--slice K] [--jobs N] [--json]

A session attaches, reads, plans, writes, looks and stores, at a machine on which a job has left a
limit of its own that must not become permanent.  It is cut

    sent       after n bytes to the controller: the cable is out
    power      the same, and the machine loses its power too
    received   after n bytes from the controller: the cable is out
    before     before the n-th journal step is safe: the agent is killed
    after      after it: the agent is killed

Then a new agent attaches with nothing but the journals and the wire.  It must say of every change
what the controller holds, on the simulator's own word, and finish or undo (by turns) to the exact
state that is wanted, stored where the family can store.  All in one process on a virtual clock, so
that a run is the same every time.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, Final, Literal, get_args

from agent.change.compare import compare_live_with_stored
from agent.change.outcome import State
from agent.change.plan import Plan, make_plan
from agent.change.resume import account, finish, undo, values_written
from agent.change.storing import Look, Others, look, store
from agent.change.transaction import read_clean, write
from agent.errors import LinkFailed
from agent.families import FAMILIES, identify
from agent.families.base import Family
from agent.store.journal import CLOSED, Entry
from agent.wire.link import Link
from agent.wire.transport import Transport
from sim.controller import Change
from sim.machine import SimulatedMachine, build
from sim.memory import MemoryTransport
from tests.change.bench import HERON, HERON_PLAIN
from tests.change.cuts import CutTransport, Killed

Kind = Literal["sent", "power", "received", "before", "after"]
KINDS: Final[tuple[Kind, ...]] = get_args(Kind)

#: Two axes, a raised and a lowered limit: every rank in the order of lines.
WANTED: Final = {
    "steps_per_mm.x": 80.61234,
    "steps_per_mm.z": 106.02,
    "max_speed.x": 150.0,
    "max_speed.y": 170.0,
}
OLD: Final = {
    "steps_per_mm.x": 80.0,
    "steps_per_mm.z": 105.37,
    "max_speed.x": 180.0,
    "max_speed.y": 160.0,
}
#: A limit that a job has left live and that nobody wants to keep.
JOB: Final = {"max_acceleration.x": 900.0}
KEPT: Final = {key: HERON.settings[key].setting.value for key in JOB}


@dataclass(frozen=True, slots=True)
class Cut:
    """Where one session is cut; `at` counts bytes or journal steps from 1."""

    family: str
    kind: Kind
    at: int

    def __str__(self) -> str:
        return f"{self.family} {self.kind} {self.at}"


@dataclass
class Disk:
    """What survives an agent: its journals.  Kills the agent at a step."""

    journals: list[list[Entry]] = field(default_factory=list)
    kill_before: int = 0
    kill_after: int = 0
    steps: int = 0

    def journal(self) -> Page:
        return Page(self)


class Page:
    """One journal on the disk; it is there once its first step is safe."""

    def __init__(self, disk: Disk) -> None:
        self._disk = disk
        self._entries: list[Entry] = []

    def note(self, step: str, **data: Any) -> None:
        disk = self._disk
        disk.steps += 1
        if disk.steps == disk.kill_before:
            raise Killed
        if not self._entries:
            disk.journals.append(self._entries)
        # through text, as on a real disk: what does not survive that is lost
        self._entries.append(json.loads(json.dumps({"step": step, **data})))
        if disk.steps == disk.kill_after:
            raise Killed


@dataclass
class Confirmed:
    """What the technician has agreed to, and when: values to set, and stores."""

    values: list[tuple[float, dict[str, float]]] = field(default_factory=list)
    stores: list[float] = field(default_factory=list)

    def allows(self, change: Change) -> bool:
        """Whether a plan that names this change was agreed to before it happened.

        Looking is part of what is agreed to: it may put back what was live when it began.
        """
        agreed = [
            values[change.key]
            for at, values in self.values
            if at <= change.at and change.key in values
        ]
        return change.new is not None and any(abs(change.new - one) < 1e-5 for one in agreed)


@dataclass
class Agent:
    """One agent at one machine, with a technician who says yes."""

    transport: Transport
    disk: Disk
    confirmed: Confirmed
    machine: SimulatedMachine

    def attach(self) -> None:
        self.link = Link(self.transport)
        family, _ = identify(self.link)
        assert family is not None
        self.family: Family = family

    def write(self, plan: Plan) -> None:
        self.confirmed.values.append((self.transport.now(), plan.wanted))
        outcome = write(
            self.link,
            self.family,
            plan,
            plan.digest,
            journal=self.disk.journal(),
            retyped=plan.wanted,
        )
        if not outcome.verified:
            raise AssertionError(f"not verified: {outcome}")

    def keep(self, plan: Plan | None) -> None:
        """Look and store; `plan` None: whatever is live and not stored, but for the job's."""
        if not can_store(self.family):
            return
        live = dict(self.machine.controller.live)
        self.confirmed.values.append((self.transport.now(), live))
        journal = self.disk.journal()
        if plan is None:
            looked: Look = compare_live_with_stored(
                self.link,
                self.family,
                "heron",
                journal=journal,
                written=values_written(self.disk.journals),
            )
            plan = Plan("heron", self.family.name, (), (), "")
            if not (looked.own or looked.others):
                return
        else:
            looked = look(self.link, self.family, plan, journal=journal)
        self.confirmed.stores.append(self.transport.now())
        others: Others = "store them too"
        if plan.changes:  # the job's limit goes back to what is stored
            others = "leave them out"
            reset = {change.key: change.old for change in looked.others}
            self.confirmed.values.append((self.transport.now(), reset))
        outcome = store(
            self.link,
            self.family,
            plan,
            looked,
            looked.digest,
            journal=self.disk.journal(),
            others=others,
        )
        if not outcome.stored:
            raise AssertionError(f"not stored: {outcome}")

    def session(self) -> None:
        """The whole tune-and-store session."""
        self.attach()
        plan = plan_for(WANTED, self)
        self.write(plan)
        self.keep(plan)


def can_store(family: Family) -> bool:
    return family.words.store is not None and family.words.covers_steps


def plan_for(wanted: dict[str, float], agent: Agent) -> Plan:
    readback = read_clean(agent.link, agent.family)
    return make_plan(readback, wanted, agent.family, machine="heron", profile=HERON)


# --- one cut -------------------------------------------------------------------------------------


@dataclass
class Verdict:
    """What one cut brought to light."""

    lost: list[str] = field(default_factory=list)
    wrong_reports: list[str] = field(default_factory=list)
    unconfirmed_writes: list[str] = field(default_factory=list)


def bench(family: str) -> SimulatedMachine:
    machine = build(HERON_PLAIN, seed=None, family=family)
    machine.controller.live.update(JOB)
    machine.controller.apply()
    return machine


def measure(family: str) -> dict[Kind, int]:
    """How many cuts of each kind an uncut session has room for."""
    machine = bench(family)
    disk = Disk()
    cable = CutTransport(MemoryTransport(machine.controller))
    Agent(cable, disk, Confirmed(), machine).session()
    return {
        "sent": cable.sent,
        "power": cable.sent,
        "received": cable.received,
        "before": disk.steps,
        "after": disk.steps,
    }


def run(cut: Cut) -> Verdict:
    """Cut one session and let a new agent find its way."""
    machine = bench(cut.family)
    disk = Disk()
    confirmed = Confirmed()
    _break(cut, machine, disk, confirmed)
    return aftermath(machine, disk, confirmed, "undo" if cut.at % 2 else "finish")


def aftermath(
    machine: SimulatedMachine, disk: Disk, confirmed: Confirmed, way: Literal["finish", "undo"]
) -> Verdict:
    """A new agent reports, and finishes or undoes what it finds; what that brings to light."""
    verdict = Verdict()
    agent = Agent(MemoryTransport(machine.controller), disk, confirmed, machine)
    try:
        agent.attach()
        _check_reports(agent, verdict)
        _mend(agent, way)
    except Exception as error:  # whatever it is, it is a finding of the campaign
        verdict.lost.append(f"{way}: {type(error).__name__}: {error}")
    else:
        _check_state(machine, agent.family, WANTED if way == "finish" else OLD, verdict)
    _check_confirmed(machine, confirmed, verdict)
    return verdict


def _break(cut: Cut, machine: SimulatedMachine, disk: Disk, confirmed: Confirmed) -> None:
    cable = CutTransport(MemoryTransport(machine.controller))
    match cut.kind:
        case "sent" | "power":
            cable.after_sent = cut.at
        case "received":
            cable.after_received = cut.at
        case "before":
            disk.kill_before = cut.at
        case "after":
            disk.kill_after = cut.at
    with suppress(LinkFailed, Killed):
        Agent(cable, disk, confirmed, machine).session()
    disk.kill_before = disk.kill_after = 0
    if cut.kind == "power":
        machine.controller.power_on(cable.now())


def _holds(machine: SimulatedMachine, key: str, old: float, new: float) -> State:
    """What the controller holds, on the simulator's own word."""
    value = machine.controller.live[key]
    if abs(value - new) < 1e-5:
        return "took"
    return "did not" if abs(value - old) < 1e-5 else "other"


def _check_reports(agent: Agent, verdict: Verdict) -> None:
    """Every journal against the machine, without and with a read-back."""
    readback = read_clean(agent.link, agent.family)
    for entries in agent.disk.journals:
        for reading in (None, readback):
            found = account(entries, reading)
            for fate in found.fates if found else ():
                holds = _holds(agent.machine, fate.key, fate.old, fate.wanted)
                # without a reading, `unknown` is right, and `did not` must be
                honest = (reading is None and fate.state == "unknown") or fate.state == holds
                closed = entries[-1]["step"] == CLOSED
                if not honest and not (reading is None and closed):
                    verdict.wrong_reports.append(f"{fate}, and the controller says: {holds}")


def _mend(agent: Agent, way: str) -> None:
    """Finish or undo, from the last transaction that broke, else from the start."""
    readback = read_clean(agent.link, agent.family)
    broken = [entries for entries in agent.disk.journals if entries[-1]["step"] != CLOSED]
    found = account(broken[-1], readback) if broken else None
    if found is not None:
        onward = (finish if way == "finish" else undo)(found, readback, agent.family, HERON)
    else:
        wanted = WANTED if way == "finish" else OLD
        onward = make_plan(
            readback, wanted, agent.family, machine="heron", profile=HERON, origin="undo"
        )
    if not onward.empty:
        agent.write(onward)
    # the job's limit is the job's: the technician takes it back before storing
    readback = read_clean(agent.link, agent.family)
    if set(JOB) <= set(readback.settings):
        kept = make_plan(readback, KEPT, agent.family, machine="heron", profile=HERON)
        if not kept.empty:
            agent.write(kept)
    agent.keep(None)


def _check_state(
    machine: SimulatedMachine, family: Family, wanted: dict[str, float], verdict: Verdict
) -> None:
    controller = machine.controller
    places = [("live", controller.live)]
    if can_store(family) or family.words.writing_stores:
        # without an override file the configuration file counts, which holds the old values
        places.append(("stored", controller.stored or {**OLD, **KEPT}))
    for place, values in places:
        for key, value in {**wanted, **KEPT}.items():
            if abs(values.get(key, 0.0) - value) > 1e-5:
                verdict.lost.append(f"{place} {key} is {values.get(key)}, wanted {value}")


def _check_confirmed(machine: SimulatedMachine, confirmed: Confirmed, verdict: Verdict) -> None:
    """The simulator's own list of what happened, against what was agreed to before."""
    stores = 0
    for change in machine.controller.changes:
        if change.kind == "set":
            if not confirmed.allows(change):
                verdict.unconfirmed_writes.append(f"{change.line}: {change.key} = {change.new}")
        elif change.kind == "store" and change.line.startswith("M500"):
            stores += 1
            if stores > sum(at <= change.at for at in confirmed.stores):
                verdict.unconfirmed_writes.append(f"stored at {change.at} unasked")
        elif change.kind in ("defaults", "erase"):
            verdict.unconfirmed_writes.append(f"{change.kind} by {change.line!r}")


# --- the campaign --------------------------------------------------------------------------------


@dataclass
class Campaign:
    """Figures of all cuts."""

    cuts: int = 0
    lost: list[str] = field(default_factory=list)
    wrong_reports: list[str] = field(default_factory=list)
    unconfirmed_writes: list[str] = field(default_factory=list)

    def add(self, cut: Cut, verdict: Verdict) -> None:
        self.cuts += 1
        for name in ("lost", "wrong_reports", "unconfirmed_writes"):
            found = getattr(verdict, name)
            if found:
                getattr(self, name).append(f"{cut}: {found[0]}")

    def to_plain(self) -> dict[str, int]:
        return {
            "cuts": self.cuts,
            "lost": len(self.lost),
            "wrong_reports": len(self.wrong_reports),
            "unconfirmed_writes": len(self.unconfirmed_writes),
        }


def cuts_of(family: str, step: int = 1) -> Iterator[Cut]:
    """Every `step`-th cut of a family, of every kind."""
    for kind, count in measure(family).items():
        for at in range(1, count + 1, step):
            yield Cut(family, kind, at)


def campaign(families: Iterable[str], step: int = 1, jobs: int = 1) -> Campaign:
    """Run the cuts of `families`; with several jobs in as many processes."""
    total = Campaign()
    cuts = [cut for family in families for cut in cuts_of(family, step)]
    if jobs == 1:
        for cut in cuts:
            total.add(cut, run(cut))
        return total
    with multiprocessing.get_context("fork").Pool(jobs) as pool:
        for cut, verdict in zip(cuts, pool.imap(run, cuts, chunksize=64), strict=True):
            total.add(cut, verdict)
    return total


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.crashes", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--family", choices=sorted(FAMILIES), help="only this family")
    parser.add_argument("--slice", type=int, default=1, metavar="K", help="every K-th cut")
    parser.add_argument("--jobs", type=int, default=2, metavar="N", help="processes")
    parser.add_argument("--json", action="store_true", help="figures as JSON")
    options = parser.parse_args(arguments)
    families = [options.family] if options.family else list(FAMILIES)
    total = campaign(families, max(1, options.slice), max(1, options.jobs))
    for name in ("lost", "wrong_reports", "unconfirmed_writes"):
        for text in getattr(total, name)[:20]:
            print(f"{name}: {text}", file=sys.stderr)
    if options.json:
        print(json.dumps(total.to_plain()))
    else:
        for name, count in total.to_plain().items():
            print(f"{name:20} {count:7d}")
    return 1 if any(count for name, count in total.to_plain().items() if name != "cuts") else 0


if __name__ == "__main__":
    sys.exit(main())
