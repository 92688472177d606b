"""The simulator by itself, and the whole job on it against the sum of its parts."""

from __future__ import annotations

import os
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from typing import Any

from agent.bench.value import Bench
from agent.face import demo
from agent.face.screen import Screen
from agent.wire.link import Link
from agent.work.changes import Changes
from agent.work.contact import Contact
from agent.work.laying import Laying
from agent.work.pieces import Pieces
from agent.work.readings import Readings
from agent.work.session import Session
from agent.work.storage import Storage
from tests.benchmarks.benches import heron, profile, short_lines
from tests.benchmarks.table import Row
from tests.benchmarks.timing import Act, growth, side_by_side
from tests.memory import MemoryTransport, in_memory

#: Floating-point operations of one straight move, about: the loop beside it does as many.
_OPERATIONS = 60


def rows(quick: bool) -> Iterator[Row]:
    count = 2_000 if quick else 20_000
    ours, reference = side_by_side(laying(count), _arithmetic(count), runs=5)
    yield Row(
        "simulator: controller and plant, lines in process",
        count / ours,
        count / reference,
        f"a loop of {_OPERATIONS} float operations a line",
        unit="lines/s",
    )
    sizes = (100, 1_000, 10_000) if quick else (1_000, 10_000, 100_000)
    yield growth("simulator by lines", sizes, laying, runs=1)
    yield growth("laying in memory by lines", sizes, _streaming, runs=1)


def tune_rows(quick: bool) -> Iterator[Row]:
    parts: dict[str, float] = defaultdict(float)
    start = time.perf_counter()
    with _timed(parts):
        _tune()
    whole = time.perf_counter() - start
    dearest = ", ".join(
        f"{name} {100 * spent / whole:.0f} %"
        for name, spent in sorted(parts.items(), key=lambda part: -part[1])
    )
    yield Row("whole closed-loop tune in process", whole, sum(parts.values()), f"parts: {dearest}")


def laying(count: int) -> Act:
    """Lines put into the controller one by one, each when the last was answered."""
    lines = [line.encode() + b"\n" for line in short_lines(count)]

    def act() -> None:
        controller = heron().controller
        controller.hotend.set(215.0, 0.0)
        controller.run(600.0)
        for line in lines:
            controller.receive(line, controller.now)
            while not controller.take():
                instant = controller.next_instant()
                assert instant is not None
                controller.run(instant)
        controller.finish_moves()

    return act


def _streaming(count: int) -> Act:
    lines = short_lines(count)

    def act() -> None:
        link = Link(MemoryTransport(heron().controller), numbered=True)
        assert link.stream(lines) == count

    return act


def _arithmetic(count: int) -> Act:
    def act() -> float:
        x, y = 1.0, 1.0000001
        for _ in range(count):
            for _ in range(_OPERATIONS // 2):
                x = x * y + y
            x = 1.0
        return x

    return act


def _tune() -> None:
    bench = in_memory(seed=7)
    session = Session(profile())
    with open(os.devnull, "w") as nowhere, redirect_stdout(nowhere), redirect_stderr(nowhere):
        document = demo.whole_job(demo.Job(Screen(), session, bench))
    assert document["verified"], document["proofs"]


@contextmanager
def _timed(parts: dict[str, float]) -> Iterator[None]:
    """Add up what the steps of a session take, each by its own name."""
    steps: dict[str, tuple[type, str]] = {
        "attach": (Contact, "attach"),
        "draw": (Pieces, "draw"),
        "toolpath": (Pieces, "begin"),
        "moves": (Contact, "send_lines"),
        "lay": (Laying, "go_on"),
        "gauge": (type(in_memory()), "measure"),
        "solve": (Readings, "solve"),
        "preview": (Changes, "preview"),
        "write": (Changes, "write"),
        "look": (Storage, "look"),
        "store": (Storage, "store"),
        "compare": (Bench, "compare"),
    }
    plain = {name: getattr(owner, method) for name, (owner, method) in steps.items()}
    try:
        for name, (owner, method) in steps.items():
            setattr(owner, method, _timing(plain[name], name, parts))
        yield
    finally:
        for name, (owner, method) in steps.items():
            setattr(owner, method, plain[name])


def _timing(step: Callable[..., Any], name: str, parts: dict[str, float]) -> Callable[..., Any]:
    def timed(*args: Any, **kwargs: Any) -> Any:
        start = time.perf_counter()
        try:
            return step(*args, **kwargs)
        finally:
            parts[name] += time.perf_counter() - start

    return timed
