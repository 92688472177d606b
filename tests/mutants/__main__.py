"""Do the tests notice?  Draws faults at random, and runs the tests that are to notice them.

    python -m tests.mutants --sample 100 --seed 1
    python -m tests.mutants --only estimate --sample 40 --json > faults.jsonl
    python -m tests.mutants --sample 400 --seed 1 --from 120 --to 200     # a part of the same draw

Which tests enter which function is noted first, in one run of all tests (`--reach FILE` keeps it
for the next time; tests given with `--renew PATH` are noted again).  Of those that enter the
function with the fault the nearest and shortest come first, as many as fit into `--budget` seconds,
and the first that fails ends it.  A fault is killed if a test fails, cannot be collected, or takes
far too long.  What only runs in processes of its own is not seen to be entered: `--wide` adds, for
what would survive, the tests that start processes.  Each fault is told as soon as it is tried.
`equivalents.txt` lists faults that change nothing that could be observed, each with its reason;
they are drawn, but not tried.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.mutants import reach
from tests.mutants.faults import Fault, count, fault

TREE = Path(__file__).resolve().parent.parent.parent
EQUIVALENTS = Path(__file__).resolve().parent / "equivalents.txt"

#: Packages in which a fault could move a machine or falsify a result.
CORE = ("model", "estimate", "wire", "change", "store", "families")

#: Tests that look at the tree itself, or build and install it: none notices a fault by running it.
APART = ("test_mutants.py", "test_package.py", "test_recipes.py", "test_readme.py")

#: Loaded once, for all trials: what stands outside the tree and takes long to load.
LOADED = ("click", "hypothesis", "numpy", "rich.console", "scipy.optimize", "scipy.stats", "yaml")

#: What a trial ends with that did not come to the tests.
BROKEN = 70

#: Loaded before pytest could look at it.
LATE = ("-W", "ignore::pytest.PytestAssertRewriteWarning")

PYTEST = ("-q", "-n", "0", "-p", "tests.mutants.reach")


@dataclass(frozen=True)
class Drawn:
    """One fault of one module."""

    path: Path
    number: int

    @property
    def module(self) -> str:
        return self.path.relative_to(TREE).as_posix()

    @property
    def package(self) -> str:
        parts = self.path.relative_to(TREE / "agent").parts
        return parts[0] if len(parts) > 1 else "agent"


@dataclass(frozen=True)
class Outcome:
    """What the tests made of a fault: "killed", "survived" or "equivalent"."""

    verdict: str
    by: str = ""  #: the test that failed
    tests: int = 0  #: how many were to look


def modules(only: str | None) -> list[Path]:
    """The modules of the product, or of one of its packages."""
    folder = TREE / "agent" / only if only else TREE / "agent"
    return sorted(p for p in folder.rglob("*.py") if p.name != "__init__.py")


def equivalents() -> frozenset[tuple[str, str]]:
    """(module, fault in words) of those that are known to change nothing."""
    rows = (line.split(" | ") for line in EQUIVALENTS.read_text().splitlines())
    return frozenset((row[0].strip(), row[1].strip()) for row in rows if len(row) == 3)


def draw(sample: int, seed: int, only: str | None) -> list[tuple[Drawn, Fault]]:
    """`sample` faults, each place of the code as likely as any other."""
    places = [
        Drawn(path, number)
        for path in modules(only)
        for number in range(count(path.read_text(encoding="utf-8")))
    ]
    random.Random(seed).shuffle(places)
    return [
        (place, fault(place.path.read_text(encoding="utf-8"), place.number))
        for place in places[:sample]
    ]


# -- which tests -------------------------------------------------------------------------------


def chosen(known: reach.Reach, module: str, function: str, budget: float) -> list[str]:
    """The tests that are to notice a fault there, file by file, the nearest and shortest first.

    After those that enter the function come the others of the same files, which may look at what
    the first of them has built.  `budget` bounds the sum of their seconds.
    """
    enter = known.tests(module, function)
    if not function:  # a constant is used by those that import it
        enter = enter.union(*(known.tests(other, "") for other in _importers(module)))
    if not (function or enter):  # a table: found by its package, not imported by name
        enter = frozenset(test for test in known.seconds if _near(_file(test), module))
    files = {_file(test) for test in enter}
    beside = {test for test in known.seconds if _file(test) in files} - enter
    left, found = budget, []
    for tests in (enter, beside):
        by_file: dict[str, list[str]] = {}
        for test in sorted(tests, key=lambda t: (known.seconds[t], t)):
            by_file.setdefault(_file(test), []).append(test)
        order = {
            file: (not _near(file, module), sum(known.seconds[t] for t in of_file))
            for file, of_file in by_file.items()
        }
        for file in sorted(by_file, key=lambda f: (order[f], f)):
            for test in by_file[file]:
                if known.seconds[test] <= left:
                    left -= known.seconds[test]
                    found.append(test)
    return found


def _file(test: str) -> str:
    return test.partition("::")[0]


def _near(file: str, module: str) -> bool:
    """The file mirrors the module or its folder, or checks against what is published."""
    folder, stem = Path(file).parent.name, Path(file).stem
    return folder in (Path(module).parts[1], "published") or stem == f"test_{Path(module).stem}"


def _importers(module: str) -> list[str]:
    """Modules of the product that import this one."""
    package, _, name = module.removesuffix(".py").replace("/", ".").rpartition(".")
    imports = re.compile(
        rf"from {re.escape(package)}\.{name} import|import {re.escape(package)}\.{name}\b"
        rf"|from {re.escape(package)} import [^\n]*\b{name}\b"
    )
    return [
        path.relative_to(TREE).as_posix()
        for path in modules(None)
        if imports.search(path.read_text(encoding="utf-8"))
    ]


def with_processes() -> list[str]:
    """Files of tests that start processes, in which what they enter is not seen."""
    starts = re.compile(r"\b(subprocess|pexpect|pty|multiprocessing)\b")
    return [
        path.relative_to(TREE).as_posix()
        for path in sorted((TREE / "tests").rglob("test_*.py"))
        if path.name not in APART and starts.search(path.read_text(encoding="utf-8"))
    ]


# -- trials ------------------------------------------------------------------------------------


class _First:
    """Finds the first test that fails, and cuts off those that take far too long.

    A test may take some times as long as it took when it was noted, in time of the processor and,
    more generously, of the wall; beyond the first the whole trial ends, whatever runs.
    """

    def __init__(self, seconds: dict[str, float]) -> None:
        self.by = ""
        self._seconds = seconds

    def pytest_itemcollected(self, item: pytest.Item) -> None:
        item.add_marker(pytest.mark.timeout(40 + 10 * self._seconds.get(item.nodeid, 30)))

    def pytest_runtest_setup(self, item: pytest.Item) -> None:
        limit = 4 + 4 * self._seconds.get(item.nodeid, 30)
        signal.setitimer(signal.ITIMER_PROF, limit)  # left alone, its signal ends the process

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.by:
            self.by = report.nodeid

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed and not self.by:
            self.by = f"{report.nodeid} (not collected)"


class Room:
    """A copy of the tree in which one fault after another is tried, each in a process of its own.

    The process is a copy of this one, in which the libraries are loaded already.
    """

    def __init__(self, folder: Path) -> None:
        self.tree, self._folder = folder / "tree", folder
        for name in ("agent", "sim", "profiles", "tests"):
            ignore = shutil.ignore_patterns("__pycache__")
            shutil.copytree(TREE / name, self.tree / name, ignore=ignore)
        for name in ("pyproject.toml", "README.md", "CHANGELOG.md", "DEVELOPERS.md"):
            shutil.copy(TREE / name, self.tree / name)
        self._clock = int(time.time()) - 500_000
        for name in LOADED:
            importlib.import_module(name)

    def _write(self, target: Path, source: str) -> None:
        """Each text has a time of its own, by which compiled code is known to be out of date."""
        target.write_text(source, encoding="utf-8")
        self._clock += 10
        os.utime(target, (self._clock, self._clock))

    def tried(self, place: Drawn, found: Fault, tests: dict[str, float]) -> Outcome:
        """What the tests make of the fault: each by name or file, with its usual seconds."""
        if not tests:
            return Outcome("survived")
        target = self.tree / place.module
        before = target.read_text(encoding="utf-8")
        self._write(target, found.source)
        try:
            code, by = self.run(tests)
        finally:
            self._write(target, before)
        if code in (BROKEN, pytest.ExitCode.USAGE_ERROR) and not by:
            raise RuntimeError(f"the tests of {place.module} could not be run")
        if code in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
            return Outcome("survived", tests=len(tests))
        return Outcome("killed", by, len(tests))

    def run(self, tests: dict[str, float]) -> tuple[int, str]:
        """How pytest ended, and the first test that failed; negative if it took too long."""
        told = self._folder / "told"
        told.write_text("")
        child = os.fork()
        if not child:
            code = BROKEN
            try:
                code = self._in_child(tests, told)
            finally:
                os._exit(code)
        end = time.monotonic() + 120 + 4 * sum(tests.values())
        pause = 0.02
        try:
            while time.monotonic() < end:
                pid, status = os.waitpid(child, os.WNOHANG)
                if pid:
                    code = os.waitstatus_to_exitcode(status)
                    return code, told.read_text() if code >= 0 else "took too long"
                time.sleep(pause)
                pause = min(0.2, pause * 1.2)
        finally:
            with suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return -1, "took too long"

    def _in_child(self, tests: dict[str, float], told: Path) -> int:
        os.setsid()
        with open(os.devnull, "r+b") as nothing:
            for stream in (0, 1, 2):
                os.dup2(nothing.fileno(), stream)
        os.chdir(self.tree)
        os.environ["PYTHONPATH"] = str(self.tree)
        for name in [n for n in sys.modules if n.partition(".")[0] in ("agent", "sim", "tests")]:
            del sys.modules[name]
        sys.path.insert(0, str(self.tree))
        listed = self._folder / "among"
        listed.write_text("\n".join(tests), encoding="utf-8")
        files = sorted({_file(test) for test in tests})
        few = ["--among", str(listed)] if any("::" in test for test in tests) else []
        first = _First(tests)
        options = ["-x", "-p", "no:cacheprovider", *LATE, f"--basetemp={self._folder / 'temp'}"]
        code = pytest.main([*PYTEST, *options, *few, *files], plugins=[first])
        told.write_text(first.by)
        return int(code)


def note(path: Path, tests: list[str]) -> None:
    """Notes which functions the tests enter, a folder at a time."""
    for part in tests:
        subprocess.run(
            [sys.executable, "-m", "pytest", *PYTEST, f"--reach={path}", part],
            cwd=TREE,
            stdout=sys.stderr,
            check=False,
        )


def trials(
    room: Room,
    drawn: list[tuple[Drawn, Fault]],
    known: reach.Reach,
    *,
    budget: float,
    wide: bool,
) -> Iterator[tuple[Drawn, Fault, Outcome, float]]:
    """Each fault with what came of it, and the seconds that it took."""
    same = equivalents()
    for place, found in drawn:
        begun = time.monotonic()
        if (place.module, found.what) in same:
            yield place, found, Outcome("equivalent"), 0.0
            continue
        function = reach.function_at(place.path.read_text(encoding="utf-8"), found.line)
        tests = chosen(known, place.module, function, budget)
        outcome = room.tried(place, found, {test: known.seconds[test] for test in tests})
        if outcome.verdict == "survived" and wide:
            outcome = room.tried(place, found, dict.fromkeys(with_processes(), 120.0))
        yield place, found, outcome, time.monotonic() - begun


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__)
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("--sample", type=int, default=40, help="faults to draw")
    parser.add_argument("--seed", type=int, default=1, help="which faults")
    parser.add_argument("--only", help="one package of agent/")
    parser.add_argument("--from", type=int, default=0, dest="begin", help="first fault to try")
    parser.add_argument("--to", type=int, help="the one before which to stop")
    parser.add_argument("--reach", type=Path, help="which tests enter what; made if not there")
    parser.add_argument("--renew", action="append", default=[], help="tests to be noted again")
    parser.add_argument("--budget", type=float, default=60.0, help="seconds of tests per fault")
    parser.add_argument("--wide", action="store_true", help="tests that start processes too")
    parser.add_argument("--json", action="store_true", help="one line of JSON per fault")
    options = parser.parse_args()
    drawn = draw(options.sample, options.seed, options.only)[options.begin : options.to]
    with tempfile.TemporaryDirectory(prefix="mutants-", ignore_cleanup_errors=True) as folder:
        path = options.reach or Path(folder) / "reach.jsonl"
        if not path.exists():
            parts = sorted((TREE / "tests").glob("[!_]*/")) + sorted(TREE.glob("tests/test_*.py"))
            note(path, [str(p.relative_to(TREE)) for p in parts if p.name not in APART])
        note(path, options.renew)
        room = Room(Path(folder))
        tried = []
        rows = trials(room, drawn, reach.read(path), budget=options.budget, wide=options.wide)
        for number, (place, found, outcome, seconds) in enumerate(rows, options.begin):
            tried.append((place.package, outcome.verdict))
            _tell_one(number, place, found, outcome, seconds, as_json=options.json)
    _tell(tried, as_json=options.json)


def _tell_one(
    number: int, place: Drawn, found: Fault, outcome: Outcome, seconds: float, *, as_json: bool
) -> None:
    if as_json:
        row = {
            "number": number,
            "module": place.module,
            "line": found.line,
            "what": found.what,
            "verdict": outcome.verdict,
            "by": outcome.by,
            "tests": outcome.tests,
            "seconds": round(seconds, 1),
        }
        print(json.dumps(row), flush=True)
    elif outcome.verdict == "survived":
        looked = f"{outcome.tests} tests looked" if outcome.tests else "no test enters it"
        print(f"not noticed: {place.module}:{found.line} {found.what} ({looked})", flush=True)


def _tell(tried: list[tuple[str, str]], *, as_json: bool) -> None:
    names = sorted({package for package, _ in tried})
    groups = {name: (name,) for name in names}
    groups["core"] = CORE
    groups["rest"] = tuple(name for name in names if name not in CORE)
    rows = {}
    for title, packages in groups.items():
        of_it = Counter(verdict for package, verdict in tried if package in packages)
        differ = of_it["killed"] + of_it["survived"]
        rows[title] = {"tried": differ, "killed": of_it["killed"], "same": of_it["equivalent"]}
    if as_json:
        print(json.dumps({"packages": rows}), flush=True)
        return
    for name, row in rows.items():
        share = 100 * row["killed"] / row["tried"] if row["tried"] else 0.0
        print(f"{name:<12} {row['killed']:>4} of {row['tried']:>4} killed  {share:5.1f} %")


if __name__ == "__main__":
    main()
