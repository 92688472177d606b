"""Real processes, killed at random instants: the installed command against a served simulator.

    python -m tests.kills [--runs N] [--seed S] [--family NAME] [--json]

Each run serves a simulated machine on a socket, begins one verb of a job as a process of its own,
and kills it by -9, hang-up or terminate at a random instant.  Then a new process is asked where
things stand: what it says of heaters and settings must be so, after a hang-up or terminate the
heaters must be off, and `resume`, `cool` and the verb once more must lead to the end of the verb.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from agent.families import FAMILIES
from agent.rehearsal import plain_profile
from sim.machine import SimulatedMachine, build
from sim.serve import Server, serve

#: Longest time for one process, seconds; only a hanging one is ever so slow.
PATIENCE: Final = 300.0

KINDS: Final = ("KILL", "HUP", "TERM")

NAMES: Final = ("lost", "wrong_reports", "heaters_unknown", "left_hot")

X: Final = "steps_per_mm.x"


@dataclass
class Figures:
    """What all runs brought to light."""

    runs: int = 0
    found: dict[str, list[str]] = field(default_factory=lambda: {name: [] for name in NAMES})

    def note(self, name: str, what: str) -> None:
        self.found[name].append(what)
        print(f"{name}: {what}", file=sys.stderr, flush=True)

    def to_plain(self) -> dict[str, int]:
        return {"runs": self.runs, **{name: len(self.found[name]) for name in NAMES}}


@dataclass
class Bench:
    """One served machine, and a data folder."""

    machine: SimulatedMachine
    server: Server
    home: Path

    def begin(self, words: Sequence[str]) -> subprocess.Popen[str]:
        return subprocess.Popen(
            [sys.executable, "-m", "agent.face.main", "--port", self.server.address, *words],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PLUMBELT_HOME": str(self.home)},
        )

    def run(self, *words: str, says: str = "") -> tuple[int, str, str]:
        """One verb to its end; the port may be held a moment longer by the one that was killed."""
        until = time.monotonic() + PATIENCE
        while True:
            process = self.begin(words)
            out, err = process.communicate(says, timeout=PATIENCE)
            busy = "in use by another" in err or "cannot open" in err.lower()
            if not busy or time.monotonic() > until:
                return process.returncode, out, err
            time.sleep(0.2)

    def status(self) -> Mapping[str, Any]:
        code, out, err = self.run("status", "--json")
        if code:
            raise AssertionError(f"status: exit {code}: {err[-300:]}")
        document: Mapping[str, Any] = json.loads(out)
        return document

    @property
    def hot(self) -> bool:
        with self.server.lock:
            controller = self.machine.controller
            return bool(controller.hotend.target or controller.bed.target)


def job(family: str, chance: random.Random) -> tuple[tuple[str, ...], str]:
    """A verb and what the technician types at it."""
    choices: list[tuple[tuple[str, ...], str]] = [
        (("readback", "--stored"), ""),
        (("gauge", "travel-belt", "275.9", "--u", "0.05"), "understood\nyes\nyes\n"),
        (("profile", "restore", "heron", "--approve", "DIGEST", "--store"), ""),
    ]
    if FAMILIES[family].heats:
        choices += [(("lay", "strip"), "understood\nyes\n")] * 2
    return chance.choice(choices)


def one_run(family: str, chance: random.Random, figures: Figures) -> None:
    machine = build(plain_profile(), seed=3, family=family)
    with (
        tempfile.TemporaryDirectory(prefix="plumbelt-kills-") as folder,
        serve(machine, "tcp:0", speed=20.0) as server,
    ):
        bench = Bench(machine, server, Path(folder))
        bench.run("--profile", "heron", "profile", "save", "heron")
        if chance.random() < 0.5:
            with server.lock:
                machine.controller.live[X] = 81.25
        words, says = job(family, chance)
        if "DIGEST" in words:
            _, out, _ = bench.run("profile", "restore", "heron", "--preview", "--json")
            digest = json.loads(out)["digest"]
            words = tuple(digest if word == "DIGEST" else word for word in words)
        kind = chance.choice(KINDS)
        what = f"{family}: {' '.join(words)}, {kind}"
        killed(bench, words, says, kind, chance.uniform(0.3, 9.0))
        figures.runs += 1
        try:
            judged(bench, words, says, kind, what, figures)
        except Exception as error:  # whatever it is, it is a finding
            figures.note("lost", f"{what}: {type(error).__name__}: {error}")


def killed(bench: Bench, words: Sequence[str], says: str, kind: str, after: float) -> None:
    process = bench.begin(words)
    assert process.stdin is not None
    process.stdin.write(says)
    process.stdin.flush()
    with suppress(subprocess.TimeoutExpired):
        process.wait(after)
    if process.poll() is None:
        process.send_signal(getattr(signal, f"SIG{kind}"))
    process.communicate(timeout=PATIENCE)


def judged(
    bench: Bench, words: Sequence[str], says: str, kind: str, what: str, figures: Figures
) -> None:
    """What a new process says, and whether it gets on."""
    if kind != "KILL" and bench.hot:
        figures.note("left_hot", what)
    told = bench.status()
    if bench.machine.controller.family != "numbered":
        truth = "on" if bench.hot else "off"
        if told["heaters"] == "unknown":
            figures.note("heaters_unknown", what)
        elif told["heaters"] != truth:
            figures.note("wrong_reports", f"{what}: heaters {told['heaters']}, they are {truth}")
    for letter, value in told["steps"].items():
        live = bench.machine.controller.live.get(f"steps_per_mm.{letter}")
        if live is not None and abs(live - value) > 0.006:
            figures.note("wrong_reports", f"{what}: {letter} {value}, it is {live}")
    if told["heaters"] == "on":
        bench.run("cool")
    for _ in range(6):
        code, out, _ = bench.run("resume", "--json")
        if code or not json.loads(out)["accounts"]:
            break
        _, _, err = bench.run("resume", "finish")
        digest = re.search(r"characters of (\w{8})", " ".join(err.split()))
        if digest:
            bench.run("resume", "finish", "--approve", digest[1])
    words = list(words)
    if "restore" in words:  # the digest is of what is live now
        _, out, _ = bench.run("profile", "restore", "heron", "--preview", "--json")
        words[words.index("--approve") + 1] = json.loads(out)["digest"]
    code, out, err = bench.run(*words, says=says)
    covers = FAMILIES[bench.machine.controller.family].words
    expected = "restore" not in words and "--stored" not in words
    if code and (expected or (covers.covers_steps and not covers.writing_stores)):
        figures.note("lost", f"{what}: once more: exit {code}: {err[-200:]}")
    if bench.hot:
        figures.note("left_hot", f"{what}: at the end")


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.kills", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--runs", type=int, default=20, metavar="N")
    parser.add_argument("--seed", type=int, default=1, metavar="S")
    parser.add_argument("--family", choices=sorted(FAMILIES), help="only this family")
    parser.add_argument("--json", action="store_true", help="figures as JSON")
    options = parser.parse_args(arguments)
    chance, figures = random.Random(options.seed), Figures()
    for _ in range(options.runs):
        family = options.family or chance.choice(sorted(FAMILIES))
        one_run(family, chance, figures)
    if options.json:
        print(json.dumps(figures.to_plain()))
    else:
        for name, count in figures.to_plain().items():
            print(f"{name:20} {count:7d}")
    return 1 if any(figures.found.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
