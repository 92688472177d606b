"""A stage for whole sessions: what is typed, asked, answered and shown, as one text.

A script has a command on each line, and indented under it the answers to what it asks, in their
order: `-` is Enter alone, `{digest}` the start of the digest that is asked for.  Questions beyond
these are answered by a technician who agrees to everything.  A command that begins with `$` is a
process of its own; one that begins with `!` happens at the machine: `! off and on`, `! pull WORD`
(the cable, as soon as WORD is to be sent), `! interrupt WORD` (somebody presses Ctrl-C then),
`! set KEY VALUE` (somebody sets something at the machine), `! hot`, `! laid PIECE`, `! stop N` (a
laying is stopped after so many lines more).
"""

from __future__ import annotations

import json
import re
import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta, tzinfo
from io import StringIO
from itertools import count
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from agent import __version__
from agent.face.desk import Desk
from agent.face.main import run
from agent.face.screen import Screen
from agent.face.shell import run_line
from agent.rehearsal import plain_profile
from agent.store.profiles import load_profile
from agent.wire.identity import Opening
from agent.wire.transport import Transport
from agent.work.session import Session
from sim.machine import build
from tests.face.bench import WILLING, Technician, digest_in
from tests.memory import MemoryTransport, in_memory

TREE = Path(__file__).resolve().parent.parent.parent

#: The one port of a stage.
PORT = "memory://heron"

#: Says yes to everything.
AGREEABLE: Mapping[str, str | Callable[[str], str]] = {
    **WILLING,
    "digest": digest_in,
    "Type 'yes'": "yes",
}

#: The page of cautions where it is shown before something else; `cautions` shows it whole.
_CAUTIONS = re.compile(
    r"^(2\| )?BEFORE THE MACHINE MOVES OR HEATS\n(?:.*\n)*?.*where you are\.\n(?=\n|.*\(This)",
    re.MULTILINE,
)

_ESCAPE = re.compile(r"\x1b\[([0-9;]*)m")


class Clock:
    """The time of a session: a minute passes with each command."""

    def __init__(self) -> None:
        self.instant = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
        self._numbers = count(1)

    def tick(self, minutes: float = 1.0) -> None:
        self.instant += timedelta(minutes=minutes)

    def rule(self, patch: pytest.MonkeyPatch) -> None:
        """From now on everything takes its time from here, and numbers instead of chance."""
        clock = self

        class Fixed(datetime):
            @classmethod
            def now(cls, tz: tzinfo | None = None) -> Any:
                return clock.instant if tz is not None else clock.instant.replace(tzinfo=None)

        for module in (
            "agent.store.journal",
            "agent.store.database",
            "agent.face.gauging",
            "agent.face.laying",
            "agent.face.benchwork",
        ):
            patch.setattr(f"{module}.datetime", Fixed)
        nanoseconds = SimpleNamespace(time_ns=lambda: int(clock.instant.timestamp() * 1e9))
        patch.setattr("agent.store.rows.time", nanoseconds)
        patch.setattr("agent.store.rows._last_instant", 0)
        chance = SimpleNamespace(randbits=lambda bits: next(self._numbers))
        patch.setattr("agent.store.rows.secrets", chance)
        patch.setattr("agent.face.laying.time", SimpleNamespace(monotonic=lambda: 0.0))

        class Day(date):
            @classmethod
            def today(cls) -> Any:
                return clock.instant.date()

        patch.setattr("agent.face.report.verb.date", Day)


class _Stream(StringIO):
    """Standard output, or standard error with a mark before each line."""

    encoding = "utf-8"  # type: ignore[assignment]

    def __init__(self, said: list[str], mark: str = "", *, terminal: bool = False) -> None:
        super().__init__()
        self._said, self._mark, self._terminal = said, mark, terminal

    def write(self, text: str | bytes) -> int:  # type: ignore[override]
        text = text.decode() if isinstance(text, bytes) else text
        if text.startswith(("{", "[")):
            text = _document(text)
        for line in text.splitlines(keepends=True):
            begun = self._said and not self._said[-1].endswith("\n")
            self._said.append(line if begun else self._mark + line)
        return len(text)

    def isatty(self) -> bool:
        return self._terminal


def _document(text: str) -> str:
    """A document of `--json`, a line for each of its parts, numbers to six digits."""
    try:
        found = json.loads(text)
    except ValueError:
        return text
    lines = list(_parts("", found))
    return "\n".join(lines) + "\n"


