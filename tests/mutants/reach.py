"""Which tests enter which functions of the product, and how long each takes.

As a plugin of pytest (`-p tests.mutants.reach --reach FILE`) it notes, one line of JSON per test,
the functions that the test entered; with `--among FILE` only the tests listed there are run, in
that order.  What a fixture of a whole file or of the session enters counts for every test that asks
for it.  What runs in processes of its own is not seen.  From Python 3.12 on noting takes hardly
longer than the tests alone.
"""

from __future__ import annotations

import ast
import json
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FrameType
from typing import IO, Any

import pytest

TREE = Path(__file__).resolve().parent.parent.parent


# -- what was noted ----------------------------------------------------------------------------


@dataclass(frozen=True)
class Reach:
    """The tests that passed, with their seconds, and the tests of each function."""

    seconds: dict[str, float]
    functions: dict[str, frozenset[str]]  #: "agent/x.py::Class.method" to the tests

    def tests(self, module: str, function: str) -> frozenset[str]:
        """Those that enter the function; for the body of a module any of its functions."""
        if function:
            return self.functions.get(f"{module}::{function}", frozenset())
        of_module = (
            tests for name, tests in self.functions.items() if name.startswith(f"{module}::")
        )
        return frozenset().union(*of_module)


def read(path: Path) -> Reach:
    """What a run of the tests noted."""
    names: list[str] = []
    seconds: dict[str, float] = {}
    functions: dict[str, set[str]] = defaultdict(set)
    latest: dict[str, tuple[float, list[int]]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        row = json.loads(line)
        names += row["new"]
        latest.pop(row["test"], None)  # noted again: what was noted before no longer counts
        if row["passed"]:
            latest[row["test"]] = row["seconds"], row["entered"]
    for test, (taken, entered) in latest.items():
        seconds[test] = taken
        for number in entered:
            functions[names[number]].add(test)
    return Reach(seconds, {name: frozenset(tests) for name, tests in functions.items()})


def function_at(source: str, line: int) -> str:
    """The function around a line, as `Class.method`; "" in the body of the module."""

    def inside(body: list[ast.stmt], before: str) -> str:
        for node in body:
            if not node.lineno <= line <= (node.end_lineno or node.lineno):
                continue
            if isinstance(node, ast.ClassDef):
                return inside(node.body, f"{before}{node.name}.")
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                return before + node.name
        return ""

    return inside(ast.parse(source).body, "")


# -- the plugin --------------------------------------------------------------------------------


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--reach", metavar="FILE", help="note here what each test enters")
    parser.addoption("--among", metavar="FILE", help="only the tests listed here, in their order")


def pytest_configure(config: pytest.Config) -> None:
    if path := config.getoption("--reach"):
        config.pluginmanager.register(_Notes(Path(path)))


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if path := config.getoption("--among"):
        listed = Path(path).read_text(encoding="utf-8").splitlines()
        rank = {name: place for place, name in enumerate(listed)}
        items[:] = sorted((i for i in items if i.nodeid in rank), key=lambda i: rank[i.nodeid])


class _Notes:
    """Notes what is entered while a test is set up, run and taken down."""

    def __init__(self, path: Path) -> None:
        self._entered: set[CodeType] = set()
        self._shared: dict[str, set[CodeType]] = defaultdict(set)  # by name of a wide fixture
        self._numbers = {name: number for number, name in enumerate(_names(path))}
        self._file: IO[str] = path.open("a", encoding="utf-8")
        self._failed = False

    def _trace(self, frame: FrameType, event: str, arg: Any) -> None:
        self._entered.add(frame.f_code)

    @contextmanager
    def _watching(self) -> Iterator[None]:
        """Every function that is entered meanwhile, in whatever thread."""
        if sys.version_info < (3, 12):
            threading.settrace(self._trace)
            sys.settrace(self._trace)
            try:
                yield
            finally:
                sys.settrace(None)
                threading.settrace(None)  # type: ignore[arg-type]
            return
        seen, tool = sys.monitoring, sys.monitoring.PROFILER_ID

        def entered(code: CodeType, offset: int) -> object:
            self._entered.add(code)
            return seen.DISABLE  # the next time tells nothing new

        seen.use_tool_id(tool, "reach")
        try:
            seen.register_callback(tool, seen.events.PY_START, entered)
            seen.set_events(tool, seen.events.PY_START)
            seen.restart_events()
            yield
        finally:
            seen.set_events(tool, seen.events.NO_EVENTS)
            seen.free_tool_id(tool)

    def _anew(self) -> set[CodeType]:
        """From here on everything counts as not yet entered; what was entered until here."""
        before, self._entered = self._entered, set()
        if sys.version_info >= (3, 12):
            sys.monitoring.restart_events()
        return before

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Iterator[Any]:
        if fixturedef.scope == "function":
            return (yield)
        before = self._anew()
        try:
            return (yield)
        finally:
            self._shared[f"{fixturedef.baseid}::{fixturedef.argname}"] |= self._entered
            self._entered = before | self._entered

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item, nextitem: Any) -> Iterator[Any]:
        self._entered, self._failed = set(), False
        begun = time.perf_counter()
        try:
            with self._watching():
                return (yield)
        finally:
            self._write(item, time.perf_counter() - begun)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._failed |= not report.passed

    def _write(self, item: pytest.Item, seconds: float) -> None:
        entered = set(self._entered)
        for name in getattr(item, "fixturenames", ()):
            for definition in item._fixtureinfo.name2fixturedefs.get(name, ()):  # type: ignore
                entered |= self._shared.get(f"{definition.baseid}::{name}", set())
        names = {name for code in entered if (name := _name(code))}
        new = sorted(names - self._numbers.keys())
        for name in new:
            self._numbers[name] = len(self._numbers)
        row = {
            "test": item.nodeid,
            "seconds": round(seconds, 3),
            "passed": not self._failed,
            "new": new,
            "entered": sorted(self._numbers[name] for name in names),
        }
        print(json.dumps(row), file=self._file, flush=True)


def _names(path: Path) -> list[str]:
    """The functions that an earlier run noted, in the order of their numbers."""
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return [name for line in lines for name in json.loads(line)["new"]]


def _name(code: CodeType) -> str | None:
    """`agent/x.py::Class.method` of a function of the product, or what it is written in."""
    path = Path(code.co_filename)
    if code.co_name == "<module>" or not path.is_relative_to(TREE / "agent"):
        return None
    return f"{path.relative_to(TREE).as_posix()}::{code.co_qualname.partition('.<locals>')[0]}"
