"""A simulated machine, a record on the disk, and a new process of the agent for every verb.

A process is a desk of its own that nothing outlives but the record and the machine; it runs the
very functions that the installed command runs.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from io import StringIO
from typing import Any

from agent.bench.book import RecordBook
from agent.bench.value import Bench
from agent.face.desk import Desk
from agent.face.main import run
from agent.face.screen import Screen
from agent.rehearsal import Rehearsal, plain_profile
from agent.wire.identity import Opening
from agent.wire.transport import Transport
from sim.machine import SimulatedMachine, build
from tests.face.bench import Technician
from tests.memory import InMemory, MemoryTransport

Answer = str | Callable[[str], str]

#: One for each process of the tests: a port is held by one at a time.
PORT = f"memory://{os.getpid()}"

#: Agrees to all that is asked before something moves; takes the usual uncertainty.
WILLING: Mapping[str, Answer] = {
    "Read and understood": "understood",
    "clear": "yes",
    "move by about": "yes",
    "Is there one from this machine": "yes",
}


class WiredDesk(Desk):
    """A desk whose ports are cables to one simulated machine."""

    def __init__(self, open_port: Callable[[], Transport], answers: Mapping[str, Answer]) -> None:
        super().__init__(Screen(Technician({**WILLING, **answers})))
        self._open_port = open_port

    def open(self, port: str, how: Opening | None = None) -> Transport:
        self.session.contact.detach()
        self.session.book.hold(port)
        return self._open_port()

    def open_again(self, port: str, how: Opening | None = None) -> Transport:
        return self._open_port()


@dataclass(frozen=True)
class Told:
    """What a process said, and how it ended."""

    code: int
    out: str
    err: str

    @property
    def text(self) -> str:
        return " ".join((self.out + " " + self.err).split())

    @property
    def json(self) -> dict[str, Any]:
        document: dict[str, Any] = json.loads(self.out)
        return document

    @property
    def last(self) -> str:
        """The last sentence on the screen."""
        return " ".join((self.out + "\n" + self.err).strip().split("\n\n")[-1].split())


@dataclass
class World:
    """The machine, and how its cable is just now."""

    machine: SimulatedMachine
    wrap: Callable[[Transport], Transport] = lambda transport: transport
    desks: list[WiredDesk] = field(default_factory=list)

    @classmethod
    def new(cls, family: str = "replay", seed: int | None = 3) -> World:
        return cls(build(plain_profile(), seed=seed, family=family))

    @property
    def controller(self) -> Any:
        return self.machine.controller

    @property
    def rehearsal(self) -> Rehearsal:
        return InMemory(self.machine)

    def plug(self) -> Transport:
        return self.wrap(MemoryTransport(self.machine.controller, name=PORT))

    def desk(self, **answers: Answer) -> WiredDesk:
        """A new process."""
        spoken = {key.replace("_", " "): answer for key, answer in answers.items()}
        desk = WiredDesk(self.plug, spoken)
        self.desks.append(desk)
        return desk

    def run(self, *words: str, port: bool = True, **answers: Answer) -> Told:
        """One verb in a process of its own."""
        desk = self.desk(**answers)
        out, err = StringIO(), StringIO()
        head = ("--port", PORT) if port else ()
        with redirect_stdout(out), redirect_stderr(err):
            code = run([*head, *words], desk)
            desk.close()
        return Told(code, out.getvalue(), err.getvalue())

    def verb(self, line: str, *, port: bool = True, **answers: Answer) -> Told:
        """As `run`, for a line without quotes; anything but success is an error."""
        told = self.run(*line.split(), port=port, **answers)
        assert told.code == 0, f"{line}: exit {told.code}\n{told.out}\n{told.err}"
        return told

    def save_profile(self) -> None:
        """The machine gets its name and its profile."""
        told = self.run("--profile", "heron", "profile", "save", "heron")
        assert told.code == 0, told.text

    @property
    def bench(self) -> Bench:
        """What a new process knows."""
        book = RecordBook()
        book.look_at()
        book.close()
        return book.bench

    def measure(self, piece: str, repeats: int = 3) -> None:
        """Read every feature of a laid piece, each in a process of its own."""
        laid = next(one for one in self.bench.now.laid if one.name == piece)
        for feature in laid.piece.features:
            values = self.rehearsal.measure(feature, piece, repeats)
            given = [f"{value:.2f}" for value in values]
            self.verb(f"gauge {feature.name.replace(' ', '-')} {' '.join(given)}", Keep="yes")

    def measure_moves(self) -> None:
        """Move each axis and read how far it went, each in a process of its own."""
        from agent.model.roles import ROLES
        from agent.pieces import travel_features

        for role, feature in zip(ROLES, travel_features(self.bench.profile), strict=True):
            truth = self.machine.truth()
            share = {"across": "x_scale", "gantry": "y_scale", "belt": "z_scale"}[role]
            mm = (1 + truth[share]) * sum(c * c for c in feature.along) ** 0.5
            self.verb(f"gauge travel-{role} {mm:.2f} --u 0.05", Keep_it="yes")

    def lay(self, piece: str) -> None:
        self.verb(f"lay {piece}")
        self.rehearsal.laid(self.bench.now.laid[-1].name)

    def power_cycle(self) -> None:
        """Off and on, with nobody attached."""
        self.controller.power_on(self.controller.now)
        MemoryTransport(self.controller).read(self.controller.now + 5.0)


def written(world: World, values: Mapping[str, float]) -> str:
    """Write values through the doors of a session, in a process of its own; the plan's digest."""
    from agent.change.plan import make_plan

    desk = world.desk()
    session = desk.session
    session.contact.attach(desk.open(PORT))
    assert session.contact.family is not None
    plan = make_plan(
        session.bench.clean_readback,
        values,
        session.contact.family,
        machine=session.profile.name,
        profile=session.profile,
        why="measured",
    )
    session.changes.propose(plan, "tune")
    outcome = session.changes.write(plan, plan.digest, retyped=plan.wanted)
    assert outcome.verified
    desk.close()
    return plan.digest


def exact_live(world: World, keys: Sequence[str]) -> dict[str, float]:
    return {key: round(world.controller.live[key], 6) for key in keys}