def _parts(name: str, value: Any) -> Iterator[str]:
    """Lines of a part of a document; what is short stands in one."""
    plain = _plain(value)
    short = len(name) + len(plain) < _SHORT or name.endswith(".budget")
    if short or not isinstance(value, dict | list) or not value:
        yield f"{name} = {plain}"
        return
    parts = value.items() if isinstance(value, dict) else enumerate(value)
    for key, part in parts:
        yield from _parts(f"{name}.{key}", part)


#: Parts of a document up to so many characters stand in one line.
_SHORT = 240


def _plain(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key}: {_plain(part)}" for key, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_plain, value)) + "]"
    if isinstance(value, float):
        # noise beside nought is nought; no exponents, six digits
        size = value if abs(value) > 1e-9 else 0.0
        return f"{size:#.6g}" if size == 0.0 or 1e-4 <= abs(size) < 1e6 else f"{size:.9f}"
    return json.dumps(value, ensure_ascii=False)


class WiredDesk(Desk):
    """A desk whose one port is a cable to a simulated machine."""

    plug: Callable[[], Transport]

    def open(self, port: str, how: Opening | None = None) -> Transport:
        self.session.contact.detach()
        self.session.book.hold(port)
        return self.plug()

    def open_again(self, port: str, how: Opening | None = None) -> Transport:
        return self.plug()


class Wire:
    """The cable to a simulated machine, on which something may happen at a word."""

    def __init__(self, stage: Stage) -> None:
        self._inner = MemoryTransport(stage.machine.controller, name=PORT)
        self._stage, self.name = stage, PORT

    def now(self) -> float:
        return self._inner.now()

    def write(self, data: bytes) -> None:
        what, word = self._stage.at_word
        if word and word.encode() in data:
            self._stage.at_word = ("", "")
            if what == "interrupt":
                self._inner.write(data)
                raise KeyboardInterrupt
            self._inner.cable.unplugged = True
        self._inner.write(data)

    def read(self, until: float) -> bytes:
        return self._inner.read(until)

    def close(self) -> None:
        self._inner.close()


@dataclass
class Stage:
    """One machine, whoever works at it, and what is said meanwhile."""

    clock: Clock
    machine: Any = None
    desk: Desk = field(default_factory=Desk)
    colour: bool = False
    at_word: tuple[str, str] = ("", "")  #: what happens, and the word at which it does
    stop_at: int = 0  #: so many lines received end a laying
    said: list[str] = field(default_factory=list)
    _answers: list[str] = field(default_factory=list)

    # --- whoever sits there ----------------------------------------------------------------------

    def plug(self) -> Transport:
        return Wire(self)

    def wired(self, *, in_shell: bool = False) -> WiredDesk:
        """A new process of the agent, with a cable to the machine."""
        desk = WiredDesk(Screen(self._asked), in_shell=in_shell)
        desk.plug = self.plug
        desk.screen.coloured = self.colour
        return desk

    def _asked(self, question: str) -> str:
        plain = " ".join(question.split())
        if self._answers:
            answer = self._answers.pop(0)
            answer = {"-": "", "{digest}": digest_in(plain)}.get(answer, answer)
        else:
            if self.said[-8:].count(f"{question}[]\n") >= 3:
                raise KeyboardInterrupt  # nobody goes on saying nothing
            answer = Technician(dict(AGREEABLE))(question)
        self.said.append(f"{question}[{answer}]\n")
        return answer

    # --- what is typed ---------------------------------------------------------------------------

    def play(self, script: str) -> str:
        """Everything that is said while a script is carried out."""
        self.said.clear()
        out = _Stream(self.said, terminal=self.colour)
        with redirect_stdout(out), redirect_stderr(_Stream(self.said, "2| ")):
            for command, answers in _commands(script):
                self.clock.tick()
                self._answers = list(answers)
                self.said.append(f"{'' if command[:1] in '$!' else '> '}{command}\n")
                self._carry_out(command)
                if self._answers:
                    self.said.append(f"[was not asked for: {', '.join(self._answers)}]\n")
        return self._told()

    def _carry_out(self, command: str) -> None:
        if command.startswith("!"):
            self._happens(*command[1:].split(maxsplit=1))
            return
        if command.startswith("$"):
            desk = self.wired()
            try:
                code = run(shlex.split(command[1:], comments=True), desk)
            finally:
                desk.close()
        else:
            code = run_line(self.desk, "" if command == "-" else command)
        if code:
            self.said.append(f"[exit {code}]\n")

    def _happens(self, what: str, rest: str = "") -> None:
        controller = self.machine.controller
        match what:
            case "off":
                controller.power_on(controller.now)
                MemoryTransport(controller).read(controller.now + 5.0)
            case "pull" | "interrupt":
                self.at_word = (what, rest)
            case "set":
                key, value = rest.split()
                controller.live[key] = float(value)
            case "stop":
                self.stop_at = len(self.machine.received) + int(rest)
            case "hot":
                controller.hotend.set(215.0, controller.now)
            case "laid":
                self.machine.bed.laid_jobs[-1].label = rest
            case _:
                raise AssertionError(f"nobody knows how to {what}")

    def stops(self, *_: object) -> bool:
        """Whether somebody asks a laying to stop now."""
        asked = 0 < self.stop_at <= len(self.machine.received)
        self.stop_at = 0 if asked else self.stop_at
        return asked

    def _told(self) -> str:
        text = "".join(self.said).replace(str(TREE), "~tree").replace(str(Path.cwd()), "~here")
        text = text.replace(__version__, "~version")
        text = _CAUTIONS.sub(r"\1(the cautions)\n", text)
        return once(_ESCAPE.sub(lambda found: f"<{found[1]}>", text))


