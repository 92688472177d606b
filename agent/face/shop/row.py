"""A row of machines in one sitting: each with its own bench and digest, one prompt for all.

Every machine has a desk of its own, so that no reading, plan or digest of one can reach another.
The prompt stands at the machine that is furthest behind, and says what to do there next; a line
that begins with the name of another machine goes there instead.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any, Final

from agent.errors import AgentError, Refused
from agent.face.columns import headed
from agent.face.desk import Desk
from agent.face.guide import RULES, Step
from agent.face.parts import Table
from agent.face.screen import Screen, clean
from agent.face.shell import plain_line, run_line
from agent.face.shop import sheets
from agent.store.nodes import read_file
from agent.store.profiles import load_profile
from agent.store.strict import Choice, Key, ListOf, Text, read_sheet
from agent.store.strict import Table as Entry
from agent.work.signals import Ended
from agent.workshop.capability import Capability, capability
from agent.workshop.fleet import ANGLES, SCALES, Left, as_left, standing_of

FORMAT: Final = "plumbelt-row/1"

#: Words that end the sitting.
ENDS: Final = ("quit", "exit", "done")


@dataclass(frozen=True, slots=True)
class Place:
    """One machine of the row."""

    name: str
    port: str
    profile: str = ""  #: name of its profile, or a file; its own name if empty


def _places(**found: Any) -> tuple[Place, ...]:
    places: tuple[Place, ...] = found["machines"]
    for what in ("name", "port"):
        names = [getattr(place, what) for place in places]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"two machines have the {what} {twice[0]}")
    return places


_FILE: Final = Entry(
    _places,
    {
        "format": Key(Choice((FORMAT,)), required=True),
        "machines": Key(
            ListOf(
                Entry(
                    Place,
                    {
                        "name": Key(
                            Text(most=64, pattern=r"[A-Za-z0-9][A-Za-z0-9_.-]*"), required=True
                        ),
                        "port": Key(Text(most=500), required=True),
                        "profile": Key(Text(most=500)),
                    },
                    "a machine: {name: ..., port: ..., profile: ...}",
                ),
                least=1,
            ),
            required=True,
        ),
    },
    "a row of machines",
)


def read_row(path: Path) -> tuple[Place, ...]:
    """The machines that a file names.  Raises BadInput with every mistake of it."""
    return read_sheet(read_file(path), str(path), _FILE)


@dataclass
class Row:
    """The desks of a row, and at which of them the prompt stands."""

    desks: dict[str, Desk]
    ports: dict[str, str]
    here: str = ""
    failed: set[str] = field(default_factory=set)  #: could not be attached

    @classmethod
    def set_up(cls, places: Sequence[Place], screen: Screen) -> Row:
        """A desk for each machine, with its profile; nothing is opened yet.  Raises BadInput."""
        profiles = [
            replace(load_profile(place.profile or place.name), name=place.name) for place in places
        ]
        desks = {}
        for profile in profiles:
            desks[profile.name] = desk = Desk(screen, in_shell=True)
            desk.session.contact.use(profile)
        return cls(desks, {place.name: place.port for place in places}, places[0].name)

    def behind(self) -> tuple[str, Step] | None:
        """The machine that is furthest behind, and its next step; None if all are done.

        The machine at hand goes first among equals.
        """
        waiting = []
        for place, (name, desk) in enumerate(self.desks.items()):
            stage, step = stage_of(desk)
            if name not in self.failed and not step.done:
                waiting.append((stage, name != self.here, place, name, step))
        if not waiting:
            return None
        *_, name, step = min(waiting, key=lambda one: one[:3])
        desk = self.desks[name]
        if desk.session.contact.link is None and not desk.lost and desk.rehearsal is None:
            step = replace(step, line=f"attach {self.ports[name]}", why="It is not attached yet.")
        return name, step

    def taken_apart(self, line: str) -> tuple[str, str]:
        """(machine, rest) of a line: `egret: gauge strip` goes to egret."""
        head, colon, rest = line.partition(":")
        if colon and head.strip() in self.desks:
            return head.strip(), rest.strip()
        return self.here, line.strip()

    def carry_out(self, line: str) -> int:
        """Carry out a line at the machine it is for; its exit code."""
        self.here, rest = self.taken_apart(line)
        if not rest:
            return 0
        return run_line(self.desks[self.here], rest)

    def end_safely(self) -> None:
        """The process is asked to end: heaters of all machines off, then their links."""
        for desk in self.desks.values():
            desk.end_safely()

    def close(self) -> None:
        for desk in self.desks.values():
            desk.close()


def stage_of(desk: Desk) -> tuple[int, Step]:
    """How far a machine is, as the number of the rule that speaks, and what it says."""
    for stage, rule in enumerate(RULES):
        step = rule(desk)
        if step is not None:
            return stage, step
    raise AssertionError("the last rule always has an answer")


# --- the sitting ---------------------------------------------------------------------------------


def sit(row: Row, screen: Screen, read: Callable[[str], str]) -> int:
    """Read lines and carry them out until all is done or the technician leaves; last failure."""
    code = 0
    while True:
        found = row.behind()
        if found is None:
            screen.say("Every machine of the row is done.")
            break
        row.here, step = found
        screen.say(f"At {row.here} ({list(row.desks).index(row.here) + 1} of {len(row.desks)}):")
        screen.say(f"  {step.line}")
        screen.say(f"  {step.why}")
        try:
            line = read(f"{row.here}> ").strip()
        except Ended:  # a hang-up is no Ctrl-C at the prompt
            raise
        except KeyboardInterrupt:
            continue
        except EOFError:
            break
        if line in ENDS:
            break
        if line == "row":
            show_row(row, screen)
            continue
        attaching = not line and step.line.startswith("attach ")
        last = row.carry_out(line or f"{row.here}: {step.line}")
        if attaching and last:
            row.failed.add(row.here)
            screen.say(f"{row.here} is left out for now; '{row.here}: {step.line}' tries again.")
        elif last == 0:
            row.failed.discard(row.here)
        code = last or code
    return code


def show_row(row: Row, screen: Screen) -> None:
    """How far each machine is."""
    rows = []
    for name, desk in row.desks.items():
        _, step = stage_of(desk)
        rows.append((name, desk.status(), "done" if step.done else step.line))
    screen.table(("machine", "status", "next"), rows)


def lines_of(screen: Screen) -> Callable[[str], str]:
    """How lines come in: an editor on a terminal, plain lines from a pipe or file."""
    if sys.stdin.isatty():
        from prompt_toolkit import PromptSession

        session: PromptSession[str] = PromptSession()
        screen.ask_with(lambda question: PromptSession[str]().prompt(question))
        return session.prompt

    return lambda _: plain_line()


# --- what comes of it ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Result:
    """One machine at the end of the sitting."""

    name: str
    left: dict[str, Left]  #: errors as left, where they were measured after the last change
    standing: str
    certificate: str = ""  #: its file
    why: str = ""  #: why there is no certificate

    def to_plain(self) -> dict[str, Any]:
        return {
            "machine": self.name,
            "standing": self.standing,
            "as_left": {name: left.to_plain() for name, left in self.left.items()},
            "certificate": self.certificate or None,
            "why": self.why,
        }


def results(row: Row, made: date, folder: Path) -> tuple[Result, ...]:
    """Certificates of all machines that were measured, in `folder`, and what came of each."""
    from agent.face.report.verb import job_at, written

    found = []
    for name, desk in row.desks.items():
        left = _left(desk)
        standing = standing_of(left)
        place = folder / f"report-{clean(name)}-{made.isoformat()}.html"
        try:
            written(job_at(desk), made, place)
            found.append(Result(name, left, standing, str(place)))
        except AgentError as error:
            found.append(Result(name, left, standing, "", error.what))
    return tuple(found)


def _left(desk: Desk) -> dict[str, Left]:
    session = desk.session
    if session.now.solution is None and session.now.taken:
        session.readings.solve()  # the readings after the change, which were only compared so far
    solution = session.now.solution
    if solution is None:
        return {}
    tolerance = session.profile.tolerance
    facts = {"scale_percent": tolerance.scale_percent, "angle_deg": tolerance.angle_deg}
    found = ((name, solution.parameters[name]) for name in (*SCALES, *ANGLES))
    return as_left(((n, p.value, p.u) for n, p in found if p.determined), facts)


def cover(found: Sequence[Result]) -> tuple[Table, Table, dict[str, Capability]]:
    """The cover sheet: one machine a row; yield and capability of each error, in tolerances."""
    made: dict[str, Capability] = {}
    for error in (*SCALES, *ANGLES):
        shares = [r.left[error].value / r.left[error].limit for r in found if error in r.left]
        one = capability(shares, -1.0, 1.0)
        if one is not None:
            made[error] = one
    rows = tuple(
        (r.name, r.standing, sheets.largest(r.left), r.certificate or f"none: {r.why}")
        for r in found
    )
    columns = headed("machine", "as left", ">largest, of its tolerance", "certificate")
    return Table(columns, rows), sheets.capabilities(tuple(made.items())), made


def yield_words(found: Sequence[Result]) -> str:
    """How many of the row lie within their tolerance, as is known."""
    within = sum(r.standing == "within" for r in found)
    unknown = sum(r.standing in ("unknown", "open") for r in found)
    told = f"Yield: {within} of {len(found)} machines within tolerance with 95 % confidence"
    return told + (f"; of {unknown} it is not known." if unknown else ".")


def save_cover(found: Sequence[Result], made: date, folder: Path) -> Path:
    """The cover sheet as one page.  Raises Refused if it is there already."""
    from agent.face.shop.page import cover_page
    from agent.store.atomic import ABSENT, write_file

    machines, capable, _ = cover(found)
    place = folder / f"row-{made.isoformat()}.html"
    text = cover_page(machines, capable, yield_words(found), made)
    write_file(place, text, expect=ABSENT)
    return place


def refuse_existing(folder: Path, made: date) -> None:
    """Raise Refused before the work begins if its cover sheet could not be written."""
    if not folder.is_dir() or not os.access(folder, os.W_OK):
        raise Refused(
            f"{folder} is no folder that can be written to",
            remedy="Make it first, or give another one with --out. Nothing was done",
        )
    place = folder / f"row-{made.isoformat()}.html"
    if place.exists():
        raise Refused(
            f"{place} is there already", remedy="Give another folder with --out. Nothing was done"
        )