#: So many lines that stood there before are told in one.
_AGAIN = 5


def once(text: str) -> str:
    """`text` in which lines that stood there before in the same order are only counted."""
    lines = text.splitlines()
    seen: dict[tuple[str, ...], int] = {}
    told: list[str] = []
    place = 0
    while place < len(lines):
        here = tuple(lines[place : place + _AGAIN])
        before, run = seen.get(here, -1), 0
        while before >= 0 and before + run < place and place + run < len(lines):
            if lines[before + run] != lines[place + run]:
                break
            run += 1
        if len(here) == _AGAIN:
            seen.setdefault(here, place)
        if run >= _AGAIN:
            told.append(f"... {run} lines as before, from {lines[place].strip()!r}")
        else:
            told.append(lines[place])
        place += max(run, 1) if run >= _AGAIN else 1
    return "\n".join(told) + "\n"


def _commands(script: str) -> Iterator[tuple[str, list[str]]]:
    command, answers = "", list[str]()
    for line in script.strip("\n").splitlines():
        if line.startswith("  "):
            answers.append(line.strip())
            continue
        if command:
            yield command, answers
        command, answers = line.strip(), []
    if command:
        yield command, answers


Staged = Callable[..., Stage]


@contextmanager
def staged(tmp_path: Path) -> Iterator[Staged]:
    """Makes stages in an empty folder with a home of its own, on a clock of their own."""
    made: list[Stage] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path)
        patch.setenv("PLUMBELT_HOME", "home")
        for name in ("NO_COLOR", "VISUAL", "EDITOR"):
            patch.delenv(name, raising=False)
        patch.setattr("agent.wire.listing.list_ports", lambda: ())  # whatever computer it is
        clock = Clock()
        clock.rule(patch)

        def make(
            seed: int | None = 3,
            *,
            at: str = "rehearsal",
            profile: str = "heron",
            family: str = "replay",
            width: int = 80,
            colour: bool = False,
            faults: Sequence[str] = (),
        ) -> Stage:
            """`at`: "rehearsal", or "port" for a machine that the tool takes for a real one."""
            patch.setenv("COLUMNS", str(width))
            patch.setenv("TERM", "xterm" if colour else "dumb")
            path = TREE / "profiles" / f"{profile}.yaml"
            if at == "rehearsal":
                rehearsal = in_memory(plain_profile(path), seed=seed, family=family, faults=faults)
                stage = Stage(clock, rehearsal.machine, colour=colour)
                stage.desk = Desk(Screen(stage._asked), rehearsal, in_shell=True)
                stage.desk.session = Session(load_profile(path))
            else:
                machine = build(plain_profile(path), seed=seed, family=family, faults=faults)
                stage = Stage(clock, machine, colour=colour)
                stage.desk = stage.wired(in_shell=True)
                stage.desk.session.contact.use(load_profile(path))
            stage.desk.screen.coloured = colour
            patch.setattr("agent.face.laying.stops", stage.stops)
            made.append(stage)
            return stage

        yield make
        for stage in made:
            stage.desk.close()
